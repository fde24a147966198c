/*
 * bench_review SESSION: how long the server of review takes for what a person waits for, without a browser:
 * opening, the line of hours, a burst, a part at 1:1 of frame after frame, and of frames that were prepared.
 * Wall clock, printed, never a test. What a browser adds is measured in tests/browser.
 */
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "../../src/review/desk.h"
#include "../../src/review/pictures.h"

enum { FRAMES_MAX = 60, PART_PX = 720, DESCRIPTORS = 16, PREPARE_MS = 5000 };

static double now_ms(void)
{
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec * 1e3 + (double)t.tv_nsec * 1e-6;
}

static void must(bool ok, const struct err *err)
{
    if (ok)
        return;
    (void)fprintf(stderr, "bench_review: %s\n", err->message);
    exit(1);
}

/* A round of the server's loop. */
static void work(struct desk *d)
{
    struct err err = ERR_INIT;
    int fds[DESCRIPTORS];
    struct pollfd polled[DESCRIPTORS];
    bool news;
    size_t n = worker_descriptors(d->workers, fds, DESCRIPTORS);
    for (size_t i = 0; i < n; i++)
        polled[i] = (struct pollfd){fds[i], POLLIN, 0};
    (void)poll(polled, (nfds_t)n, n > 0 ? 100 : 0);
    must(desk_work(d, &news, &err), &err);
}

/* Asks until there is an answer; ms. */
static double get(struct desk *d, const char *path, size_t *size)
{
    char whole[256];
    struct answer a;
    double begin = now_ms();
    (void)snprintf(whole, sizeof whole, "/%s/%s", d->token, path);
    const struct request q = {.method = "GET", .path = whole, .host = d->host[0]};
    desk_answer(d, &q, false, &a);
    while (a.state == ANSWER_PICTURE) {
        answer_release(&a);
        work(d);
        desk_answer(d, &q, false, &a);
    }
    *size = a.fixed != NULL ? a.fixed_size : a.body.size;
    if (a.status != 200)
        (void)fprintf(stderr, "bench_review: %s: %u\n", path, a.status);
    answer_release(&a);
    return now_ms() - begin;
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static void print_times(const char *what, double *ms, size_t n, size_t bytes)
{
    if (n == 0)
        return;
    qsort(ms, n, sizeof *ms, by_size);
    (void)printf("review: %-34s median %6.1f ms, 95 of 100 below %6.1f ms (%zu, %zu kB each)\n", what,
                 ms[n / 2], ms[n * 95 / 100], n, bytes / n / 1000);
}

struct frames {
    struct session_picture part[FRAMES_MAX];
    size_t n;
};

static bool take_frame(void *context, const struct catalogue_row *row, struct err *err)
{
    struct frames *f = context;
    (void)err;
    if (f->n == FRAMES_MAX || !row->has_item || row->item.w_px == 0)
        return true;
    f->part[f->n++] = (struct session_picture){.frame = row->frame.id,
                                               .size = SESSION_PART,
                                               .box = {row->item.x_px, row->item.y_px, PART_PX, PART_PX}};
    return true;
}

static void path_of(const struct session_picture *p, char out[128])
{
    (void)snprintf(out, 128, "picture/%lld/crop/%u,%u,%u,%u", (long long)p->frame, p->box[0], p->box[1],
                   p->box[2], p->box[3]);
}

static void time_parts(struct desk *d, const struct frames *f, const char *what)
{
    double ms[FRAMES_MAX];
    char path[128];
    size_t bytes = 0, size;
    for (size_t i = 0; i < f->n; i++) {
        path_of(&f->part[i], path);
        ms[i] = get(d, path, &size);
        bytes += size;
    }
    print_times(what, ms, f->n, bytes);
}

/* As the page does while a person looks at something else. */
static void prepare(struct desk *d, struct frames *f)
{
    for (size_t i = 0; i < f->n; i++)
        f->part[i].box[0] += 8; /* others than those that are there already */
    pictures_prepare(d, f->part, f->n);
    for (double begin = now_ms(); now_ms() - begin < PREPARE_MS;) {
        work(d);
        if (!pictures_busy(d))
            break;
    }
}

int main(int argc, char **argv)
{
    struct err err = ERR_INIT;
    struct desk d;
    struct frames frames = {.n = 0};
    const struct worker_config config = {.handler = session_worker};
    const struct catalogue_filter all = {.burst = 0};
    size_t size;
    if (argc != 2) {
        (void)fprintf(stderr, "usage: bench_review SESSION\n");
        return 2;
    }
    struct worker_pool *workers = worker_pool_start(&config, &err);
    must(workers != NULL, &err);
    double begin = now_ms();
    must(desk_open(&d, files_system(), argv[1], workers, NULL, &err), &err);
    desk_set_port(&d, 1);
    (void)printf("review: %-34s %6.1f ms\n", "opening the session", now_ms() - begin);
    double ms = get(&d, "api/session", &size);
    (void)printf("review: %-34s %6.1f ms (%zu bursts, %zu kB)\n", "the line of hours", ms, d.model.n,
                 size / 1000);
    double bursts[FRAMES_MAX];
    size_t n = 0, bytes = 0;
    for (; n < FRAMES_MAX && n < d.model.n; n++) {
        char path[64];
        (void)snprintf(path, sizeof path, "api/burst/%lld", (long long)d.model.burst[n].number);
        bursts[n] = get(&d, path, &size);
        bytes += size;
    }
    print_times("a burst", bursts, n, bytes);
    must(catalogue_each_row(d.session.catalogue, &all, take_frame, &frames, &err), &err);
    time_parts(&d, &frames, "a part of 720 px at 1:1, cut now");
    time_parts(&d, &frames, "the same again, from memory");
    prepare(&d, &frames);
    time_parts(&d, &frames, "prepared beforehand");
    desk_close(&d);
    worker_pool_stop(workers);
    return 0;
}
