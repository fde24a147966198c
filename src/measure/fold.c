/*
 * fold.c - sums of bands to sums of cells.
 */
#include "fold.h"

#include <stdlib.h>
#include <string.h>

bool cell_row_alloc(struct cell_row *row, uint32_t cols)
{
    size_t coarse = (MEASURE_SCALES - 1) * sizeof(uint64_t);
    uint8_t *at = calloc(cols, sizeof(struct fine_sums) + sizeof(struct light_sums) + coarse);
    row->memory = at;
    if (at == NULL)
        return false;
    row->fine = (struct fine_sums *)(void *)at;
    row->light = (struct light_sums *)(void *)(at + cols * sizeof(struct fine_sums));
    uint64_t *gradient2 = (uint64_t *)(void *)(row->light + cols);
    row->gradient2[0] = NULL;
    for (size_t i = 1; i < MEASURE_SCALES; i++)
        row->gradient2[i] = gradient2 + (i - 1) * cols;
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

void fold_fine(const struct fine_sums *unit, size_t units, size_t step, struct fine_sums *cell)
{
    for (size_t u = 0; u < units; u += step, cell++) {
        struct fine_sums s = unit[u];
        for (size_t i = u + 1; i < least(u + step, units); i++) {
            s.laplacian += unit[i].laplacian;
            s.laplacian2 += unit[i].laplacian2;
            s.gradient2 += unit[i].gradient2;
            s.luma2 += unit[i].luma2;
        }
        *cell = s;
    }
}

void fold_light(const struct light_sums *unit, size_t units, size_t step, struct light_sums *cell)
{
    for (size_t u = 0; u < units; u += step, cell++) {
        struct light_sums s = unit[u];
        for (size_t i = u + 1; i < least(u + step, units); i++) {
            s.luma += unit[i].luma;
            s.clipped += unit[i].clipped;
        }
        *cell = s;
    }
}

void fold_pairs(const uint32_t *pair, size_t pairs, size_t step, uint64_t *cell)
{
    for (size_t p = 0; p < pairs; p += step, cell++)
        for (size_t i = p; i < least(p + step, pairs); i++)
            *cell += pair[i];
}

void fold_samples(const uint32_t *gx2, const uint32_t *gy2, size_t samples, size_t step, uint64_t *cell)
{
    for (size_t x = 0; x < samples; x += step, cell++)
        for (size_t i = x; i < least(x + step, samples); i++)
            *cell += (uint64_t)gx2[i] + gy2[i];
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
        .clipped = sums->light[at->col].clipped,
        .luma = sums->light[at->col].luma,
        .luma2 = fine->luma2,
        .at[0] = {.laplacian = fine->laplacian, .laplacian2 = fine->laplacian2, .gradient2 = fine->gradient2},
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
