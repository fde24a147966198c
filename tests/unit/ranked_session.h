/*
 * ranked_session.h - a session whose bursts have summaries but neither pictures nor cells: what choosing anew
 * works from. Its stamps say that the summaries are up to date.
 */
#ifndef RANKED_SESSION_H
#define RANKED_SESSION_H

#include <stdio.h>
#include <string.h>

#include "../../src/session/burst_grids.h"
#include "chaffinch/session.h"

/* Frame k of a burst; `burst` counts from 1. Blur falls from frame to frame and is the less the later the
 * burst. */
static inline bool ranked_put_frame(struct session *s, int64_t burst, uint32_t k, int64_t *id,
                                    struct err *err)
{
    char identity[64], path[64], name[16];
    int number = (int)(burst * 100 + k);
    (void)snprintf(identity, sizeof identity, "A1 %032d", number);
    (void)snprintf(name, sizeof name, "DEMO%04d", number % 10000);
    (void)snprintf(path, sizeof path, "DCIM/%03dEXMPL/%s.JPG", 100 + number / 10000, name);
    const struct catalogue_frame frame = {.identity = identity,
                                          .body = "A1",
                                          .folder = "DCIM",
                                          .name = name,
                                          .number = number,
                                          .orientation = 1,
                                          .width_px = 2400,
                                          .height_px = 1800,
                                          .has_time = true,
                                          .subsec_digits = 3,
                                          .time_ns = (burst * 60000 + (int64_t)k * 100) * 1000000};
    const struct catalogue_file file = {.path = path, .kind = "jpeg", .size = 1, .has_fingerprint = true};
    return catalogue_put_frame(s->catalogue, &frame, id, err) &&
           catalogue_put_files(s->catalogue, *id, &file, 1, err) &&
           catalogue_set_measured(s->catalogue, *id, "full", 2400, 1800, 1, 0, 1, err) &&
           catalogue_set_place(s->catalogue, *id, burst, k, frame.time_ns, err);
}

static inline struct catalogue_item ranked_item(int64_t frame, int64_t burst, uint32_t k, uint32_t n)
{
    double blur_px = 0.8 + 0.002 * (n - k) - 0.0001 * (double)burst;
    struct catalogue_item item = {.frame = frame,
                                  .pass = 1,
                                  .time_ns = (burst * 60000 + (int64_t)k * 100) * 1000000,
                                  .w_px = 300,
                                  .h_px = 200,
                                  .score = -blur_px,
                                  .blur_px = blur_px,
                                  .blur_low_px = blur_px * .9,
                                  .blur_high_px = blur_px * 1.1,
                                  .p_sharp = .95,
                                  .area_cells = 200};
    memset(item.outline + (k % 2 ? 0 : 10), 0x55, 6);
    return item;
}

enum { RANKED_MAX = 100 }; /* frames a burst */

static inline bool ranked_put_burst(struct session *s, int64_t burst, uint32_t n, struct err *err)
{
    struct catalogue_item items[RANKED_MAX];
    for (uint32_t k = 0; k < n; k++) {
        int64_t id;
        if (!ranked_put_frame(s, burst, k, &id, err))
            return false;
        items[k] = ranked_item(id, burst, k, n);
    }
    return catalogue_put_items(s->catalogue, burst, items, n, err);
}

/* The rows of the bursts, and stamps that hold. Not inside a transaction. */
static inline bool ranked_finish(struct session *s, int64_t bursts, uint32_t n, struct err *err)
{
    struct catalogue_burst row[2000];
    for (int64_t b = 0; b < bursts; b++)
        row[b] = (struct catalogue_burst){.number = b + 1,
                                          .body = "A1",
                                          .has_time = true,
                                          .start_ns = (b + 1) * 60000000000,
                                          .n_frames = n};
    bool ok =
        catalogue_begin(s->catalogue, err) && catalogue_put_bursts(s->catalogue, row, (size_t)bursts, err);
    for (int64_t b = 0; ok && b < bursts; b++) {
        struct members members;
        char stamp[33];
        const struct ignored none = {0};
        ok = members_load(s, b + 1, &members, err);
        if (ok)
            members_stamp(&members, &none, 0, stamp);
        row[b].mode = "moving";
        row[b].stamp = stamp;
        ok = ok && catalogue_set_burst_ranked(s->catalogue, &row[b], err);
        members_release(&members);
    }
    return ok && catalogue_commit(s->catalogue, err);
}

/* A whole session. */
static inline bool ranked_fill(struct session *s, int64_t bursts, uint32_t n, struct err *err)
{
    bool ok = catalogue_begin(s->catalogue, err);
    for (int64_t b = 1; ok && b <= bursts; b++)
        ok = ranked_put_burst(s, b, n, err);
    return ok && catalogue_commit(s->catalogue, err) && ranked_finish(s, bursts, n, err);
}

#endif
