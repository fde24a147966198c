/*
 * fill_sharp.c - a first idea of how sharp each decoded frame is, for saying which to decode next.
 *
 * Blur takes fine gradients before coarse ones, so their ratio over the largest thing that stands out of the
 * scene falls with it, whatever the contrast. Ranking looks closer: this only has to rise towards the top.
 */
#include <math.h>
#include <stdlib.h>

#include "things.h"

static const float CALM = .1f;  /* share of the cells of a key that show its noise and hardly anything else */
static const float LEAST = .1f; /* squared luma: coarse gradients below it are none */
enum { FEW_CELLS = 9 };         /* a smaller thing tells nothing */

struct noise {
    float fine, next; /* of G1 and G2 */
};

static float calm_value(const struct grid *g, enum grid_plane plane)
{
    size_t count[256] = {0}, n = (size_t)g->cols * g->rows, below = 0;
    for (size_t i = 0; i < n; i++)
        count[g->plane[plane][i]]++;
    int byte = 0;
    while (byte < 255 && (float)(below += count[byte]) < CALM * (float)n)
        byte++;
    return grid_values()[byte];
}

/* The planes of the cell at (col, row) of frame t, which was decoded. */
static float value_at(const struct things *things, size_t t, enum grid_plane plane, uint32_t col,
                      uint32_t row)
{
    const struct grid_part *part = things->input->part[t];
    if (part == NULL)
        return grid_value(things->input->whole[t], plane, (size_t)row * things->cols + col);
    const struct grid_window *w = &part->window;
    return grid_values()[part->plane[plane][(size_t)(row - w->row) * w->cols + (col - w->col)]];
}

/* Cells whose neighbours belong to the thing too: its outline is as sharp as what is behind it. */
static bool inner(const struct things *things, const struct grid_window *w, uint32_t i)
{
    uint32_t col = i % w->cols, row = i / w->cols;
    const uint8_t *m = things->mask;
    return col > 0 && row > 0 && col + 1 < w->cols && row + 1 < w->rows && m[i - 1] && m[i + 1] &&
           m[i - w->cols] && m[i + w->cols];
}

static float sharpness(const struct things *things, size_t t, const struct grid_window *w, size_t cells,
                       const struct noise *noise)
{
    float fine = 0, coarse = 0;
    size_t n = 0;
    for (size_t k = 0; k < cells; k++) {
        uint32_t i = things->stack[k], col = w->col + i % w->cols, row = w->row + i / w->cols;
        if (!inner(things, w, i))
            continue;
        fine += fmaxf(value_at(things, t, GRID_G1, col, row) - noise->fine, 0) +
                fmaxf(value_at(things, t, GRID_G2, col, row) - noise->next, 0);
        coarse += value_at(things, t, GRID_G4, col, row) + value_at(things, t, GRID_G8, col, row);
        n++;
    }
    return n >= FEW_CELLS ? fine / (coarse + LEAST * (float)n) : NAN;
}

static float look_at(struct things *things, size_t t, const struct grid_window *w, const struct noise *noise)
{
    size_t largest = 0;
    uint32_t start = 0;
    things_mark(things, t, w);
    for (uint32_t i = 0; i < w->cols * w->rows; i++) {
        if (things->mask[i] != 1)
            continue;
        struct thing thing = things_take(things, w, i);
        if (thing.cells > largest) {
            largest = thing.cells;
            start = i;
        }
    }
    if (largest < FEW_CELLS)
        return NAN;
    things_mark(things, t, w);
    (void)things_take(things, w, start);
    return sharpness(things, t, w, largest, noise);
}

bool grids_sharpness(const struct fill_input *input, float *score, struct err *err)
{
    struct things things;
    bool ok = things_open(&things, input, err);
    struct noise noise = {0};
    if (ok) {
        noise.fine = calm_value(things.scene.key[0].grid, GRID_G1);
        noise.next = calm_value(things.scene.key[0].grid, GRID_G2);
    }
    for (size_t t = 0; ok && t < input->n; t++) {
        const struct grid_window *w = input->part[t] != NULL    ? &input->part[t]->window
                                      : input->whole[t] != NULL ? &input->subject_of_whole[t]
                                                                : NULL;
        score[t] = w != NULL && w->cols > 0 ? look_at(&things, t, w, &noise) : NAN;
    }
    things_release(&things);
    return ok;
}
