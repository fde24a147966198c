/*
 * bench_catalogue: a session of 100,000 frames. How long does it take to list one burst and to choose it
 * anew? Wall clock, printed, never a test. The rows are made through the catalogue's own calls; no picture is
 * needed for either.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "chaffinch/session.h"

enum { FRAMES = 100000, PER_BURST = 60 };

static double now_s(void)
{
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + (double)t.tv_nsec * 1e-9;
}

static void must(bool ok, const struct err *err)
{
    if (ok)
        return;
    (void)fprintf(stderr, "bench_catalogue: %s\n", err->message);
    exit(1);
}

static int64_t put_frame(struct catalogue *c, int i, struct err *err)
{
    char identity[64], path[64];
    int64_t id = 0;
    (void)snprintf(identity, sizeof identity, "A1 %032d", i);
    (void)snprintf(path, sizeof path, "DCIM/%03dEXMPL/DEMO%04d.JPG", 100 + i / 9999, i % 9999 + 1);
    const struct catalogue_frame frame = {
        .identity = identity, .body = "A1", .orientation = 1, .has_time = true, .time_ns = i};
    const struct catalogue_file file = {.path = path, .kind = "jpeg", .size = 1, .has_fingerprint = true};
    must(catalogue_put_frame(c, &frame, &id, err) && catalogue_put_files(c, id, &file, 1, err) &&
             catalogue_set_measured(c, id, "full", 2400, 1800, 1, 0, 1, err) &&
             catalogue_set_place(c, id, i / PER_BURST + 1, (uint32_t)(i % PER_BURST), (int64_t)i * 8333333,
                                 err),
         err);
    return id;
}

static void put_burst_items(struct catalogue *c, int64_t burst, const int64_t *ids, size_t n, struct err *err)
{
    struct catalogue_item items[PER_BURST];
    for (size_t k = 0; k < n; k++)
        items[k] = (struct catalogue_item){.frame = ids[k],
                                           .pass = 1,
                                           .time_ns = (int64_t)k * 8333333,
                                           .w_px = 300,
                                           .h_px = 200,
                                           .score = (double)(k * 7 % PER_BURST),
                                           .blur_px = 1 + (double)(k * 7 % PER_BURST) / 20,
                                           .blur_low_px = .9,
                                           .blur_high_px = 1.1,
                                           .p_sharp = .9,
                                           .area_cells = 200};
    must(catalogue_put_items(c, burst, items, n, err), err);
}

static void fill(struct catalogue *c, struct err *err)
{
    static int64_t ids[FRAMES];
    enum { BURSTS = (FRAMES + PER_BURST - 1) / PER_BURST };
    static struct catalogue_burst bursts[BURSTS];
    must(catalogue_begin(c, err), err);
    for (int i = 0; i < FRAMES; i++)
        ids[i] = put_frame(c, i, err);
    for (int b = 0; b < BURSTS; b++)
        bursts[b] = (struct catalogue_burst){
            .number = b + 1, .body = "A1", .n_frames = PER_BURST, .mode = "", .stamp = ""};
    must(catalogue_put_bursts(c, bursts, BURSTS, err), err);
    for (int b = 0; b < BURSTS; b++) {
        size_t n = b * PER_BURST + PER_BURST <= FRAMES ? PER_BURST : (size_t)(FRAMES - b * PER_BURST);
        put_burst_items(c, b + 1, ids + b * PER_BURST, n, err);
    }
    must(catalogue_commit(c, err), err);
}

static bool count_row(void *context, const struct catalogue_row *row, struct err *err)
{
    (void)row;
    (void)err;
    ++*(int *)context;
    return true;
}

int main(void)
{
    char folder[] = "/tmp/chaffinch-bench-XXXXXX", command[96];
    struct err err = ERR_INIT;
    int rows = 0, status = 0;
    if (mkdtemp(folder) == NULL)
        return 1;
    struct session *s = session_open(files_system(), folder, SESSION_WRITE, NULL, NULL, &err);
    must(s != NULL, &err);
    double t0 = now_s();
    fill(s->catalogue, &err);
    double t1 = now_s();
    const struct catalogue_filter filter = {.burst = 800};
    must(catalogue_each_row(s->catalogue, &filter, count_row, &rows, &err), &err);
    double t2 = now_s();
    must(session_choose_burst(s, 800, 3, &err), &err);
    double t3 = now_s();
    session_close(s);
    double t4 = now_s();
    s = session_open(files_system(), folder, SESSION_READ, NULL, NULL, &err);
    must(s != NULL && catalogue_each_row(s->catalogue, &filter, count_row, &rows, &err), &err);
    session_close(s);
    double t5 = now_s();
    (void)printf("catalogue of %d frames: filled in %.1f s; one burst (%d rows) listed in %.4f s, chosen "
                 "anew in %.4f s, "
                 "opened and listed in %.4f s\n",
                 FRAMES, t1 - t0, rows / 2, t2 - t1, t3 - t2, t5 - t4);
    (void)snprintf(command, sizeof command, "rm -rf '%s'", folder);
    status = system(command);
    return status == 0 ? 0 : 1;
}
