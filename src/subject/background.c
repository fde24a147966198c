/* background.c - the empty scene as a temporal median, its spread, and what counts as a change. */
#include "scene.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* The median over the picked frames of each of these cells. */
static void median_of_cells(const struct scene *scene, const size_t *pick, size_t n, const uint32_t *cell,
                            size_t cells, float *median)
{
    float v[SCENE_SAMPLE][SCENE_LANES];
    for (size_t i = 0; i < cells; i += SCENE_LANES) {
        size_t here = cells - i < SCENE_LANES ? cells - i : SCENE_LANES;
        for (size_t k = 0; k < n; k++) {
            const struct grid *grid = scene->grid[pick[k]];
            for (size_t lane = 0; lane < SCENE_LANES; lane++)
                v[k][lane] = grid_luma(grid, cell[lane < here ? i + lane : i]) / scene->gain[pick[k]];
        }
        lanes_sort(v, n);
        memcpy(median + i, v[n / 2], here * sizeof *median);
    }
}

/* Gains against the median of the frames as they are, so that an exposure drift does not blur the median
   that everything else is compared with. One cell of each 2 x 2 is enough for a ratio. */
static bool find_gains(struct scene *scene, struct err *err)
{
    size_t pick[SCENE_SAMPLE], n = scene_sample(scene, pick), cells = 0;
    uint32_t *cell = malloc((scene->cells / 4 + scene->cols + scene->rows + 1) * sizeof *cell);
    float *reference = malloc(scene->cells * sizeof *reference);
    float *plane = malloc(scene->cells * sizeof *plane);
    bool done = cell != NULL && reference != NULL && plane != NULL;
    for (uint32_t r = 0; done && r < scene->rows; r += 2)
        for (uint32_t c = 0; c < scene->cols; c += 2)
            cell[cells++] = r * scene->cols + c;
    for (int round = 0; done && round < 2; round++) {
        median_of_cells(scene, pick, n, cell, cells, reference);
        for (size_t t = 0; t < scene->n; t++) {
            for (size_t i = 0; i < cells; i++)
                plane[i] = grid_luma(scene->grid[t], cell[i]);
            scene->gain[t] = plane_gain(plane, reference, cells);
        }
    }
    free(cell);
    free(reference);
    free(plane);
    return done ? true : err_nomem(err);
}

/* Size and origin of the background that holds all shifted frames. */
static void lay_out(struct scene *scene)
{
    float c0 = 0, c1 = 0, r0 = 0, r1 = 0;
    for (size_t t = 0; t < scene->n; t++) {
        c0 = fmaxf(c0, scene->shift_col[t]);
        c1 = fmaxf(c1, -scene->shift_col[t]);
        r0 = fmaxf(r0, scene->shift_row[t]);
        r1 = fmaxf(r1, -scene->shift_row[t]);
    }
    scene->origin_col = ceilf(c0);
    scene->origin_row = ceilf(r0);
    scene->wide = scene->cols + (uint32_t)ceilf(c0) + (uint32_t)ceilf(c1);
    scene->high = scene->rows + (uint32_t)ceilf(r0) + (uint32_t)ceilf(r1);
}

static void median_of_lanes(struct scene *scene, const size_t *pick, size_t n, size_t i)
{
    float v[SCENE_SAMPLE][SCENE_LANES];
    size_t seen[SCENE_LANES];
    scene_lanes(scene, pick, n, i, v, seen);
    memcpy(scene->background + i, v[n / 2], sizeof v[0]);
    for (size_t k = 0; k < n; k++)
        for (size_t lane = 0; lane < SCENE_LANES; lane++)
            v[k][lane] = fabsf(v[k][lane] - scene->background[i + lane]);
    lanes_sort(v, n);
    for (size_t lane = 0; lane < SCENE_LANES; lane++)
        scene->spread[i + lane] = 1.4826f * v[n / 2][lane];
}

static void median_of_cell(struct scene *scene, const size_t *pick, size_t n, size_t i)
{
    float v[SCENE_SAMPLE];
    size_t seen = scene_gather(scene, pick, n, (uint32_t)(i % scene->wide), (uint32_t)(i / scene->wide), v);
    if (seen < 3) {
        scene->background[i] = -1.0f;
        scene->spread[i] = 0.0f;
        return;
    }
    float middle = select_median(v, seen);
    for (size_t k = 0; k < seen; k++)
        v[k] = fabsf(v[k] - middle);
    scene->background[i] = middle;
    scene->spread[i] = 1.4826f * select_median(v, seen);
}

static void median_and_spread(struct scene *scene)
{
    size_t pick[SCENE_SAMPLE], n = scene_sample(scene, pick), cells = (size_t)scene->wide * scene->high;
    for (size_t i = 0; i < cells;) {
        if (scene_is_plain(scene, n, i)) {
            median_of_lanes(scene, pick, n, i);
            i += SCENE_LANES;
        } else
            median_of_cell(scene, pick, n, i++);
    }
}

/* Variance within a cell that the scene has without a subject. It grows with the byte of the plane, so cell
   for cell the median byte is that of the median. */
static void find_texture(struct scene *scene)
{
    size_t pick[SCENE_SAMPLE], n = scene_sample(scene, pick), cells = (size_t)scene->wide * scene->high;
    if (!scene->registered && n > 0) {
        const struct grid *grid[SCENE_SAMPLE];
        uint8_t byte[256];
        for (size_t k = 0; k < n; k++)
            grid[k] = scene->grid[pick[k]];
        for (size_t i = 0, some; i < cells; i += some) {
            some = cells - i < sizeof byte ? cells - i : sizeof byte;
            grids_median_bytes(grid, n, GRID_VAR, i, some, byte);
            for (size_t k = 0; k < some; k++)
                scene->texture[i + k] = grid_values()[byte[k]];
        }
        return;
    }
    for (size_t i = 0; i < cells; i++) {
        float v[SCENE_SAMPLE];
        size_t seen = 0;
        for (size_t k = 0; k < n; k++) {
            size_t at = scene_cell(scene, pick[k], (uint32_t)(i % scene->wide), (uint32_t)(i / scene->wide));
            if (at != SIZE_MAX)
                v[seen++] = grid_value(scene->grid[pick[k]], GRID_VAR, at);
        }
        scene->texture[i] = select_median(v, seen);
    }
}

bool scene_limits(struct scene *scene, struct err *err)
{
    size_t cells = (size_t)scene->wide * scene->high, seen = 0;
    float *copy = malloc(cells * sizeof *copy);
    if (copy == NULL)
        return err_nomem(err);
    for (size_t i = 0; i < cells; i++)
        if (scene->background[i] >= 0.0f)
            copy[seen++] = scene->spread[i];
    scene->noise = select_median(copy, seen);
    free(copy);
    /* A slope turns the smallest shake into a difference, more so once frames are resampled. */
    float floor = fmaxf(5.0f * scene->noise, 2.5f);
    size_t i = 0;
    for (uint32_t r = 0; r < scene->high; r++)
        for (uint32_t c = 0; c < scene->wide; c++, i++) {
            float shake = scene->registered
                              ? 0.12f * plane_step(scene->background, scene->wide, scene->high, c, r)
                              : 0.03f * plane_slope(scene->background, scene->wide, scene->high, c, r);
            scene->limit[i] = fmaxf(floor, 3.0f * scene->spread[i]) + shake;
        }
    return true;
}

bool scene_background(struct scene *scene, struct err *err)
{
    if (!find_gains(scene, err) || !scene_register(scene, err))
        return false;
    lay_out(scene);
    size_t cells = (size_t)scene->wide * scene->high;
    scene->background = malloc(cells * sizeof *scene->background);
    scene->spread = malloc(cells * sizeof *scene->spread);
    scene->limit = malloc(cells * sizeof *scene->limit);
    scene->texture = malloc(cells * sizeof *scene->texture);
    if (scene->background == NULL || scene->spread == NULL || scene->limit == NULL || scene->texture == NULL)
        return err_nomem(err);
    median_and_spread(scene);
    find_texture(scene);
    return scene_limits(scene, err);
}
