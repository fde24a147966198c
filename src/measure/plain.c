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

/* The sums of one pair of columns, in registers while the loop runs down the band. */
struct pair {
    int32_t lap;
    uint32_t lap2, grad2, luma, luma2, clipped;
};

static inline void add_taps(struct pair *p, struct taps t)
{
    p->lap += t.lap;
    p->lap2 += (uint32_t)(t.lap * t.lap);
    p->grad2 += (uint32_t)(t.gx * t.gx) + (uint32_t)(t.gy * t.gy);
}

static inline void add_luma(struct pair *p, uint32_t y)
{
    p->luma += y;
    p->luma2 += y * y;
    p->clipped += y <= 1 || y >= 254;
}

static inline void store_energy(const struct pair_sums *s, size_t at, struct pair p)
{
    s->lap[at] = p.lap;
    s->lap2[at] = p.lap2;
    s->grad2[at] = p.grad2;
}

void measure_plain_band8(const uint8_t *const *row, unsigned rows, size_t x, size_t width,
                         const struct pair_sums *sums)
{
    for (; x < width; x += 2) {
        struct pair p = {0};
        for (unsigned r = 1; r <= rows; r++)
            for (size_t i = x; i < x + 2 && i < width; i++) {
                add_taps(&p, TAPS(row[r - 1] + i, row[r] + i, row[r + 1] + i));
                add_luma(&p, row[r][i]);
            }
        store_energy(sums, x / 2, p);
        sums->luma[x / 2] = p.luma;
        sums->luma2[x / 2] = p.luma2;
        sums->clipped[x / 2] = p.clipped;
    }
}

void measure_plain_band16(const uint16_t *const *row, unsigned rows, size_t x, size_t width,
                          const struct pair_sums *sums)
{
    for (; x < width; x += 2) {
        struct pair p = {0};
        for (unsigned r = 1; r <= rows; r++)
            for (size_t i = x; i < x + 2 && i < width; i++)
                add_taps(&p, TAPS(row[r - 1] + i, row[r] + i, row[r + 1] + i));
        store_energy(sums, x / 2, p);
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
