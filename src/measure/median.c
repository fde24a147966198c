/*
 * median.c - a plane's bytes over several grids, cell by cell.
 *
 * A sorting network (Batcher's odd-even merge exchange: Knuth, The Art of Computer Programming 3, 5.2.2,
 * algorithm M) compares the same places whatever the values are, so many cells are sorted side by side.
 */
#include "chaffinch/measure.h"

#include <string.h>

enum { LANES = 64 };

static void exchange(uint8_t *restrict a, uint8_t *restrict b)
{
    for (int k = 0; k < LANES; k++) {
        uint8_t low = a[k] < b[k] ? a[k] : b[k], high = a[k] < b[k] ? b[k] : a[k];
        a[k] = low;
        b[k] = high;
    }
}

static void sort(uint8_t v[][LANES], size_t n)
{
    size_t top = 1;
    while (2 * top < n)
        top *= 2;
    for (size_t p = n > 1 ? top : 0; p > 0; p /= 2) {
        size_t q = top, r = 0, d = p;
        for (;;) {
            for (size_t i = 0; i + d < n; i++)
                if ((i & p) == r)
                    exchange(v[i], v[i + d]);
            if (q == p)
                break;
            d = q - p;
            q /= 2;
            r = p;
        }
    }
}

void grids_median_bytes(const struct grid *const *grid, size_t n, enum grid_plane plane, size_t first,
                        size_t cells, uint8_t *median)
{
    uint8_t v[GRIDS_MEDIAN_MOST][LANES] = {{0}};
    for (size_t i = 0, some; i < cells; i += some) {
        some = cells - i < LANES ? cells - i : LANES;
        for (size_t k = 0; k < n; k++)
            grid_bytes(grid[k], plane, first + i, some, v[k]);
        sort(v, n);
        memcpy(median + i, v[n / 2], some);
    }
}
