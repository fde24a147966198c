/*
 * plain.c - the inner loops in plain C: the only path on other processors, and the tail of the vector paths.
 */
#include "kernels.h"

struct taps {
    int32_t lap, gx, gy;
};

/* Laplacian and Sobel at the middle of 3 x 3 values; up, mid and low point to the middle column. */
#define TAPS(up, mid, low)                                                                                   \
    (struct taps)                                                                                            \
    {                                                                                                        \
        .lap = (up)[0] + (low)[0] + (mid)[-1] + (mid)[1] - 4 * (mid)[0],                                     \
        .gx = (up)[1] - (up)[-1] + 2 * ((mid)[1] - (mid)[-1]) + (low)[1] - (low)[-1],                        \
        .gy = (low)[-1] + 2 * (low)[0] + (low)[1] - (up)[-1] - 2 * (up)[0] - (up)[1]                         \
    }

static void add_taps(const struct pair_sums *s, size_t pair, struct taps t)
{
    s->lap[pair] += t.lap;
    s->lap2[pair] += (uint32_t)(t.lap * t.lap);
    s->grad2[pair] += (uint32_t)(t.gx * t.gx) + (uint32_t)(t.gy * t.gy);
}

static void add_luma(const struct pair_sums *s, size_t pair, uint32_t y)
{
    s->luma[pair] += y;
    s->luma2[pair] += y * y;
    s->clipped[pair] += y <= 1 || y >= 254;
}

static void clear(const struct pair_sums *s, size_t x, size_t width, bool with_luma)
{
    for (size_t p = x / 2; p < (width + 1) / 2; p++) {
        s->lap[p] = 0;
        s->lap2[p] = s->grad2[p] = 0;
        if (with_luma)
            s->luma[p] = s->luma2[p] = s->clipped[p] = 0;
    }
}

void measure_plain_band8(const uint8_t *const *row, unsigned rows, size_t x, size_t width,
                         const struct pair_sums *sums)
{
    clear(sums, x, width, true);
    for (unsigned r = 1; r <= rows; r++) {
        const uint8_t *up = row[r - 1], *mid = row[r], *low = row[r + 1];
        for (size_t i = x; i < width; i++) {
            add_taps(sums, i / 2, TAPS(up + i, mid + i, low + i));
            add_luma(sums, i / 2, mid[i]);
        }
    }
}

void measure_plain_band16(const uint16_t *const *row, unsigned rows, size_t x, size_t width,
                          const struct pair_sums *sums)
{
    clear(sums, x, width, false);
    for (unsigned r = 1; r <= rows; r++) {
        const uint16_t *up = row[r - 1], *mid = row[r], *low = row[r + 1];
        for (size_t i = x; i < width; i++)
            add_taps(sums, i / 2, TAPS(up + i, mid + i, low + i));
    }
}

void measure_plain_halve8(const uint8_t *upper, const uint8_t *lower, size_t x, size_t width, uint16_t *out)
{
    for (size_t i = x; i < width; i++)
        out[i] = (uint16_t)(upper[2 * i] + upper[2 * i + 1] + lower[2 * i] + lower[2 * i + 1]);
}

void measure_plain_halve16(const uint16_t *upper, const uint16_t *lower, size_t x, size_t width,
                           uint16_t *out)
{
    for (size_t i = x; i < width; i++)
        out[i] = (uint16_t)(upper[2 * i] + upper[2 * i + 1] + lower[2 * i] + lower[2 * i + 1]);
}

static void band8(const uint8_t *const *row, unsigned rows, size_t width, const struct pair_sums *sums)
{
    measure_plain_band8(row, rows, 0, width, sums);
}

static void band16(const uint16_t *const *row, unsigned rows, size_t width, const struct pair_sums *sums)
{
    measure_plain_band16(row, rows, 0, width, sums);
}

static void halve8(const uint8_t *upper, const uint8_t *lower, size_t width, uint16_t *out)
{
    measure_plain_halve8(upper, lower, 0, width, out);
}

static void halve16(const uint16_t *upper, const uint16_t *lower, size_t width, uint16_t *out)
{
    measure_plain_halve16(upper, lower, 0, width, out);
}

const struct kernels measure_kernels_plain = {band8, band16, halve8, halve16};
