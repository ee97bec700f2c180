/* Shifts the wall clock of one process by the nanoseconds in the file CHAOS_CLOCK, which may change at any time.
 *
 * Only CLOCK_REALTIME and what rests on it; the monotonic clock stays, as it does when somebody sets a computer's clock.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdint.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

static volatile int64_t *shift;

__attribute__((constructor)) static void open_shift(void) {
    const char *path = getenv("CHAOS_CLOCK");
    int descriptor = path == NULL ? -1 : open(path, O_RDONLY | O_CLOEXEC);
    if (descriptor < 0) return;
    void *seen = mmap(NULL, sizeof *shift, PROT_READ, MAP_SHARED, descriptor, 0);
    if (seen != MAP_FAILED) shift = seen;
    close(descriptor);
}

int clock_gettime(clockid_t clock, struct timespec *at) {
    static int (*next)(clockid_t, struct timespec *);
    if (next == NULL) next = (int (*)(clockid_t, struct timespec *))dlsym(RTLD_NEXT, "clock_gettime");
    int result = next(clock, at);
    if (result == 0 && shift != NULL && (clock == CLOCK_REALTIME || clock == CLOCK_REALTIME_COARSE)) {
        int64_t total = (int64_t)at->tv_sec * 1000000000 + at->tv_nsec + *shift;
        at->tv_sec = total / 1000000000;
        at->tv_nsec = total % 1000000000;
    }
    return result;
}

time_t time(time_t *at) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (at != NULL) *at = now.tv_sec;
    return now.tv_sec;
}

int gettimeofday(struct timeval *at, void *zone) {
    struct timespec now;
    (void)zone;
    clock_gettime(CLOCK_REALTIME, &now);
    at->tv_sec = now.tv_sec;
    at->tv_usec = now.tv_nsec / 1000;
    return 0;
}
