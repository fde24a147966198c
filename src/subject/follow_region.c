/*
 * follow_region.c - the outline of a subject that the camera follows.
 *
 * What stands apart is its edges and what the scene behind is unlike; its inside often looks as before. So
 * the brightness that is common where the scene is left, and rare elsewhere, speaks too, near what stands
 * apart.
 */
#include "follow.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { TONES = 32, COMPANY = 4 };
static const float STANDS = 0.35f; /* between the median and the 99th percentile: stands apart */
static const float CLEAR = 0.3f;   /* stands apart by so much on the whole: no noise does */
static const float LEAST = 0.05f;  /* confidence below which there is nothing */
static const float NEAR = 0.3f;    /* of its size: a large place so near belongs to it */
static const float COMMON = 0.15f; /* noise and ripples stand apart by as much */
static const float SPEAKS = 1.5f;  /* the most that brightness can say, as a logarithm */

struct work {
    float *share, *voice;
    uint8_t *mask, *all, *scratch, *full;
    uint32_t *cell;
    float inside[TONES], outside[TONES];
};

static bool work_open(const struct follow *f, struct work *w)
{
    w->share = malloc(f->n * f->cells * sizeof *w->share);
    w->voice = malloc(f->cells * sizeof *w->voice);
    w->mask = malloc(f->cells);
    w->all = malloc(f->cells);
    w->scratch = malloc(2 * f->cells);
    w->cell = malloc(f->scene->cells * sizeof *w->cell);
    w->full = malloc(f->scene->cells);
    return w->share != NULL && w->voice != NULL && w->mask != NULL && w->all != NULL && w->scratch != NULL &&
           w->cell != NULL && w->full != NULL;
}

static void work_release(struct work *w)
{
    free(w->share);
    free(w->voice);
    free(w->mask);
    free(w->all);
    free(w->scratch);
    free(w->cell);
    free(w->full);
}

/* The sum of frame t between its median (0) and its 99th percentile (1). */
static void find_share(const struct follow *f, size_t t, float *share)
{
    const float *sum = f->sum + t * f->cells;
    memcpy(share, sum, f->cells * sizeof *share);
    float low = select_median(share, f->cells);
    float high = fmaxf(select_nth(share, f->cells, f->cells * 99 / 100), low + 0.02f);
    for (size_t i = 0; i < f->cells; i++)
        share[i] = fminf(fmaxf((sum[i] - low) / (high - low), 0.0f), 1.0f);
}

static uint32_t tone_of(float luma)
{
    return luma >= 255.0f ? TONES - 1 : (uint32_t)(luma * TONES / 256.0f);
}

/* Brightness inside and outside over the neighbours in time. */
static void find_tones(const struct follow *f, size_t t, struct work *w)
{
    float in = 1e-3f, out = 1e-3f;
    memset(w->inside, 0, sizeof w->inside);
    memset(w->outside, 0, sizeof w->outside);
    for (size_t u = t > COMPANY ? t - COMPANY : 0; u <= t + COMPANY && u < f->n; u++)
        for (size_t i = 0; i < f->cells; i++) {
            float p = w->share[u * f->cells + i];
            uint32_t tone = tone_of(f->luma[u * f->cells + i]);
            if (p > STANDS) {
                w->inside[tone] += p;
                in += p;
            } else {
                w->outside[tone] += 1.0f;
                out += 1.0f;
            }
        }
    for (int k = 0; k < TONES; k++) {
        w->inside[k] /= in;
        w->outside[k] /= out;
    }
}

static float tone_says(const struct work *w, uint32_t tone)
{
    float in = 0.01f, out = 0.01f;
    for (int k = -1; k <= 1; k++) {
        int at = (int)tone + k;
        if (at < 0 || at >= TONES)
            continue;
        in += (k == 0 ? 0.5f : 0.25f) * w->inside[at];
        out += (k == 0 ? 0.5f : 0.25f) * w->outside[at];
    }
    return fminf(fmaxf(logf(in / out), -SPEAKS), SPEAKS);
}

/* Adds to the best place the others that are large and near: a neck and a body, say. `all` holds every place
   and is used up. */
static void join_near(const struct follow *f, uint8_t *mask, uint8_t *all, uint8_t *scratch, uint32_t *cell)
{
    size_t area = 0;
    for (size_t i = 0; i < f->cells; i++) {
        area += mask[i];
        all[i] = all[i] && !mask[i];
    }
    uint8_t *near = scratch + f->cells;
    memcpy(near, mask, f->cells);
    mask_dilate(near, f->cols, f->rows, (uint32_t)fmaxf(2.0f, NEAR * sqrtf((float)area)), scratch);
    for (size_t i = 0; i < f->cells; i++) {
        if (all[i] != 1)
            continue;
        size_t n = mask_flood(all, f->cols, f->rows, i, cell), touching = 0;
        for (size_t k = 0; k < n; k++)
            touching += near[cell[k]];
        for (size_t k = 0; 4 * n >= area && touching > 0 && k < n; k++)
            mask[cell[k]] = 1;
    }
}

/* One compact place: what stands apart, and what looks like it nearby. False when there is none. */
static bool find_mask(const struct follow *f, size_t t, struct work *w)
{
    const float *share = w->share + t * f->cells, *luma = f->smooth + t * f->cells;
    float least = fmaxf(6.0f, 0.0015f * (float)f->cells);
    for (size_t i = 0; i < f->cells; i++)
        w->mask[i] = share[i] > STANDS;
    mask_dilate(w->mask, f->cols, f->rows, 2, w->scratch);
    mask_erode(w->mask, f->cols, f->rows, 2, w->scratch);
    memcpy(w->all, w->mask, f->cells);
    if (!still_best_blob(w->mask, share, f->cols, f->rows, least, w->cell))
        return false;
    join_near(f, w->mask, w->all, w->scratch, w->cell);
    size_t area = 0;
    for (size_t i = 0; i < f->cells; i++)
        area += w->mask[i];
    mask_dilate(w->mask, f->cols, f->rows, (uint32_t)fmaxf(2.0f, 0.25f * sqrtf((float)area)), w->scratch);
    find_tones(f, t, w);
    for (size_t i = 0; i < f->cells; i++)
        w->voice[i] = 5.0f * (share[i] - STANDS) + tone_says(w, tone_of(luma[i]));
    follow_soften(w->voice, f->cols, f->rows, f->spare, f->scratch);
    for (size_t i = 0; i < f->cells; i++)
        w->mask[i] = w->mask[i] && f->spare[i] > 0.0f;
    mask_dilate(w->mask, f->cols, f->rows, 1, w->scratch);
    mask_erode(w->mask, f->cols, f->rows, 1, w->scratch);
    memcpy(w->all, w->mask, f->cells);
    if (!still_best_blob(w->mask, share, f->cols, f->rows, least, w->cell))
        return false;
    join_near(f, w->mask, w->all, w->scratch, w->cell);
    mask_fill_holes(w->mask, f->cols, f->rows, w->cell);
    return true;
}

/* How clearly the inside stands apart, by itself and against the rest, 0..1. Its neighbours in time alone are
   not heard: they say where a subject was or will be. */
static float confidence_of(const struct follow *f, size_t t, const struct work *w)
{
    const float *sum = f->sum + t * f->cells, *apart = f->apart + t * f->cells;
    float in = 0, now = 0, out = 0, n = 0;
    for (size_t i = 0; i < f->cells; i++) {
        in += w->mask[i] ? sum[i] : 0.0f;
        now += w->mask[i] ? apart[i] : 0.0f;
        out += w->mask[i] ? 0.0f : sum[i];
        n += w->mask[i];
    }
    in = fminf(in, 1.5f * now) / fmaxf(n, 1.0f);
    out /= fmaxf((float)f->cells - n, 1.0f);
    return fminf(fmaxf((in - out) / (in + out + 0.02f), 0.0f), 1.0f) * fminf(in / CLEAR, 1.0f);
}

static void spread_out(const struct follow *f, const struct work *w)
{
    const struct scene *scene = f->scene;
    for (uint32_t r = 0; r < scene->rows; r++)
        for (uint32_t c = 0; c < scene->cols; c++) {
            uint32_t x = c / f->factor, y = r / f->factor;
            bool in = x < f->cols && y < f->rows;
            w->full[(size_t)r * scene->cols + c] = in && w->mask[(size_t)y * f->cols + x];
        }
}

bool follow_regions(struct follow *f, struct subject_burst *found, struct err *err)
{
    struct work w = {0};
    bool done = work_open(f, &w) ? true : err_nomem(err);
    for (size_t t = 0; done && t < f->n; t++)
        find_share(f, t, w.share + t * f->cells);
    for (size_t t = 0; done && t < f->n; t++) {
        if (!find_mask(f, t, &w))
            continue;
        float confidence = confidence_of(f, t, &w);
        if (confidence < LEAST)
            continue;
        spread_out(f, &w);
        done = region_add(f->scene, t, w.full, 1, 1.0f, confidence, NULL, found, err);
    }
    found->n_passes = 1;
    work_release(&w);
    return done;
}

float follow_support(const struct follow *f, const struct subject_burst *found)
{
    double sum = 0;
    for (size_t t = 0; t < f->n; t++) {
        const struct subject_frame *frame = &found->frame[f->scene->index[t]];
        for (size_t k = 0; k < frame->n_regions; k++)
            for (uint32_t r = 0; r < frame->region[k].rows; r++)
                for (uint32_t c = 0; c < frame->region[k].cols; c++) {
                    uint32_t x = (frame->region[k].col + c) / f->factor,
                             y = (frame->region[k].row + r) / f->factor;
                    if (!frame->region[k].mask[(size_t)r * frame->region[k].cols + c] || x >= f->cols ||
                        y >= f->rows)
                        continue;
                    float apart = f->apart[t * f->cells + (size_t)y * f->cols + x];
                    sum += (double)fmaxf(apart - COMMON, 0.0f);
                }
    }
    return (float)sum;
}
