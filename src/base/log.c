#include "chaffinch/log.h"

#include <inttypes.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

enum { LINE_INTERVAL_MS = 170, PLAIN_INTERVAL_MS = 10000 };

struct log {
    struct log *to; /* lines go there, progress nowhere; NULL = a log of its own */
    pthread_mutex_t lock;
    FILE *stream;
    const char *program;
    bool terminal;
    bool line_shown; /* a progress line stands on the terminal */
    const char *what, *unit;
    uint64_t total, done, total_bytes, done_bytes;
    int64_t started_ms, shown_ms;
};

static int64_t now_ms(void)
{
    struct timespec t = {0};
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000 + t.tv_nsec / 1000000;
}

struct log *log_new(FILE *stream, const char *program, struct err *err)
{
    struct log *log = calloc(1, sizeof *log);
    if (log == NULL) {
        err_nomem(err);
        return NULL;
    }
    if (pthread_mutex_init(&log->lock, NULL) != 0) {
        free(log);
        err_nomem(err);
        return NULL;
    }
    log->stream = stream;
    log->program = program;
    log->terminal = isatty(fileno(stream)) != 0;
    return log;
}

struct log *log_lines_only(struct log *to, struct err *err)
{
    struct log *log = calloc(1, sizeof *log);
    if (log == NULL) {
        err_nomem(err);
        return NULL;
    }
    log->to = to;
    return log;
}

void log_free(struct log *log)
{
    if (log != NULL && log->to == NULL)
        (void)pthread_mutex_destroy(&log->lock);
    free(log);
}

static void wipe_line(struct log *log)
{
    if (log->line_shown)
        (void)fputs("\r\033[K", log->stream);
    log->line_shown = false;
}

void log_line(struct log *log, const char *format, ...)
{
    if (log != NULL && log->to != NULL)
        log = log->to;
    if (log == NULL)
        return;
    (void)pthread_mutex_lock(&log->lock);
    wipe_line(log);
    (void)fprintf(log->stream, "%s: ", log->program);
    va_list args;
    va_start(args, format);
    (void)vfprintf(log->stream, format, args);
    va_end(args);
    (void)fputc('\n', log->stream);
    (void)fflush(log->stream);
    (void)pthread_mutex_unlock(&log->lock);
}

void log_err(struct log *log, const struct err *err)
{
    log_line(log, "%s", err->message);
}

char *log_duration(double seconds, char out[32])
{
    long s = (long)(seconds + .5);
    if (s >= 3600)
        (void)snprintf(out, 32, "%ld h %ld min", s / 3600, s % 3600 / 60);
    else if (s >= 60)
        (void)snprintf(out, 32, "%ld min %ld s", s / 60, s % 60);
    else
        (void)snprintf(out, 32, "%ld s", s);
    return out;
}

char *log_bytes(uint64_t bytes, char out[32])
{
    static const char *const units[] = {"bytes", "kB", "MB", "GB", "TB"};
    double v = (double)bytes;
    size_t u = 0;
    while (v >= 999.5 && u < 4) {
        v /= 1000;
        u++;
    }
    (void)snprintf(out, 32, u == 0 || v >= 99.95 ? "%.0f %s" : "%.1f %s", v, units[u]);
    return out;
}

char *log_count(uint64_t n, char out[32])
{
    char digits[24];
    int len = snprintf(digits, sizeof digits, "%" PRIu64, n);
    int at = 0;
    for (int i = 0; i < len; i++) {
        if (i > 0 && (len - i) % 3 == 0)
            out[at++] = ',';
        out[at++] = digits[i];
    }
    out[at] = '\0';
    return out;
}

void log_progress_start(struct log *log, const char *what, uint64_t total, const char *unit,
                        uint64_t total_bytes)
{
    if (log == NULL || log->to != NULL)
        return;
    (void)pthread_mutex_lock(&log->lock);
    log->what = what;
    log->unit = unit;
    log->total = total;
    log->total_bytes = total_bytes;
    log->done = log->done_bytes = 0;
    log->started_ms = log->shown_ms = now_ms();
    (void)pthread_mutex_unlock(&log->lock);
}

/* Share of the work that is done, by bytes where they are known: large files take longer. */
static double share_done(const struct log *log)
{
    if (log->total_bytes > 0)
        return (double)log->done_bytes / (double)log->total_bytes;
    return log->total > 0 ? (double)log->done / (double)log->total : 0;
}

static void show_progress(struct log *log, int64_t now)
{
    double elapsed = (double)(now - log->started_ms) / 1000;
    double share = share_done(log);
    char done[32], total[32], bytes[32], left[32];
    if (log->terminal)
        wipe_line(log);
    else
        (void)fprintf(log->stream, "%s: ", log->program);
    (void)fprintf(log->stream, "%s: %s", log->what, log_count(log->done, done));
    if (log->total > 0)
        (void)fprintf(log->stream, " of %s", log_count(log->total, total));
    (void)fprintf(log->stream, " %s", log->unit);
    if (elapsed > 0)
        (void)fprintf(log->stream, ", %.1f a second", (double)log->done / elapsed);
    if (elapsed > 0 && log->total_bytes > 0)
        (void)fprintf(log->stream, ", %s/s", log_bytes((uint64_t)((double)log->done_bytes / elapsed), bytes));
    if (share > 0 && share < 1)
        (void)fprintf(log->stream, ", about %s left", log_duration(elapsed * (1 - share) / share, left));
    if (!log->terminal)
        (void)fputc('\n', log->stream);
    log->line_shown = log->terminal;
    (void)fflush(log->stream);
    log->shown_ms = now;
}

void log_progress_step(struct log *log, uint64_t items, uint64_t bytes)
{
    if (log == NULL || log->to != NULL)
        return;
    (void)pthread_mutex_lock(&log->lock);
    log->done += items;
    log->done_bytes += bytes;
    int64_t now = now_ms();
    if (log->what != NULL && now - log->shown_ms >= (log->terminal ? LINE_INTERVAL_MS : PLAIN_INTERVAL_MS))
        show_progress(log, now);
    (void)pthread_mutex_unlock(&log->lock);
}

/* Nothing is said of what took less than a second. */
static void show_end(struct log *log)
{
    wipe_line(log);
    double elapsed = (double)(now_ms() - log->started_ms) / 1000;
    char done[32], took[32], bytes[32];
    if (elapsed >= 1 && log->done > 0) {
        (void)fprintf(log->stream, "%s: %s: %s %s in %s, %.1f a second", log->program, log->what,
                      log_count(log->done, done), log->unit, log_duration(elapsed, took),
                      (double)log->done / elapsed);
        if (log->done_bytes > 0)
            (void)fprintf(log->stream, ", %s/s",
                          log_bytes((uint64_t)((double)log->done_bytes / elapsed), bytes));
        (void)fputc('\n', log->stream);
    }
    (void)fflush(log->stream);
    log->what = NULL;
}

void log_progress_end(struct log *log)
{
    if (log == NULL || log->to != NULL)
        return;
    (void)pthread_mutex_lock(&log->lock);
    if (log->what != NULL)
        show_end(log);
    (void)pthread_mutex_unlock(&log->lock);
}
