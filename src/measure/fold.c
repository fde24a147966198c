/*
 * fold.c - sums of bands to sums of cells.
 */
#include "fold.h"

#include <stdlib.h>
#include <string.h>

bool cell_row_alloc(struct cell_row *row, uint32_t cols)
{
    size_t coarse = (MEASURE_SCALES - 1) * sizeof(uint64_t);
    uint8_t *at = calloc(cols, sizeof(struct fine_sums) + coarse + sizeof(uint32_t));
    row->memory = at;
    if (at == NULL)
        return false;
    row->fine = (struct fine_sums *)(void *)at;
    uint64_t *gradient2 = (uint64_t *)(void *)(row->fine + cols);
    row->gradient2[0] = NULL;
    for (size_t i = 1; i < MEASURE_SCALES; i++)
        row->gradient2[i] = gradient2 + (i - 1) * cols;
    row->clipped = (uint32_t *)(void *)(gradient2 + (MEASURE_SCALES - 1) * cols);
    return true;
}

void cell_row_clear(struct cell_row *row, uint32_t cols)
{
    memset(row->gradient2[1], 0, (MEASURE_SCALES - 1) * sizeof(uint64_t) * cols);
}

static size_t least(size_t a, size_t b)
{
    return a < b ? a : b;
}

void fold_units(const struct fine_sums *unit, size_t units, size_t step, struct fine_sums *cell)
{
    for (size_t u = 0; u < units; u += step, cell++) {
        struct fine_sums s = unit[u];
        for (size_t i = u + 1; i < least(u + step, units); i++) {
            s.luma += unit[i].luma;
            s.luma2 += unit[i].luma2;
            s.laplacian2 += unit[i].laplacian2;
            s.gradient2 += unit[i].gradient2;
        }
        *cell = s;
    }
}

void fold_counts(const uint32_t *unit, size_t units, size_t step, uint32_t *cell)
{
    for (size_t u = 0; u < units; u += step, cell++) {
        *cell = unit[u];
        for (size_t i = u + 1; i < least(u + step, units); i++)
            *cell += unit[i];
    }
}

/* Cells of `step` entries each. Inlined where the step is a constant, so that no loop is left of the inner
 * one.
 */
static inline __attribute__((always_inline)) void add_pairs(const uint32_t *pair, size_t cells, size_t step,
                                                            uint64_t *cell)
{
    for (size_t c = 0; c < cells; c++, pair += step) {
        uint64_t sum = 0;
        for (size_t i = 0; i < step; i++)
            sum += pair[i];
        cell[c] += sum;
    }
}

void fold_pairs(const uint32_t *pair, size_t pairs, size_t step, uint64_t *cell)
{
    size_t whole = pairs / step;
    if (step == 2)
        add_pairs(pair, whole, 2, cell);
    else if (step == 4)
        add_pairs(pair, whole, 4, cell);
    else
        add_pairs(pair, whole, step, cell);
    for (size_t i = whole * step; i < pairs; i++)
        cell[whole] += pair[i];
}

void fold_samples(const uint32_t *gx2, const uint32_t *gy2, size_t samples, size_t step, uint64_t *cell)
{
    fold_pairs(gx2, samples, step, cell);
    fold_pairs(gy2, samples, step, cell);
}

uint32_t cell_samples(uint32_t length_px, uint32_t cell_px, uint32_t at, unsigned index)
{
    uint32_t length = length_px >> index, cell = cell_px >> index, first = at * cell;
    return first >= length ? 0 : length - first < cell ? length - first : cell;
}

struct cell cell_of_row(const struct cell_row *sums, const struct cell_place *at)
{
    const struct fine_sums *fine = &sums->fine[at->col];
    struct cell cell = {
        .clipped = sums->clipped[at->col],
        .luma = fine->luma,
        .luma2 = fine->luma2,
        .at[0] = {.laplacian2 = fine->laplacian2, .gradient2 = fine->gradient2},
    };
    for (unsigned i = 0; i < MEASURE_SCALES; i++) {
        cell.at[i].count = cell_samples(at->width_px, at->cell_px, at->col, i) *
                           cell_samples(at->height_px, at->cell_px, at->row, i);
        if (i > 0)
            cell.at[i].gradient2 = sums->gradient2[i][at->col];
    }
    cell.count = cell.at[0].count;
    return cell;
}
