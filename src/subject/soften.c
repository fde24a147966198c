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
#include <string.h>

static const float NOISY = 1.0f; /* luma of a cell mean: five times that is more than faint plumage shows */
static const float CORRELATED = 2.7f; /* times what white noise would leave; see noise_of */
enum { PAIRS = 5 };

/* How often each value was seen. Cell means are whole numbers of 1/128, so what is counted is exact. */
enum { LUMA_MOST = UINT16_MAX, COUNTS = 2 * LUMA_MOST + 1 };

/* The value that k of those counted lie below. */
static size_t count_nth(const uint32_t *count, size_t k)
{
    size_t value = 0;
    for (size_t below = count[0]; below <= k; below += count[value])
        value++;
    return value;
}

/* The same of their distances from `middle`. */
static size_t count_nth_from(const uint32_t *count, size_t middle, size_t k)
{
    size_t far = 0;
    for (size_t below = count[middle]; below <= k;) {
        far++;
        below += far <= middle ? count[middle - far] : 0;
        below += middle + far < COUNTS ? count[middle + far] : 0;
    }
    return far;
}

/* Immerkaer (1996): the difference of two Laplacians, which leaves out slopes and edges alike. Of white noise
   it has six times the deviation; the median keeps to where there is no texture. */
static float noise_in_space(const struct grid *g, uint32_t *count)
{
    size_t n = 0, cols = g->cols;
    memset(count, 0, COUNTS * sizeof *count);
    for (uint32_t r = 1; r + 1 < g->rows; r++)
        for (uint32_t c = 1; c + 1 < g->cols; c++, n++) {
            const uint16_t *p = g->luma + (size_t)r * cols + c, *up = p - cols, *low = p + cols;
            int d = up[-1] + up[1] + low[-1] + low[1] + 4 * p[0] - 2 * (up[0] + low[0] + p[-1] + p[1]);
            size_t size = (size_t)abs(d);
            count[size < COUNTS ? size : COUNTS - 1]++; /* beyond: no noise is that large */
        }
    return 1.4826f * ((float)count_nth(count, n / 2) / 128.0f) / 6.0f;
}

/* Of the difference to the next frame, whatever the exposure did. */
static float noise_in_time(const struct grid *a, const struct grid *b, size_t cells, uint32_t *count)
{
    memset(count, 0, COUNTS * sizeof *count);
    for (size_t i = 0; i < cells; i++)
        count[LUMA_MOST + b->luma[i] - a->luma[i]]++;
    size_t far = count_nth_from(count, count_nth(count, cells / 2), cells / 2);
    return 1.4826f * ((float)far / 128.0f) / sqrtf(2.0f);
}

/* What the noise of pixels in calm cells leaves in their means, were it white. The values of the plane grow
   with its bytes. */
static float noise_in_cells(const struct grid *g, size_t cells, uint32_t *count)
{
    uint8_t byte[256];
    memset(count, 0, (UINT8_MAX + 1) * sizeof *count);
    for (size_t i = 0, n; i < cells; i += n) {
        n = cells - i < sizeof byte ? cells - i : sizeof byte;
        grid_bytes(g, GRID_VAR, i, n, byte);
        for (size_t k = 0; k < n; k++)
            count[byte[k]]++;
    }
    return sqrtf(grid_values()[count_nth(count, cells / 4)]) / (float)g->cell_px;
}

/* Texture speaks in space, a camera or waves that move speak in time, and grass before a moving camera in
   both. Noise speaks in both, and its pixels account for it: demosaicing and denoising make it coarser,
   hardly more than CORRELATED times. 0 where it is not noise. */
static float noise_of(const struct scene *scene, uint32_t *count)
{
    float noise[PAIRS];
    size_t n = scene->n - 1 < PAIRS ? scene->n - 1 : PAIRS;
    for (size_t k = 0; k < n; k++) {
        size_t t = (2 * k + 1) * (scene->n - 1) / (2 * n);
        noise[k] = fminf(noise_in_space(scene->grid[t], count),
                         noise_in_time(scene->grid[t], scene->grid[t + 1], scene->cells, count));
        if (noise[k] > CORRELATED * noise_in_cells(scene->grid[t], scene->cells, count))
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
    uint32_t *count = malloc(COUNTS * sizeof *count);
    if (count == NULL)
        return err_nomem(err);
    bool noisy = noise_of(scene, count) > NOISY;
    free(count);
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
