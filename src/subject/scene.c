/* scene.c - the frames of a burst as gain-corrected luma planes over one background. */
#include "scene.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static bool take_grids(struct scene *scene, const struct subject_input *input, struct err *err)
{
    const struct grid *first = NULL;
    for (size_t i = 0; i < input->n; i++) {
        const struct grid *grid = input->grid[i];
        if (grid == NULL)
            continue;
        if (first == NULL)
            first = grid;
        if (grid->cols != first->cols || grid->rows != first->rows || grid->cell_px != first->cell_px)
            return err_set(err, ERR_FORMAT, "frames of one burst differ in size: %ux%u and %ux%u cells",
                           first->cols, first->rows, grid->cols, grid->rows);
        scene->index[scene->n] = i;
        scene->time_s[scene->n] = (double)(input->time_ns[i] - input->time_ns[0]) * 1e-9;
        scene->grid[scene->n++] = grid;
    }
    if (first == NULL)
        return true;
    scene->cols = first->cols;
    scene->rows = first->rows;
    scene->cells = (size_t)first->cols * first->rows;
    scene->unit = (float)(first->cols > first->rows ? first->cols : first->rows) / 250.0f;
    return true;
}

bool scene_open(struct scene *scene, const struct subject_input *input, struct err *err)
{
    *scene = (struct scene){.unit = 1.0f};
    size_t room = input->n > 0 ? input->n : 1;
    scene->grid = calloc(room, sizeof *scene->grid);
    scene->index = calloc(room, sizeof *scene->index);
    scene->time_s = calloc(room, sizeof *scene->time_s);
    scene->gain = calloc(room, sizeof *scene->gain);
    scene->shift_col = calloc(room, sizeof *scene->shift_col);
    scene->shift_row = calloc(room, sizeof *scene->shift_row);
    if (scene->grid == NULL || scene->index == NULL || scene->time_s == NULL || scene->gain == NULL ||
        scene->shift_col == NULL || scene->shift_row == NULL)
        return err_nomem(err);
    for (size_t i = 0; i < room; i++)
        scene->gain[i] = 1.0f;
    scene->ignore = input->ignore;
    return take_grids(scene, input, err);
}

void scene_release(struct scene *scene)
{
    free(scene->grid);
    free(scene->soft);
    free(scene->soft_luma);
    free(scene->index);
    free(scene->time_s);
    free(scene->gain);
    free(scene->shift_col);
    free(scene->shift_row);
    free(scene->background);
    free(scene->spread);
    free(scene->limit);
    free(scene->texture);
    free(scene->restless);
    *scene = (struct scene){0};
}

size_t scene_sample(const struct scene *scene, size_t pick[SCENE_SAMPLE])
{
    size_t n = scene->n < SCENE_SAMPLE ? scene->n : SCENE_SAMPLE;
    for (size_t k = 0; k < n; k++)
        pick[k] = (2 * k + 1) * scene->n / (2 * n);
    return n;
}

void scene_frame(const struct scene *scene, size_t t, float *plane)
{
    const struct grid *grid = scene->grid[t];
    float scale = 1.0f / scene->gain[t];
    for (size_t i = 0; i < scene->cells; i++)
        plane[i] = grid_luma(grid, i) * scale;
}

/* Weights of the four cells about a place between the middle two. Bilinear would take a good part of the
   detail away, more so the farther from a cell's middle: what is left of it passes for change (Keys 1981,
   Cubic convolution interpolation for digital image processing, a = -1/2). */
static void cubic(float f, float w[4])
{
    float f2 = f * f, f3 = f2 * f;
    w[0] = -0.5f * f3 + f2 - 0.5f * f;
    w[1] = 1.5f * f3 - 2.5f * f2 + 1.0f;
    w[2] = -1.5f * f3 + 2.0f * f2 + 0.5f * f;
    w[3] = 0.5f * f3 - 0.5f * f2;
}

float scene_luma_at(const struct scene *scene, size_t t, float c, float r)
{
    uint32_t cols = scene->cols, rows = scene->rows;
    if (!(c >= 0.0f && r >= 0.0f && c <= (float)(cols - 1) && r <= (float)(rows - 1)))
        return -1.0f;
    uint32_t c0 = (uint32_t)c, r0 = (uint32_t)r;
    uint32_t c1 = c0 + 1 < cols ? c0 + 1 : c0, r1 = r0 + 1 < rows ? r0 + 1 : r0;
    const struct grid *g = scene->grid[t];
    float fc = c - (float)c0, fr = r - (float)r0;
    if (c0 > 0 && r0 > 0 && c0 + 2 < cols && r0 + 2 < rows) {
        float wc[4], wr[4], sum = 0;
        cubic(fc, wc);
        cubic(fr, wr);
        for (uint32_t y = 0; y < 4; y++) {
            size_t at = (size_t)(r0 - 1 + y) * cols + c0 - 1;
            sum += wr[y] * (wc[0] * grid_luma(g, at) + wc[1] * grid_luma(g, at + 1) +
                            wc[2] * grid_luma(g, at + 2) + wc[3] * grid_luma(g, at + 3));
        }
        return fmaxf(sum / scene->gain[t], 0);
    }
    size_t top = (size_t)r0 * cols, low = (size_t)r1 * cols;
    float upper = grid_luma(g, top + c0) * (1.0f - fc) + grid_luma(g, top + c1) * fc;
    float lower = grid_luma(g, low + c0) * (1.0f - fc) + grid_luma(g, low + c1) * fc;
    return (upper + fr * (lower - upper)) / scene->gain[t];
}

void scene_frame_from(const struct scene *scene, size_t u, size_t t, const float *fill, float *plane)
{
    float dc = scene->shift_col[u] - scene->shift_col[t], dr = scene->shift_row[u] - scene->shift_row[t];
    if (dc == 0.0f && dr == 0.0f) {
        scene_frame(scene, u, plane);
        return;
    }
    size_t i = 0;
    for (uint32_t r = 0; r < scene->rows; r++)
        for (uint32_t c = 0; c < scene->cols; c++, i++) {
            float y = scene_luma_at(scene, u, (float)c + dc, (float)r + dr);
            plane[i] = y < 0.0f ? fill[i] : y;
        }
}

/* Bilinear; `near` where one of the four is not seen. */
static float background_between(const struct scene *scene, float c, float r, float near)
{
    uint32_t c0 = (uint32_t)fmaxf(c, 0), r0 = (uint32_t)fmaxf(r, 0);
    uint32_t c1 = c0 + 1 < scene->wide ? c0 + 1 : c0, r1 = r0 + 1 < scene->high ? r0 + 1 : r0;
    const float *top = scene->background + (size_t)r0 * scene->wide;
    const float *low = scene->background + (size_t)r1 * scene->wide;
    if (top[c0] < 0 || top[c1] < 0 || low[c0] < 0 || low[c1] < 0)
        return near;
    if (c0 > 0 && r0 > 0 && c0 + 2 < scene->wide && r0 + 2 < scene->high) {
        float wc[4], wr[4], sum = 0;
        bool all = true;
        cubic(c - (float)c0, wc);
        cubic(r - (float)r0, wr);
        for (uint32_t y = 0; y < 4; y++)
            for (uint32_t x = 0; x < 4; x++) {
                float v = scene->background[(size_t)(r0 - 1 + y) * scene->wide + c0 - 1 + x];
                all = all && v >= 0.0f;
                sum += wr[y] * wc[x] * v;
            }
        if (all)
            return fmaxf(sum, 0);
    }
    return plane_at(scene->background, scene->wide, scene->high, c, r, near);
}

void scene_background_at(const struct scene *scene, size_t t, const float *fill, float *plane, float *limit)
{
    size_t i = 0;
    if (!scene->registered) {
        memcpy(plane, scene->background, scene->cells * sizeof *plane);
        if (limit != NULL)
            memcpy(limit, scene->limit, scene->cells * sizeof *limit);
        return;
    }
    float dc = scene->origin_col - scene->shift_col[t], dr = scene->origin_row - scene->shift_row[t];
    for (uint32_t r = 0; r < scene->rows; r++)
        for (uint32_t c = 0; c < scene->cols; c++, i++) {
            float sc = (float)c + dc, sr = (float)r + dr;
            long nc = lroundf(sc), nr = lroundf(sr);
            bool in = nc >= 0 && nr >= 0 && nc < (long)scene->wide && nr < (long)scene->high;
            size_t near = in ? (size_t)nr * scene->wide + (size_t)nc : 0;
            bool seen = in && scene->background[near] >= 0.0f;
            plane[i] = seen ? background_between(scene, sc, sr, scene->background[near]) : fill[i];
            if (limit != NULL)
                limit[i] = seen ? scene->limit[near] : INFINITY;
        }
}

void scene_plane_at(const struct scene *scene, size_t t, const float *plane, float outside, float *out)
{
    size_t i = 0;
    if (!scene->registered) { /* cell for cell */
        memcpy(out, plane, scene->cells * sizeof *out);
        return;
    }
    for (uint32_t r = 0; r < scene->rows; r++)
        for (uint32_t c = 0; c < scene->cols; c++, i++) {
            long sc = lroundf((float)c + scene->origin_col - scene->shift_col[t]);
            long sr = lroundf((float)r + scene->origin_row - scene->shift_row[t]);
            bool in = sc >= 0 && sr >= 0 && sc < (long)scene->wide && sr < (long)scene->high;
            out[i] = in ? plane[(size_t)sr * scene->wide + (size_t)sc] : outside;
        }
}

size_t scene_gather(const struct scene *scene, const size_t *pick, size_t n, uint32_t c, uint32_t r, float *v)
{
    size_t seen = 0;
    for (size_t k = 0; k < n; k++) {
        size_t t = pick[k];
        if (scene->covered != NULL) {
            size_t at = scene_cell(scene, t, c, r);
            if (at == SIZE_MAX || scene->covered[t * scene->cells + at])
                continue;
        }
        float y = !scene->registered
                      ? grid_luma(scene->grid[t], (size_t)r * scene->cols + c) / scene->gain[t]
                      : scene_luma_at(scene, t, (float)c - scene->origin_col + scene->shift_col[t],
                                      (float)r - scene->origin_row + scene->shift_row[t]);
        if (y >= 0.0f)
            v[seen++] = y;
    }
    return seen;
}

size_t scene_cell(const struct scene *scene, size_t t, uint32_t c, uint32_t r)
{
    if (!scene->registered)
        return (size_t)r * scene->cols + c;
    long fc = lroundf((float)c - scene->origin_col + scene->shift_col[t]);
    long fr = lroundf((float)r - scene->origin_row + scene->shift_row[t]);
    if (fc < 0 || fr < 0 || fc >= (long)scene->cols || fr >= (long)scene->rows)
        return SIZE_MAX;
    return (size_t)fr * scene->cols + (size_t)fc;
}

bool scene_is_ignored(const struct scene *scene, uint32_t c, uint32_t r)
{
    long fc = lroundf((float)c - scene->origin_col), fr = lroundf((float)r - scene->origin_row);
    return scene->ignore != NULL && fc >= 0 && fr >= 0 && fc < (long)scene->cols && fr < (long)scene->rows &&
           scene->ignore[(size_t)fr * scene->cols + (size_t)fc];
}

void scene_clear_ignored(const struct scene *scene, size_t t, uint8_t *mask)
{
    if (scene->ignore == NULL)
        return;
    for (uint32_t r = 0; r < scene->rows; r++)
        for (uint32_t c = 0; c < scene->cols; c++) {
            long sc = lroundf((float)c - scene->shift_col[t]), sr = lroundf((float)r - scene->shift_row[t]);
            bool in = sc >= 0 && sr >= 0 && sc < (long)scene->cols && sr < (long)scene->rows;
            if (in && scene->ignore[(size_t)sr * scene->cols + (size_t)sc])
                mask[(size_t)r * scene->cols + c] = 0;
        }
}

bool scene_is_restless(const struct scene *scene, size_t t, uint32_t c, uint32_t r)
{
    if (scene->restless == NULL)
        return false;
    long sc = lroundf((float)c + scene->origin_col - scene->shift_col[t]);
    long sr = lroundf((float)r + scene->origin_row - scene->shift_row[t]);
    return sc >= 0 && sr >= 0 && sc < (long)scene->wide && sr < (long)scene->high &&
           scene->restless[(size_t)sr * scene->wide + (size_t)sc];
}
