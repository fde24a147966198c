/* marks.c - verdicts of the engine against the truth, pass by pass and frame by frame. */
#include "marks.h"

#include <math.h>
#include <stdlib.h>

static const double TIE_PX = 0.05, SHARP_PX = 2.0, NEVER_PX = 2.6, LEAST_WIDTH = 0.03;

void marks_count(struct marks *m, enum mark mark, double value, double weight)
{
    m->of[mark].sum += value * weight;
    m->of[mark].weight += weight;
}

static double overlap(const struct bench_bird *b, const struct rank_item *item)
{
    double x0 = fmax((double)b->x, item->x_px), y0 = fmax((double)b->y, item->y_px);
    double x1 = fmin((double)b->x + (double)b->w, (double)item->x_px + item->w_px);
    double y1 = fmin((double)b->y + (double)b->h, (double)item->y_px + item->h_px);
    double both = fmax(x1 - x0, 0) * fmax(y1 - y0, 0);
    double all = (double)b->w * (double)b->h + (double)item->w_px * item->h_px - both;
    return all > 0 ? both / all : 0;
}

/* The item of a frame that covers a bird best; NULL below a tenth. */
static const struct rank_item *item_of(const struct verdicts *v, const struct bench_bird *bird, size_t frame,
                                       uint32_t pass)
{
    const struct rank_item *best = NULL;
    double most = 0.1;
    for (size_t i = 0; i < v->items; i++) {
        const struct rank_item *item = &v->item[i];
        if (item->frame != frame || (pass != 0 && item->pass != pass))
            continue;
        double o = overlap(bird, item);
        if (o > most) {
            most = o;
            best = item;
        }
    }
    return best;
}

/* The engine's pass that most frames of a bird fall into; 0 = none. */
static uint32_t pass_of(const struct bench_burst *b, const struct verdicts *v, int k)
{
    size_t votes[SUBJECT_MAX_PASSES + 1] = {0};
    uint32_t best = 0;
    for (size_t t = 0; t < b->n; t++) {
        const struct bench_bird *bird = &b->frame[t].bird[k];
        const struct rank_item *item = bird->flags & BIRD_PRESENT ? item_of(v, bird, t, 0) : NULL;
        if (item != NULL && item->pass <= SUBJECT_MAX_PASSES)
            votes[item->pass]++;
    }
    for (uint32_t p = 1; p <= SUBJECT_MAX_PASSES; p++)
        if (votes[p] > votes[best])
            best = p;
    return best;
}

static bool flying(const struct bench_bird *bird)
{
    return (bird->flags & BIRD_PRESENT) && !(bird->flags & BIRD_LANDED);
}

static bool complete(const struct bench_bird *bird)
{
    return (bird->flags & BIRD_PRESENT) && !(bird->flags & (BIRD_CUT | BIRD_HIDDEN));
}

/* What may win a pass: complete and flying; of one that only rests, not cut. */
static bool may_win(const struct bench_bird *bird, bool rest)
{
    return complete(bird) && ((bird->flags & BIRD_LANDED) != 0) == rest;
}

static int up(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

double marks_spearman(const double *a, const double *b, size_t n)
{
    double ra[BENCH_FRAMES], rb[BENCH_FRAMES], mean = 0.5 * (double)n, ab = 0, aa = 0, bb = 0;
    if (n < 3 || n > BENCH_FRAMES)
        return NAN;
    for (size_t i = 0; i < n; i++) {
        ra[i] = rb[i] = 0;
        for (size_t j = 0; j < n; j++) {
            ra[i] += (a[j] < a[i]) + 0.5 * (a[j] == a[i]);
            rb[i] += (b[j] < b[i]) + 0.5 * (b[j] == b[i]);
        }
    }
    for (size_t i = 0; i < n; i++) {
        ab += (ra[i] - mean) * (rb[i] - mean);
        aa += (ra[i] - mean) * (ra[i] - mean);
        bb += (rb[i] - mean) * (rb[i] - mean);
    }
    return aa > 0 && bb > 0 ? ab / sqrt(aa * bb) : NAN;
}

/* One bird of a burst, as a pass. */
struct way {
    const struct bench_burst *b;
    int k;
    bool rest;                 /* it never flies whole: then it is judged at rest */
    size_t wins;               /* frames that may win */
    double best, third, worst; /* blur of the best and the third best of those; worst of all it is in */
    size_t first, last;        /* frames it is in */
};

static const struct bench_bird *bird_at(const struct way *w, size_t t)
{
    return &w->b->frame[t].bird[w->k];
}

static bool look_at_way(const struct bench_burst *b, int k, struct way *w)
{
    double blur[BENCH_FRAMES];
    size_t seen = 0;
    *w = (struct way){.b = b, .k = k, .rest = true};
    for (size_t t = 0; t < b->n; t++) {
        const struct bench_bird *bird = bird_at(w, t);
        if (!(bird->flags & BIRD_PRESENT))
            continue;
        if (bird->flags & BIRD_PROP)
            return false;
        w->first = seen == 0 ? t : w->first;
        w->last = t;
        w->worst = fmax(w->worst, bird_blur(b, bird));
        w->rest = w->rest && !may_win(bird, false);
        seen++;
    }
    for (size_t t = 0; t < b->n; t++)
        if (may_win(bird_at(w, t), w->rest))
            blur[w->wins++] = bird_blur(b, bird_at(w, t));
    qsort(blur, w->wins, sizeof *blur, up);
    if (w->wins > 0) {
        w->best = blur[0];
        w->third = blur[w->wins < 3 ? w->wins - 1 : 2];
    }
    return seen > 0;
}

/* Hit and regret of a frame that is put on top; n = none was. Returns whether it is a hit. */
static bool judge_top(const struct way *w, size_t top, enum mark hit, enum mark regret, struct marks *m)
{
    const struct bench_bird *bird = top < w->b->n ? bird_at(w, top) : NULL;
    bool there = bird != NULL && (bird->flags & BIRD_PRESENT);
    double blur = there ? bird_blur(w->b, bird) : w->worst;
    bool right = there && may_win(bird, w->rest) && blur <= w->third + TIE_PX;
    marks_count(m, hit, right, 1);
    if (top < w->b->n)
        marks_count(m, regret == MARK_REGRET && w->b->head_decides ? MARK_HEAD_REGRET : regret,
                    fmax(blur - w->best, 0), 1);
    return right;
}

static bool ruled_out(const struct rank_item *item, enum subject_mode mode)
{
    return (item->flags & (RANK_F_CUT | RANK_F_HIDDEN | RANK_F_UNSURE)) || !isfinite(item->score) ||
           ((item->flags & RANK_F_AT_REST) && mode == SUBJECT_MOVING);
}

/* The frame the engine puts on top of a pass: its rank 1, or where another subject stands for that frame the
 * best scored item that nothing rules out. */
static size_t top_of(const struct bench_burst *b, const struct verdicts *v, uint32_t pass)
{
    const struct rank_item *top = NULL;
    for (size_t t = 0; t < b->n; t++)
        if (pass != 0 && v->frame[t].pass == pass && v->frame[t].rank == 1)
            return t;
    for (size_t i = 0; i < v->items; i++) {
        const struct rank_item *item = &v->item[i];
        if (item->pass == pass && !ruled_out(item, v->mode) && (top == NULL || item->score > top->score))
            top = item;
    }
    return top != NULL ? top->frame : b->n;
}

static double area_of(const struct bench_bird *bird)
{
    return (double)bird->w * (double)bird->h;
}

/* Why a pass is missed, from what became of its best frames. */
static enum miss why_missed(const struct way *w, const struct verdicts *v, uint32_t pass, size_t top)
{
    size_t best = 0, no_region = 0, out = 0;
    double area = 0;
    if (pass == 0)
        return MISS_NOT_FOUND;
    for (size_t t = 0; t < w->b->n; t++) {
        const struct bench_bird *bird = bird_at(w, t);
        if (!may_win(bird, w->rest) || bird_blur(w->b, bird) > w->third)
            continue;
        const struct rank_item *item = item_of(v, bird, t, pass);
        best++;
        area += area_of(bird);
        if (item == NULL || overlap(bird, item) < 0.5)
            no_region++;
        else
            out += ruled_out(item, v->mode);
    }
    if (2 * no_region > best)
        return MISS_REGION;
    if (2 * (no_region + out) > best || top >= w->b->n)
        return MISS_RULED_OUT;
    if (!may_win(bird_at(w, top), w->rest))
        return MISS_INCOMPLETE;
    return area_of(bird_at(w, top)) < 0.8 * area / (double)best ? MISS_POSE : MISS_ORDER;
}

static double whole_frame(const struct bench_frame *f, bool tenengrad)
{
    return tenengrad ? f->tenengrad : f->laplacian_variance;
}

/* What a whole-frame measure would have done with the frames this bird is in. */
static void judge_whole_frame(const struct way *w, bool tenengrad, bool sharp, struct marks *m)
{
    double value[BENCH_FRAMES], truth[BENCH_FRAMES];
    size_t top = w->first, n = 0;
    for (size_t t = w->first; t <= w->last; t++) {
        const struct bench_bird *bird = bird_at(w, t);
        double v = whole_frame(&w->b->frame[t], tenengrad);
        if (v > whole_frame(&w->b->frame[top], tenengrad))
            top = t;
        if (!(bird->flags & BIRD_PRESENT) || (double)bird->visible < 0.5)
            continue;
        value[n] = v;
        truth[n++] = -bird_blur(w->b, bird);
    }
    double rho = marks_spearman(value, truth, n);
    if (!isnan(rho))
        marks_count(m, tenengrad ? MARK_TG_RHO : MARK_VL_RHO, rho, 1);
    if (sharp)
        judge_top(w, top, tenengrad ? MARK_TG_HIT : MARK_VL_HIT, tenengrad ? MARK_TG_REGRET : MARK_VL_REGRET,
                  m);
}

static void judge_order(const struct way *w, const struct verdicts *v, uint32_t pass, struct marks *m)
{
    double score[BENCH_FRAMES], truth[BENCH_FRAMES];
    size_t n = 0;
    for (size_t t = 0; t < w->b->n; t++) {
        const struct bench_bird *bird = bird_at(w, t);
        bool seen = (bird->flags & BIRD_PRESENT) && (double)bird->visible >= 0.5;
        const struct rank_item *item = seen && pass != 0 ? item_of(v, bird, t, pass) : NULL;
        if (item == NULL || !isfinite(item->score))
            continue;
        score[n] = item->score;
        truth[n++] = -bird_blur(w->b, bird);
        if (complete(bird) && !w->b->head_decides && isfinite(item->blur_px) && m->errors < MARK_ERRORS)
            m->blur_error[m->errors++] = fabs(item->blur_px / (double)bird->blur_px - 1);
    }
    double rho = marks_spearman(score, truth, n);
    if (!isnan(rho))
        marks_count(m, MARK_RHO, rho, 1);
}

static bool keeps_one(const struct way *w, const struct verdicts *v)
{
    for (size_t t = 0; t < w->b->n; t++)
        if (v->frame[t].proposal == RANK_KEEP && may_win(bird_at(w, t), w->rest))
            return true;
    return false;
}

static void judge_ways(const struct bench_burst *b, const struct verdicts *v, struct marks *m)
{
    struct way way[BENCH_BIRDS];
    int ways = 0, sharp_ways = 0;
    bool set = false;
    for (int k = 0; k < BENCH_BIRDS; k++)
        if (look_at_way(b, k, &way[ways])) {
            sharp_ways += way[ways].wins > 0 && way[ways].best < SHARP_PX;
            ways++;
        }
    for (size_t t = 0; t < b->n; t++)
        for (int k = 0; k < BENCH_BIRDS; k++)
            set = set || (b->frame[t].bird[k].flags & BIRD_PROP);
    for (int i = 0; i < ways; i++) {
        struct way *w = &way[i];
        bool sharp = w->wins > 0 && w->best < SHARP_PX;
        uint32_t pass = pass_of(b, v, w->k);
        judge_order(w, v, pass, m);
        size_t top = pass != 0 ? top_of(b, v, pass) : b->n;
        if (sharp && !judge_top(w, top, MARK_HIT, MARK_REGRET, m))
            m->miss[why_missed(w, v, pass, top)]++;
        if (sharp && (sharp_ways > 1 || set))
            marks_count(m, MARK_ARRIVED, keeps_one(w, v), 1);
        judge_whole_frame(w, false, sharp, m);
        judge_whole_frame(w, true, sharp, m);
    }
}

static void judge_boxes(const struct bench_burst *b, const struct verdicts *v, struct marks *m)
{
    for (size_t t = 0; t < b->n; t++)
        for (int k = 0; k < BENCH_BIRDS; k++) {
            const struct bench_bird *bird = &b->frame[t].bird[k];
            if (!(bird->flags & BIRD_PRESENT) || (bird->flags & BIRD_PROP) || (double)bird->visible < 0.5)
                continue;
            const struct rank_item *item = item_of(v, bird, t, 0);
            double o = item != NULL ? overlap(bird, item) : 0;
            marks_count(m, MARK_IOU_ALL, o, 1);
            if (flying(bird))
                marks_count(m, MARK_IOU_MOVING, o, 1);
        }
}

/* Birds of a frame, added up. Who only belongs to the set counts where nobody else is there. */
struct crowd {
    bool any, whole, flies, wide_complete, hovers;
    double sharpest;
};

static struct crowd crowd_of(const struct bench_burst *b, size_t t)
{
    struct crowd c = {.sharpest = INFINITY};
    bool actor = false, prop_whole = false;
    for (int k = 0; k < BENCH_BIRDS; k++) {
        const struct bench_bird *bird = &b->frame[t].bird[k];
        if (!(bird->flags & BIRD_PRESENT))
            continue;
        c.any = true;
        c.wide_complete = c.wide_complete || (complete(bird) && (double)bird->w > LEAST_WIDTH * b->width_px);
        prop_whole = prop_whole || ((bird->flags & BIRD_PROP) && !(bird->flags & BIRD_CUT));
        c.sharpest = fmin(c.sharpest, bird_blur(b, bird));
        if (bird->flags & BIRD_PROP)
            continue;
        actor = true;
        c.whole = c.whole || !(bird->flags & BIRD_CUT);
        c.flies = c.flies || flying(bird);
        c.hovers = c.hovers || (bird->flags & BIRD_HOVERING);
    }
    c.whole = actor ? c.whole : prop_whole;
    return c;
}

/* The sharpest complete flying bird of the burst, and of any complete one. */
static void best_of_burst(const struct bench_burst *b, double *flight, double *any)
{
    *flight = *any = INFINITY;
    for (size_t t = 0; t < b->n; t++)
        for (int k = 0; k < BENCH_BIRDS; k++) {
            const struct bench_bird *bird = &b->frame[t].bird[k];
            if (!complete(bird))
                continue;
            *any = fmin(*any, bird_blur(b, bird));
            if (flying(bird))
                *flight = fmin(*flight, bird_blur(b, bird));
        }
}

static void judge_frames(const struct bench_burst *b, const struct verdicts *v, struct marks *m)
{
    double flight, any;
    size_t kept = 0;
    best_of_burst(b, &flight, &any);
    for (size_t t = 0; t < b->n; t++) {
        struct crowd c = crowd_of(b, t);
        if (c.wide_complete)
            marks_count(m, MARK_LOST, v->frame[t].reason == RANK_NO_SUBJECT, 1);
        if (c.hovers)
            marks_count(m, MARK_HOVER_REST, v->frame[t].reason == RANK_AT_REST, 1);
        if (v->frame[t].proposal != RANK_KEEP)
            continue;
        kept++;
        marks_count(m, MARK_KEPT_EMPTY, !c.any, 1);
        marks_count(m, MARK_KEPT_CUT, c.any && !c.whole, 1);
        marks_count(m, MARK_KEPT_LANDED, c.any && !c.flies && flight < c.sharpest - TIE_PX, 1);
    }
    if (any >= NEVER_PX && isfinite(any))
        marks_count(m, MARK_NEVER_KEPT, kept > 0, 1);
    if (any < SHARP_PX)
        marks_count(m, MARK_SHARP_NOTHING, kept == 0, 1);
}

void marks_judge(const struct bench_burst *b, const struct verdicts *v, struct marks *marks)
{
    judge_ways(b, v, marks);
    judge_boxes(b, v, marks);
    judge_frames(b, v, marks);
}
