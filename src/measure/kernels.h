/*
 * kernels.h - the inner loops of measuring, one table of them for each instruction set.
 *
 * A band is the rows of one row of cells at one scale. Kernels add up each band in pairs of neighbouring
 * columns (2k, 2k + 1): the finest unit that every cell width is a multiple of, and what a multiply-add of 16
 * bit lanes gives. All sums are integers that cannot overflow, so every path gives the same bits:
 *     scale 1, up to 32 rows: |L| <= 1020, gx^2 + gy^2 <= 2 * 1020^2, a pair of columns < 2^27
 *     scale 2, up to 16 rows: |L| <= 4080, a pair of columns < 2^31
 *     scale 4, up to  4 rows (PAIR_ROWS_16 splits the band): |L| <= 16320, a pair of columns < 2^32
 * Scale 8 does not fit 16 bit lanes; it is a sixty-fourth of the work and has plain code only.
 */
#ifndef MEASURE_KERNELS_H
#define MEASURE_KERNELS_H

#include <stddef.h>
#include <stdint.h>

#include "chaffinch/measure.h"

/* Sums over the rows of a band, one entry a pair of columns. The last three are filled at scale 1 only. */
struct pair_sums {
    int32_t *lap;
    uint32_t *lap2, *grad2;
    uint32_t *luma, *luma2, *clipped;
};

struct kernels {
    /* row[0] is the row above, row[1..rows] the band, row[rows + 1] the row below. Columns -1 and `width`
       exist in each (the mirrored border). Overwrites the sums of ceil(width / 2) pairs. */
    void (*band8)(const uint8_t *const *row, unsigned rows, size_t width, const struct pair_sums *sums);
    void (*band16)(const uint16_t *const *row, unsigned rows, size_t width, const struct pair_sums *sums);
    /* Sums of 2 x 2: `width` values out of two rows of 2 * width. */
    void (*halve8)(const uint8_t *upper, const uint8_t *lower, size_t width, uint16_t *out);
    void (*halve16)(const uint16_t *upper, const uint16_t *lower, size_t width, uint16_t *out);
};

extern const struct kernels measure_kernels_plain;
#if defined(__x86_64__)
extern const struct kernels measure_kernels_sse2;
extern const struct kernels measure_kernels_avx2;
#endif

/* The same sums for columns from `x` (even) on: what the vector paths leave over at the right edge. */
void measure_plain_band8(const uint8_t *const *row, unsigned rows, size_t x, size_t width,
                         const struct pair_sums *sums);
void measure_plain_band16(const uint16_t *const *row, unsigned rows, size_t x, size_t width,
                          const struct pair_sums *sums);
void measure_plain_halve8(const uint8_t *upper, const uint8_t *lower, size_t x, size_t width, uint16_t *out);
void measure_plain_halve16(const uint16_t *upper, const uint16_t *lower, size_t x, size_t width,
                           uint16_t *out);

#endif
