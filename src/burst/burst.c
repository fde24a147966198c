/*
 * Grouping.
 *
 * Frames of one body are put in order (order.c) and cut where the pause is longer than the gap (gap.c). What
 * a clock cannot tell (whole seconds, constant "00") counts for the frame: a pause is taken as short as its
 * digits allow. Then bursts that a clock set back laid over each other are taken apart by their numbers
 * (overlay.c), and a burst ends where the size of the pictures was changed by hand.
 *
 * Frames without a time make a burst by consecutive numbers in one folder; 9999 is followed by 0001, there or
 * in the next folder. At the end every frame gets a time that grows within its burst (estimate.c).
 */
#include "chaffinch/burst.h"

#include <stdlib.h>
#include <string.h>

#include "order.h"

static bool follows(const struct order_key *a, const struct order_key *b)
{
    const struct burst_frame *x = a->frame, *y = b->frame;
    if (x->number < 0 || y->number < 0)
        return false;
    if (strcmp(x->folder, y->folder) == 0)
        return y->number == x->number + 1 || (x->number == NUMBER_LAST && y->number == 1);
    return x->number == NUMBER_LAST && y->number == 1 && x->folder_number >= 0 &&
           y->folder_number == x->folder_number + 1;
}

/* Crop or size settings take a hand off the release. Turning the camera swaps the sides and is no change;
   neither is a margin that one source counts and another does not. */
static bool size_changes(const struct burst_frame *f, const struct burst_frame *g)
{
    uint64_t a = (uint64_t)f->width_px * f->height_px, b = (uint64_t)g->width_px * g->height_px;
    return a > 0 && b > 0 && (2 * a > 3 * b || 2 * b > 3 * a);
}

static bool starts_burst(const struct order_key *a, const struct order_key *b, int64_t gap_ns)
{
    if (!order_same_body(a, b) || a->frame->has_time != b->frame->has_time)
        return true;
    return b->frame->has_time ? gap_shortest_pause(a, b) > gap_ns : !follows(a, b);
}

/* ---- bursts in order of time -------------------------------------------------- */

struct run {
    struct order_key *key;
    size_t n;
    bool utc;
};

static int64_t start_of(const struct run *run)
{
    const struct burst_frame *f = run->key[0].frame;
    return run->utc ? f->time_ns - (int64_t)f->offset_min * 60 * SECOND_NS : f->time_ns;
}

/* Runs are compared by their first frames; equal starts by body, then by order within it. */
static int by_start(const void *a, const void *b)
{
    const struct run *x = a, *y = b;
    const struct burst_frame *f = x->key[0].frame, *g = y->key[0].frame;
    if (f->has_time != g->has_time)
        return f->has_time ? -1 : 1;
    if (f->has_time && start_of(x) != start_of(y))
        return start_of(x) < start_of(y) ? -1 : 1;
    return order_by_rank(x->key, y->key);
}

static size_t cut_runs(struct order_key *key, size_t n, const bool *starts, bool utc, struct run *runs)
{
    size_t n_runs = 0;
    for (size_t i = 0; i < n; i++) {
        if (i == 0 || starts[i])
            runs[n_runs++] = (struct run){.key = key + i, .utc = utc};
        runs[n_runs - 1].n++;
    }
    return n_runs;
}

static void write_result(struct run *runs, size_t n_runs, const struct burst_frame *frames,
                         struct burst_result *result)
{
    size_t at = 0;
    qsort(runs, n_runs, sizeof *runs, by_start);
    for (size_t b = 0; b < n_runs; b++) {
        const struct burst_frame *head = runs[b].key[0].frame;
        estimate_times(runs[b].key, runs[b].n);
        result->bursts[b] = (struct burst_info){.body = head->body,
                                                .first = (uint32_t)at,
                                                .count = (uint32_t)runs[b].n,
                                                .start_ns = head->has_time ? head->time_ns : 0,
                                                .has_time = head->has_time};
        for (size_t i = 0; i < runs[b].n; i++) {
            struct burst_frame *f = runs[b].key[i].frame;
            f->burst = (uint32_t)b;
            f->position = (uint32_t)i;
            result->order[at++] = (uint32_t)(f - frames);
        }
    }
    result->n_bursts = n_runs;
}

static void mark_starts(struct order_key *key, size_t n, int64_t gap_ns, bool *starts)
{
    for (size_t i = 1; i < n; i++)
        starts[i] = starts_burst(&key[i - 1], &key[i], gap_ns);
    for (size_t from = 0, end; from < n; from = end) {
        for (end = from + 1; end < n && !starts[end];)
            end++;
        if (key[from].frame->has_time)
            overlay_cut(key + from, end - from, gap_ns, starts + from);
    }
    for (size_t i = 1; i < n; i++)
        starts[i] = starts[i] || size_changes(key[i - 1].frame, key[i].frame);
}

bool burst_group(struct burst_frame *frames, size_t n, const struct burst_options *options,
                 struct burst_result *result, struct err *err)
{
    bool ok = false, utc = true;
    struct order_key *key = NULL;
    bool *starts = calloc(n + 1, sizeof *starts);
    struct run *runs = calloc(n + 1, sizeof *runs);
    *result = (struct burst_result){.n_frames = n, .gap_ns = options->gap_ns};
    result->order = calloc(n + 1, sizeof *result->order);
    result->bursts = calloc(n + 1, sizeof *result->bursts);
    if (starts == NULL || runs == NULL || result->order == NULL || result->bursts == NULL) {
        err_nomem(err);
        goto out;
    }
    key = order_frames(frames, n, err);
    if (key == NULL || (result->gap_ns <= 0 && !gap_choose(key, n, &result->gap_ns, err)))
        goto out;
    for (size_t i = 0; i < n; i++)
        utc = utc && (frames[i].has_offset || !frames[i].has_time);
    mark_starts(key, n, result->gap_ns, starts);
    write_result(runs, cut_runs(key, n, starts, utc, runs), frames, result);
    ok = true;
out:
    free(starts);
    free(runs);
    free(key);
    if (!ok)
        burst_result_release(result);
    return ok;
}

void burst_result_release(struct burst_result *result)
{
    free(result->order);
    free(result->bursts);
    *result = (struct burst_result){0};
}
