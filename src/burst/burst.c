/*
 * Grouping, in this order:
 *   1. frames of one body, by time; where times tie, by maker-note sequence, then by number with rollover
 * (9999 before 0001)
 *   2. cut where the pause is longer than the gap; what a clock cannot tell (whole seconds, constant "00")
 * counts for the frame: a pause is taken as short as its digits allow
 *   3. a run whose numbers fall into far-apart groups that overlap in time is two bursts that a clock set
 * back laid over each other: it is cut by number
 *   4. frames without a time: consecutive numbers in one folder (9999 is followed by 0001, there or in the
 * next folder)
 */
#include "chaffinch/burst.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "order.h"

#define SECOND_NS INT64_C(1000000000)

/* Numbers that are further apart than this are not from one press of the button, however many frames were
 * deleted in between. */
enum { FAR_NUMBERS = 500 };

int64_t burst_choose_gap(const int64_t *gaps_ns, size_t n)
{
    const double floor_ns = BURST_GAP_FLOOR_MS * 1e6, ceiling_ns = BURST_GAP_CEILING_MS * 1e6;
    double below = floor_ns, best = 0, gap = sqrt(floor_ns * ceiling_ns);
    /* The widest empty stretch on a log scale between the pauses within bursts and those between them. */
    for (size_t i = 0; i <= n; i++) {
        double value = i < n ? fmin(fmax((double)gaps_ns[i], floor_ns), ceiling_ns) : ceiling_ns;
        if (log(value / below) > best) {
            best = log(value / below);
            gap = sqrt(below * value);
        }
        below = value;
    }
    return (int64_t)gap;
}

/* The shortest pause that two neighbours' times allow, given how many digits they were written with. */
static int64_t shortest_pause(const struct order_key *a, const struct order_key *b)
{
    int64_t pause = b->frame->time_ns - a->frame->time_ns;
    int64_t step = a->step_ns > b->step_ns ? a->step_ns : b->step_ns;
    return pause >= step && step >= SECOND_NS ? pause - step : pause;
}

static int by_value(const void *a, const void *b)
{
    int64_t x = *(const int64_t *)a, y = *(const int64_t *)b;
    return x < y ? -1 : x > y;
}

static bool same_body(const struct order_key *a, const struct order_key *b)
{
    return strcmp(a->frame->body, b->frame->body) == 0;
}

static bool choose_gap(const struct order_key *key, size_t n, int64_t *gap_ns, struct err *err)
{
    size_t count = 0;
    int64_t *pauses = calloc(n + 1, sizeof *pauses);
    if (pauses == NULL)
        return err_nomem(err);
    for (size_t i = 1; i < n; i++)
        if (key[i].frame->has_time && key[i - 1].frame->has_time && same_body(&key[i], &key[i - 1]))
            pauses[count++] = shortest_pause(&key[i - 1], &key[i]);
    qsort(pauses, count, sizeof *pauses, by_value);
    *gap_ns = burst_choose_gap(pauses, count);
    free(pauses);
    return true;
}

static bool follows(const struct order_key *a, const struct order_key *b)
{
    const struct burst_frame *x = a->frame, *y = b->frame;
    if (x->number < 0 || y->number < 0)
        return false;
    if (strcmp(x->folder, y->folder) == 0)
        return y->number == x->number + 1 || (x->number == 9999 && y->number == 1);
    return x->number == 9999 && y->number == 1 && x->folder_number >= 0 &&
           y->folder_number == x->folder_number + 1;
}

static bool starts_burst(const struct order_key *a, const struct order_key *b, int64_t gap_ns)
{
    if (!same_body(a, b) || a->frame->has_time != b->frame->has_time)
        return true;
    return b->frame->has_time ? shortest_pause(a, b) > gap_ns : !follows(a, b);
}

/* ---- step 3: bursts that a clock set back laid over each other -------------- */

static int by_number(const void *a, const void *b)
{
    const struct order_key *x = a, *y = b;
    if (x->place != y->place)
        return x->place < y->place ? -1 : 1;
    return order_compare(a, b);
}

static void time_span(const struct order_key *key, size_t n, int64_t *first, int64_t *last)
{
    *first = INT64_MAX;
    *last = INT64_MIN;
    for (size_t i = 0; i < n; i++) {
        int64_t t = key[i].frame->time_ns;
        *first = t < *first ? t : *first;
        *last = t > *last ? t : *last;
    }
}

/* Does the run key[0 .. n) fall apart by number at `at`, with both parts in the same stretch of time? Keys
 * are in order of number. */
static bool overlaps(const struct order_key *key, size_t at, size_t n)
{
    int64_t first_a, last_a, first_b, last_b;
    if (key[at].place - key[at - 1].place <= FAR_NUMBERS)
        return false;
    time_span(key, at, &first_a, &last_a);
    time_span(key + at, n - at, &first_b, &last_b);
    return first_a <= last_b && first_b <= last_a;
}

static void cut_by_number(struct order_key *key, size_t n, bool *starts)
{
    bool numbered = true;
    for (size_t i = 0; i < n; i++)
        numbered = numbered && key[i].frame->number >= 0;
    if (!numbered || n < 2 || !key[0].frame->has_time)
        return;
    qsort(key, n, sizeof *key, by_number);
    size_t from = 0;
    for (size_t at = 1; at < n; at++) {
        if (!overlaps(key + from, at - from, n - from))
            continue;
        qsort(key + from, at - from, sizeof *key, order_compare);
        starts[at] = true;
        from = at;
    }
    qsort(key + from, n - from, sizeof *key, order_compare);
}

/* ---- times that grow --------------------------------------------------------- */

/* Frames first .. first + n - 1 share a time: they are spread over the step of the clock. A group at the
   start of the burst is pushed to the end of its step and takes its pace from the next group; one at the end
   takes it from the one before. */
static void spread_group(const struct order_key *group, size_t n, int64_t step, size_t pace, bool first)
{
    int64_t each = step / (int64_t)(pace > n ? pace : n);
    int64_t start = group[0].frame->time_ns + (first && pace > n ? step - each * (int64_t)n : 0);
    for (size_t i = 0; i < n; i++)
        group[i].frame->estimated_ns = start + each * (int64_t)i;
}

static size_t group_size(const struct order_key *key, size_t at, size_t n)
{
    size_t size = 1;
    while (at + size < n && key[at + size].frame->time_ns == key[at].frame->time_ns)
        size++;
    return size;
}

static void estimate_times(const struct order_key *key, size_t n)
{
    const int64_t unknown_pace = SECOND_NS / 60;
    size_t before = 0;
    for (size_t i = 0, size; i < n && key[i].frame->has_time; i += size) {
        size = group_size(key, i, n);
        bool last = i + size == n;
        int64_t step = key[i].step_ns;
        if (!last && key[i + size].frame->time_ns - key[i].frame->time_ns < step)
            step = key[i + size].frame->time_ns - key[i].frame->time_ns;
        size_t pace = i == 0 && !last ? group_size(key, size, n) : last ? before : size;
        spread_group(key + i, size, step, pace, i == 0);
        before = size;
    }
    for (size_t i = 0; i < n; i++) {
        struct burst_frame *f = key[i].frame;
        if (!f->has_time)
            f->estimated_ns = (int64_t)i * unknown_pace;
        if (i > 0 && f->estimated_ns <= key[i - 1].frame->estimated_ns)
            f->estimated_ns = key[i - 1].frame->estimated_ns + 1;
    }
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

static int by_start(const void *a, const void *b)
{
    const struct run *x = a, *y = b;
    const struct burst_frame *f = x->key[0].frame, *g = y->key[0].frame;
    if (f->has_time != g->has_time)
        return f->has_time ? -1 : 1;
    if (f->has_time && start_of(x) != start_of(y))
        return start_of(x) < start_of(y) ? -1 : 1;
    return order_compare(x->key, y->key);
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
    for (size_t from = 0, at = 1; at <= n; at++) {
        if (at < n && !starts[at])
            continue;
        cut_by_number(key + from, at - from, starts + from);
        from = at;
    }
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
    if (key == NULL || (result->gap_ns <= 0 && !choose_gap(key, n, &result->gap_ns, err)))
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
