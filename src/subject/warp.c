/* warp.c - fits the motion of a plane as a whole. */
#include "warp.h"

#include <math.h>
#include <string.h>

#include "scene.h"

enum { PARAMETERS = 6, STEPS = 10 };
static const float TUKEY = 4.685f; /* standard deviations; 95 % efficient (Holland and Welsch 1977) */

struct warp warp_after(const struct warp *first, const struct warp *then)
{
    const float *f = first->a, *t = then->a;
    return (struct warp){{t[0] + t[1] * f[0] + t[2] * f[3], t[1] * f[1] + t[2] * f[4],
                          t[1] * f[2] + t[2] * f[5], t[3] + t[4] * f[0] + t[5] * f[3],
                          t[4] * f[1] + t[5] * f[4], t[4] * f[2] + t[5] * f[5]}};
}

struct warp warp_back(const struct warp *warp)
{
    const float *a = warp->a;
    float det = a[1] * a[5] - a[2] * a[4];
    if (!(fabsf(det) > 1e-3f))
        return warp_none();
    struct warp back = {{0, a[5] / det, -a[2] / det, 0, -a[4] / det, a[1] / det}};
    back.a[0] = -(back.a[1] * a[0] + back.a[2] * a[3]);
    back.a[3] = -(back.a[4] * a[0] + back.a[5] * a[3]);
    return back;
}

/* Every second row is looked at: enough for six numbers. */
static size_t looked_at(const struct sheet *sheet)
{
    return (size_t)(sheet->rows / 2) * sheet->cols;
}

/* image(warp(p)) - reference(p) in the odd rows; NaN where the image does not reach. Returns how many are
 * known.
 */
static size_t differences(const struct sheet *reference, const struct sheet *image, const struct warp *warp,
                          float *out)
{
    size_t i = 0, known = 0;
    for (uint32_t r = 1; r < reference->rows; r += 2)
        for (uint32_t c = 0; c < reference->cols; c++, i++) {
            float x = warp_col(warp, (float)c, (float)r), y = warp_row(warp, (float)c, (float)r);
            float there = plane_at(image->y, image->cols, image->rows, x, y, -1.0f);
            out[i] = there < 0.0f ? NAN : there - reference->y[(size_t)r * reference->cols + c];
            known += there >= 0.0f;
        }
    return known;
}

/* Quantile of the known absolute differences, from a sample of at most 1024. */
static float quantile(const float *difference, size_t n, float part)
{
    float v[1024];
    size_t kept = 0, stride = n / 1024 + 1;
    for (size_t i = 0; i < n; i += stride)
        if (!isnan(difference[i]))
            v[kept++] = fabsf(difference[i]);
    return kept > 0 ? select_nth(v, kept, (size_t)((float)(kept - 1) * part)) : 0.0f;
}

static float lower_mean(const float *difference, size_t n)
{
    float most = quantile(difference, n, 0.75f);
    double sum = 0;
    size_t count = 0;
    for (size_t i = 0; i < n; i++)
        if (fabsf(difference[i]) <= most) {
            sum += fabsf(difference[i]);
            count++;
        }
    return count > 0 ? (float)(sum / (double)count) : INFINITY;
}

/* Solves the symmetric m x = v by Cholesky's way; false when m is not positive. */
static bool solve(double m[PARAMETERS][PARAMETERS], double v[PARAMETERS])
{
    for (int i = 0; i < PARAMETERS; i++)
        for (int k = 0; k <= i; k++) {
            double sum = m[i][k];
            for (int j = 0; j < k; j++)
                sum -= m[i][j] * m[k][j];
            if (i == k && !(sum > 1e-9))
                return false;
            m[i][k] = i == k ? sqrt(sum) : sum / m[k][k];
        }
    for (int i = 0; i < PARAMETERS; i++) {
        for (int j = 0; j < i; j++)
            v[i] -= m[i][j] * v[j];
        v[i] /= m[i][i];
    }
    for (int i = PARAMETERS; i-- > 0;) {
        for (int j = i + 1; j < PARAMETERS; j++)
            v[i] -= m[j][i] * v[j];
        v[i] /= m[i][i];
    }
    return true;
}

static void gather(const struct sheet *reference, const float *difference, const float *weight, float within,
                   double m[PARAMETERS][PARAMETERS], double v[PARAMETERS])
{
    uint32_t cols = reference->cols, rows = reference->rows;
    float half_c = 0.5f * (float)cols, half_r = 0.5f * (float)rows;
    for (uint32_t r = 1; r + 1 < rows; r += 2)
        for (uint32_t c = 1; c + 1 < cols; c++) {
            size_t i = (size_t)r * cols + c;
            float e = difference[(size_t)(r / 2) * cols + c], part = e / within;
            if (!(fabsf(part) < 1.0f))
                continue;
            const float *p = reference->y + i;
            float gx = 0.5f * (p[1] - p[-1]), gy = 0.5f * (p[cols] - p[-(ptrdiff_t)cols]);
            float w = (1 - part * part) * (1 - part * part) * (weight != NULL ? weight[i] : 1.0f);
            float x = ((float)c - half_c) / half_c, y = ((float)r - half_r) / half_c;
            float j[PARAMETERS] = {gx, gx * x, gx * y, gy, gy * x, gy * y};
            for (int a = 0; a < PARAMETERS; a++) {
                float wj = w * j[a];
                v[a] += (double)(wj * e);
                for (int b = 0; b <= a; b++)
                    m[a][b] += (double)(wj * j[b]);
            }
        }
}

/* One step; returns how far it moves the farthest place, cells, or 0 when it cannot. */
static float step(const struct sheet *reference, const float *difference, const float *weight,
                  struct warp *warp)
{
    size_t n = looked_at(reference);
    double m[PARAMETERS][PARAMETERS] = {{0}}, v[PARAMETERS] = {0};
    float within = TUKEY * fmaxf(1.4826f * quantile(difference, n, 0.5f), 0.4f);
    gather(reference, difference, weight, within, m, v);
    double trace = m[0][0] + m[3][3];
    for (int a = 0; a < PARAMETERS; a++) /* smooth scenes tell no zoom or turn */
        m[a][a] += 1e-4 * trace + (a % 3 != 0 ? 2e-3 * trace : 0) + 1e-6;
    if (!solve(m, v))
        return 0.0f;
    float half_c = 0.5f * (float)reference->cols, half_r = 0.5f * (float)reference->rows, far = 0;
    for (int axis = 0; axis < 2; axis++) {
        float d0 = (float)v[3 * axis], d1 = (float)v[3 * axis + 1] / half_c,
              d2 = (float)v[3 * axis + 2] / half_c;
        far = fmaxf(far, fabsf(d0) + fabsf(d1) * half_c + fabsf(d2) * half_r);
        warp->a[3 * axis] -= d0 - d1 * half_c - d2 * half_r;
        warp->a[3 * axis + 1] -= d1;
        warp->a[3 * axis + 2] -= d2;
    }
    return far;
}

float warp_residual(const struct sheet *reference, const struct sheet *image, const struct warp *warp,
                    float *scratch)
{
    size_t n = looked_at(reference);
    if (3 * differences(reference, image, warp, scratch) < n)
        return INFINITY;
    return lower_mean(scratch, n);
}

float warp_refine(const struct sheet *reference, const struct sheet *image, const float *weight,
                  struct warp *warp, float *scratch)
{
    size_t n = looked_at(reference);
    for (int k = 0; k < STEPS; k++) {
        if (3 * differences(reference, image, warp, scratch) < n)
            return INFINITY;
        if (step(reference, scratch, weight, warp) < 0.02f)
            break;
    }
    return warp_residual(reference, image, warp, scratch);
}
