#include "lesson.h"

#include <math.h>
#include <stdlib.h>

#define WINDOW_TIMES 4.5 /* the least blur: so far from it the error of a blur is still small */
#define RISING 0.93      /* of the largest blur so far: what blurs of neighbours scatter by */
#define LEAST_SCATTER 0.2
#define STRAY_SHARE 0.06 /* of the way flown: a flight keeps to its quadratic this well */

enum { TERMS = 3, LEAST_SAMPLES = 4, LEAST_BLURS = 5, NEAR_SAMPLES = 7, LOPSIDED = 2 };
/* A place that is less sure than this share of the pass (one standard error) is not told. */
static const double UNSURE_SHARE = 0.02;

/* Weighted least squares of v = c0 + c1 t + c2 t^2: normal equations and their inverse. */
struct quadratic {
    double c[TERMS];
    double cov[TERMS][TERMS];
};

struct sums {
    double m[TERMS][TERMS], b[TERMS];
};

static void add(struct sums *s, double t, double v, double w)
{
    const double p[TERMS] = {1, t, t * t};
    for (int i = 0; i < TERMS; i++) {
        s->b[i] += w * p[i] * v;
        for (int k = 0; k < TERMS; k++)
            s->m[i][k] += w * p[i] * p[k];
    }
}

/* Inverse of a symmetric 3 x 3 matrix by cofactors; false where it has none. */
static bool solve(const struct sums *s, struct quadratic *q)
{
    const double(*m)[TERMS] = s->m;
    double det = 0;
    for (int i = 0; i < TERMS; i++)
        for (int k = 0; k < TERMS; k++) {
            int r0 = (k + 1) % TERMS, r1 = (k + 2) % TERMS, c0 = (i + 1) % TERMS, c1 = (i + 2) % TERMS;
            q->cov[i][k] = m[r0][c0] * m[r1][c1] - m[r0][c1] * m[r1][c0];
        }
    for (int k = 0; k < TERMS; k++)
        det += m[0][k] * q->cov[k][0];
    if (!(fabs(det) > 1e-12 * fabs(m[0][0] * m[1][1] * m[2][2])))
        return false;
    for (int i = 0; i < TERMS; i++) {
        q->c[i] = 0;
        for (int k = 0; k < TERMS; k++)
            q->cov[i][k] /= det;
        for (int k = 0; k < TERMS; k++)
            q->c[i] += q->cov[i][k] * s->b[k];
    }
    return true;
}

static double value_at(const struct quadratic *q, double t)
{
    return q->c[0] + t * (q->c[1] + t * q->c[2]);
}

static double slope_at(const struct quadratic *q, double t)
{
    return q->c[1] + 2 * t * q->c[2];
}

/* The way of the subject: a quadratic in time on either axis, since birds turn and water slows them. What
   hovers or lands follows none, and has no speed. */
static bool fit_way(const struct lesson_sample *sample, size_t n, double mid, struct quadratic way[2])
{
    struct sums sums[2] = {{.b = {0}}, {.b = {0}}};
    double first = NAN, last = NAN, off = 0;
    size_t used = 0;
    for (size_t i = 0; i < n; i++) {
        if (!sample[i].whole)
            continue;
        add(&sums[0], sample[i].t_s - mid, sample[i].x, 1);
        add(&sums[1], sample[i].t_s - mid, sample[i].y, 1);
        first = isnan(first) ? sample[i].t_s - mid : first;
        last = sample[i].t_s - mid;
        used++;
    }
    if (used < LEAST_SAMPLES || !solve(&sums[0], &way[0]) || !solve(&sums[1], &way[1]))
        return false;
    for (size_t i = 0; i < n; i++) {
        double dx = sample[i].x - value_at(&way[0], sample[i].t_s - mid);
        double dy = sample[i].y - value_at(&way[1], sample[i].t_s - mid);
        off += sample[i].whole ? dx * dx + dy * dy : 0;
    }
    double far = hypot(value_at(&way[0], last) - value_at(&way[0], first),
                       value_at(&way[1], last) - value_at(&way[1], first));
    return sqrt(off / (double)used) < STRAY_SHARE * far;
}

static bool is_usable(const struct lesson_sample *s)
{
    return s->whole && !isnan(s->blur_px);
}

static double smooth_at(const struct lesson_sample *sample, size_t i)
{
    return (sample[i - 1].blur_px + 2 * sample[i].blur_px + sample[i + 1].blur_px) / 4;
}

/* From the least blur on it grows. Where it shrinks again something else has come into the outline. */
static size_t rises_to(const struct lesson_sample *sample, size_t n, size_t best, int step)
{
    double most = smooth_at(sample, best);
    size_t far = 0, room = step < 0 ? best : n - 1 - best;
    while (far < room) {
        size_t at = step < 0 ? best - far - 1 : best + far + 1;
        double next = at > 0 && at + 1 < n ? smooth_at(sample, at) : sample[at].blur_px;
        if (next < RISING * most)
            break;
        most = fmax(most, next);
        far++;
    }
    return far;
}

/* The samples about the least blur, as many on either side: far from the plane the blur is known badly, and a
   bird half behind a reed looks sharper than it is. Where the pass ends on one side, the other goes on a
   little. All n are usable. False where the least is at an end. */
static bool find_window(const struct lesson_sample *sample, size_t n, size_t *from, size_t *to)
{
    size_t best = 0, half = 0;
    double least = INFINITY;
    for (size_t i = 1; i + 1 < n; i++) {
        double smooth = smooth_at(sample, i);
        best = smooth < least ? i : best;
        least = fmin(least, smooth);
    }
    if (best == 0)
        return false;
    double most = WINDOW_TIMES * fmax(least, LESSON_BEST_PX);
    size_t before = rises_to(sample, n, best, -1), after = rises_to(sample, n, best, 1);
    while (half < before && half < after && sample[best - half - 1].blur_px < most &&
           sample[best + half + 1].blur_px < most)
        half++;
    *from = best - half;
    *to = best + half + 1;
    for (size_t i = 0; i < LOPSIDED; i++) {
        bool at_start = *from == 0, at_end = *to == n;
        if (at_start && !at_end && sample[*to].blur_px < most)
            ++*to;
        else if (at_end && !at_start && sample[*from - 1].blur_px < most)
            --*from;
    }
    return *to - *from >= LEAST_BLURS;
}

/* The usable ones; malloc'ed. NULL: no memory, and nothing can be said. */
static struct lesson_sample *usable_of(const struct lesson_sample *sample, size_t n, size_t *used)
{
    struct lesson_sample *few = calloc(n, sizeof few[0]);
    *used = 0;
    for (size_t i = 0; few != NULL && i < n; i++)
        if (is_usable(&sample[i]))
            few[(*used)++] = sample[i];
    return few;
}

/* blur^2 over time is a quadratic where the distance from the plane changes evenly. A sample counts by its
   own error and by what was fitted there the round before. */
static bool fit_blur(const struct lesson_sample *sample, size_t n, double mid, struct quadratic *q,
                     double *scatter)
{
    enum { ROUNDS = 4 };
    for (int round = 0; round < ROUNDS; round++) {
        struct sums sums = {.b = {0}};
        double chi = 0;
        for (size_t i = 0; i < n; i++) {
            const struct lesson_sample *s = &sample[i];
            double v = s->blur_px * s->blur_px, sd = isnan(s->sd_px) ? 0.3 * s->blur_px : s->sd_px;
            double expected = round > 0 ? fmax(value_at(q, s->t_s - mid), 0.3) : v;
            double off = round > 0 ? v - value_at(q, s->t_s - mid) : 0;
            double spread = 4 * expected * sd * sd + 0.01 * expected * expected + 0.01;
            chi += off * off / spread;
            add(&sums, s->t_s - mid, v, 1 / spread);
        }
        if (!solve(&sums, q))
            return false;
        /* The error bar of a blur is mostly common to neighbours: they scatter less than it. */
        *scatter = fmax(LEAST_SCATTER, chi / (double)(n - TERMS + 1));
    }
    return true;
}

/* Where the subject was at a time, by the samples around it: a way over the whole pass is bent where a bird
   turns. A straight line through the nearest ones. */
static double near_at(const struct lesson_sample *sample, size_t n, double at_s, bool vertical)
{
    size_t from = 0;
    while (from + NEAR_SAMPLES < n &&
           fabs(sample[from + NEAR_SAMPLES].t_s - at_s) < fabs(sample[from].t_s - at_s))
        from++;
    size_t end = from + NEAR_SAMPLES < n ? from + NEAR_SAMPLES : n;
    double t = 0, v = 0, tt = 0, tv = 0, k = (double)(end - from);
    for (size_t i = from; i < end; i++) {
        t += sample[i].t_s / k;
        v += (vertical ? sample[i].y : sample[i].x) / k;
    }
    for (size_t i = from; i < end; i++) {
        double d = sample[i].t_s - t;
        tt += d * d;
        tv += d * ((vertical ? sample[i].y : sample[i].x) - v);
    }
    return v + (tt > 0 ? tv / tt * (at_s - t) : 0);
}

static void place_plane(const struct quadratic *q, size_t n, const struct quadratic way[2], double scatter,
                        double mid, double first, double last, double frame_s, struct lesson_fit *fit)
{
    double c2 = q->c[2];
    /* Few samples make a curve by chance more often: Student's t at one in a hundred, roughly. */
    double surely = 2.6 * (1 + 3 / (double)(n - TERMS));
    if (!(c2 > 0) || c2 * c2 < surely * surely * q->cov[2][2] * scatter)
        return;
    double at = -q->c[1] / (2 * c2);
    if (at + mid < first - frame_s || at + mid > last + frame_s)
        return;
    const double d[TERMS] = {0, -1 / (2 * c2), q->c[1] / (2 * c2 * c2)};
    double var = 0;
    for (int i = 0; i < TERMS; i++)
        for (int k = 0; k < TERMS; k++)
            var += d[i] * d[k] * q->cov[i][k];
    fit->at_s = at + mid;
    fit->at_sd_s = sqrt(fmax(var, 0) * scatter);
    fit->crosses = true;
    fit->has_plane = fit->at_sd_s <= UNSURE_SHARE * (last - first);
    fit->place = fit->has_plane ? LESSON_PLACED : LESSON_UNSURE;
    fit->vx = slope_at(&way[0], at);
    fit->vy = slope_at(&way[1], at);
    fit->speed = hypot(fit->vx, fit->vy);
    fit->sd_px = fit->at_sd_s * fit->speed;
    fit->least = fmax(value_at(q, at), 0);
    fit->rate = sqrt(c2);
    double room = LESSON_SHARP_PX * LESSON_SHARP_PX - fit->least;
    fit->sharp_s = room > 0 ? 2 * sqrt(room / c2) : 0;
}

void lesson_fit_pass(const struct lesson_sample *sample, size_t n, struct lesson_fit *fit)
{
    struct quadratic way[2], blur;
    double scatter = 1;
    size_t from = 0, to = 0, used = 0;
    *fit = (struct lesson_fit){.place = LESSON_TOO_FEW};
    if (n < LEAST_SAMPLES)
        return;
    double first = sample[0].t_s, last = sample[n - 1].t_s, mid = (first + last) / 2;
    if (!(last > first) || !fit_way(sample, n, mid, way)) {
        fit->place = LESSON_NO_FLIGHT;
        return;
    }
    fit->has_speed = true;
    fit->vx = way[0].c[1];
    fit->vy = way[1].c[1];
    fit->speed = hypot(fit->vx, fit->vy);
    struct lesson_sample *few = usable_of(sample, n, &used);
    fit->place = used >= LEAST_BLURS ? LESSON_NO_LEAST : LESSON_TOO_FEW;
    if (few != NULL && find_window(few, used, &from, &to) &&
        fit_blur(few + from, to - from, mid, &blur, &scatter))
        place_plane(&blur, to - from, way, scatter, mid, first, last, (last - first) / (double)(n - 1), fit);
    if (fit->crosses) {
        fit->x = near_at(few, used, fit->at_s, false);
        fit->y = near_at(few, used, fit->at_s, true);
    }
    free(few);
}

double lesson_motion_var(double speed, double exposure_s)
{
    double line = speed * exposure_s;
    return line * line / 24;
}

enum lesson_cause lesson_cause_of(const struct lesson_sample *sample, size_t n, const struct lesson_fit *fit,
                                  double exposure_s)
{
    const double best = LESSON_BEST_PX * LESSON_BEST_PX;
    double motion = lesson_motion_var(fit->speed, exposure_s), over = 0;
    size_t used = 0;
    if (!fit->has_speed || !(exposure_s > 0))
        return LESSON_UNKNOWN;
    for (size_t i = 0; i < n; i++) {
        if (!sample[i].whole || isnan(sample[i].blur_px))
            continue;
        over += fmax(sample[i].blur_px * sample[i].blur_px - best, 0);
        used++;
    }
    if (used < LEAST_BLURS)
        return LESSON_UNKNOWN;
    over /= (double)used;
    /* In the plane of focus only motion is left; what it does not explain there, distance does not either. */
    bool soft_at_best = fit->crosses && fit->least > 1.5 * 1.5;
    if (soft_at_best && fit->least - best - motion > 0.5 * fit->least)
        return LESSON_NEITHER;
    double focus = fmax(over - motion, 0);
    if (focus >= 2 * motion && fit->crosses)
        return LESSON_FOCUS;
    if (motion >= 2 * focus && over > 0)
        return LESSON_MOTION;
    return LESSON_UNKNOWN;
}
