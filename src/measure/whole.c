/*
 * whole.c - the published whole-picture measures, straight from the pixels, and the same from cell sums.
 */
#include "chaffinch/measure.h"

/* 128 bits: the square of a sum over a 20 megapixel picture does not fit 64. */
__extension__ typedef __int128 wide_int;

/* A pixel of the picture with its border, which is one pixel wide. */
struct picture {
    const uint8_t *luma;
    int64_t width, height, stride;
    enum measure_border border;
};

struct totals {
    uint64_t count, laplacian2, gradient2;
    int64_t laplacian;
};

static int64_t mirrored(int64_t i, int64_t size, enum measure_border border)
{
    if (i >= 0 && i < size)
        return i;
    int64_t inside = border == MEASURE_REPLICATE || size == 1 ? 0 : 1;
    return i < 0 ? inside : size - 1 - inside;
}

static int pixel(const struct picture *p, int64_t x, int64_t y)
{
    bool outside = x < 0 || y < 0 || x >= p->width || y >= p->height;
    if (outside && p->border == MEASURE_CONSTANT)
        return 0;
    return p->luma[mirrored(y, p->height, p->border) * p->stride + mirrored(x, p->width, p->border)];
}

static void add_pixel(const struct picture *p, int64_t x, int64_t y, struct totals *t)
{
    int v[3][3];
    for (int j = 0; j < 3; j++)
        for (int i = 0; i < 3; i++)
            v[j][i] = pixel(p, x + i - 1, y + j - 1);
    int lap = v[0][1] + v[2][1] + v[1][0] + v[1][2] - 4 * v[1][1];
    int gx = v[0][2] - v[0][0] + 2 * (v[1][2] - v[1][0]) + v[2][2] - v[2][0];
    int gy = v[2][0] - v[0][0] + 2 * (v[2][1] - v[0][1]) + v[2][2] - v[0][2];
    t->count++;
    t->laplacian += lap;
    t->laplacian2 += (uint64_t)(lap * lap);
    t->gradient2 += (uint64_t)(gx * gx + gy * gy);
}

static struct totals add_picture(const uint8_t *luma, uint32_t width_px, uint32_t height_px, size_t stride,
                                 enum measure_border border)
{
    struct picture p = {luma, width_px, height_px, (int64_t)stride, border};
    struct totals t = {0};
    int64_t edge = border == MEASURE_INTERIOR ? 1 : 0;
    for (int64_t y = edge; y < p.height - edge; y++)
        for (int64_t x = edge; x < p.width - edge; x++)
            add_pixel(&p, x, y, &t);
    return t;
}

static struct totals add_cells(const struct cells *cells)
{
    struct totals t = {0};
    size_t n = (size_t)cells->cols * cells->rows;
    for (size_t i = 0; i < n; i++) {
        const struct cell_energy *e = &cells->cell[i].at[0];
        t.count += e->count;
        t.laplacian += e->laplacian;
        t.laplacian2 += e->laplacian2;
        t.gradient2 += e->gradient2;
    }
    return t;
}

/* (n S2 - S1^2) / n^2: exact until the one division, so it does not depend on the order of summing. */
static double laplacian_variance(struct totals t)
{
    if (t.count == 0)
        return 0;
    wide_int above = (wide_int)t.count * (wide_int)t.laplacian2 - (wide_int)t.laplacian * t.laplacian;
    return (double)above / ((double)t.count * (double)t.count);
}

static double tenengrad(struct totals t)
{
    return t.count == 0 ? 0 : (double)t.gradient2 / (double)t.count;
}

double measure_laplacian_variance(const uint8_t *luma, uint32_t width_px, uint32_t height_px, size_t stride,
                                  enum measure_border border)
{
    return laplacian_variance(add_picture(luma, width_px, height_px, stride, border));
}

double measure_tenengrad(const uint8_t *luma, uint32_t width_px, uint32_t height_px, size_t stride,
                         enum measure_border border)
{
    return tenengrad(add_picture(luma, width_px, height_px, stride, border));
}

double cells_laplacian_variance(const struct cells *cells)
{
    return laplacian_variance(add_cells(cells));
}

double cells_tenengrad(const struct cells *cells)
{
    return tenengrad(add_cells(cells));
}
