/*
 * exact.c - the exact sums of all cells of a frame: 152 bytes each, where packed ones take nine.
 */
#include "fold.h"

#include <stdlib.h>

struct cells *exact_new(uint32_t width_px, uint32_t height_px, uint32_t cell_px)
{
    struct cells *c = calloc(1, sizeof *c);
    if (c == NULL)
        return NULL;
    c->width_px = width_px;
    c->height_px = height_px;
    c->cell_px = cell_px;
    c->cols = (width_px + c->cell_px - 1) / c->cell_px;
    c->rows = (height_px + c->cell_px - 1) / c->cell_px;
    c->cell = calloc((size_t)c->cols * c->rows, sizeof *c->cell);
    if (c->cell == NULL) {
        free(c);
        return NULL;
    }
    return c;
}

void cells_free(struct cells *cells)
{
    if (cells == NULL)
        return;
    free(cells->cell);
    free(cells);
}

void exact_add_pairs(struct cells *cells, unsigned index, uint32_t row, const struct pair_sums *sums,
                     size_t pairs)
{
    struct cell *cell = cells->cell + (size_t)row * cells->cols;
    size_t step = (cells->cell_px >> index) / 2;
    for (size_t p = 0; p < pairs; p++) {
        struct cell_energy *e = &cell[p / step].at[index];
        e->laplacian += sums->laplacian[p];
        e->laplacian2 += sums->laplacian2[p];
    }
}

void exact_add_samples(struct cells *cells, uint32_t row, const uint16_t *const samples[3], size_t n)
{
    const unsigned index = MEASURE_SCALES - 1;
    struct cell *cell = cells->cell + (size_t)row * cells->cols;
    for (size_t x = 0; x < n; x++) {
        const uint16_t *up = samples[0] + x, *mid = samples[1] + x, *low = samples[2] + x;
        int64_t lap = up[0] + low[0] + mid[-1] + mid[1] - 4 * mid[0];
        struct cell_energy *e = &cell[x / (cells->cell_px >> index)].at[index];
        e->laplacian += lap;
        e->laplacian2 += (uint64_t)(lap * lap);
    }
}

void exact_take_row(struct cells *cells, uint32_t row, const struct cell_row *sums)
{
    struct cell *cell = cells->cell + (size_t)row * cells->cols;
    struct cell_place at = {cells->width_px, cells->height_px, cells->cell_px, 0, row};
    for (; at.col < cells->cols; at.col++, cell++) {
        struct cell taken = cell_of_row(sums, &at);
        for (unsigned i = 1; i < MEASURE_SCALES; i++) {
            taken.at[i].laplacian = cell->at[i].laplacian;
            taken.at[i].laplacian2 = cell->at[i].laplacian2;
        }
        *cell = taken;
    }
}
