/*
 * soften.c - very noisy bursts are looked at through softened cells.
 *
 * A change must exceed five times the noise of a cell before it is believed, and at the highest sensitivities
 * that is more than a dim bird differs by: its outline breaks up, or nothing of it is left. The mean over 3 x
 * 3 cells with weights 1 2 1 has three eighths of the noise, and a bird is wider than three cells. What it
 * costs is half a cell of outline, so bursts with little noise stay as they are.
 */
#include "scene.h"

#include <math.h>
#include <stdlib.h>

static const float NOISY = 1.0f; /* luma of a cell mean: five times that is more than faint plumage shows */
static const float CORRELATED = 2.7f; /* times what white noise would leave; see noise_of */
enum { PAIRS = 5 };

/* Immerkaer (1996): the difference of two Laplacians, which leaves out slopes and edges alike. Of white noise
   it has six times the deviation; the median keeps to where there is no texture. */
static float noise_in_space(const struct grid *g, float *v)
{
    size_t n = 0, cols = g->cols;
    for (uint32_t r = 1; r + 1 < g->rows; r++)
        for (uint32_t c = 1; c + 1 < g->cols; c++) {
            const uint16_t *p = g->luma + (size_t)r * cols + c, *up = p - cols, *low = p + cols;
            int d = up[-1] + up[1] + low[-1] + low[1] + 4 * p[0] - 2 * (up[0] + low[0] + p[-1] + p[1]);
            v[n++] = (float)abs(d) / 128.0f;
        }
    return 1.4826f * select_median(v, n) / 6.0f;
}

/* Of the difference to the next frame, whatever the exposure did. */
static float noise_in_time(const struct grid *a, const struct grid *b, size_t cells, float *v)
{
    for (size_t i = 0; i < cells; i++)
        v[i] = grid_luma(b, i) - grid_luma(a, i);
    float middle = select_median(v, cells);
    for (size_t i = 0; i < cells; i++)
        v[i] = fabsf(v[i] - middle);
    return 1.4826f * select_median(v, cells) / sqrtf(2.0f);
}

/* What the noise of pixels in calm cells leaves in their means, were it white. */
static float noise_in_cells(const struct scene *scene, const struct grid *g, float *v)
{
    for (size_t i = 0; i < scene->cells; i++)
        v[i] = grid_value(g, GRID_VAR, i);
    return sqrtf(select_nth(v, scene->cells, scene->cells / 4)) / (float)g->cell_px;
}

/* Texture speaks in space, a camera or waves that move speak in time, and grass before a moving camera in
   both. Noise speaks in both, and its pixels account for it: demosaicing and denoising make it coarser,
   hardly more than CORRELATED times. 0 where it is not noise. */
static float noise_of(const struct scene *scene, float *v)
{
    float noise[PAIRS];
    size_t n = scene->n - 1 < PAIRS ? scene->n - 1 : PAIRS;
    for (size_t k = 0; k < n; k++) {
        size_t t = (2 * k + 1) * (scene->n - 1) / (2 * n);
        noise[k] = fminf(noise_in_space(scene->grid[t], v),
                         noise_in_time(scene->grid[t], scene->grid[t + 1], scene->cells, v));
        if (noise[k] > CORRELATED * noise_in_cells(scene, scene->grid[t], v))
            noise[k] = 0;
    }
    return select_median(noise, n);
}

static void soften(const struct grid *in, uint16_t *out)
{
    for (uint32_t r = 0; r < in->rows; r++) {
        const uint16_t *row = in->luma + (size_t)r * in->cols;
        const uint16_t *up = r > 0 ? row - in->cols : row, *low = r + 1 < in->rows ? row + in->cols : row;
        for (uint32_t c = 0; c < in->cols; c++) {
            uint32_t a = c > 0 ? c - 1 : c, b = c + 1 < in->cols ? c + 1 : c;
            uint32_t sum = 4u * row[c] + 2u * ((uint32_t)row[a] + row[b] + up[c] + low[c]);
            sum += (uint32_t)up[a] + up[b] + low[a] + low[b];
            out[(size_t)r * in->cols + c] = (uint16_t)((sum + 8) / 16);
        }
    }
}

bool scene_soften(struct scene *scene, struct err *err)
{
    if (scene->n < SCENE_MIN_FRAMES || scene->cols < 3 || scene->rows < 3)
        return true;
    float *v = malloc(scene->cells * sizeof *v);
    if (v == NULL)
        return err_nomem(err);
    bool noisy = noise_of(scene, v) > NOISY;
    free(v);
    if (!noisy)
        return true;
    scene->soft = calloc(scene->n, sizeof *scene->soft);
    scene->soft_luma = malloc(scene->n * scene->cells * sizeof *scene->soft_luma);
    if (scene->soft == NULL || scene->soft_luma == NULL)
        return err_nomem(err);
    for (size_t t = 0; t < scene->n; t++) {
        uint16_t *luma = scene->soft_luma + t * scene->cells;
        soften(scene->grid[t], luma);
        scene->soft[t] = *scene->grid[t];
        scene->soft[t].luma = luma;
        scene->grid[t] = &scene->soft[t];
    }
    return true;
}
