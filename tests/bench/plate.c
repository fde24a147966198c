/* plate.c - grey pictures: windows between the pixels, blur. */
#include "plate.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "../cardgen/canvas.h"

struct plate plate_new(int w, int h)
{
    return (struct plate){w, h, canvas_alloc((size_t)w * (size_t)h, sizeof(float))};
}

void plate_free(struct plate *p)
{
    free(p->v);
    *p = (struct plate){0};
}

static int inside(int i, int n)
{
    return i < 0 ? 0 : i >= n ? n - 1 : i;
}

static void box_line(float *line, float *tmp, int n, size_t step, int r)
{
    double sum = 0, share = 1.0 / (2 * r + 1);
    for (int i = -r; i <= r; i++)
        sum += (double)line[(size_t)inside(i, n) * step];
    for (int i = 0; i < n; i++) {
        tmp[i] = (float)(sum * share);
        sum +=
            (double)line[(size_t)inside(i + r + 1, n) * step] - (double)line[(size_t)inside(i - r, n) * step];
    }
    for (int i = 0; i < n; i++)
        line[(size_t)i * step] = tmp[i];
}

/* Variance of a box of 2r + 1 px is r (r + 1) / 3; three of them. */
void plate_blur(struct plate *p, float sigma_px)
{
    int r = (int)lroundf(0.5f * (sqrtf(1 + 4 * sigma_px * sigma_px) - 1));
    if (r < 1)
        return;
    float *tmp = canvas_alloc((size_t)(p->w > p->h ? p->w : p->h), sizeof *tmp);
    for (int times = 0; times < 3; times++) {
        for (int y = 0; y < p->h; y++)
            box_line(p->v + (size_t)y * (size_t)p->w, tmp, p->w, 1, r);
        for (int x = 0; x < p->w; x++)
            box_line(p->v + x, tmp, p->h, (size_t)p->w, r);
    }
    free(tmp);
}

static void catmull_rom(float t, float k[4])
{
    k[0] = 0.5f * t * (-1 + t * (2 - t));
    k[1] = 1 + 0.5f * t * t * (-5 + 3 * t);
    k[2] = 0.5f * t * (1 + t * (4 - 3 * t));
    k[3] = 0.5f * t * t * (t - 1);
}

static void mix_row(const struct plate *from, int y, const float k[4], float *mixed)
{
    const float *row[4];
    for (int j = 0; j < 4; j++)
        row[j] = from->v + (size_t)inside(y + j - 1, from->h) * (size_t)from->w;
    for (int x = 0; x < from->w; x++)
        mixed[x] = k[0] * row[0][x] + k[1] * row[1][x] + k[2] * row[2][x] + k[3] * row[3][x];
}

void plate_window(const struct plate *from, float x, float y, struct plate *to)
{
    int ix = (int)floorf(x), iy = (int)floorf(y);
    float kx[4], ky[4], *mixed = canvas_alloc((size_t)from->w, sizeof *mixed);
    catmull_rom(x - (float)ix, kx);
    catmull_rom(y - (float)iy, ky);
    for (int r = 0; r < to->h; r++) {
        float *out = to->v + (size_t)r * (size_t)to->w;
        mix_row(from, iy + r, ky, mixed);
        for (int c = 0; c < to->w; c++) {
            int at = ix + c - 1;
            if (at >= 0 && at + 3 < from->w)
                out[c] =
                    kx[0] * mixed[at] + kx[1] * mixed[at + 1] + kx[2] * mixed[at + 2] + kx[3] * mixed[at + 3];
            else
                out[c] = mixed[inside(at + 1, from->w)];
        }
    }
    free(mixed);
}
