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

/* Laplacian at the middle of three rows. */
#define LAPLACIAN(up, mid, low) ((up)[0] + (low)[0] + (mid)[-1] + (mid)[1] - 4 * (mid)[0])

void exact_add8(struct cells *cells, uint32_t row_of_cells, const uint8_t *const *row, uint32_t rows,
                size_t width)
{
    struct cell *cell = cells->cell + (size_t)row_of_cells * cells->cols;
    for (uint32_t r = 1; r <= rows; r++)
        for (size_t x = 0; x < width; x++)
            cell[x / cells->cell_px].at[0].laplacian += LAPLACIAN(row[r - 1] + x, row[r] + x, row[r + 1] + x);
}

void exact_add16(struct cells *cells, unsigned index, uint32_t row_of_cells, const uint16_t *const *row,
                 uint32_t rows, size_t width)
{
    struct cell *cell = cells->cell + (size_t)row_of_cells * cells->cols;
    size_t samples = cells->cell_px >> index; /* a side of a cell */
    for (uint32_t r = 1; r <= rows; r++)
        for (size_t x = 0; x < width; x++) {
            struct cell_energy *e = &cell[x / samples].at[index];
            int64_t laplacian = LAPLACIAN(row[r - 1] + x, row[r] + x, row[r + 1] + x);
            e->laplacian += laplacian;
            e->laplacian2 += (uint64_t)(laplacian * laplacian);
        }
}

void exact_take_row(struct cells *cells, uint32_t row, const struct cell_row *sums)
{
    struct cell *cell = cells->cell + (size_t)row * cells->cols;
    struct cell_place at = {cells->width_px, cells->height_px, cells->cell_px, 0, row};
    for (; at.col < cells->cols; at.col++, cell++) {
        struct cell taken = cell_of_row(sums, &at);
        taken.at[0].laplacian = cell->at[0].laplacian;
        for (unsigned i = 1; i < MEASURE_SCALES; i++) {
            taken.at[i].laplacian = cell->at[i].laplacian;
            taken.at[i].laplacian2 = cell->at[i].laplacian2;
        }
        *cell = taken;
    }
}
