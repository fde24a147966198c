#include <stdlib.h>

#include "measure_ref.h"

struct image {
    int64_t width, height;
    int64_t *value;
};

static int64_t at(const struct image *m, int64_t x, int64_t y)
{
    if (x < 0)
        x = -x;
    if (y < 0)
        y = -y;
    if (x >= m->width)
        x = 2 * m->width - 2 - x;
    if (y >= m->height)
        y = 2 * m->height - 2 - y;
    return m->value[y * m->width + x];
}

/* Correlation with a 3 x 3 kernel, written as in the textbooks. */
static int64_t correlate(const struct image *m, int64_t x, int64_t y, const int kernel[3][3])
{
    int64_t sum = 0;
    for (int j = -1; j <= 1; j++)
        for (int i = -1; i <= 1; i++)
            sum += kernel[j + 1][i + 1] * at(m, x + i, y + j);
    return sum;
}

/* Box sums of scale * scale pixels of the picture. */
static struct image box_sums(const uint8_t *luma, uint32_t width_px, uint32_t height_px, uint32_t scale)
{
    struct image m = {width_px / scale, height_px / scale, NULL};
    m.value = calloc((size_t)(m.width * m.height), sizeof *m.value);
    for (int64_t y = 0; m.value != NULL && y < m.height * scale; y++)
        for (int64_t x = 0; x < m.width * scale; x++)
            m.value[y / scale * m.width + x / scale] += luma[y * width_px + x];
    return m;
}

static void add_scale(struct cells *c, const struct image *m, uint32_t scale, unsigned index)
{
    static const int laplacian[3][3] = {{0, 1, 0}, {1, -4, 1}, {0, 1, 0}};
    static const int sobel_x[3][3] = {{-1, 0, 1}, {-2, 0, 2}, {-1, 0, 1}};
    static const int sobel_y[3][3] = {{-1, -2, -1}, {0, 0, 0}, {1, 2, 1}};
    for (int64_t y = 0; y < m->height; y++)
        for (int64_t x = 0; x < m->width; x++) {
            int64_t col = x * scale / c->cell_px, row = y * scale / c->cell_px;
            struct cell_energy *e = &c->cell[row * c->cols + col].at[index];
            int64_t l = correlate(m, x, y, laplacian);
            int64_t gx = correlate(m, x, y, sobel_x), gy = correlate(m, x, y, sobel_y);
            e->count++;
            e->laplacian += l;
            e->laplacian2 += (uint64_t)(l * l);
            e->gradient2 += (uint64_t)(gx * gx + gy * gy);
        }
}

static void add_luma(struct cells *c, const uint8_t *luma)
{
    for (uint32_t y = 0; y < c->height_px; y++)
        for (uint32_t x = 0; x < c->width_px; x++) {
            struct cell *cell = &c->cell[y / c->cell_px * c->cols + x / c->cell_px];
            unsigned v = luma[(size_t)y * c->width_px + x];
            cell->count++;
            cell->luma += v;
            cell->luma2 += v * v;
            cell->clipped += v < 2 || v > 253;
        }
}

struct cells *measure_ref(const uint8_t *luma, uint32_t width_px, uint32_t height_px)
{
    uint32_t cell = width_px > 6400 ? 32 : width_px > 3200 ? 16 : 8;
    struct cells *c = calloc(1, sizeof *c);
    if (c == NULL)
        return NULL;
    *c = (struct cells){width_px, height_px, cell, (width_px - 1) / cell + 1, (height_px - 1) / cell + 1,
                        NULL};
    c->cell = calloc((size_t)c->cols * c->rows, sizeof *c->cell);
    if (c->cell == NULL) {
        free(c);
        return NULL;
    }
    add_luma(c, luma);
    for (unsigned i = 0; i < MEASURE_SCALES; i++) {
        struct image m = box_sums(luma, width_px, height_px, 1u << i);
        if (m.value != NULL)
            add_scale(c, &m, 1u << i, i);
        free(m.value);
    }
    return c;
}
