/*
 * choose.c - the best few frames of each pass, and a reason for every frame.
 *
 * A pass is judged by its complete frames in order of score. If the three best are probably not sharp,
 * nothing is kept. Else those whose blur is that of the best, as far as the eye or the estimate can tell, are
 * the sharp set: the first `keep` distinct ones are kept, their near twins rejected, further distinct ones
 * left for a person; the rest is soft.
 */
#include "score.h"

#include <math.h>
#include <stdlib.h>

enum { TOO_FEW = 5, DEFAULT_KEEP = 3, TOP = 3 };
static const double EYE_PX = 0.3;        /* a difference of blur that the eye does not see */
static const double TWIN_DISTANCE = 0.2; /* outlines closer than this show one attitude */
static const int64_t TWIN_NS = 30000000, ATTITUDE_NS = 500000000;

struct verdict {
    enum rank_proposal proposal;
    enum rank_reason reason;
    uint32_t rank;
};

struct pass {
    const struct rank_burst *burst;
    const struct rank_item *item;
    struct verdict *verdict; /* of each item */
    size_t *order;           /* candidates by score */
    size_t n;
    uint32_t keep;
};

static void judge(struct pass *pass, size_t i, enum rank_proposal proposal, enum rank_reason reason)
{
    pass->verdict[i].proposal = proposal;
    pass->verdict[i].reason = reason;
}

/* What keeps an item out of the ranking; false when it may compete. */
static bool ruled_out(struct pass *pass, size_t i)
{
    uint32_t flags = pass->item[i].flags;
    if (!isfinite(pass->item[i].score) || (flags & RANK_F_UNSURE))
        judge(pass, i, RANK_NONE, RANK_NOT_SURE);
    else if (flags & RANK_F_CUT)
        judge(pass, i, RANK_REJECT, RANK_CUT);
    else if ((flags & RANK_F_AT_REST) && pass->burst->mode == SUBJECT_MOVING)
        judge(pass, i, RANK_REJECT, RANK_AT_REST);
    else if (flags & RANK_F_HIDDEN)
        judge(pass, i, RANK_REJECT, RANK_HIDDEN);
    else
        return false;
    return true;
}

/* Insertion by falling score; passes are short. */
static void collect(struct pass *pass, size_t n_items, uint32_t number)
{
    pass->n = 0;
    for (size_t i = 0; i < n_items; i++) {
        if (pass->item[i].pass != number || ruled_out(pass, i))
            continue;
        size_t k = pass->n++;
        for (; k > 0 && pass->item[pass->order[k - 1]].score < pass->item[i].score; k--)
            pass->order[k] = pass->order[k - 1];
        pass->order[k] = i;
    }
    for (size_t k = 0; k < pass->n; k++)
        pass->verdict[pass->order[k]].rank = (uint32_t)k + 1;
}

static bool blur_known(const struct rank_item *item)
{
    return (item->flags & RANK_F_NO_BLUR) == 0 && isfinite(item->blur_px);
}

/* Nothing is kept: rejected where that is sure, else left to a person. */
static void keep_none(struct pass *pass)
{
    for (size_t k = 0; k < pass->n; k++) {
        const struct rank_item *item = &pass->item[pass->order[k]];
        bool sure = blur_known(item) && item->p_sharp < 0.3;
        judge(pass, pass->order[k], sure ? RANK_REJECT : RANK_NONE,
              sure ? RANK_NOTHING_SHARP : RANK_NOT_SURE);
    }
}

static bool is_twin(const struct pass *pass, const struct rank_item *a, const struct rank_item *b)
{
    int64_t apart = llabs(a->time_ns - b->time_ns);
    bool alike = rank_outline_distance(a->outline, b->outline) < TWIN_DISTANCE;
    if (pass->burst->perch)
        return alike;
    return apart < TWIN_NS || (alike && apart < ATTITUDE_NS);
}

/* Too close in time to be kept beside each other although the attitude differs. */
static bool too_soon(const struct pass *pass, const struct rank_item *a, const struct rank_item *b)
{
    return pass->burst->perch && llabs(a->time_ns - b->time_ns) < ATTITUDE_NS;
}

struct limits {
    double best_px, reach_px; /* blur of the best, and how far from it is still equal */
    double best_score;
};

static struct limits find_limits(const struct pass *pass)
{
    struct limits limits = {.best_px = INFINITY, .best_score = pass->item[pass->order[0]].score};
    for (size_t k = 0; k < pass->n && k < TOP; k++) {
        const struct rank_item *item = &pass->item[pass->order[k]];
        if (!blur_known(item) || item->blur_px >= limits.best_px)
            continue;
        limits.best_px = item->blur_px;
        limits.reach_px = fmax(EYE_PX, 0.5 * (item->blur_high_px - item->blur_low_px));
    }
    return limits;
}

static bool in_sharp_set(const struct rank_item *item, const struct limits *limits)
{
    return item->p_sharp >= 0.3 && item->blur_px <= limits->best_px + limits->reach_px;
}

/* Goes down the order: keep, near twin, left for a person, or soft. */
static void choose_few(struct pass *pass, size_t *chosen)
{
    struct limits limits = find_limits(pass);
    size_t distinct = 0, kept = 0;
    for (size_t k = 0; k < pass->n; k++) {
        size_t i = pass->order[k];
        const struct rank_item *item = &pass->item[i];
        bool known = blur_known(item), twin = false, soon = false;
        if (k > 0 && !known) {
            bool far = item->score < limits.best_score - 1.5;
            judge(pass, i, far ? RANK_REJECT : RANK_NONE, far ? RANK_SOFT : RANK_NOT_SURE);
            continue;
        }
        if (k > 0 && !in_sharp_set(item, &limits)) {
            judge(pass, i, RANK_REJECT, RANK_SOFT);
            continue;
        }
        for (size_t d = 0; d < distinct; d++) {
            bool kept_one = pass->verdict[chosen[d]].proposal == RANK_KEEP;
            twin = twin || is_twin(pass, item, &pass->item[chosen[d]]);
            soon = soon || (kept_one && too_soon(pass, item, &pass->item[chosen[d]]));
        }
        if (twin) {
            judge(pass, i, RANK_REJECT, RANK_NEAR_TWIN);
            continue;
        }
        chosen[distinct++] = i;
        bool keep = kept < pass->keep && !soon;
        judge(pass, i, keep ? RANK_KEEP : RANK_NONE, k == 0 ? RANK_SHARPEST : RANK_SHARP_SET);
        kept += keep;
    }
}

static void choose_pass(struct pass *pass, size_t *chosen)
{
    double p[TOP];
    size_t top = pass->n < TOP ? pass->n : TOP, unknown = 0;
    for (size_t k = 0; k < top; k++) {
        const struct rank_item *item = &pass->item[pass->order[k]];
        p[k] = item->p_sharp;
        unknown += !blur_known(item);
    }
    if (top == 0)
        return;
    if (2 * unknown > top || median_of(p, top) < 0.5 || pass->item[pass->order[0]].p_sharp < 0.3)
        keep_none(pass);
    else
        choose_few(pass, chosen);
}

/* Of several subjects in a frame the one that speaks for keeping it stands for the frame. */
static bool stands_before(const struct rank_item *a, const struct verdict *va, const struct rank_item *b,
                          const struct verdict *vb)
{
    static const int order[] = {[RANK_NONE] = 1, [RANK_KEEP] = 2, [RANK_REJECT] = 0};
    if (va->proposal != vb->proposal)
        return order[va->proposal] > order[vb->proposal];
    if ((va->rank > 0) != (vb->rank > 0))
        return va->rank > 0;
    if (va->rank != vb->rank)
        return va->rank < vb->rank;
    return a->area_cells > b->area_cells;
}

static void settle(const struct rank_burst *burst, struct rank_frame *frame, size_t n_frames,
                   const struct rank_item *item, const struct verdict *verdict)
{
    if (frame->item != UINT32_MAX) {
        const struct verdict *v = &verdict[frame->item];
        frame->pass = item[frame->item].pass;
        frame->rank = v->rank;
        frame->proposal = v->proposal;
        frame->reason = v->reason;
    } else if (burst->mode == SUBJECT_MOVING) {
        frame->proposal = RANK_REJECT;
        frame->reason = RANK_NO_SUBJECT;
    }
    if (n_frames < TOO_FEW) {
        frame->rank = 0;
        frame->proposal = RANK_NONE;
        frame->reason = RANK_TOO_FEW;
    }
}

/* Gives every frame the verdict of the subject that stands for it. */
static void settle_all(const struct rank_burst *burst, const struct rank_item *item, size_t n_items,
                       const struct verdict *verdict, struct rank_frame *frame, size_t n_frames)
{
    for (size_t f = 0; f < n_frames; f++) {
        frame[f].pass = frame[f].rank = 0;
        frame[f].item = UINT32_MAX;
        frame[f].proposal = RANK_NONE;
        frame[f].reason = frame[f].measured ? RANK_NOT_SURE : frame[f].why_not;
    }
    for (size_t i = 0; i < n_items; i++) {
        if (item[i].frame >= n_frames || !frame[item[i].frame].measured)
            continue;
        uint32_t *now = &frame[item[i].frame].item;
        if (*now == UINT32_MAX || stands_before(&item[i], &verdict[i], &item[*now], &verdict[*now]))
            *now = (uint32_t)i;
    }
    for (size_t f = 0; f < n_frames; f++) {
        if (frame[f].measured)
            settle(burst, &frame[f], n_frames, item, verdict);
        if (frame[f].camera_mark)
            frame[f].reason = RANK_CAMERA_MARK;
    }
}

/* Moves *number to the next pass that has items; false when there is none. */
static bool next_pass(const struct rank_item *item, size_t n_items, uint32_t *number)
{
    uint32_t next = UINT32_MAX;
    for (size_t i = 0; i < n_items; i++)
        if (item[i].pass > *number && item[i].pass < next)
            next = item[i].pass;
    *number = next;
    return next != UINT32_MAX;
}

bool rank_choose(const struct rank_burst *burst, const struct rank_item *item, size_t n_items,
                 struct rank_frame *frame, size_t n_frames, const struct rank_options *options,
                 struct err *err)
{
    size_t *chosen = malloc((n_items + 1) * sizeof *chosen);
    struct pass pass = {.burst = burst,
                        .item = item,
                        .verdict = calloc(n_items + 1, sizeof *pass.verdict),
                        .order = malloc((n_items + 1) * sizeof *pass.order),
                        .keep = options->keep > 0 ? options->keep : DEFAULT_KEEP};
    bool done = chosen != NULL && pass.verdict != NULL && pass.order != NULL;
    if (done) {
        for (size_t i = 0; i < n_items; i++)
            judge(&pass, i, RANK_NONE, RANK_NOT_SURE);
        uint32_t number = 0;
        while (next_pass(item, n_items, &number)) {
            collect(&pass, n_items, number);
            choose_pass(&pass, chosen);
        }
        settle_all(burst, item, n_items, pass.verdict, frame, n_frames);
    }
    free(chosen);
    free(pass.verdict);
    free(pass.order);
    return done ? true : err_nomem(err);
}
