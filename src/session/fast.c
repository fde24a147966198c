#include "fast.h"

#include <math.h>
#include <stdlib.h>

#include "burst_grids.h"

enum { LEAST_FRAMES = 8 };

bool fast_open(struct fast_plan *plan, size_t n, struct err *err)
{
    plan->frame = calloc(n + 1, sizeof *plan->frame);
    plan->n = n;
    return plan->frame != NULL || err_nomem(err);
}

void fast_set(struct fast_plan *plan, size_t i, int64_t frame, int64_t burst)
{
    plan->frame[i].frame = frame;
    plan->frame[i].burst = burst;
}

void fast_located(struct fast_plan *plan, size_t i, const struct locating_frame *where, bool here)
{
    plan->frame[i].where = *where;
    plan->frame[i].known = here || !where->optional;
}

bool fast_wants(const struct fast_plan *plan, size_t i)
{
    return i >= plan->n || plan->frame[i].known;
}

uint64_t fast_left_out(const struct fast_plan *plan)
{
    uint64_t n = 0;
    for (size_t i = 0; i < plan->n; i++)
        n += !plan->frame[i].known;
    return n;
}

void fast_release(struct fast_plan *plan)
{
    free(plan->frame);
    *plan = (struct fast_plan){0};
}

/* One past the frames before `limit` that were located together with frame `first`. */
static size_t window_end(const struct fast_plan *plan, size_t first, size_t limit)
{
    size_t end = first;
    while (end < limit && plan->frame[end].where.window == plan->frame[first].where.window)
        end++;
    return end;
}

/* The first frame of a burst, or of those behind it: frames are in order of their burst. */
static size_t burst_start(const struct fast_plan *plan, int64_t burst)
{
    size_t low = 0, high = plan->n;
    while (low < high) {
        size_t mid = low + (high - low) / 2;
        if (plan->frame[mid].burst < burst)
            low = mid + 1;
        else
            high = mid;
    }
    return low;
}

/* The members of the burst among frames first .. end, in order: both are in the order of the burst. */
static bool read_scores(struct session *s, const struct fast_plan *plan, size_t first, size_t end,
                        const struct members *members, float *score, struct err *err)
{
    struct burst_grids grids = {0};
    struct err trouble = ERR_INIT;
    float *all = calloc(members->n + 1, sizeof *all);
    bool ok = (all != NULL || err_nomem(err)) && burst_grids_read(s, members, 0, members->n, &grids, err);
    if (ok) {
        const struct fill_input input = burst_grids_fill_input(&grids);
        /* Not a whole frame: all of them are unreadable, and nothing tells anything. */
        if (!grids_sharpness(&input, all, &trouble))
            ok = trouble.code == ERR_NOT_FOUND || err_nomem(err);
        size_t m = 0;
        for (size_t i = first; ok && trouble.code == 0 && i < end; i++) {
            while (m < members->n && members->frame[m].id != plan->frame[i].frame)
                m++;
            if (m < members->n)
                score[i - first] = all[m];
        }
    }
    burst_grids_release(&grids);
    free(all);
    return ok;
}

struct asking {
    struct locate_frame *where;
    bool *known, *wanted;
    float *score;
};

static bool asking_open(struct asking *a, const struct fast_plan *plan, size_t first, size_t n)
{
    *a = (struct asking){calloc(n, sizeof *a->where), calloc(n, sizeof *a->known),
                         calloc(n, sizeof *a->wanted), calloc(n, sizeof *a->score)};
    if (a->where == NULL || a->known == NULL || a->wanted == NULL || a->score == NULL)
        return false;
    for (size_t i = 0; i < n; i++) {
        const struct fast_frame *f = &plan->frame[first + i];
        a->where[i].way = f->where.way;
        a->where[i].complete = f->where.complete;
        a->known[i] = f->known;
        a->score[i] = NAN;
    }
    return true;
}

static void asking_release(struct asking *a)
{
    free(a->where);
    free(a->known);
    free(a->wanted);
    free(a->score);
}

/* The sharpest frames of a window in which nothing more is wanted. */
static bool note_tops(const struct fast_plan *plan, size_t first, size_t n, const struct asking *a,
                      struct frame_ids *tops, struct err *err)
{
    bool ok = true;
    locate_tops(a->where, n, a->known, a->score, a->wanted);
    for (size_t i = 0; ok && i < n; i++)
        ok = !a->wanted[i] || frame_ids_add(tops, plan->frame[first + i].frame, err);
    return ok;
}

/* Marks what is wanted of a window as known, and adds it to `again` unless that is NULL; where nothing is,
   the sharpest to `tops`. `members`: of its burst, of which something is measured; else NULL. */
static bool ask(struct session *s, struct fast_plan *plan, size_t first, size_t end,
                const struct members *members, struct parts_again *again, struct frame_ids *tops,
                struct err *err)
{
    struct asking a;
    bool ok = asking_open(&a, plan, first, end - first) || err_nomem(err);
    ok = ok && (members == NULL || read_scores(s, plan, first, end, members, a.score, err));
    size_t n = ok ? locate_bracket(a.where, end - first, a.known, a.score, a.wanted) : 0;
    if (ok && n == 0 && tops != NULL)
        ok = note_tops(plan, first, end - first, &a, tops, err);
    for (size_t i = first; ok && n > 0 && i < end; i++) {
        struct fast_frame *f = &plan->frame[i];
        if (!a.wanted[i - first])
            continue;
        f->known = true;
        const struct part_again item = {.frame = f->frame, .part = f->where.part};
        ok = again == NULL || parts_again_add(again, &item, err);
    }
    asking_release(&a);
    return ok;
}

/* Frames that are not measured, if nothing asks for them. */
static bool has_optional(const struct fast_plan *plan, size_t first, size_t end)
{
    for (size_t i = first; i < end; i++)
        if (!plan->frame[i].known)
            return true;
    return false;
}

/* Something that was measured of what is optional. */
static bool has_scores(const struct fast_plan *plan, size_t first, size_t end)
{
    for (size_t i = first; i < end; i++)
        if (plan->frame[i].known && plan->frame[i].where.optional)
            return true;
    return false;
}

/* Too few frames to find a subject in: all are asked for. */
static void ask_all_of_few(struct fast_plan *plan, size_t first, size_t end)
{
    size_t known = 0;
    for (size_t i = first; i < end; i++)
        known += plan->frame[i].known;
    for (size_t i = first; known < LEAST_FRAMES && i < end; i++)
        plan->frame[i].known = true;
}

bool fast_begin(struct session *s, struct fast_plan *plan, size_t first, size_t n, struct err *err)
{
    size_t end = first + n;
    struct members members = {0};
    bool optional = has_optional(plan, first, end), scored = optional && has_scores(plan, first, end);
    bool ok = (!scored || members_load(s, plan->frame[first].burst, &members, err)) &&
              (!optional || ask(s, plan, first, end, scored ? &members : NULL, NULL, NULL, err));
    members_release(&members);
    ask_all_of_few(plan, first, end);
    return ok;
}

bool fast_next(struct session *s, struct fast_plan *plan, int64_t burst, const struct members *members,
               struct parts_again *again, struct frame_ids *tops, struct err *err)
{
    bool ok = true;
    size_t limit = burst_start(plan, burst + 1);
    for (size_t first = burst_start(plan, burst), end; ok && first < limit; first = end) {
        end = window_end(plan, first, limit);
        if (has_optional(plan, first, end) || has_scores(plan, first, end))
            ok = ask(s, plan, first, end, members, again, tops, err);
    }
    return ok;
}
