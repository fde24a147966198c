#include "canvas.h"
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void *canvas_alloc(size_t count, size_t size)
{
    void *p = calloc(count ? count : 1, size);
    if (!p) {
        fputs("cardgen: out of memory: use a smaller --size or fewer --jobs\n", stderr);
        exit(4);
    }
    return p;
}

struct canvas canvas_new(int w, int h)
{
    return (struct canvas){w, h, canvas_alloc((size_t)w * (size_t)h * 3, sizeof(float))};
}

void canvas_free(struct canvas *c)
{
    free(c->rgb);
    *c = (struct canvas){0};
}

void canvas_copy(struct canvas *to, const struct canvas *from)
{
    memcpy(to->rgb, from->rgb, (size_t)from->w * (size_t)from->h * 3 * sizeof(float));
}

static int clampi(int v, int lo, int hi)
{
    return v < lo ? lo : v > hi ? hi : v;
}

void canvas_copy_shifted(struct canvas *to, const struct canvas *from, int dx, int dy)
{
    if (dx == 0 && dy == 0) {
        canvas_copy(to, from);
        return;
    }
    for (int y = 0; y < to->h; y++) {
        const float *src = from->rgb + (size_t)clampi(y - dy, 0, from->h - 1) * (size_t)from->w * 3;
        float *dst = to->rgb + (size_t)y * (size_t)to->w * 3;
        for (int x = 0; x < to->w; x++)
            memcpy(dst + 3 * x, src + 3 * clampi(x - dx, 0, from->w - 1), 3 * sizeof(float));
    }
}

void canvas_sample(const struct canvas *c, float x, float y, float rgb[3])
{
    x = fminf(fmaxf(x, 0.0f), (float)(c->w - 1) - 0.001f);
    y = fminf(fmaxf(y, 0.0f), (float)(c->h - 1) - 0.001f);
    int ix = (int)x, iy = (int)y;
    float tx = x - (float)ix, ty = y - (float)iy;
    const float *p = c->rgb + ((size_t)iy * (size_t)c->w + (size_t)ix) * 3, *q = p + (size_t)c->w * 3;
    for (int k = 0; k < 3; k++) {
        float a = p[k] + (p[k + 3] - p[k]) * tx, b = q[k] + (q[k + 3] - q[k]) * tx;
        rgb[k] = a + (b - a) * ty;
    }
}

void canvas_blend(struct canvas *c, int x, int y, const float colour[3], float a)
{
    if (x < 0 || y < 0 || x >= c->w || y >= c->h || a <= 0)
        return;
    float *p = c->rgb + ((size_t)y * (size_t)c->w + (size_t)x) * 3;
    for (int k = 0; k < 3; k++)
        p[k] += (colour[k] - p[k]) * a;
}

/* One pass over a line of n RGB pixels `step` floats apart. */
static void box_line(float *line, float *tmp, int n, size_t step, int r)
{
    float sum[3] = {0}, inv = 1.0f / (float)(2 * r + 1);
    for (int i = -r; i <= r; i++)
        for (int k = 0; k < 3; k++)
            sum[k] += line[(size_t)clampi(i, 0, n - 1) * step + (size_t)k];
    for (int i = 0; i < n; i++) {
        size_t in = (size_t)clampi(i + r + 1, 0, n - 1) * step, out = (size_t)clampi(i - r, 0, n - 1) * step;
        for (size_t k = 0; k < 3; k++) {
            tmp[(size_t)i * 3 + k] = sum[k] * inv;
            sum[k] += line[in + k] - line[out + k];
        }
    }
    for (int i = 0; i < n; i++)
        memcpy(line + (size_t)i * step, tmp + 3 * i, 3 * sizeof(float));
}

void canvas_box_blur(struct canvas *c, int radius, int times)
{
    if (radius < 1)
        return;
    float *tmp = canvas_alloc((size_t)(c->w > c->h ? c->w : c->h) * 3, sizeof(float));
    for (int t = 0; t < times; t++) {
        for (int y = 0; y < c->h; y++)
            box_line(c->rgb + (size_t)y * (size_t)c->w * 3, tmp, c->w, 3, radius);
        for (int x = 0; x < c->w; x++)
            box_line(c->rgb + (size_t)x * 3, tmp, c->h, (size_t)c->w * 3, radius);
    }
    free(tmp);
}

struct patch patch_new(int x0, int y0, int w, int h)
{
    return (struct patch){x0, y0, w, h, canvas_alloc((size_t)w * (size_t)h * 4, sizeof(float))};
}

void patch_free(struct patch *p)
{
    free(p->px);
    *p = (struct patch){0};
}

void patch_over(const struct patch *p, struct canvas *c, const uint8_t *front)
{
    int xa = p->x0 < 0 ? -p->x0 : 0, xb = p->x0 + p->w > c->w ? c->w - p->x0 : p->w;
    for (int y = 0; y < p->h; y++) {
        int cy = y + p->y0;
        if (cy < 0 || cy >= c->h)
            continue;
        for (int x = xa; x < xb; x++) {
            const float *s = p->px + ((size_t)y * (size_t)p->w + (size_t)x) * 4;
            if (s[3] < 1e-5f)
                continue;
            size_t at = (size_t)cy * (size_t)c->w + (size_t)(x + p->x0);
            float show = front ? 1.0f - (float)front[at] * (1.0f / 255.0f) : 1.0f;
            for (size_t k = 0; k < 3; k++) {
                float *d = c->rgb + at * 3 + k;
                *d += show * (s[k] - s[3] * *d);
            }
        }
    }
}
