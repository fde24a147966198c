#include "blur.h"
#include "lens.h"
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define SUB 16             /* samples across one row of a disc */
#define DIRECT_RADIUS 4.0f /* discs up to this radius are summed tap by tap */
#define MAX_RADIUS 12      /* of the small kernel: room for lines of 15 px */

/* Quadratic B-spline: variance 1/4, and unlike a sampled Gaussian it keeps that wherever it lies between the
 * px. With the aperture of a px (1/12) it makes the base blur. */
static float spline(float x)
{
    x = fabsf(x);
    return x < 0.5f ? 0.75f - x * x : x < 1.5f ? 0.5f * (1.5f - x) * (1.5f - x) : 0.0f;
}

int blur_margin_px(float disc_px, float line_dx_px, float line_dy_px)
{
    return (int)ceilf(disc_px * 0.5f + hypotf(line_dx_px, line_dy_px) * 0.5f + 4.0f * LENS_BASE_SIGMA_PX) + 2;
}

/* Convolves with a (2r+1)^2 kernel; the outer r pixels are taken as empty. */
static void convolve(struct patch *p, const float *k, int r)
{
    size_t n = (size_t)p->w * (size_t)p->h * 4;
    float *out = canvas_alloc(n, sizeof(float));
    int side = 2 * r + 1;
    for (int y = r; y < p->h - r; y++)
        for (int x = r; x < p->w - r; x++) {
            float s0 = 0, s1 = 0, s2 = 0, s3 = 0;
            for (int j = 0; j < side; j++) {
                const float *src = p->px + ((size_t)(y + j - r) * (size_t)p->w + (size_t)(x - r)) * 4;
                const float *kr = k + j * side;
                for (int i = 0; i < side; i++, src += 4) {
                    s0 += kr[i] * src[0];
                    s1 += kr[i] * src[1];
                    s2 += kr[i] * src[2];
                    s3 += kr[i] * src[3];
                }
            }
            float *d = out + ((size_t)y * (size_t)p->w + (size_t)x) * 4;
            d[0] = s0;
            d[1] = s1;
            d[2] = s2;
            d[3] = s3;
        }
    free(p->px);
    p->px = out;
}

/* Running sum along a row: sum of everything left of the (fractional) position. */
static void prefix_at(const float *prefix, int w, float x, float out[4])
{
    x = fminf(fmaxf(x, 0.0f), (float)w);
    int i = (int)x;
    if (i >= w)
        i = w - 1;
    float t = x - (float)i;
    for (int k = 0; k < 4; k++)
        out[k] = prefix[4 * i + k] + t * (prefix[4 * i + 4 + k] - prefix[4 * i + k]);
}

/* One row of px of a disc as a box: the half width with the row's second moment, and the weight that leaves
 * its area as it is. */
struct chord {
    float half, weight;
};

static struct chord chord_at(float radius, int row)
{
    float area = 0, moment = 0;
    for (int s = 0; s < SUB; s++) {
        float dy = (float)row - 0.5f + ((float)s + 0.5f) / SUB, q = radius * radius - dy * dy;
        float half = q > 0 ? sqrtf(q) : 0.0f;
        area += half / SUB;
        moment += half * half * half / SUB;
    }
    struct chord c = {0, 0};
    if (area > 0) {
        c.half = sqrtf(moment / area);
        c.weight = area / c.half / (3.14159265f * radius * radius);
    }
    return c;
}

/* Adds one row of the disc, taken from running sums, to one row of the picture. */
static void add_chord(const float *prefix, int w, struct chord c, float *out)
{
    for (int x = 0; x < w; x++) {
        float a[4], b[4];
        prefix_at(prefix, w, (float)x + 0.5f - c.half, a);
        prefix_at(prefix, w, (float)x + 0.5f + c.half, b);
        for (int k = 0; k < 4; k++)
            out[4 * x + k] += (b[k] - a[k]) * c.weight;
    }
}

/* Large discs: the cost grows with the diameter only, not with its square. */
static void disc_by_rows(struct patch *p, float radius)
{
    radius = sqrtf(radius * radius - 1.0f / 3.0f); /* summing px as boxes adds 1/12 px^2 per axis */
    size_t stride = (size_t)p->w * 4, pstride = stride + 4;
    float *prefix = canvas_alloc(pstride * (size_t)p->h, sizeof(float));
    float *out = canvas_alloc(stride * (size_t)p->h, sizeof(float));
    for (int y = 0; y < p->h; y++)
        for (size_t i = 0; i < stride; i++)
            prefix[(size_t)y * pstride + i + 4] =
                prefix[(size_t)y * pstride + i] + p->px[(size_t)y * stride + i];
    int r = (int)ceilf(radius + 0.5f);
    for (int j = -r; j <= r; j++) {
        struct chord c = chord_at(radius, j);
        for (int y = 0; y < p->h && c.weight > 0; y++)
            if (y + j >= 0 && y + j < p->h)
                add_chord(prefix + (size_t)(y + j) * pstride, p->w, c, out + (size_t)y * stride);
    }
    free(prefix);
    free(p->px);
    p->px = out;
}

/* The base blur, smeared along the line of motion and over the disc. */
static void small_kernel(float *k, int r, float radius, float dx, float dy)
{
    int side = 2 * r + 1, steps = 1 + (int)ceilf(hypotf(dx, dy) * 4.0f), grid = radius > 0.02f ? 15 : 1;
    float ex[2 * MAX_RADIUS + 1], ey[2 * MAX_RADIUS + 1];
    double sum = 0;
    memset(k, 0, (size_t)(side * side) * sizeof *k);
    for (int s = 0; s < steps * grid * grid; s++) {
        float t = ((float)(s / (grid * grid)) + 0.5f) / (float)steps - 0.5f;
        float u = ((float)(s % grid) + 0.5f) / (float)grid * 2.0f - 1.0f;
        float v = ((float)(s / grid % grid) + 0.5f) / (float)grid * 2.0f - 1.0f;
        if (u * u + v * v > 1.0f)
            continue;
        for (int i = -r; i <= r; i++) {
            float x = (float)i - t * dx - u * radius, y = (float)i - t * dy - v * radius;
            ex[i + r] = spline(x);
            ey[i + r] = spline(y);
        }
        for (int i = 0; i < side * side; i++)
            k[i] += ex[i % side] * ey[i / side];
    }
    for (int i = 0; i < side * side; i++)
        sum += (double)k[i];
    for (int i = 0; i < side * side; i++)
        k[i] = (float)((double)k[i] / sum);
}

void blur_patch(struct patch *p, float disc_px, float line_dx_px, float line_dy_px)
{
    float k[(2 * MAX_RADIUS + 1) * (2 * MAX_RADIUS + 1)], radius = disc_px * 0.5f;
    if (radius > DIRECT_RADIUS) {
        disc_by_rows(p, radius);
        radius = 0;
    }
    int r = (int)ceilf(radius + hypotf(line_dx_px, line_dy_px) * 0.5f + 1.5f);
    r = r > MAX_RADIUS ? MAX_RADIUS : r;
    small_kernel(k, r, radius, line_dx_px, line_dy_px);
    convolve(p, k, r);
}
