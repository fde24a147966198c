/*
 * kernels.h - the inner loops of measuring, one table of them for each instruction set.
 *
 * A band is the rows of one row of cells at one scale. Kernels add up a band downwards, strip by strip, and
 * leave sums of 8 px of the picture's width ("units", the narrowest cell) at scale 1, and of pairs of
 * neighbouring columns (2k, 2k + 1), which is what a multiply-add of 16 bit lanes gives, at scales 2 and 4.
 * All sums are integers that cannot overflow 32 bits, so every path gives the same bits:
 *     scale 1, up to 32 rows: |L| <= 1020, gx^2 + gy^2 <= 2 * 1020^2, a unit < 2^29 + 2^24
 *     scale 2, up to 16 rows: |L| <= 4080, a pair of columns < 2^31
 *     scale 4, up to  4 rows (PAIR_ROWS_16 splits the band): |L| <= 16320, a pair of columns < 2^32
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
    int32_t laplacian;
    uint32_t laplacian2, gradient2, luma2;
};
struct light_sums {
    uint32_t luma, clipped;
};

/* One entry a pair of columns; the Laplacian is left out where `laplacian` is NULL. */
struct pair_sums {
    uint32_t *gradient2;
    int32_t *laplacian;
    uint32_t *laplacian2;
};

/* In all of them row[0] is the row above, row[1..rows] the band, row[rows + 1] the row below; columns -1 and
   `width` exist in each (the mirrored border). Sums are overwritten. */
struct kernels {
    /* ceil(width / 8) units each. */
    void (*fine)(const uint8_t *const *row, unsigned rows, size_t width, struct fine_sums *unit);
    void (*light)(const uint8_t *const *row, unsigned rows, size_t width, struct light_sums *unit);
    /* Of scales 2 and 4: ceil(width / 2) pairs. */
    void (*coarse)(const uint16_t *const *row, unsigned rows, size_t width, const struct pair_sums *sums);
    /* Of scale 8: gx^2 and gy^2 of each of the `width` samples of row[1]. */
    void (*coarsest)(const uint16_t *const row[3], size_t width, uint32_t *gx2, uint32_t *gy2);
    /* Sums of 2 x 2: `width` values out of two rows of 2 * width. */
    void (*halve8)(const uint8_t *upper, const uint8_t *lower, size_t width, uint16_t *out);
    void (*halve16)(const uint16_t *upper, const uint16_t *lower, size_t width, uint16_t *out);
    /* Logarithmic bytes of n values (pack.c): the byte counts the steps that the value has reached. */
    void (*log_bytes)(const float *value, size_t n, uint8_t *out);
};

extern const struct kernels measure_kernels_plain;
#if defined(__x86_64__)
extern const struct kernels measure_kernels_sse2;
extern const struct kernels measure_kernels_avx2;
#endif

/* The same from entry `x` on: what the vector paths leave over at the right edge. */
void measure_plain_fine(const uint8_t *const *row, unsigned rows, size_t x, size_t width,
                        struct fine_sums *unit);
void measure_plain_light(const uint8_t *const *row, unsigned rows, size_t x, size_t width,
                         struct light_sums *unit);
void measure_plain_coarse(const uint16_t *const *row, unsigned rows, size_t x, size_t width,
                          const struct pair_sums *sums);
void measure_plain_coarsest(const uint16_t *const row[3], size_t x, size_t width, uint32_t *gx2,
                            uint32_t *gy2);
void measure_plain_halve8(const uint8_t *upper, const uint8_t *lower, size_t x, size_t width, uint16_t *out);
void measure_plain_halve16(const uint16_t *upper, const uint16_t *lower, size_t x, size_t width,
                           uint16_t *out);
void measure_plain_log_bytes(const float *value, size_t x, size_t n, uint8_t *out);

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
extern const float measure_log_step_ends[LOG_STEPS];

#endif
