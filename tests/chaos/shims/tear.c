/* Tears a write: of the n-th write to a file after the arming, only the first bytes are stored, and the process dies.
 *
 * Environment: CHAOS_TEAR_NAME  end of the file's path
 *              CHAOS_TEAR_ARM   a file; writes count from the moment at which it is there
 *              CHAOS_TEAR_AT    which write, from 1
 *              CHAOS_TEAR_KEEP  bytes of it that are stored
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

typedef ssize_t (*writer)(int, const void *, size_t, off64_t);
static atomic_long counted;

static int is_named(int descriptor) {
    const char *name = getenv("CHAOS_TEAR_NAME");
    char link[64], path[4096];
    snprintf(link, sizeof link, "/proc/self/fd/%d", descriptor);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (name == NULL || length < 0) return 0;
    path[length] = 0;
    size_t tail = strlen(name);
    return (size_t)length >= tail && strcmp(path + length - tail, name) == 0;
}

/* Whether this is the write to be torn, and how many bytes of it are kept. */
static int is_the_one(int descriptor, size_t size, size_t *kept) {
    const char *arm = getenv("CHAOS_TEAR_ARM");
    if (arm == NULL || !is_named(descriptor) || access(arm, F_OK) != 0) return 0;
    if (atomic_fetch_add(&counted, 1) + 1 != atol(getenv("CHAOS_TEAR_AT"))) return 0;
    size_t keep = (size_t)atol(getenv("CHAOS_TEAR_KEEP"));
    *kept = keep < size ? keep : size / 2;
    return 1;
}

static void die(int descriptor) {
    fsync(descriptor);
    kill(getpid(), SIGKILL);
    pause();
}

static ssize_t torn(writer write_it, int descriptor, const void *data, size_t size, off64_t at) {
    size_t kept;
    if (is_the_one(descriptor, size, &kept)) {
        write_it(descriptor, data, kept, at);
        die(descriptor);
    }
    return write_it(descriptor, data, size, at);
}

ssize_t write(int descriptor, const void *data, size_t size) {
    static ssize_t (*next)(int, const void *, size_t);
    if (next == NULL) next = (ssize_t(*)(int, const void *, size_t))dlsym(RTLD_NEXT, "write");
    size_t kept;
    if (is_the_one(descriptor, size, &kept)) {
        next(descriptor, data, kept);
        die(descriptor);
    }
    return next(descriptor, data, size);
}

ssize_t pwrite(int descriptor, const void *data, size_t size, off_t at) {
    static writer next;
    if (next == NULL) next = (writer)dlsym(RTLD_NEXT, "pwrite");
    return torn(next, descriptor, data, size, at);
}

ssize_t pwrite64(int descriptor, const void *data, size_t size, off64_t at) {
    static writer next;
    if (next == NULL) next = (writer)dlsym(RTLD_NEXT, "pwrite64");
    return torn(next, descriptor, data, size, at);
}
