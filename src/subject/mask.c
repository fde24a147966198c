/* mask.c - morphology and flood fills on byte masks. */
#include "scene.h"

#include <string.h>

/* to[i] = any (want = 1) or all (want = 0) of the two. Bytes are 0 or 1. */
static void join_bytes(uint8_t *restrict to, const uint8_t *restrict from, uint32_t n, uint8_t want)
{
    if (want)
        for (uint32_t i = 0; i < n; i++)
            to[i] |= from[i];
    else
        for (uint32_t i = 0; i < n; i++)
            to[i] &= from[i];
}

/* out[i] = any (want = 1) or not all (want = 0) of the bytes within reach along a line equal `want`. */
static void line_spread(const uint8_t *in, uint8_t *out, uint32_t n, uint32_t reach, uint8_t want)
{
    memcpy(out, in, n);
    if (memchr(in, want, n) == NULL || memchr(in, !want, n) == NULL) /* most lines are of one kind */
        return;
    for (uint32_t d = 1; d <= reach && d < n; d++) {
        join_bytes(out, in + d, n - d, want);
        join_bytes(out + d, in, n - d, want);
    }
}

/* The same along columns, row upon row: a column at a time would miss the cache with every byte. All bytes
   are 0 or 1. */
static void rows_spread(const uint8_t *in, uint8_t *out, uint32_t cols, uint32_t rows, uint32_t reach,
                        uint8_t want)
{
    for (uint32_t r = 0; r < rows; r++) {
        uint8_t *to = out + (size_t)r * cols;
        uint32_t top = r > reach ? r - reach : 0, low = rows - r > reach ? r + reach : rows - 1;
        memcpy(to, in + (size_t)top * cols, cols);
        for (uint32_t y = top + 1; y <= low; y++)
            join_bytes(to, in + (size_t)y * cols, cols, want);
    }
}

static void spread(uint8_t *mask, uint32_t cols, uint32_t rows, uint32_t reach, uint8_t *scratch,
                   uint8_t want)
{
    for (uint32_t r = 0; r < rows; r++)
        line_spread(mask + (size_t)r * cols, scratch + (size_t)r * cols, cols, reach, want);
    rows_spread(scratch, mask, cols, rows, reach, want);
}

void mask_dilate(uint8_t *mask, uint32_t cols, uint32_t rows, uint32_t reach, uint8_t *scratch)
{
    spread(mask, cols, rows, reach, scratch, 1);
}

void mask_erode(uint8_t *mask, uint32_t cols, uint32_t rows, uint32_t reach, uint8_t *scratch)
{
    spread(mask, cols, rows, reach, scratch, 0);
}

size_t mask_flood(uint8_t *from, uint32_t cols, uint32_t rows, size_t seed, uint32_t *cell)
{
    size_t n = 0;
    from[seed] = 2;
    cell[n++] = (uint32_t)seed;
    for (size_t next = 0; next < n; next++) {
        uint32_t c = cell[next] % cols, r = cell[next] / cols;
        uint32_t left = c > 0 ? c - 1 : c, right = c + 1 < cols ? c + 1 : c;
        uint32_t top = r > 0 ? r - 1 : r, low = r + 1 < rows ? r + 1 : r;
        for (uint32_t y = top; y <= low; y++)
            for (uint32_t x = left; x <= right; x++) {
                size_t i = (size_t)y * cols + x;
                if (from[i] == 1) {
                    from[i] = 2;
                    cell[n++] = (uint32_t)i;
                }
            }
    }
    return n;
}

/* Rows and columns first .. one before end. */
struct box {
    uint32_t col, row, col_end, row_end;
};

/* The box of what is not 0; empty where all is. */
static struct box box_of(const uint8_t *mask, uint32_t cols, uint32_t rows)
{
    static const uint8_t none[64];
    struct box box = {cols, rows, 0, 0};
    for (uint32_t r = 0; r < rows; r++) {
        const uint8_t *line = mask + (size_t)r * cols;
        uint32_t c = 0, end = cols;
        while (c + sizeof none <= cols && memcmp(line + c, none, sizeof none) == 0)
            c += (uint32_t)sizeof none;
        while (c < cols && line[c] == 0)
            c++;
        if (c == cols)
            continue;
        while (line[end - 1] == 0)
            end--;
        box.row = r < box.row ? r : box.row;
        box.row_end = r + 1;
        box.col = c < box.col ? c : box.col;
        box.col_end = end > box.col_end ? end : box.col_end;
    }
    return box;
}

static void outside_push(uint8_t *mask, uint32_t *stack, size_t *n, size_t i)
{
    if (mask[i] == 0) {
        mask[i] = 2;
        stack[(*n)++] = (uint32_t)i;
    }
}

/* Whatever lies beyond the box of the mask is outside: only cells within it have to be asked. */
void mask_fill_holes(uint8_t *mask, uint32_t cols, uint32_t rows, uint32_t *stack)
{
    size_t n = 0;
    const struct box box = box_of(mask, cols, rows);
    if (box.row_end == 0)
        return;
    for (uint32_t c = box.col; c < box.col_end; c++) {
        outside_push(mask, stack, &n, (size_t)box.row * cols + c);
        outside_push(mask, stack, &n, (size_t)(box.row_end - 1) * cols + c);
    }
    for (uint32_t r = box.row; r < box.row_end; r++) {
        outside_push(mask, stack, &n, (size_t)r * cols + box.col);
        outside_push(mask, stack, &n, (size_t)r * cols + box.col_end - 1);
    }
    for (size_t next = 0; next < n; next++) {
        uint32_t c = stack[next] % cols, r = stack[next] / cols;
        if (c > box.col)
            outside_push(mask, stack, &n, stack[next] - 1);
        if (c + 1 < box.col_end)
            outside_push(mask, stack, &n, stack[next] + 1);
        if (r > box.row)
            outside_push(mask, stack, &n, stack[next] - cols);
        if (r + 1 < box.row_end)
            outside_push(mask, stack, &n, stack[next] + cols);
    }
    for (uint32_t r = box.row; r < box.row_end; r++)
        for (uint32_t c = box.col; c < box.col_end; c++) {
            uint8_t *at = &mask[(size_t)r * cols + c];
            *at = *at != 2;
        }
}
