/* Adds an offset, read from a mapped file of 8 bytes (a double, seconds), to CLOCK_REALTIME alone. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <math.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/time.h>
#include <time.h>
static double offset(void) {
    static volatile double *map;
    if (!map) {
        int fd = open(getenv("WALL_OFFSET"), O_RDONLY);
        map = mmap(0, 8, PROT_READ, MAP_SHARED, fd, 0);
    }
    return *map;
}
static void shift(struct timespec *at) {
    double by = offset(), whole = floor(by);
    at->tv_sec += (time_t)whole;
    at->tv_nsec += (long)((by - whole) * 1e9);
    if (at->tv_nsec >= 1000000000L) { at->tv_nsec -= 1000000000L; at->tv_sec++; }
}
int clock_gettime(clockid_t id, struct timespec *at) {
    static int (*real)(clockid_t, struct timespec *);
    if (!real) real = dlsym(RTLD_NEXT, "clock_gettime");
    int rc = real(id, at);
    if (rc == 0 && id == CLOCK_REALTIME) shift(at);
    return rc;
}
int gettimeofday(struct timeval *restrict at, void *restrict zone) {
    (void)zone;
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    at->tv_sec = now.tv_sec;
    at->tv_usec = now.tv_nsec / 1000;
    return 0;
}
time_t time(time_t *at) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (at) *at = now.tv_sec;
    return now.tv_sec;
}
