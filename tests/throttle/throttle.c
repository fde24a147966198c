/*
 * A slow card without a card: preloaded into any program (LD_PRELOAD), it lets reads of files below
 * THROTTLE_DIR through at THROTTLE_MBS megabytes a second, and hides the calls that copy without reading.
 * Every program gets the same card this way, whatever the size of its reads.
 */
#include <dlfcn.h>
#include <errno.h>
#include <limits.h>
#include <pthread.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <time.h>
#include <unistd.h>

static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static int64_t free_at_ns; /* when the card has delivered what was asked for so far */

static bool is_on_card(int fd)
{
    char link[64], path[PATH_MAX];
    const char *folder = getenv("THROTTLE_DIR");
    (void)snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = folder != NULL ? readlink(link, path, sizeof path) : -1;
    size_t length = folder != NULL ? strlen(folder) : 0;
    return n > (ssize_t)length && memcmp(path, folder, length) == 0 && path[length] == '/';
}

static int64_t now_ns(void)
{
    struct timespec t = {0};
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000000000 + t.tv_nsec;
}

static void deliver(ssize_t bytes)
{
    const char *rate = getenv("THROTTLE_MBS");
    double mb_s = rate != NULL ? strtod(rate, NULL) : 0;
    if (bytes <= 0 || !(mb_s > 0))
        return;
    (void)pthread_mutex_lock(&lock);
    int64_t now = now_ns();
    free_at_ns = (free_at_ns > now ? free_at_ns : now) + (int64_t)((double)bytes * 1e3 / mb_s);
    int64_t until = free_at_ns;
    (void)pthread_mutex_unlock(&lock);
    const struct timespec at = {.tv_sec = until / 1000000000, .tv_nsec = until % 1000000000};
    while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &at, NULL) == EINTR)
        continue;
}

/* ISO C has no way to turn an object pointer into one to a function. */
static void find(const char *name, void *function)
{
    void *found = dlsym(RTLD_NEXT, name);
    memcpy(function, &found, sizeof found);
}

ssize_t read(int fd, void *bytes, size_t size);
ssize_t copy_file_range(int in, off_t *in_at, int out, off_t *out_at, size_t size, unsigned flags);

ssize_t read(int fd, void *bytes, size_t size)
{
    static ssize_t (*next)(int, void *, size_t);
    if (next == NULL)
        find("read", &next);
    ssize_t n = next(fd, bytes, size);
    int number = errno;
    if (n > 0 && is_on_card(fd))
        deliver(n);
    errno = number;
    return n;
}

ssize_t copy_file_range(int in, off_t *in_at, int out, off_t *out_at, size_t size, unsigned flags)
{
    (void)in, (void)in_at, (void)out, (void)out_at, (void)size, (void)flags;
    errno = ENOSYS;
    return -1;
}
