/*
 * apart.c - what does not go with the scene while the camera moves.
 *
 * Witnesses of a frame are other frames that show what is behind its subject. Warped onto it, their median is
 * the scene without the subject; a cell stands apart where it is outside of what the scene shows within a
 * cell around. Noise, leaves and ripples do that here and there: so the finding is summed over the neighbours
 * in time, along the subject's own way.
 */
#include "follow.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum {
    WITNESSES = 12,
    LEAST_WITNESSES = 4,
    FEW_WITNESSES = 5,
    COMPANY = 6 /* frames either way that are summed over */
};
static const float OVERLAP = 0.6f; /* of the frame that a witness may be shifted by */
static const float UNSURE = 1.8f;  /* times the usual residual: a witness that fits worse is not heard */
static const float PLAIN = 0.3f;   /* what a difference counts that the scene around could explain */

struct witness {
    size_t frame;
    struct warp warp; /* from the frame at hand to it */
    float residual;
};

static bool overlaps(const struct follow *f, const struct warp *w)
{
    float half_c = 0.5f * (float)f->cols, half_r = 0.5f * (float)f->rows;
    return fabsf(warp_col(w, half_c, half_r) - half_c) < OVERLAP * (float)f->cols &&
           fabsf(warp_row(w, half_c, half_r) - half_r) < OVERLAP * (float)f->rows;
}

static struct warp one_step(const struct warp *next, size_t from, int way)
{
    return way > 0 ? next[from] : warp_back(&next[from - 1]);
}

static size_t reach_of(const struct follow *f, size_t t, int way)
{
    struct warp w = warp_none();
    size_t n = 0, most = way > 0 ? f->n - 1 - t : t;
    for (; n < most; n++) {
        struct warp one = one_step(f->next, way > 0 ? t + n : t - n, way);
        w = warp_after(&w, &one);
        if (!overlaps(f, &w))
            break;
    }
    return n;
}

/* Frames spread over those that overlap with frame t, each with the warp that the chain gives. */
static size_t call(const struct follow *f, size_t t, struct witness w[WITNESSES])
{
    size_t n = 0;
    for (int way = -1; way <= 1; way += 2) {
        size_t reach = reach_of(f, t, way), take = reach < WITNESSES / 2 ? reach : WITNESSES / 2, taken = 0;
        struct warp warp = warp_none();
        for (size_t k = 0; k < reach; k++) {
            size_t from = way > 0 ? t + k : t - k;
            struct warp one = one_step(f->next, from, way);
            warp = warp_after(&warp, &one);
            if ((k + 1) * take / reach > taken) {
                taken++;
                w[n++] = (struct witness){way > 0 ? from + 1 : from - 1, warp, 0};
            }
        }
    }
    return n;
}

static int by_residual(const void *a, const void *b)
{
    const struct witness *x = a, *y = b;
    return (x->residual > y->residual) - (x->residual < y->residual);
}

/* A chain drifts: each witness is fitted to the frame itself. Those that fit badly are sent away, unless few
   would remain. */
static size_t hear(const struct follow *f, size_t t, struct witness *w, size_t n)
{
    struct sheet here = follow_sheet(f, f->smooth, t);
    for (size_t k = 0; k < n; k++) {
        struct sheet there = follow_sheet(f, f->smooth, w[k].frame);
        struct warp warp = w[k].warp;
        w[k].residual = warp_residual(&here, &there, &warp, f->scratch);
        float refined = warp_refine(&here, &there, NULL, &warp, f->scratch);
        if (refined < w[k].residual) {
            w[k].residual = refined;
            w[k].warp = warp;
        }
    }
    qsort(w, n, sizeof *w, by_residual);
    size_t kept = n < FEW_WITNESSES ? n : FEW_WITNESSES;
    while (kept < n && w[kept].residual <= UNSURE * w[n / 4].residual)
        kept++;
    return kept;
}

/* The scene behind frame t; -1 where too few witnesses see it. */
static void behind(const struct follow *f, const struct witness *w, size_t n, float *out)
{
    size_t i = 0;
    for (uint32_t r = 0; r < f->rows; r++)
        for (uint32_t c = 0; c < f->cols; c++, i++) {
            float v[WITNESSES];
            size_t seen = 0;
            for (size_t k = 0; k < n; k++) {
                float x = warp_col(&w[k].warp, (float)c, (float)r);
                float y = warp_row(&w[k].warp, (float)c, (float)r);
                float there = plane_at(f->luma + w[k].frame * f->cells, f->cols, f->rows, x, y, -1.0f);
                if (there >= 0.0f)
                    v[seen++] = there;
            }
            out[i] = seen >= LEAST_WITNESSES ? select_median(v, seen) : -1.0f;
        }
}

/* How far a cell is outside of what `scene` shows within a cell around it. */
static float beyond(const struct follow *f, const float *scene, float y, uint32_t c, uint32_t r)
{
    float low = INFINITY, high = -INFINITY, middle = scene[(size_t)r * f->cols + c];
    if (middle < 0.0f)
        return 0.0f;
    for (uint32_t v = r > 0 ? r - 1 : 0; v <= r + 1 && v < f->rows; v++)
        for (uint32_t u = c > 0 ? c - 1 : 0; u <= c + 1 && u < f->cols; u++) {
            float there = scene[(size_t)v * f->cols + u];
            if (there < 0.0f)
                continue;
            low = fminf(low, there);
            high = fmaxf(high, there);
        }
    return fmaxf(0.0f, fmaxf(y - high, low - y)) + PLAIN * fabsf(y - middle);
}

static void apart_of(const struct follow *f, size_t t, float *scene)
{
    struct witness w[WITNESSES];
    const float *luma = f->luma + t * f->cells;
    float *out = f->apart + t * f->cells;
    size_t n = hear(f, t, w, call(f, t, w)), i = 0;
    if (n < LEAST_WITNESSES)
        return;
    behind(f, w, n, scene);
    for (uint32_t r = 0; r < f->rows; r++)
        for (uint32_t c = 0; c < f->cols; c++, i++)
            f->spare[i] = beyond(f, scene, luma[i], c, r);
    memcpy(f->scratch, f->spare, f->cells * sizeof *f->spare);
    float limit = fmaxf(12.0f * select_median(f->scratch, f->cells), 9.0f);
    for (i = 0; i < f->cells; i++)
        f->spare[i] = fminf(f->spare[i] / limit, 1.0f);
    follow_soften(f->spare, f->cols, f->rows, out, f->scratch);
}

/* The way of what stands apart from frame t to t + 1. */
static void own_way(struct follow *f, size_t t)
{
    struct sheet a = follow_sheet(f, f->smooth, t), b = follow_sheet(f, f->smooth, t + 1);
    for (size_t i = 0; i < f->cells; i++)
        f->spare[i] = f->apart[t * f->cells + i] * f->apart[t * f->cells + i];
    f->own[t] = warp_none();
    struct warp warp = f->own[t];
    if (isfinite(warp_refine(&a, &b, f->spare, &warp, f->scratch)) && overlaps(f, &warp))
        f->own[t] = warp;
}

static void add(const struct follow *f, size_t u, const struct warp *w, float part, float *sum)
{
    const float *apart = f->apart + u * f->cells;
    size_t i = 0;
    for (uint32_t r = 0; r < f->rows; r++)
        for (uint32_t c = 0; c < f->cols; c++, i++)
            sum[i] += part * plane_at(apart, f->cols, f->rows, warp_col(w, (float)c, (float)r),
                                      warp_row(w, (float)c, (float)r), 0.0f);
}

static void sum_up(struct follow *f, size_t t)
{
    float *sum = f->sum + t * f->cells, total = 1.0f;
    memcpy(sum, f->apart + t * f->cells, f->cells * sizeof *sum);
    for (int way = -1; way <= 1; way += 2) {
        struct warp w = warp_none();
        size_t most = way > 0 ? f->n - 1 - t : t;
        for (size_t k = 0; k < COMPANY && k < most; k++) {
            size_t from = way > 0 ? t + k : t - k;
            struct warp one = one_step(f->own, from, way);
            float part = 1.0f - (float)(k + 1) / (COMPANY + 2);
            w = warp_after(&w, &one);
            add(f, way > 0 ? from + 1 : from - 1, &w, part, sum);
            total += part;
        }
    }
    for (size_t i = 0; i < f->cells; i++)
        sum[i] /= total;
}

bool follow_apart(struct follow *f, struct err *err)
{
    float *scene = malloc(f->cells * sizeof *scene);
    if (scene == NULL)
        return err_nomem(err);
    for (size_t t = 0; t < f->n; t++)
        apart_of(f, t, scene);
    free(scene);
    for (size_t t = 0; t + 1 < f->n; t++)
        own_way(f, t);
    for (size_t t = 0; t < f->n; t++)
        sum_up(f, t);
    return true;
}
