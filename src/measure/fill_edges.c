/*
 * fill_edges.c - was the part that was decoded large enough?
 *
 * A subject that reaches the outermost cells of a part may go on beyond them. Those cells are compared with
 * the still scene: two changed ones side by side count, one alone is noise.
 */
#include <math.h>
#include <stdlib.h>

#include "fill.h"

static const float LIMIT_NOISE = 6.0f, LIMIT_LUMA = 4.0f, LIMIT_EDGE = .15f, LIMIT_SPREAD = 1.5f;

/* How far the scene itself may be from its median at a cell: noise, what keeps moving in it, and an edge that
   trembles. */
static float limit_at(const struct fill_scene *s, uint32_t cols, uint32_t rows, uint32_t col, uint32_t row)
{
    uint8_t sample[FILL_KEYS];
    size_t n = fill_samples(s, col, row, sample), i = (size_t)row * cols + col;
    float low = INFINITY, high = -INFINITY;
    for (size_t k = 0; k < n; k++) {
        const struct fill_key *key = &s->key[sample[k]];
        float y = (float)key->grid->luma[i] / key->gain;
        low = fminf(low, y);
        high = fmaxf(high, y);
    }
    float right = s->luma[col + 1 < cols ? i + 1 : i] - s->luma[col > 0 ? i - 1 : i];
    float down = s->luma[row + 1 < rows ? i + cols : i] - s->luma[row > 0 ? i - cols : i];
    float noise = fmaxf(LIMIT_NOISE * s->noise[fill_bin(s->luma[i])], LIMIT_LUMA * FILL_LUMA_STEPS);
    return fmaxf(noise, LIMIT_SPREAD * (high - low)) + LIMIT_EDGE * hypotf(right, down) * .5f;
}

static bool changed(const struct fill_scene *s, const struct grid_part *part, uint32_t col, uint32_t row)
{
    const struct grid_window *w = &part->window;
    size_t from = (size_t)(row - w->row) * w->cols + (col - w->col), i = (size_t)row * part->cols + col;
    return fabsf((float)part->luma[from] / part->gain - s->luma[i]) >
           limit_at(s, part->cols, part->rows, col, row);
}

/* A line of cells along an edge: n cells from (col, row), going right or down. */
static bool line_touched(const struct fill_scene *s, const struct grid_part *part, uint32_t col, uint32_t row,
                         uint32_t n, bool down)
{
    bool before = false;
    for (uint32_t k = 0; k < n; k++) {
        bool here = changed(s, part, down ? col : col + k, down ? row + k : row);
        if (here && before)
            return true;
        before = here;
    }
    return false;
}

/* An edge of the part that is also the edge of the frame hides nothing. */
static bool edges_touched(const struct fill_scene *s, const struct grid_part *part)
{
    const struct grid_window *w = &part->window;
    if (w->cols == 0)
        return false;
    uint32_t right = w->col + w->cols, lower = w->row + w->rows;
    return (w->col > 0 && line_touched(s, part, w->col, w->row, w->rows, true)) ||
           (right < part->cols && line_touched(s, part, right - 1, w->row, w->rows, true)) ||
           (w->row > 0 && line_touched(s, part, w->col, w->row, w->cols, false)) ||
           (lower < part->rows && line_touched(s, part, w->col, lower - 1, w->cols, false));
}

bool grids_edges(const struct fill_input *input, bool *touched, struct err *err)
{
    struct fill_scene scene;
    bool ok = fill_scene_open(&scene, input, err);
    for (size_t t = 0; ok && t < input->n; t++)
        touched[t] = input->part[t] != NULL && edges_touched(&scene, input->part[t]);
    fill_scene_release(&scene);
    return ok;
}
