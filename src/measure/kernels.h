/*
 * kernels.h - the inner loops of measuring, one table of them for each instruction set.
 *
 * A band is the rows of one row of cells at one scale. Kernels add up a band downwards, strip by strip, and
 * leave sums of 8 px of the picture's width ("units", the narrowest cell) at scale 1, and of pairs of
 * neighbouring columns (2k, 2k + 1), which is what a multiply-add of 16 bit lanes gives, at scales 2 and 4.
 * All sums are integers that cannot overflow 32 bits, so every path gives the same bits:
 *     scale 1, up to 32 rows: |L| <= 1020, gx^2 + gy^2 <= 2 * 1020^2, a unit < 2^29 + 2^24
 *     scale 2, up to 16 rows: gx^2 + gy^2 <= 2 * 4080^2, a pair of columns < 2^31
 *     scale 4, up to  4 rows (PAIR_ROWS_16 splits the band): <= 2 * 16320^2, a pair of columns < 2^32
 * Scale 8 is a sixty-fourth of the work: its squares of gx and of gy are below 65280^2 < 2^32 each.
 */
#ifndef MEASURE_KERNELS_H
#define MEASURE_KERNELS_H

#include <stddef.h>
#include <stdint.h>

#include "chaffinch/measure.h"

enum { UNIT_PX = 8 };

/* Sums of a unit, or of a cell of at most 32 x 32 px: laplacian2 <= 2^30, gradient2 < 2^31. */
struct fine_sums {
    uint32_t luma, luma2, laplacian2, gradient2;
};

/* What a band of scale 1 gives, in one pass over its rows: ceil(width / 8) units, and the rows of scale 2. */
struct fine_out {
    struct fine_sums *unit;
    uint32_t *clipped;     /* pixels at 0-1 and 254-255 of each unit */
    uint16_t *const *half; /* rows / 2 of them, width / 2 samples each */
};

/* In all of them row[0] is the row above, row[1..rows] the band, row[rows + 1] the row below; columns -1 and
   `width` exist in each (the mirrored border). Sums are overwritten. */
struct kernels {
    void (*fine)(const uint8_t *const *row, unsigned rows, size_t width, const struct fine_out *out);
    /* Of scales 2 and 4: gx^2 + gy^2 of ceil(width / 2) pairs of columns. */
    void (*coarse)(const uint16_t *const *row, unsigned rows, size_t width, uint32_t *gradient2);
    /* Of scale 8: gx^2 and gy^2 of each of the `width` samples of row[1]. */
    void (*coarsest)(const uint16_t *const row[3], size_t width, uint32_t *gx2, uint32_t *gy2);
    /* Sums of 2 x 2: `width` values out of two rows of 2 * width. */
    void (*halve16)(const uint16_t *upper, const uint16_t *lower, size_t width, uint16_t *out);
    /* Logarithmic bytes of n values (pack.c): the byte counts the steps that the value has reached. */
    void (*log_bytes)(const float *value, size_t n, uint8_t *out);
    /* value[i] = sum[i] * unit, where sums are below 2^52 and the unit is a power of two: rounded once. */
    void (*scale_sums)(const uint64_t *sum, size_t n, float unit, float *value);
};

extern const struct kernels measure_kernels_plain;
#if defined(__x86_64__)
extern const struct kernels measure_kernels_sse2;
extern const struct kernels measure_kernels_avx2;
#endif

/* The same from entry `x` on: what the vector paths leave over at the right edge. */
void measure_plain_fine(const uint8_t *const *row, unsigned rows, size_t x, size_t width,
                        const struct fine_out *out);
void measure_plain_coarse(const uint16_t *const *row, unsigned rows, size_t x, size_t width,
                          uint32_t *gradient2);
void measure_plain_coarsest(const uint16_t *const row[3], size_t x, size_t width, uint32_t *gx2,
                            uint32_t *gy2);
void measure_plain_halve16(const uint16_t *upper, const uint16_t *lower, size_t x, size_t width,
                           uint16_t *out);
void measure_plain_log_bytes(const float *value, size_t x, size_t n, uint8_t *out);
void measure_plain_scale_sums(const uint64_t *sum, size_t x, size_t n, float unit, float *value);

/*
 * Logarithmic bytes: ten steps an octave, byte 1 at 2^-9. A float's exponent tells the octave, and its
 * mantissa, compared with 2^((k + 1/2) / 10) for k = 0..9, how many steps of it are passed: no logarithm of
 * the library, whose last bit differs between machines.
 */
enum {
    LOG_STEPS = 10,
    LOG_LOWEST_OCTAVE = -9,
    FLOAT_BIAS = 127,
    FLOAT_MANTISSA_BITS = 23,
    FLOAT_MANTISSA = (1 << FLOAT_MANTISSA_BITS) - 1,
    FLOAT_ONE = FLOAT_BIAS << FLOAT_MANTISSA_BITS, /* the bits of 1.0f */
};
static const float log_step_ends[LOG_STEPS] = {
    1.03526492f, 1.10956947f, 1.18920712f, 1.27456063f, 1.36604026f,
    1.4640857f,  1.5691682f,  1.68179283f, 1.80250093f, 1.93187266f,
};

#endif
