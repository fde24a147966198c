/*
 * choose.c - the best few frames of each pass, and a reason for every frame.
 *
 * A pass is judged by its complete frames in order of score. If the three best are probably not sharp,
 * nothing is kept. Else those whose blur is that of the best, as far as the eye or the estimate can tell, are
 * the sharp set: the first `keep` distinct ones are kept, their near twins rejected, further distinct ones
 * left for a person; the rest is soft.
 *
 * A subject that only ever rests while another flies is a portrait: one frame of each attitude is left for a
 * person, unless a frame that is kept for the flight shows it as well.
 */
#include "score.h"

#include <math.h>
#include <stdlib.h>

enum { TOO_FEW = 5, DEFAULT_KEEP = 3, TOP = 3 };
static const double KEEP_CHANCE = 0.75; /* of being sharp; below it a person looks */
static const double EYE_PX = 0.3;       /* a difference of blur that the eye does not see */
/* Scores, in logarithms: so far below the best no frame of a flight is its equal, whatever its blur is taken
   for (of frames that were kept from there on rendered bursts all were more than .3 px softer); softer
   although no blur is known. */
static const double NO_EQUAL = 0.75, FAR_BELOW = 1.5;
/* Outlines closer than this show one attitude. Neighbour frames may differ by more: cells at the edge come
   and go from frame to frame, while a beat of the wings takes longer. */
static const double TWIN_DISTANCE = 0.35, NEIGHBOUR_DISTANCE = 0.6;
static const int64_t BEAT_NS = 60000000;
static const int64_t TWIN_NS = 30000000, ATTITUDE_NS = 500000000;

struct verdict {
    enum rank_proposal proposal;
    enum rank_reason reason;
    uint32_t rank, nth;
};

struct pass {
    const struct rank_burst *burst;
    const struct rank_item *item;
    const struct rank_frame *frame;
    size_t n_frames;
    struct verdict *verdict; /* of each item */
    size_t *order;           /* candidates by score */
    size_t n;
    size_t best[TOP]; /* the first of them, with those whose files are gone */
    size_t n_best;
    bool rests;    /* its subject never flies: attitudes are told apart as in a perch burst */
    bool portrait; /* it rests while others fly */
    uint32_t keep;
    double max_blur_px; /* infinite where the limit of p_sharp holds */
    int64_t min_gap_ns;
};

static void judge(struct pass *pass, size_t i, enum rank_proposal proposal, enum rank_reason reason)
{
    pass->verdict[i].proposal = proposal;
    pass->verdict[i].reason = reason;
}

static bool is_gone(const struct pass *pass, size_t i)
{
    return pass->item[i].frame < pass->n_frames && pass->frame[pass->item[i].frame].gone;
}

/* What keeps an item out of the ranking; false when it may compete. */
static bool ruled_out(struct pass *pass, size_t i)
{
    uint32_t flags = pass->item[i].flags;
    if (!isfinite(pass->item[i].score) || (flags & (RANK_F_UNSURE | RANK_F_PIECE)))
        judge(pass, i, RANK_NONE, RANK_NOT_SURE);
    else if (flags & RANK_F_CUT)
        judge(pass, i, RANK_REJECT, RANK_CUT);
    else if ((flags & RANK_F_AT_REST) && pass->burst->mode == SUBJECT_MOVING && !pass->rests)
        judge(pass, i, RANK_REJECT, RANK_AT_REST);
    else if (flags & RANK_F_HIDDEN)
        judge(pass, i, RANK_REJECT, RANK_HIDDEN);
    else
        return false;
    return true;
}

/* Insertion by falling score; passes are short. Returns how many there are, `room` at most. */
static size_t insert(const struct pass *pass, size_t *order, size_t n, size_t room, size_t i)
{
    size_t k = n < room ? n : room;
    for (; k > 0 && pass->item[order[k - 1]].score < pass->item[i].score; k--)
        if (k < room)
            order[k] = order[k - 1];
    if (k < room)
        order[k] = i;
    return n < room ? n + 1 : n;
}

/* A frame whose files are gone takes no rank, but still tells how sharp its pass was: what is left of a pass
   keeps its proposals when rejects are deleted. */
static void collect(struct pass *pass, size_t n_items, uint32_t number)
{
    pass->n = pass->n_best = 0;
    for (size_t i = 0; i < n_items; i++) {
        if (pass->item[i].pass != number || ruled_out(pass, i))
            continue;
        pass->n_best = insert(pass, pass->best, pass->n_best, TOP, i);
        if (!is_gone(pass, i))
            pass->n = insert(pass, pass->order, pass->n, n_items, i);
    }
    for (size_t k = 0; k < pass->n; k++)
        pass->verdict[pass->order[k]].rank = (uint32_t)k + 1;
}

static bool blur_known(const struct rank_item *item)
{
    return (item->flags & RANK_F_NO_BLUR) == 0 && isfinite(item->blur_px);
}

/* The probability that the blur is below the limit. */
static double sharp_share(const struct pass *pass, const struct rank_item *item)
{
    if (isinf(pass->max_blur_px) || !blur_known(item))
        return item->p_sharp;
    double error = 0.5 * log(item->blur_high_px / item->blur_low_px);
    return 0.5 * erfc(log(item->blur_px / pass->max_blur_px) / (fmax(error, 1e-3) * sqrt(2.0)));
}

/* Nothing is kept: rejected where that is sure, else left to a person. */
static void keep_none(struct pass *pass)
{
    for (size_t k = 0; k < pass->n; k++) {
        const struct rank_item *item = &pass->item[pass->order[k]];
        bool sure = blur_known(item) && sharp_share(pass, item) < 0.3;
        judge(pass, pass->order[k], sure ? RANK_REJECT : RANK_NONE,
              sure ? RANK_NOTHING_SHARP : RANK_NOT_SURE);
    }
}

/* How far apart the outlines of twins may be that were taken so long after one another. */
static double twin_distance(int64_t apart_ns)
{
    double nearness = fmax(1.0 - (double)apart_ns / (double)BEAT_NS, 0);
    return TWIN_DISTANCE + (NEIGHBOUR_DISTANCE - TWIN_DISTANCE) * nearness;
}

static bool is_twin(const struct pass *pass, const struct rank_item *a, const struct rank_item *b)
{
    int64_t apart = llabs(a->time_ns - b->time_ns);
    double distance = rank_outline_distance(a->outline, b->outline);
    return distance < twin_distance(apart) && (pass->rests || apart < ATTITUDE_NS);
}

/* Too close in time to be kept beside each other although the attitude differs. */
static bool too_soon(const struct pass *pass, const struct rank_item *a, const struct rank_item *b)
{
    return llabs(a->time_ns - b->time_ns) < pass->min_gap_ns;
}

struct limits {
    double best_px, reach_px; /* blur of the best, and how far from it is still equal */
    double best_score;
};

static struct limits find_limits(const struct pass *pass)
{
    struct limits limits = {.best_px = INFINITY, .best_score = pass->item[pass->best[0]].score};
    for (size_t k = 0; k < pass->n_best; k++) {
        const struct rank_item *item = &pass->item[pass->best[k]];
        if (!blur_known(item) || item->blur_px >= limits.best_px)
            continue;
        limits.best_px = item->blur_px;
        limits.reach_px = fmax(EYE_PX, 0.5 * (item->blur_high_px - item->blur_low_px));
    }
    return limits;
}

static bool in_sharp_set(const struct pass *pass, const struct rank_item *item, const struct limits *limits)
{
    return sharp_share(pass, item) >= 0.3 && item->blur_px <= limits->best_px + limits->reach_px;
}

/* Outside of the sharp set: soft where that is sure, else left to a person. The best is never outside. */
static bool left_out(struct pass *pass, size_t k, const struct limits *limits)
{
    size_t i = pass->order[k];
    const struct rank_item *item = &pass->item[i];
    bool sharp = blur_known(item) && in_sharp_set(pass, item, limits);
    double below = limits->best_score - item->score;
    if (k == 0 || (sharp && (pass->rests || below <= NO_EQUAL)))
        return false;
    bool soft = blur_known(item) ? !sharp : below > FAR_BELOW;
    judge(pass, i, soft ? RANK_REJECT : RANK_NONE, soft ? RANK_SOFT : RANK_NOT_SURE);
    return true;
}

/* Goes down the order: keep, near twin, left for a person, or soft. */
static void choose_few(struct pass *pass, size_t *chosen)
{
    struct limits limits = find_limits(pass);
    size_t distinct = 0;
    uint32_t kept = 0;
    for (size_t k = 0; k < pass->n; k++) {
        size_t i = pass->order[k];
        const struct rank_item *item = &pass->item[i];
        bool twin = false, soon = false;
        if (left_out(pass, k, &limits))
            continue;
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
        bool blurred = blur_known(item) && item->blur_px > pass->max_blur_px;
        bool doubtful = isinf(pass->max_blur_px) && blur_known(item) && item->p_sharp < KEEP_CHANCE;
        bool keep = kept < pass->keep && !soon && !blurred && !doubtful;
        judge(pass, i, keep ? RANK_KEEP : RANK_NONE,
              doubtful         ? RANK_NOT_SURE
              : keep && k == 0 ? RANK_SHARPEST
                               : RANK_SHARP_SET);
        if (keep)
            pass->verdict[i].nth = ++kept;
    }
}

/* Does another subject keep the frame of this item? */
static bool kept_anyway(const struct pass *pass, size_t n_items, size_t i)
{
    for (size_t k = 0; k < n_items; k++)
        if (pass->item[k].frame == pass->item[i].frame && pass->verdict[k].proposal == RANK_KEEP)
            return true;
    return false;
}

/* One frame of every attitude stays for a person to look at. Those that stay for the flight come first, and
   nobody needs their twins. */
static void choose_portraits(struct pass *pass, size_t n_items, size_t *chosen)
{
    struct limits limits = find_limits(pass);
    size_t distinct = 0;
    for (int round = 0; round < 2; round++)
        for (size_t k = 0; k < pass->n; k++) {
            size_t i = pass->order[k];
            bool twin = false;
            if (left_out(pass, k, &limits) || kept_anyway(pass, n_items, i) != (round == 0))
                continue;
            for (size_t d = 0; d < distinct && round > 0; d++)
                twin = twin || is_twin(pass, &pass->item[i], &pass->item[chosen[d]]);
            judge(pass, i, twin ? RANK_REJECT : RANK_NONE, twin ? RANK_NEAR_TWIN : RANK_SHARP_SET);
            if (!twin)
                chosen[distinct++] = i;
        }
}

/* Cut by the edge in most frames, and never farther from there than by its own size: reeds that sway into the
   picture do so, and what is whole of it for a moment may be a piece. */
static bool clings_to_edge(const struct pass *pass, size_t n_items)
{
    const struct rank_item *first = &pass->item[pass->best[0]];
    double cut = 0, all = 0, far = 0;
    for (size_t i = 0; i < n_items; i++) {
        const struct rank_item *item = &pass->item[i];
        if (item->pass != first->pass)
            continue;
        double dx = item->x_px + item->w_px / 2.0 - first->x_px - first->w_px / 2.0;
        double dy = item->y_px + item->h_px / 2.0 - first->y_px - first->h_px / 2.0;
        bool whole = (item->flags & RANK_F_CUT) == 0;
        all++;
        cut += !whole;
        far = fmax(far,
                   fmax(fabs(dx) / fmax(item->w_px, first->w_px), fabs(dy) / fmax(item->h_px, first->h_px)));
    }
    return !pass->rests && all >= 4 && cut > 0.5 * all && far < 0.5;
}

static void leave_to_a_person(struct pass *pass)
{
    for (size_t k = 0; k < pass->n; k++)
        judge(pass, pass->order[k], RANK_NONE, RANK_NOT_SURE);
}

static void choose_pass(struct pass *pass, size_t n_items, size_t *chosen)
{
    double p[TOP];
    size_t top = pass->n_best, unknown = 0;
    for (size_t k = 0; k < top; k++) {
        const struct rank_item *item = &pass->item[pass->best[k]];
        p[k] = sharp_share(pass, item);
        unknown += !blur_known(item);
    }
    if (pass->n == 0 || top == 0)
        return;
    double best = p[0];
    if (2 * unknown > top || median_of(p, top) < 0.5 || best < 0.3)
        keep_none(pass);
    else if (clings_to_edge(pass, n_items))
        leave_to_a_person(pass);
    else if (pass->portrait)
        choose_portraits(pass, n_items, chosen);
    else
        choose_few(pass, chosen);
}

/* A piece of a subject is not kept, since it may be a sharp one of a blurred bird. Where even the piece is
   soft, so is the bird. */
static void judge_pieces(struct pass *pass, size_t n_items, uint32_t number)
{
    struct limits limits = {0};
    bool kept = false;
    for (size_t k = 0; k < pass->n; k++)
        kept = kept || pass->verdict[pass->order[k]].proposal == RANK_KEEP;
    if (pass->n > 0)
        limits = find_limits(pass);
    for (size_t i = 0; kept && i < n_items; i++) {
        const struct rank_item *item = &pass->item[i];
        if (item->pass == number && (item->flags & RANK_F_PIECE) && !(item->flags & RANK_F_UNSURE) &&
            pass->verdict[i].reason == RANK_NOT_SURE && blur_known(item) &&
            !in_sharp_set(pass, item, &limits))
            judge(pass, i, RANK_REJECT, RANK_SOFT);
    }
}

/* A pass that keeps nothing in flight: a sharp picture of the same subject at rest is not lost for its rest.
 */
static void spare_portraits(struct pass *pass, size_t n_items, uint32_t number)
{
    bool kept = false;
    for (size_t k = 0; k < pass->n; k++)
        kept = kept || pass->verdict[pass->order[k]].proposal == RANK_KEEP;
    for (size_t i = 0; !kept && i < n_items; i++)
        if (pass->item[i].pass == number && pass->verdict[i].reason == RANK_AT_REST &&
            blur_known(&pass->item[i]) && sharp_share(pass, &pass->item[i]) >= 0.5)
            judge(pass, i, RANK_NONE, RANK_NOT_SURE);
}

/* Of several subjects in a frame the one that speaks for keeping it stands for the frame. */
static bool stands_before(const struct rank_item *a, const struct verdict *va, const struct rank_item *b,
                          const struct verdict *vb)
{
    static const int order[] = {[RANK_NONE] = 1, [RANK_KEEP] = 2, [RANK_REJECT] = 0};
    if (va->proposal != vb->proposal)
        return order[va->proposal] > order[vb->proposal];
    if ((a->flags ^ b->flags) & RANK_F_AT_REST)
        return (b->flags & RANK_F_AT_REST) != 0;
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
        frame->nth = v->nth;
        frame->proposal = v->proposal;
        frame->reason = v->reason;
    } else if (burst->mode == SUBJECT_MOVING) {
        frame->proposal = RANK_REJECT;
        frame->reason = RANK_NO_SUBJECT;
    }
    if (n_frames < TOO_FEW) {
        frame->rank = frame->nth = 0;
        frame->proposal = RANK_NONE;
        frame->reason = RANK_TOO_FEW;
    }
}

/* Gives every frame the verdict of the subject that stands for it. */
static void settle_all(const struct rank_burst *burst, const struct rank_item *item, size_t n_items,
                       const struct verdict *verdict, struct rank_frame *frame, size_t n_frames)
{
    for (size_t f = 0; f < n_frames; f++) {
        frame[f].pass = frame[f].rank = frame[f].nth = 0;
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

/* Does the subject of the pass rest in every frame in which it was found? */
static bool only_rests(const struct rank_item *item, size_t n_items, uint32_t number)
{
    for (size_t i = 0; i < n_items; i++)
        if (item[i].pass == number && !(item[i].flags & RANK_F_AT_REST))
            return false;
    return true;
}

/* Flights first: what they keep shows whoever sits there too. */
static void choose_all(struct pass *pass, size_t n_items, size_t *chosen, int64_t min_gap_ns)
{
    for (int round = 0; round < 2; round++) {
        uint32_t number = 0;
        while (next_pass(pass->item, n_items, &number)) {
            pass->portrait = pass->burst->mode == SUBJECT_MOVING && !pass->burst->perch &&
                             only_rests(pass->item, n_items, number);
            pass->rests = pass->burst->perch || pass->portrait;
            pass->min_gap_ns = min_gap_ns > 0 ? min_gap_ns : pass->rests ? ATTITUDE_NS : TWIN_NS;
            if (pass->portrait != (round == 1))
                continue;
            collect(pass, n_items, number);
            choose_pass(pass, n_items, chosen);
            judge_pieces(pass, n_items, number);
            spare_portraits(pass, n_items, number);
        }
    }
}

bool rank_choose(const struct rank_burst *burst, const struct rank_item *item, size_t n_items,
                 struct rank_frame *frame, size_t n_frames, const struct rank_options *options,
                 struct err *err)
{
    size_t *chosen = malloc((n_items + 1) * sizeof *chosen);
    struct pass pass = {.burst = burst,
                        .item = item,
                        .frame = frame,
                        .n_frames = n_frames,
                        .verdict = calloc(n_items + 1, sizeof *pass.verdict),
                        .order = malloc((n_items + 1) * sizeof *pass.order),
                        .keep = options->keep > 0 ? options->keep : DEFAULT_KEEP,
                        .max_blur_px = options->max_blur_px > 0 ? options->max_blur_px : INFINITY};
    bool done = chosen != NULL && pass.verdict != NULL && pass.order != NULL;
    if (done) {
        for (size_t i = 0; i < n_items; i++)
            judge(&pass, i, RANK_NONE, RANK_NOT_SURE);
        choose_all(&pass, n_items, chosen, options->min_gap_ns);
        settle_all(burst, item, n_items, pass.verdict, frame, n_frames);
    }
    free(chosen);
    free(pass.verdict);
    free(pass.order);
    return done ? true : err_nomem(err);
}
