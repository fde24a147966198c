/*
 * pack.c - the packed grid: nine bytes a cell, quantised once.
 *
 * Layout, little-endian: eight 32 bit words (magic, version, width, height, cell, columns, rows, 0), then the
 * luma plane of uint16, then the planes of bytes in the order of enum grid_plane.
 *
 * Logarithmic bytes: 0 is nought; byte i >= 1 means 2^((i - 1) / 10 - 9). Neighbours differ by 7.2 %, so a
 * value is at most 3.6 % off, less than the sampling error of an energy over one cell. They reach from .00195
 * (a picture of 8 bit samples that is not perfectly flat lies above) to 86,475 (beyond a Laplacian of 255 in
 * every pixel); values below .00188 become 0, values above the range stay at its end.
 */
#include <stdlib.h>
#include <string.h>

#include "chaffinch/measure.h"
#include "pack.h"

#if __BYTE_ORDER__ != __ORDER_LITTLE_ENDIAN__
#error "the packed grid is read in place: this needs a little-endian processor"
#endif

enum {
    GRID_VERSION = 1,
    GRID_SIDE_MIN_PX = 16,
    GRID_SIDE_MAX_PX = 65500,
    LUMA_STEPS = 128,
    GRADIENT_UNIT = 64, /* Sobel's weights add up to 8 a side */
    LOG_PLANES = GRID_G8 - GRID_VAR + 1,
};

struct header {
    uint32_t magic, version, width_px, height_px, cell_px, cols, rows, reserved;
};

/* Ten steps of an octave that starts at s. */
#define OCTAVE(s)                                                                                            \
    1.0f * (s), 1.07177346f * (s), 1.14869835f * (s), 1.23114441f * (s), 1.31950791f * (s),                  \
        1.41421356f * (s), 1.51571657f * (s), 1.62450479f * (s), 1.74110113f * (s), 1.86606598f * (s)

static const float log_values[256] = {
    0.0f,
    OCTAVE(1.0f / 512.0f),
    OCTAVE(1.0f / 256.0f),
    OCTAVE(1.0f / 128.0f),
    OCTAVE(1.0f / 64.0f),
    OCTAVE(1.0f / 32.0f),
    OCTAVE(1.0f / 16.0f),
    OCTAVE(1.0f / 8.0f),
    OCTAVE(1.0f / 4.0f),
    OCTAVE(1.0f / 2.0f),
    OCTAVE(1.0f),
    OCTAVE(2.0f),
    OCTAVE(4.0f),
    OCTAVE(8.0f),
    OCTAVE(16.0f),
    OCTAVE(32.0f),
    OCTAVE(64.0f),
    OCTAVE(128.0f),
    OCTAVE(256.0f),
    OCTAVE(512.0f),
    OCTAVE(1024.0f),
    OCTAVE(2048.0f),
    OCTAVE(4096.0f),
    OCTAVE(8192.0f),
    OCTAVE(16384.0f),
    OCTAVE(32768.0f),
    1.0f * 65536.0f,
    1.07177346f * 65536.0f,
    1.14869835f * 65536.0f,
    1.23114441f * 65536.0f,
    1.31950791f * 65536.0f,
};

static uint8_t log_byte(double value)
{
    float f = (float)value;
    uint8_t byte;
    measure_plain_log_bytes(&f, 0, 1, &byte);
    return byte;
}

const float *grid_values(void)
{
    return log_values;
}

float grid_value(const struct grid *g, enum grid_plane plane, size_t i)
{
    uint8_t byte = grid_byte(g, plane, i);
    return plane == GRID_CLIP ? (float)byte / 255.0f : log_values[byte];
}

/* The planes while they are filled. */
struct planes {
    uint16_t *luma;
    uint8_t *plane[GRID_PLANES];
};

static struct planes planes_at(uint8_t *bytes, size_t n)
{
    struct planes to = {.luma = (uint16_t *)(void *)bytes};
    for (size_t p = 0; p < GRID_PLANES; p++)
        to.plane[p] = bytes + n * sizeof(uint16_t) + p * n;
    return to;
}

/* Variance as (n S2 - S1^2) / n^2, exact until the division. */
static double luma_variance(const struct cell *c)
{
    double n = c->count;
    return (double)(c->count * c->luma2 - c->luma * c->luma) / (n * n);
}

/* Mean of (gx^2 + gy^2) / 64 of scale `index`, whose samples are sums of 4^index pixels, in luma units. */
static double gradient_mean(const struct cell *c, unsigned index)
{
    double unit = GRADIENT_UNIT * (double)(1u << (4 * index));
    return (double)c->at[index].gradient2 / ((double)c->at[index].count * unit);
}

/* A cell cut by the edge can be too narrow for a sample of a coarse scale: it takes its neighbour's byte, as
   a nought would mean a flat cell. */
static uint8_t gradient_byte(const struct grid *g, size_t i, const struct cell *c, unsigned index,
                             const uint8_t *plane)
{
    if (c->at[index].count > 0)
        return log_byte(gradient_mean(c, index));
    bool wide_enough = cell_samples(g->width_px, g->cell_px, (uint32_t)(i % g->cols), index) > 0;
    return wide_enough && i >= g->cols ? plane[i - g->cols] : plane[i - 1];
}

/* Any cell, cut by the edge or whole. */
static void pack_cell(const struct grid *g, size_t i, const struct cell *c, const struct planes *to)
{
    uint64_t n = c->count;
    to->luma[i] = (uint16_t)((2 * LUMA_STEPS * c->luma + n) / (2 * n));
    to->plane[GRID_VAR][i] = log_byte(luma_variance(c));
    to->plane[GRID_L1][i] = log_byte((double)c->at[0].laplacian2 / (double)n);
    for (unsigned s = 0; s < MEASURE_SCALES; s++)
        to->plane[GRID_G1 + s][i] = gradient_byte(g, i, c, s, to->plane[GRID_G1 + s]);
    to->plane[GRID_CLIP][i] = (uint8_t)((2 * 255 * (uint64_t)c->clipped + n) / (2 * n));
}

void pack_planes(const uint8_t *bytes, size_t n, const uint16_t **luma, const uint8_t *plane[GRID_PLANES])
{
    *luma = (const uint16_t *)(const void *)bytes;
    for (size_t p = 0; p < GRID_PLANES; p++)
        plane[p] = bytes + n * sizeof(uint16_t) + p * n;
}

size_t pack_whole(const struct grid *shape, uint8_t *bytes)
{
    size_t n = (size_t)shape->cols * shape->rows;
    struct header h = {GRID_MAGIC,     GRID_VERSION, shape->width_px, shape->height_px,
                       shape->cell_px, shape->cols,  shape->rows,     0};
    if (bytes != NULL)
        memcpy(bytes, &h, sizeof h);
    return sizeof h + n * PACK_CELL_BYTES;
}

static struct grid shape_of(uint32_t width_px, uint32_t height_px, uint32_t cell_px)
{
    return (struct grid){.width_px = width_px,
                         .height_px = height_px,
                         .cell_px = cell_px,
                         .cols = (width_px + cell_px - 1) / cell_px,
                         .rows = (height_px + cell_px - 1) / cell_px};
}

bool cells_pack(const struct cells *cells, uint8_t **bytes, size_t *size, struct err *err)
{
    const struct grid shape = shape_of(cells->width_px, cells->height_px, cells->cell_px);
    size_t n = (size_t)cells->cols * cells->rows, total = pack_whole(&shape, NULL);
    uint8_t *out = malloc(total);
    if (out == NULL)
        return err_nomem(err);
    (void)pack_whole(&shape, out);
    const struct planes to = planes_at(out + sizeof(struct header), n);
    for (size_t i = 0; i < n; i++)
        pack_cell(&shape, i, &cells->cell[i], &to);
    *bytes = out;
    *size = total;
    return true;
}

struct packer {
    const struct kernels *kernels;
    struct grid shape;
    float *value;       /* of a row of cells, LOG_PLANES times as many as it has */
    uint8_t *logarithm; /* their bytes */
    uint8_t *bytes;
    size_t size;
};

struct packer *packer_new(uint32_t width_px, uint32_t height_px, uint32_t cell_px,
                          const struct kernels *kernels)
{
    struct packer *p = calloc(1, sizeof *p);
    if (p == NULL)
        return NULL;
    p->kernels = kernels;
    p->shape = shape_of(width_px, height_px, cell_px);
    p->size = pack_whole(&p->shape, NULL);
    p->value = malloc(LOG_PLANES * p->shape.cols * sizeof *p->value);
    p->logarithm = malloc(LOG_PLANES * p->shape.cols);
    p->bytes = malloc(p->size);
    if (p->value == NULL || p->logarithm == NULL || p->bytes == NULL) {
        packer_free(p);
        return NULL;
    }
    (void)pack_whole(&p->shape, p->bytes);
    return p;
}

void packer_free(struct packer *p)
{
    if (p == NULL)
        return;
    free(p->value);
    free(p->logarithm);
    free(p->bytes);
    free(p);
}

const uint8_t *packer_planes(const struct packer *p)
{
    return p->bytes + sizeof(struct header);
}

uint8_t *packer_take(struct packer *p, size_t *size)
{
    uint8_t *bytes = p->bytes;
    *size = p->size;
    p->bytes = NULL;
    return bytes;
}

/* 2^-exponent */
static float fraction(unsigned exponent)
{
    return 1.0f / (float)(UINT64_C(1) << exponent);
}

/* Luma and clipped share of n whole cells; and their values at scale 1, plane after plane. */
static void pack_fine(const struct cell_row *sums, size_t n, unsigned side, const struct planes *to,
                      float *value)
{
    const unsigned shift = 2 * side;
    const uint32_t px = 1u << shift;
    const float mean = fraction(shift), mean_of_squares = fraction(2 * shift), unit = mean / GRADIENT_UNIT;
    const struct fine_sums *restrict s = sums->fine;
    const uint32_t *restrict clipped = sums->clipped;
    uint16_t *restrict luma = to->luma;
    uint8_t *restrict clip = to->plane[GRID_CLIP];
    float *restrict variance = value + GRID_VAR * n, *restrict laplacian = value + GRID_L1 * n;
    float *restrict gradient = value + GRID_G1 * n;
    for (size_t c = 0; c < n; c++) {
        uint64_t sum = s[c].luma, squares = s[c].luma2;
        luma[c] = (uint16_t)((2 * LUMA_STEPS * s[c].luma + px) >> (shift + 1));
        clip[c] = (uint8_t)((2 * 255 * clipped[c] + px) >> (shift + 1));
        variance[c] = (float)(int64_t)((squares << shift) - sum * sum) * mean_of_squares;
        laplacian[c] = (float)(int32_t)s[c].laplacian2 * mean;
        gradient[c] = (float)(int32_t)s[c].gradient2 * unit;
    }
}

/* A cell that is whole has 4^side px, a power of two, so that its means need no division, and multiplying a
   float, rounded once from an integer, by a power of two is exact: the bytes are those of pack_cell. */
static void pack_whole_cells(const struct packer *p, const struct cell_row *sums, size_t n,
                             const struct planes *to)
{
    const unsigned side = p->shape.cell_px == 8 ? 3 : p->shape.cell_px == 16 ? 4 : 5;
    pack_fine(sums, n, side, to, p->value);
    for (unsigned i = 1; i < MEASURE_SCALES; i++) { /* 4^(side - i) samples, which are sums of 4^i px */
        float unit = fraction(2 * (side - i) + 4 * i) / GRADIENT_UNIT;
        p->kernels->scale_sums(sums->gradient2[i], n, unit, p->value + (GRID_G1 + i) * n);
    }
    p->kernels->log_bytes(p->value, LOG_PLANES * n, p->logarithm);
    for (size_t k = 0; k < LOG_PLANES; k++)
        memcpy(to->plane[GRID_VAR + k], p->logarithm + k * n, n);
}

void packer_add_row(struct packer *p, uint32_t row, const struct cell_row *sums)
{
    const struct grid *g = &p->shape;
    size_t first = (size_t)row * g->cols;
    const struct planes all = planes_at(p->bytes + sizeof(struct header), (size_t)g->cols * g->rows);
    struct planes to = {.luma = all.luma + first};
    for (size_t k = 0; k < GRID_PLANES; k++)
        to.plane[k] = all.plane[k] + first;
    uint32_t whole = (row + 1) * g->cell_px <= g->height_px ? g->width_px / g->cell_px : 0;
    pack_whole_cells(p, sums, whole, &to);
    struct cell_place at = {g->width_px, g->height_px, g->cell_px, whole, row};
    for (; at.col < g->cols; at.col++) {
        struct cell cell = cell_of_row(sums, &at);
        pack_cell(g, first + at.col, &cell, &all);
    }
}

bool pack_shape_is_sound(uint32_t width_px, uint32_t height_px, uint32_t cell_px, uint32_t cols,
                         uint32_t rows)
{
    return width_px >= GRID_SIDE_MIN_PX && width_px <= GRID_SIDE_MAX_PX && height_px >= GRID_SIDE_MIN_PX &&
           height_px <= GRID_SIDE_MAX_PX && cell_px == measure_cell_px(width_px) &&
           cols == (width_px + cell_px - 1) / cell_px && rows == (height_px + cell_px - 1) / cell_px;
}

static bool header_is_sound(const struct header *h)
{
    if (h->magic != GRID_MAGIC || h->version != GRID_VERSION || h->reserved != 0)
        return false;
    return pack_shape_is_sound(h->width_px, h->height_px, h->cell_px, h->cols, h->rows);
}

bool grid_view(struct grid *grid, const uint8_t *bytes, size_t size, struct err *err)
{
    struct header h;
    if ((uintptr_t)bytes % 8 != 0)
        return err_set(err, ERR_DAMAGED, "the packed measures do not start at a multiple of 8 bytes");
    if (size < sizeof h)
        return err_set(err, ERR_DAMAGED, "the packed measures are cut short: measure this frame again");
    memcpy(&h, bytes, sizeof h);
    if (!header_is_sound(&h))
        return err_set(err, ERR_DAMAGED, "the packed measures are damaged: measure this frame again");
    size_t n = (size_t)h.cols * h.rows;
    if (size != sizeof h + n * PACK_CELL_BYTES)
        return err_set(err, ERR_DAMAGED,
                       "the packed measures have %zu bytes instead of %zu: measure this frame again", size,
                       sizeof h + n * PACK_CELL_BYTES);
    *grid = (struct grid){h.width_px, h.height_px, h.cell_px, h.cols, h.rows, NULL, {NULL}, NULL};
    pack_planes(bytes + sizeof h, n, &grid->luma, grid->plane);
    return true;
}
