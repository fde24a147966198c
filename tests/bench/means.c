/* means.c - means and quantiles over bursts, with honest errors. */
#include <math.h>
#include <stdlib.h>

#include "../cardgen/rng.h"
#include "marks.h"

enum { RESAMPLINGS = 200 };

bool mark_is_share(enum mark mark)
{
    switch (mark) {
    case MARK_REGRET:
    case MARK_RHO:
    case MARK_IOU_MOVING:
    case MARK_IOU_ALL:
    case MARK_HEAD_REGRET:
    case MARK_VL_REGRET:
    case MARK_VL_RHO:
    case MARK_TG_REGRET:
    case MARK_TG_RHO:
        return false;
    default:
        return true;
    }
}

struct estimate marks_mean(const struct marks *m, size_t n, enum mark mark)
{
    double sum = 0, weight = 0, spread = 0, bursts = 0;
    for (size_t i = 0; i < n; i++) {
        sum += m[i].of[mark].sum;
        weight += m[i].of[mark].weight;
        bursts += m[i].of[mark].weight > 0;
    }
    struct estimate e = {weight > 0 ? sum / weight : NAN, NAN, weight};
    for (size_t i = 0; i < n && weight > 0; i++) {
        double off = m[i].of[mark].sum - e.value * m[i].of[mark].weight;
        spread += off * off;
    }
    if (bursts > 1)
        e.error = sqrt(bursts / (bursts - 1) * spread) / weight;
    if (bursts > 0 && mark_is_share(mark) && (e.value <= 0 || e.value >= 1)) {
        double p = (e.value * bursts + 1) / (bursts + 2);
        e.error = sqrt(p * (1 - p) / (bursts + 2));
    }
    return e;
}

static int up(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Quantile over the errors of the bursts named by pick (all where NULL). */
static double quantile(const struct marks *m, const size_t *pick, size_t n, double part, double *room)
{
    size_t k = 0;
    for (size_t i = 0; i < n; i++) {
        const struct marks *q = &m[pick != NULL ? pick[i] : i];
        for (size_t j = 0; j < q->errors; j++)
            room[k++] = q->blur_error[j];
    }
    qsort(room, k, sizeof *room, up);
    return k > 0 ? room[(size_t)(part * (double)(k - 1) + 0.5)] : NAN;
}

struct estimate marks_blur_error(const struct marks *m, size_t n, double part)
{
    struct estimate e = {NAN, NAN, 0};
    double *room = calloc(n * MARK_ERRORS + 1, sizeof *room), sum = 0, sum2 = 0, times = 0;
    size_t *pick = calloc(n + 1, sizeof *pick);
    struct rng r = rng_from(rng_name("resampling"), n);
    if (room == NULL || pick == NULL)
        abort();
    for (size_t i = 0; i < n; i++)
        e.weight += (double)m[i].errors;
    e.value = quantile(m, NULL, n, part, room);
    for (int k = 0; k < RESAMPLINGS && n > 1; k++) {
        for (size_t i = 0; i < n; i++)
            pick[i] = rng_u32(&r) % n;
        double q = quantile(m, pick, n, part, room);
        if (isnan(q))
            continue;
        sum += q;
        sum2 += q * q;
        times++;
    }
    if (times > 1)
        e.error = sqrt(fmax(sum2 / times - sum / times * (sum / times), 0));
    free(room);
    free(pick);
    return e;
}
