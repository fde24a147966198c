/*
 * plain.c - the inner loops in plain C: the only path on other processors, and the tail of the vector paths.
 */
#include "kernels.h"

#include <string.h>

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

static inline void add_taps(struct fine_sums *s, struct taps t)
{
    s->laplacian2 += (uint32_t)(t.lap * t.lap);
    s->gradient2 += (uint32_t)(t.gx * t.gx) + (uint32_t)(t.gy * t.gy);
}

static uint32_t count_clipped(const uint8_t *const *row, unsigned rows, size_t x, size_t end)
{
    uint32_t n = 0;
    for (unsigned r = 1; r <= rows; r++)
        for (size_t i = x; i < end; i++)
            n += row[r][i] <= 1 || row[r][i] >= 254;
    return n;
}

static void halve8(const uint8_t *upper, const uint8_t *lower, size_t x, size_t width, uint16_t *out)
{
    for (size_t i = x; i < width; i++)
        out[i] = (uint16_t)(upper[2 * i] + upper[2 * i + 1] + lower[2 * i] + lower[2 * i + 1]);
}

void measure_plain_fine(const uint8_t *const *row, unsigned rows, size_t x, size_t width,
                        const struct fine_out *out)
{
    for (unsigned r = 1; r < rows; r += 2)
        halve8(row[r], row[r + 1], x / 2, width / 2, out->half[r / 2]);
    for (; x < width; x += UNIT_PX) {
        size_t end = x + UNIT_PX < width ? x + UNIT_PX : width;
        struct fine_sums s = {0};
        for (unsigned r = 1; r <= rows; r++)
            for (size_t i = x; i < end; i++) {
                add_taps(&s, TAPS(row[r - 1] + i, row[r] + i, row[r + 1] + i));
                s.luma += row[r][i];
                s.luma2 += (uint32_t)row[r][i] * row[r][i];
            }
        out->unit[x / UNIT_PX] = s;
        out->clipped[x / UNIT_PX] = count_clipped(row, rows, x, end);
    }
}

void measure_plain_coarse(const uint16_t *const *row, unsigned rows, size_t x, size_t width,
                          uint32_t *gradient2)
{
    for (; x < width; x += 2) {
        struct fine_sums s = {0};
        for (unsigned r = 1; r <= rows; r++)
            for (size_t i = x; i < x + 2 && i < width; i++)
                add_taps(&s, TAPS(row[r - 1] + i, row[r] + i, row[r + 1] + i));
        gradient2[x / 2] = s.gradient2;
    }
}

void measure_plain_coarsest(const uint16_t *const row[3], size_t x, size_t width, uint32_t *gx2,
                            uint32_t *gy2)
{
    for (; x < width; x++) {
        struct taps t = TAPS(row[0] + x, row[1] + x, row[2] + x);
        gx2[x] = (uint32_t)t.gx * (uint32_t)t.gx; /* unsigned: beyond 2^31, and the same for a negative one */
        gy2[x] = (uint32_t)t.gy * (uint32_t)t.gy;
    }
}

void measure_plain_halve16(const uint16_t *upper, const uint16_t *lower, size_t x, size_t width,
                           uint16_t *out)
{
    for (size_t i = x; i < width; i++)
        out[i] = (uint16_t)(upper[2 * i] + upper[2 * i + 1] + lower[2 * i] + lower[2 * i + 1]);
}

void measure_plain_log_bytes(const float *value, size_t x, size_t n, uint8_t *out)
{
    for (; x < n; x++) {
        uint32_t bits;
        float mantissa; /* 1.0 to 2.0 */
        memcpy(&bits, value + x, sizeof bits);
        int octave = (int)(bits >> FLOAT_MANTISSA_BITS) - FLOAT_BIAS - LOG_LOWEST_OCTAVE;
        bits = (bits & FLOAT_MANTISSA) | FLOAT_ONE;
        memcpy(&mantissa, &bits, sizeof mantissa);
        int byte = 1 + octave * LOG_STEPS;
        for (int k = 0; k < LOG_STEPS; k++)
            byte += mantissa >= log_step_ends[k];
        out[x] = (uint8_t)(byte < 0 ? 0 : byte > 255 ? 255 : byte);
    }
}

void measure_plain_scale_sums(const uint64_t *sum, size_t x, size_t n, float unit, float *value)
{
    for (; x < n; x++)
        value[x] = (float)(int64_t)sum[x] * unit;
}

static void fine(const uint8_t *const *row, unsigned rows, size_t width, const struct fine_out *out)
{
    measure_plain_fine(row, rows, 0, width, out);
}

static void coarse(const uint16_t *const *row, unsigned rows, size_t width, uint32_t *gradient2)
{
    measure_plain_coarse(row, rows, 0, width, gradient2);
}

static void coarsest(const uint16_t *const row[3], size_t width, uint32_t *gx2, uint32_t *gy2)
{
    measure_plain_coarsest(row, 0, width, gx2, gy2);
}

static void halve16(const uint16_t *upper, const uint16_t *lower, size_t width, uint16_t *out)
{
    measure_plain_halve16(upper, lower, 0, width, out);
}

static void log_bytes(const float *value, size_t n, uint8_t *out)
{
    measure_plain_log_bytes(value, 0, n, out);
}

static void scale_sums(const uint64_t *sum, size_t n, float unit, float *value)
{
    measure_plain_scale_sums(sum, 0, n, unit, value);
}

const struct kernels measure_kernels_plain = {fine, coarse, coarsest, halve16, log_bytes, scale_sums};
