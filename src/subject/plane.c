/* plane.c - arithmetic on luma planes: gain, shift. */
#include "scene.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

float plane_gain(const float *a, const float *b, size_t n)
{
    /* A histogram of the logarithm: a median without a copy of the plane. */
    enum { BINS = 4096 };
    const float reach = 2.0f; /* exp(+-2): over two stops either way */
    uint32_t bin[BINS] = {0};
    uint32_t total = 0;
    size_t step = n > 40000 ? 3 : 1;
    for (size_t i = 0; i < n; i += step) {
        if (a[i] < 8.0f || a[i] > 240.0f || b[i] < 8.0f || b[i] > 240.0f)
            continue;
        float x = (logf(a[i] / b[i]) + reach) / (2 * reach) * BINS;
        if (x >= 0.0f && x < (float)BINS) {
            bin[(int)x]++;
            total++;
        }
    }
    if (total < 50)
        return 1.0f;
    uint32_t below = 0;
    int i = 0;
    while (below + bin[i] <= total / 2)
        below += bin[i++];
    float part = ((float)(total / 2 - below) + 0.5f) / (float)bin[i];
    return expf(((float)i + part) / BINS * (2 * reach) - reach);
}

float plane_at(const float *plane, uint32_t cols, uint32_t rows, float c, float r, float outside)
{
    if (!(c >= 0.0f && r >= 0.0f && c <= (float)(cols - 1) && r <= (float)(rows - 1)))
        return outside;
    uint32_t c0 = (uint32_t)c, r0 = (uint32_t)r;
    uint32_t c1 = c0 + 1 < cols ? c0 + 1 : c0, r1 = r0 + 1 < rows ? r0 + 1 : r0;
    float fc = c - (float)c0, fr = r - (float)r0;
    const float *top = plane + (size_t)r0 * cols, *low = plane + (size_t)r1 * cols;
    float upper = top[c0] + fc * (top[c1] - top[c0]), lower = low[c0] + fc * (low[c1] - low[c0]);
    return upper + fr * (lower - upper);
}

float plane_slope(const float *plane, uint32_t cols, uint32_t rows, uint32_t c, uint32_t r)
{
    const float *at = plane + (size_t)r * cols + c;
    float dx = (c + 1 < cols ? at[1] : at[0]) - (c > 0 ? at[-1] : at[0]);
    float dy = (r + 1 < rows ? at[cols] : at[0]) - (r > 0 ? at[-(ptrdiff_t)cols] : at[0]);
    return 0.5f * sqrtf(dx * dx + dy * dy);
}

float plane_step(const float *plane, uint32_t cols, uint32_t rows, uint32_t c, uint32_t r)
{
    const float *at = plane + (size_t)r * cols + c;
    float step = 0;
    if (c > 0 && at[-1] >= 0)
        step = fmaxf(step, fabsf(at[0] - at[-1]));
    if (c + 1 < cols && at[1] >= 0)
        step = fmaxf(step, fabsf(at[0] - at[1]));
    if (r > 0 && at[-(ptrdiff_t)cols] >= 0)
        step = fmaxf(step, fabsf(at[0] - at[-(ptrdiff_t)cols]));
    if (r + 1 < rows && at[cols] >= 0)
        step = fmaxf(step, fabsf(at[0] - at[cols]));
    return step;
}

/* Shifts that lie side by side are tried together, each with a sum of its own. */
enum { SHIFTS = 8 };

struct search {
    const float *reference, *image;
    uint32_t cols, rows, margin;
    float count; /* cells that are compared */
};

/* Vectors of gcc and clang; written out, since neither keeps the sums in registers by itself. */
typedef float four __attribute__((vector_size(16)));
typedef int32_t four_bits __attribute__((vector_size(16)));

/* Absolute differences cut at 20. */
static four cut_difference(const float *b, four a)
{
    const four most = {20.0f, 20.0f, 20.0f, 20.0f};
    const four_bits no_sign = {INT32_MAX, INT32_MAX, INT32_MAX, INT32_MAX};
    four v;
    memcpy(&v, b, sizeof v);
    v = (four)((four_bits)(v - a) & no_sign);
    four_bits less = (four_bits)(v < most);
    return (four)((less & (four_bits)v) | (~less & (four_bits)most));
}

static void add_row(const float *a, const float *b, size_t n, float sum[SHIFTS])
{
    four low, high;
    memcpy(&low, sum, sizeof low);
    memcpy(&high, sum + 4, sizeof high);
    for (size_t c = 0; c < n; c += 2) {
        four from = {a[c], a[c], a[c], a[c]};
        low += cut_difference(b + c, from);
        high += cut_difference(b + c + 4, from);
    }
    memcpy(sum, &low, sizeof low);
    memcpy(sum + 4, &high, sizeof high);
}

/* Mean differences at the shifts dx .. dx + SHIFTS - 1; gives up, with something not below `most`, as soon as
   none of them can be below. */
static void search_some(const struct search *s, int dx, int dy, float most, float cost[SHIFTS])
{
    for (int k = 0; k < SHIFTS; k++)
        cost[k] = 0;
    for (uint32_t r = s->margin; r + s->margin < s->rows; r += 2) {
        const float *a = s->reference + (size_t)r * s->cols + s->margin;
        const float *b = s->image + ((ptrdiff_t)r + dy) * (ptrdiff_t)s->cols + (ptrdiff_t)s->margin + dx;
        add_row(a, b, s->cols - 2 * s->margin, cost);
        float least = cost[0];
        for (int k = 1; k < SHIFTS; k++)
            least = cost[k] < least ? cost[k] : least;
        if (least / s->count >= most)
            break;
    }
    for (int k = 0; k < SHIFTS; k++)
        cost[k] /= s->count;
}

/* The search; `reach` is at least SHIFTS / 2, and the plane larger than twice that. */
float plane_search(const float *reference, const float *image, uint32_t cols, uint32_t rows, int reach,
                   int *dx, int *dy, float *zero)
{
    uint32_t margin = (uint32_t)reach;
    *dx = *dy = 0;
    *zero = 0;
    if (rows <= 2 * margin || cols <= 2 * margin)
        return 0;
    uint32_t count = ((rows - 2 * margin + 1) / 2) * ((cols - 2 * margin + 1) / 2);
    const struct search s = {reference, image, cols, rows, margin, (float)count};
    float cost[SHIFTS];
    search_some(&s, 0, 0, INFINITY, cost);
    float best = *zero = cost[0];
    for (int y = -reach; y <= reach; y++)
        for (int from = -reach; from <= reach; from += SHIFTS) {
            int x = from + SHIFTS - 1 <= reach ? from : reach - SHIFTS + 1; /* some of them a second time */
            search_some(&s, x, y, best, cost);
            for (int k = 0; k < SHIFTS; k++)
                if (cost[k] < best) {
                    best = cost[k];
                    *dx = x + k;
                    *dy = y;
                }
        }
    return best;
}

/* Residuals image(p + d) - reference(p) on every second cell both ways, into `out`; returns how many. NaN
   where the image does not reach. */
static size_t residuals(const float *reference, const float *image, uint32_t cols, uint32_t rows, float dx,
                        float dy, float *out)
{
    size_t n = 0;
    for (uint32_t r = 1; r + 1 < rows; r += 2)
        for (uint32_t c = 1; c + 1 < cols; c += 2) {
            float there = plane_at(image, cols, rows, (float)c + dx, (float)r + dy, -1.0f);
            out[n++] = there < 0.0f ? NAN : there - reference[(size_t)r * cols + c];
        }
    return n;
}

/* Copies the absolute values of what is known; returns how many. */
static size_t known(const float *v, size_t n, float *out)
{
    size_t kept = 0;
    for (size_t i = 0; i < n; i++)
        if (!isnan(v[i]))
            out[kept++] = fabsf(v[i]);
    return kept;
}

float plane_residual(const float *reference, const float *image, uint32_t cols, uint32_t rows, float dx,
                     float dy, float *scratch)
{
    const float edge = 3.0f; /* luma a cell: where a shift shows above the noise */
    size_t n = 0;
    for (uint32_t r = 1; r + 1 < rows; r++)
        for (uint32_t c = 1; c + 1 < cols; c++) {
            if (plane_slope(reference, cols, rows, c, r) < edge)
                continue;
            float there = plane_at(image, cols, rows, (float)c + dx, (float)r + dy, -1.0f);
            if (there >= 0.0f)
                scratch[n++] = fabsf(there - reference[(size_t)r * cols + c]);
        }
    size_t part = n * 4 / 5;
    if (part < 40)
        return 0.0f;
    select_nth(scratch, n, part);
    double sum = 0.0;
    for (size_t i = 0; i < part; i++)
        sum += scratch[i];
    return (float)(sum / (double)part);
}

/* One Gauss-Newton step over the residuals that are within `within`. False when it moved nothing. */
static bool refine_step(const float *reference, uint32_t cols, uint32_t rows, const float *residual,
                        float within, float *dx, float *dy)
{
    double xx = 0, xy = 0, yy = 0, xe = 0, ye = 0;
    size_t n = 0;
    for (uint32_t r = 1; r + 1 < rows; r += 2)
        for (uint32_t c = 1; c + 1 < cols; c += 2) {
            float e = residual[n++];
            if (!(fabsf(e) <= within))
                continue;
            const float *p = reference + (size_t)r * cols + c;
            double gx = 0.5 * (p[1] - p[-1]), gy = 0.5 * (p[cols] - p[-(ptrdiff_t)cols]);
            xx += gx * gx;
            xy += gx * gy;
            yy += gy * gy;
            xe += gx * e;
            ye += gy * e;
        }
    double det = xx * yy - xy * xy;
    if (!(det > 1e-6 * (xx + yy) * (xx + yy)))
        return false;
    double sx = (yy * xe - xy * ye) / det, sy = (xx * ye - xy * xe) / det;
    *dx -= (float)fmax(-1.0, fmin(1.0, sx));
    *dy -= (float)fmax(-1.0, fmin(1.0, sy));
    return sx * sx + sy * sy > 1e-4;
}

float plane_refine(const float *reference, const float *image, uint32_t cols, uint32_t rows, float *dx,
                   float *dy, float *scratch)
{
    float *spare = scratch + (size_t)cols * rows / 2; /* a quarter of the cells is looked at */
    bool moved = true;
    for (int step = 0; step < 6 && moved; step++) {
        size_t n = residuals(reference, image, cols, rows, *dx, *dy, scratch);
        float deviation = 1.4826f * select_median(spare, known(scratch, n, spare));
        moved = refine_step(reference, cols, rows, scratch, fmaxf(2.5f * deviation, 0.5f), dx, dy);
    }
    return plane_residual(reference, image, cols, rows, *dx, *dy, scratch);
}
