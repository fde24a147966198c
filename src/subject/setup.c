/* setup.c - are two backgrounds seen from one camera position? */
#include "scene.h"

#include <math.h>
#include <stdlib.h>

enum { COARSE = 4, REACH = 6 };

/* Means of COARSE x COARSE cells: a whole-cell search there reaches four times as far. */
static void shrink(const float *in, uint32_t cols, uint32_t cw, uint32_t ch, float gain, float *out)
{
    for (uint32_t r = 0; r < ch; r++)
        for (uint32_t c = 0; c < cw; c++) {
            float sum = 0;
            for (uint32_t y = 0; y < COARSE; y++)
                for (uint32_t x = 0; x < COARSE; x++)
                    sum += in[(size_t)(r * COARSE + y) * cols + c * COARSE + x];
            out[(size_t)r * cw + c] = sum / (COARSE * COARSE) / gain;
        }
}

/* True when b is a shifted by several cells. */
static bool moved_far(const float *a, const float *b, uint32_t cols, uint32_t rows, float gain,
                      float *scratch)
{
    uint32_t cw = cols / COARSE, ch = rows / COARSE;
    if (cw < 4 * REACH || ch < 4 * REACH)
        return false;
    int dx, dy;
    float zero, *small_b = scratch + (size_t)cw * ch;
    shrink(a, cols, cw, ch, 1.0f, scratch);
    shrink(b, cols, cw, ch, gain, small_b);
    float best = plane_search(scratch, small_b, cw, ch, REACH, &dx, &dy, &zero);
    return (dx != 0 || dy != 0) && best < 0.8f * zero;
}

static bool differs(const float *a, const float *b, uint32_t cols, uint32_t rows, float noise, float dx,
                    float dy)
{
    size_t changed = 0, i = 0;
    for (uint32_t r = 0; r < rows; r++)
        for (uint32_t c = 0; c < cols; c++, i++) {
            float limit = fmaxf(5.0f * noise, 3.0f) + 0.12f * plane_slope(a, cols, rows, c, r);
            float y = plane_at(b, cols, rows, (float)c + dx, (float)r + dy, a[i]);
            changed += fabsf(y - a[i]) > limit;
        }
    return 3 * changed > (size_t)cols * rows;
}

bool subject_same_setup(const float *a, const float *b, uint32_t cols, uint32_t rows, float noise_luma)
{
    size_t cells = (size_t)cols * rows;
    float *scratch = malloc(cells * sizeof *scratch), *level = malloc(cells * sizeof *level);
    bool same = false;
    if (scratch != NULL && level != NULL && cells > 0) {
        float gain = plane_gain(b, a, cells), dx = 0, dy = 0;
        for (size_t i = 0; i < cells; i++)
            level[i] = b[i] / gain;
        same = !moved_far(a, b, cols, rows, gain, scratch);
        if (same && cols >= 16 && rows >= 16) {
            float before = plane_residual(a, level, cols, rows, 0, 0, scratch);
            float after = plane_refine(a, level, cols, rows, &dx, &dy, scratch);
            bool proven = after < 0.9f * before;
            same = !(proven && hypotf(dx, dy) > 1.0f);
            if (!proven)
                dx = dy = 0;
        }
        same = same && !differs(a, level, cols, rows, noise_luma, dx, dy);
    }
    free(scratch);
    free(level);
    return same;
}
