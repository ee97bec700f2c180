/* Copies a folder as it is just before each write to one of its files, and keeps the write that was to come.
 *
 * Environment: CHAOS_SNAP_NAME    end of the file's path
 *              CHAOS_SNAP_ARM     a file; nothing is copied while it is not there
 *              CHAOS_SNAP_FOLDER  what is copied
 *              CHAOS_SNAP_TO      a folder for N/ (the copy) and N.write (offset as text, a newline, the bytes)
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

typedef ssize_t (*writer)(int, const void *, size_t, off64_t);
static pthread_mutex_t one_at_a_time = PTHREAD_MUTEX_INITIALIZER;
static long counted;

static int is_wanted(int descriptor) {
    const char *name = getenv("CHAOS_SNAP_NAME"), *arm = getenv("CHAOS_SNAP_ARM");
    char link[64], path[4096];
    snprintf(link, sizeof link, "/proc/self/fd/%d", descriptor);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (name == NULL || arm == NULL || length < 0) return 0;
    path[length] = 0;
    size_t tail = strlen(name);
    return (size_t)length >= tail && strcmp(path + length - tail, name) == 0 && access(arm, F_OK) == 0;
}

static void keep(const void *data, size_t size, off64_t at) {
    const char *folder = getenv("CHAOS_SNAP_FOLDER"), *to = getenv("CHAOS_SNAP_TO");
    char command[9000], path[4200];
    pthread_mutex_lock(&one_at_a_time);
    long number = ++counted;
    snprintf(command, sizeof command, "LD_PRELOAD= cp -a '%s' '%s/%ld'", folder, to, number);
    if (system(command) != 0) abort();
    snprintf(path, sizeof path, "%s/%ld.write", to, number);
    FILE *out = fopen(path, "w");
    if (out == NULL) abort();
    fprintf(out, "%lld\n", (long long)at);
    fwrite(data, 1, size, out);
    fclose(out);
    pthread_mutex_unlock(&one_at_a_time);
}

ssize_t write(int descriptor, const void *data, size_t size) {
    static ssize_t (*next)(int, const void *, size_t);
    if (next == NULL) next = (ssize_t(*)(int, const void *, size_t))dlsym(RTLD_NEXT, "write");
    if (is_wanted(descriptor)) keep(data, size, lseek64(descriptor, 0, SEEK_CUR));
    return next(descriptor, data, size);
}

ssize_t pwrite(int descriptor, const void *data, size_t size, off_t at) {
    static writer next;
    if (next == NULL) next = (writer)dlsym(RTLD_NEXT, "pwrite");
    if (is_wanted(descriptor)) keep(data, size, at);
    return next(descriptor, data, size, at);
}

ssize_t pwrite64(int descriptor, const void *data, size_t size, off64_t at) {
    static writer next;
    if (next == NULL) next = (writer)dlsym(RTLD_NEXT, "pwrite64");
    if (is_wanted(descriptor)) keep(data, size, at);
    return next(descriptor, data, size, at);
}
