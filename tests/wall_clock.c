/* Moves the wall clock of a program and of all that it starts, and nothing else: LD_PRELOAD this, and BOWLSIDE_WALL_OFFSET_S.
 *
 * libfaketime moves the monotonic clock too, and Python 3.11 then waits for ever. Built by tests/scenario/test_wall_clock.py. */
#define _GNU_SOURCE
#include <stdlib.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

static time_t offset(void) {
    const char *given = getenv("BOWLSIDE_WALL_OFFSET_S");
    return given ? atol(given) : 0;
}

int clock_gettime(clockid_t id, struct timespec *now) {
    int failed = (int)syscall(SYS_clock_gettime, id, now);
    if (!failed && (id == CLOCK_REALTIME || id == CLOCK_REALTIME_COARSE)) now->tv_sec += offset();
    return failed;
}

int gettimeofday(struct timeval *restrict now, void *restrict zone) {
    struct timespec at;
    (void)zone;
    clock_gettime(CLOCK_REALTIME, &at);
    now->tv_sec = at.tv_sec;
    now->tv_usec = at.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *now) {
    struct timespec at;
    clock_gettime(CLOCK_REALTIME, &at);
    if (now) *now = at.tv_sec;
    return at.tv_sec;
}
