/* Lets the wall clock step by an hour, forth and back, for one program (LD_PRELOAD).
 *
 * The real clock of a machine is everybody's; this moves it for the program on trial alone. The
 * steps follow the monotonic clock, which is left as it is: five a second.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <sys/time.h>
#include <time.h>

typedef int (*reading)(clockid_t, struct timespec *);

static time_t stepped(void)
{
    static reading real;
    struct timespec now;
    if (!real)
        real = (reading)dlsym(RTLD_NEXT, "clock_gettime");
    real(CLOCK_MONOTONIC, &now);
    return now.tv_nsec / 100000000 % 2 ? 3600 : 0;
}

int clock_gettime(clockid_t which, struct timespec *at)
{
    static reading real;
    if (!real)
        real = (reading)dlsym(RTLD_NEXT, "clock_gettime");
    int answer = real(which, at);
    if (answer == 0 && which == CLOCK_REALTIME)
        at->tv_sec += stepped();
    return answer;
}

int gettimeofday(struct timeval *at, void *zone)
{
    struct timespec now;
    (void)zone;
    if (clock_gettime(CLOCK_REALTIME, &now))
        return -1;
    at->tv_sec = now.tv_sec;
    at->tv_usec = now.tv_nsec / 1000;
    return 0;
}
