/* mask.c - morphology and flood fills on byte masks. */
#include "scene.h"

#include <string.h>

/* out[i] = any (want = 1) or not all (want = 0) of the bytes within reach along a line equal `want`. */
static void line_spread(const uint8_t *in, uint8_t *out, uint32_t n, uint32_t reach, uint8_t want)
{
    if (memchr(in, want, n) == NULL || memchr(in, !want, n) == NULL) { /* most lines are of one kind */
        memcpy(out, in, n);
        return;
    }
    int64_t last = -1 - (int64_t)reach; /* position of the latest `want` at or before i + reach */
    uint32_t ahead = 0;
    for (uint32_t i = 0; i < n; i++) {
        for (; ahead < n && ahead <= i + reach; ahead++)
            if (in[ahead] == want)
                last = ahead;
        bool near = last >= 0 && last + (int64_t)reach >= (int64_t)i;
        out[i] = near ? want : (uint8_t)!want;
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
        for (uint32_t y = top + 1; y <= low; y++) {
            const uint8_t *from = in + (size_t)y * cols;
            for (uint32_t c = 0; c < cols; c++)
                to[c] = want ? to[c] | from[c] : to[c] & from[c];
        }
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

static void outside_push(uint8_t *mask, uint32_t *stack, size_t *n, size_t i)
{
    if (mask[i] == 0) {
        mask[i] = 2;
        stack[(*n)++] = (uint32_t)i;
    }
}

void mask_fill_holes(uint8_t *mask, uint32_t cols, uint32_t rows, uint32_t *stack)
{
    size_t n = 0, cells = (size_t)cols * rows;
    for (uint32_t c = 0; c < cols; c++) {
        outside_push(mask, stack, &n, c);
        outside_push(mask, stack, &n, cells - 1 - c);
    }
    for (uint32_t r = 0; r < rows; r++) {
        outside_push(mask, stack, &n, (size_t)r * cols);
        outside_push(mask, stack, &n, (size_t)r * cols + cols - 1);
    }
    for (size_t next = 0; next < n; next++) {
        uint32_t c = stack[next] % cols, r = stack[next] / cols;
        if (c > 0)
            outside_push(mask, stack, &n, stack[next] - 1);
        if (c + 1 < cols)
            outside_push(mask, stack, &n, stack[next] + 1);
        if (r > 0)
            outside_push(mask, stack, &n, stack[next] - cols);
        if (r + 1 < rows)
            outside_push(mask, stack, &n, stack[next] + cols);
    }
    for (size_t i = 0; i < cells; i++)
        mask[i] = mask[i] != 2;
}
