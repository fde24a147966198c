/*
 * part.c - the cells of a part of a frame, packed.
 *
 * Layout, little-endian: sixteen 32 bit words (magic, version 2, width, height, cell, columns, rows, then
 * column, row, columns and rows of the window, the same four of the subject's place, and the gain as a
 * float), then the planes of the window's cells as in a whole grid.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/measure.h"
#include "pack.h"

enum { PART_VERSION = 2 };

struct part_header {
    uint32_t magic, version, width_px, height_px, cell_px, cols, rows;
    struct grid_window window, subject;
    float gain;
};
_Static_assert(sizeof(struct part_header) == 64, "planes start on an 8-byte boundary");

static uint32_t cells_of(uint32_t length_px, uint32_t cell_px)
{
    return (length_px + cell_px - 1) / cell_px;
}

/* One cell all round; at a cut edge two, since a cell too narrow for a sample takes its neighbour's. */
struct grid_window measure_window_px(uint32_t width_px, uint32_t height_px, const struct grid_window *wanted,
                                     uint32_t px[4])
{
    uint32_t cell = measure_cell_px(width_px), cols = cells_of(width_px, cell),
             rows = cells_of(height_px, cell);
    bool cut = wanted->col + wanted->cols == cols || wanted->row + wanted->rows == rows;
    uint32_t ring = cut ? 2 : 1;
    uint32_t left = wanted->col > ring ? wanted->col - ring : 0;
    uint32_t top = wanted->row > ring ? wanted->row - ring : 0;
    uint32_t right = wanted->col + wanted->cols + ring, lower = wanted->row + wanted->rows + ring;
    right = right < cols ? right : cols;
    lower = lower < rows ? lower : rows;
    px[0] = left * cell;
    px[1] = top * cell;
    px[2] = (right == cols ? width_px : right * cell) - px[0];
    px[3] = (lower == rows ? height_px : lower * cell) - px[1];
    return (struct grid_window){left, top, right - left, lower - top};
}

/* The wanted cells out of those that were measured. */
static void copy_inner(const uint8_t *from, const struct grid_window *around, uint8_t *to,
                       const struct grid_window *window)
{
    size_t n_from = (size_t)around->cols * around->rows, n = (size_t)window->cols * window->rows;
    size_t at = (size_t)(window->row - around->row) * around->cols + (window->col - around->col);
    for (uint32_t r = 0; r < window->rows; r++) {
        size_t source = at + (size_t)r * around->cols, target = (size_t)r * window->cols;
        memcpy(to + 2 * target, from + 2 * source, 2 * (size_t)window->cols);
        for (size_t p = 0; p < GRID_PLANES; p++)
            memcpy(to + (2 + p) * n + target, from + (2 + p) * n_from + source, window->cols);
    }
}

bool pack_part(const struct packer *p, const struct grid_window *around, const struct grid_part *part,
               uint8_t **bytes, size_t *size, struct err *err)
{
    size_t n = (size_t)part->window.cols * part->window.rows;
    struct part_header h = {GRID_MAGIC, PART_VERSION, part->width_px, part->height_px, part->cell_px,
                            part->cols, part->rows,   part->window,   part->subject,   part->gain};
    uint8_t *out = malloc(sizeof h + n * PACK_CELL_BYTES);
    if (out == NULL)
        return err_nomem(err);
    memcpy(out, &h, sizeof h);
    if (n > 0)
        copy_inner(packer_planes(p), around, out + sizeof h, &part->window);
    *bytes = out;
    *size = sizeof h + n * PACK_CELL_BYTES;
    return true;
}

bool grid_is_part(const uint8_t *bytes, size_t size)
{
    struct part_header h;
    if (size < sizeof h)
        return false;
    memcpy(&h, bytes, sizeof h);
    return h.magic == GRID_MAGIC && h.version == PART_VERSION;
}

static bool window_is_sound(const struct grid_window *w, const struct part_header *h)
{
    if (w->cols == 0)
        return true;
    return w->rows > 0 && w->col < h->cols && w->row < h->rows && w->cols <= h->cols - w->col &&
           w->rows <= h->rows - w->row;
}

bool grid_part_view(struct grid_part *part, const uint8_t *bytes, size_t size, struct err *err)
{
    struct part_header h;
    if ((uintptr_t)bytes % 8 != 0 || !grid_is_part(bytes, size))
        return err_set(err, ERR_DAMAGED, "the packed measures are damaged: measure this frame again");
    memcpy(&h, bytes, sizeof h);
    size_t n = h.window.cols == 0 ? 0 : (size_t)h.window.cols * h.window.rows;
    if (!pack_shape_is_sound(h.width_px, h.height_px, h.cell_px, h.cols, h.rows) ||
        !window_is_sound(&h.window, &h) || !window_is_sound(&h.subject, &h) || !isfinite(h.gain) ||
        !(h.gain > 0) || size != sizeof h + n * PACK_CELL_BYTES)
        return err_set(err, ERR_DAMAGED, "the packed measures are damaged: measure this frame again");
    *part = (struct grid_part){.width_px = h.width_px,
                               .height_px = h.height_px,
                               .cell_px = h.cell_px,
                               .cols = h.cols,
                               .rows = h.rows,
                               .window = h.window,
                               .subject = h.subject,
                               .gain = h.gain};
    pack_planes(bytes + sizeof h, n, &part->luma, part->plane);
    return true;
}
