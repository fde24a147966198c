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
    STEPS_AN_OCTAVE = 10,
    LOWEST_OCTAVE = -9, /* of byte 1 */
    LUMA_STEPS = 128,
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

/* 2^((k + 1/2) / 10): where one step ends and the next begins; then a wall. */
static const float step_ends[STEPS_AN_OCTAVE + 1] = {
    1.03526492f, 1.10956947f, 1.18920712f, 1.27456063f, 1.36604026f, 1.4640857f,
    1.5691682f,  1.68179283f, 1.80250093f, 1.93187266f, 4.0f,
};

/* The step at the start of each 64th of an octave's mantissas, none of which holds more than one step's end.
 */
static const uint8_t first_step[64] = {
    0, 0, 0, 1, 1, 1, 1, 1, 2, 2, 2, 2, 2, 3, 3, 3, 3, 3, 4, 4, 4, 4, 4, 4, 5, 5, 5, 5, 5,  5,  6,  6,
    6, 6, 6, 6, 6, 7, 7, 7, 7, 7, 7, 7, 8, 8, 8, 8, 8, 8, 8, 8, 9, 9, 9, 9, 9, 9, 9, 9, 10, 10, 10, 10,
};

/* From the bits of the float and two tables: no library logarithm, whose last bit differs between machines.
 */
static uint8_t log_byte(double value)
{
    float f = (float)value;
    uint32_t bits;
    memcpy(&bits, &f, sizeof bits);
    int octave = (int)(bits >> 23) - 127 - LOWEST_OCTAVE;
    uint32_t mantissa = (bits & 0x7fffff) | 0x3f800000; /* of 1.0 to 2.0 */
    memcpy(&f, &mantissa, sizeof f);
    int step = first_step[bits >> 17 & 63];
    step += f >= step_ends[step];
    int byte = 1 + octave * STEPS_AN_OCTAVE + step;
    return (uint8_t)(byte < 0 ? 0 : byte > 255 ? 255 : byte);
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

/* Variance as (n S2 - S1^2) / n^2, exact until the division. */
static double luma_variance(const struct cell *c)
{
    double n = c->count;
    return (double)(c->count * c->luma2 - c->luma * c->luma) / (n * n);
}

/* Mean of (gx^2 + gy^2) / 64 of scale `index`, whose samples are sums of 4^index pixels, in luma units. */
static double gradient_mean(const struct cell *c, unsigned index)
{
    double unit = 64.0 * (double)(1u << (4 * index));
    return (double)c->at[index].gradient2 / ((double)c->at[index].count * unit);
}

/* A cell cut by the edge can be too narrow for a sample of a coarse scale: it takes its neighbour's byte, as
   a nought would mean a flat cell. */
static uint8_t gradient_byte(const struct cells *cells, size_t i, unsigned index, const uint8_t *plane)
{
    const struct cell *c = &cells->cell[i];
    if (c->at[index].count > 0)
        return log_byte(gradient_mean(c, index));
    bool first_row = i < cells->cols;
    bool above_is_whole = !first_row && cells->cell[i - cells->cols].at[index].count > 0;
    return above_is_whole ? plane[i - cells->cols] : plane[i - 1];
}

static void pack_cell(const struct cells *cells, size_t i, uint16_t *luma, uint8_t *const *plane)
{
    const struct cell *c = &cells->cell[i];
    uint64_t n = c->count;
    luma[i] = (uint16_t)((2 * LUMA_STEPS * c->luma + n) / (2 * n));
    plane[GRID_VAR][i] = log_byte(luma_variance(c));
    plane[GRID_L1][i] = log_byte((double)c->at[0].laplacian2 / (double)n);
    for (unsigned s = 0; s < MEASURE_SCALES; s++)
        plane[GRID_G1 + s][i] = gradient_byte(cells, i, s, plane[GRID_G1 + s]);
    plane[GRID_CLIP][i] = (uint8_t)((2 * 255 * (uint64_t)c->clipped + n) / (2 * n));
}

void pack_planes(const uint8_t *bytes, size_t n, const uint16_t **luma, const uint8_t *plane[GRID_PLANES])
{
    *luma = (const uint16_t *)(const void *)bytes;
    for (size_t p = 0; p < GRID_PLANES; p++)
        plane[p] = bytes + n * sizeof(uint16_t) + p * n;
}

void pack_cells(const struct cells *cells, uint8_t *bytes)
{
    size_t n = (size_t)cells->cols * cells->rows;
    uint8_t *plane[GRID_PLANES];
    for (size_t p = 0; p < GRID_PLANES; p++)
        plane[p] = bytes + n * sizeof(uint16_t) + p * n;
    for (size_t i = 0; i < n; i++)
        pack_cell(cells, i, (uint16_t *)(void *)bytes, plane);
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

bool cells_pack(const struct cells *cells, uint8_t **bytes, size_t *size, struct err *err)
{
    const struct grid shape = {
        cells->width_px, cells->height_px, cells->cell_px, cells->cols, cells->rows, NULL, {NULL}, NULL};
    size_t total = pack_whole(&shape, NULL);
    uint8_t *out = malloc(total);
    if (out == NULL)
        return err_nomem(err);
    (void)pack_whole(&shape, out);
    pack_cells(cells, out + sizeof(struct header));
    *bytes = out;
    *size = total;
    return true;
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
