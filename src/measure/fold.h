/* fold.h - from sums of units, pairs and samples to sums of cells, one row of cells at a time. */
#ifndef MEASURE_FOLD_H
#define MEASURE_FOLD_H

#include "kernels.h"

/* What a row of cells adds up to: one entry a cell. */
struct cell_row {
    void *memory;
    struct fine_sums *fine;
    uint32_t *clipped;
    uint64_t *gradient2[MEASURE_SCALES]; /* of scales 2, 4 and 8; that of scale 1 is in `fine` */
};

/* False when memory ran out. Release with free(row->memory). */
bool cell_row_alloc(struct cell_row *row, uint32_t cols);
/* Noughts the sums that are added to by several bands. */
void cell_row_clear(struct cell_row *row, uint32_t cols);

/* `step` entries a cell; the last cell takes what is left. Sums of units are overwritten, the others added
 * to.
 */
void fold_units(const struct fine_sums *unit, size_t units, size_t step, struct fine_sums *cell);
void fold_counts(const uint32_t *unit, size_t units, size_t step, uint32_t *cell);
void fold_pairs(const uint32_t *pair, size_t pairs, size_t step, uint64_t *cell);
void fold_samples(const uint32_t *gx2, const uint32_t *gy2, size_t samples, size_t step, uint64_t *cell);

/* Where a cell is in a picture. */
struct cell_place {
    uint32_t width_px, height_px, cell_px, col, row;
};
/* How many samples of a scale (0..3 for 1, 2, 4, 8) the cell number `at` has along a side of `length_px`. */
uint32_t cell_samples(uint32_t length_px, uint32_t cell_px, uint32_t at, unsigned index);

/* Cell number `col` of row number `row`, but for the Laplacians, of which only the squares of scale 1 are
 * there. */
struct cell cell_of_row(const struct cell_row *sums, const struct cell_place *at);

/* The exact sums of cells, which tests and studies read. NULL when memory ran out. */
struct cells *exact_new(uint32_t width_px, uint32_t height_px, uint32_t cell_px);
/* Adds the Laplacians of a band (rows as the kernels take them) to a row of cells: of scale 1, whose squares
   the kernels add up, and of another scale. */
void exact_add8(struct cells *cells, uint32_t row_of_cells, const uint8_t *const *row, uint32_t rows,
                size_t width);
void exact_add16(struct cells *cells, unsigned index, uint32_t row_of_cells, const uint16_t *const *row,
                 uint32_t rows, size_t width);
/* Takes over the other sums of a row of cells that is complete. */
void exact_take_row(struct cells *cells, uint32_t row, const struct cell_row *sums);

#endif
