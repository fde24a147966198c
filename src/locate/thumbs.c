/* thumbs.c - the thumbnails of a burst over their empty scene: exposure, noise, limits, shift. */
#include "thumbs.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const float LIMIT_NOISE = 4.5f, LIMIT_LUMA = 3.0f, LIMIT_SPREAD = 3.0f, LIMIT_EDGE = .12f;
enum { BAR_LUMA = 24 /* black bars are darker, whatever compression does to them */, GAIN_STRIDE = 3 };

void box_join(struct box *b, const struct box *other)
{
    if (box_empty(other))
        return;
    if (box_empty(b)) {
        *b = *other;
        return;
    }
    b->x0 = fminf(b->x0, other->x0);
    b->y0 = fminf(b->y0, other->y0);
    b->x1 = fmaxf(b->x1, other->x1);
    b->y1 = fmaxf(b->y1, other->y1);
}

/* A thumbnail of 4:3 that shows a frame of another shape has black bars above and below, or at the sides. */
static void cut_bars(struct thumbs *th, const struct locate_input *in)
{
    double shape = (double)in->frame_width / in->frame_height;
    double high = in->width / shape, wide = in->height * shape;
    th->cols = in->width;
    th->rows = in->height;
    if (high < in->height - 1.5) {
        th->top = (uint32_t)ceil((in->height - high) / 2);
        th->rows = in->height - 2 * th->top;
    } else if (wide < in->width - 1.5) {
        th->left = (uint32_t)ceil((in->width - wide) / 2);
        th->cols = in->width - 2 * th->left;
    }
    th->px = (size_t)th->cols * th->rows;
}

/* Bars must be black in every frame: else the thumbnail shows something else than the frame. */
static bool bars_are_black(const struct thumbs *th, const struct locate_input *in)
{
    for (size_t t = 0; t < in->n; t++)
        for (uint32_t row = 0; row < in->height; row++)
            for (uint32_t col = 0; col < in->width; col++) {
                bool bar = row + 1 < th->top || row > th->top + th->rows || col + 1 < th->left ||
                           col > th->left + th->cols;
                if (bar && in->luma[t][(size_t)row * in->width + col] > BAR_LUMA)
                    return false;
            }
    return true;
}

size_t thumbs_sample(const struct thumbs *th, size_t pick[THUMBS_SAMPLE])
{
    size_t take = th->n < THUMBS_SAMPLE ? th->n : THUMBS_SAMPLE;
    for (size_t k = 0; k < take; k++)
        pick[k] = (2 * k + 1) * th->n / (2 * take);
    return take;
}

void thumbs_lanes(const struct thumbs *th, const size_t *pick, size_t n, size_t i, float v[][LANES])
{
    size_t row = i / th->cols, col = i - row * th->cols, here = th->cols - col;
    size_t at = (row + th->top) * th->stride + col + th->left;
    for (size_t k = 0; k < n; k++) {
        const uint8_t *luma = th->luma[pick[k]] + at;
        float gain = th->gain[pick[k]];
        for (size_t lane = 0; lane < LANES; lane++)
            v[k][lane] = (float)luma[lane < here ? lane : here - 1] / gain;
    }
}

/* Median and spread of px i, i + 1 ... of one row; returns of how many. */
static size_t find_scene_lanes(struct thumbs *th, const size_t *pick, size_t n, size_t i)
{
    float v[THUMBS_SAMPLE][LANES], middle[LANES];
    size_t rest = th->cols - i % th->cols, here = rest < LANES ? rest : LANES;
    thumbs_lanes(th, pick, n, i, v);
    lanes_sort(v, n);
    memcpy(middle, v[n / 2], sizeof middle);
    for (size_t k = 0; k < n; k++)
        for (size_t lane = 0; lane < LANES; lane++)
            v[k][lane] = fabsf(v[k][lane] - middle[lane]);
    lanes_sort(v, n);
    for (size_t lane = 0; lane < here; lane++) {
        th->scene[i + lane] = middle[lane];
        th->spread[i + lane] = 1.4826f * v[n / 2][lane];
    }
    return here;
}

static void find_scene(struct thumbs *th)
{
    size_t pick[THUMBS_SAMPLE], n = thumbs_sample(th, pick);
    for (size_t i = 0; i < th->px;)
        i += find_scene_lanes(th, pick, n, i);
}

/* Exposure of every frame: the median ratio to the scene over px that are neither black nor clipped. */
static void find_gains(struct thumbs *th, float *room)
{
    for (size_t t = 0; t < th->n; t++) {
        size_t n = 0;
        float now = th->gain[t];
        for (size_t i = 0; i < th->px; i += GAIN_STRIDE) {
            float y = thumbs_luma(th, t, i) * now;
            if (y > 8 && y < 245 && th->scene[i] > 8 && th->scene[i] < 245)
                room[n++] = y / th->scene[i];
        }
        if (n > 50)
            th->gain[t] = select_nth(room, n, n / 2);
    }
}

static void find_limits(struct thumbs *th, float *room)
{
    memcpy(room, th->spread, th->px * sizeof *room);
    th->noise = select_nth(room, th->px, th->px / 2);
    /* Luma comes in whole steps: a still scene can show a spread of nought. */
    float least = fmaxf(LIMIT_NOISE * fmaxf(th->noise, .5f), LIMIT_LUMA);
    for (uint32_t row = 0; row < th->rows; row++)
        for (uint32_t col = 0; col < th->cols; col++) {
            size_t i = (size_t)row * th->cols + col;
            float right = th->scene[col + 1 < th->cols ? i + 1 : i], left = th->scene[col > 0 ? i - 1 : i];
            float low = th->scene[row + 1 < th->rows ? i + th->cols : i],
                  up = th->scene[row > 0 ? i - th->cols : i];
            th->limit[i] = fmaxf(least, LIMIT_SPREAD * th->spread[i]) +
                           LIMIT_EDGE * .5f * hypotf(right - left, low - up);
        }
}

bool thumbs_open(struct thumbs *th, const struct locate_input *in, bool *odd, struct err *err)
{
    *th = (struct thumbs){.n = in->n, .luma = in->luma, .stride = in->width};
    cut_bars(th, in);
    *odd = th->cols < 32 || th->rows < 32 || !bars_are_black(th, in);
    if (*odd)
        return true;
    th->gain = malloc(in->n * sizeof *th->gain);
    th->scene = malloc(th->px * sizeof *th->scene);
    th->spread = malloc(th->px * sizeof *th->spread);
    th->limit = malloc(th->px * sizeof *th->limit);
    float *room = malloc(th->px * sizeof *room);
    bool ok =
        th->gain != NULL && th->scene != NULL && th->spread != NULL && th->limit != NULL && room != NULL;
    if (ok) {
        for (size_t t = 0; t < in->n; t++)
            th->gain[t] = 1;
        find_scene(th);
        find_gains(th, room);
        find_scene(th);
        find_limits(th, room);
    } else
        err_nomem(err);
    free(room);
    return ok;
}

void thumbs_release(struct thumbs *th)
{
    free(th->gain);
    free(th->scene);
    free(th->spread);
    free(th->limit);
    *th = (struct thumbs){0};
}

void thumbs_shift(const struct thumbs *th, size_t t, float *shift_col, float *shift_row)
{
    double xx = 0, xy = 0, yy = 0, xe = 0, ye = 0;
    for (uint32_t row = 1; row + 1 < th->rows; row++)
        for (uint32_t col = 1; col + 1 < th->cols; col++) {
            size_t i = (size_t)row * th->cols + col;
            float e = thumbs_luma(th, t, i) - th->scene[i];
            float gx = .5f * (th->scene[i + 1] - th->scene[i - 1]),
                  gy = .5f * (th->scene[i + th->cols] - th->scene[i - th->cols]);
            /* What moves by itself differs by more than an edge that shifts by a px. */
            if (fabsf(e) > 2 * th->noise + fabsf(gx) + fabsf(gy) + 1)
                continue;
            xx += (double)(gx * gx);
            xy += (double)(gx * gy);
            yy += (double)(gy * gy);
            xe -= (double)(gx * e);
            ye -= (double)(gy * e);
        }
    double det = xx * yy - xy * xy;
    bool known = det > 1e-3 * xx * yy && xx > 0 && yy > 0;
    *shift_col = known ? (float)((yy * xe - xy * ye) / det) : 0;
    *shift_row = known ? (float)((xx * ye - xy * xe) / det) : 0;
}
