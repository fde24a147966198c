/* median.c - a plane's bytes over several grids, cell by cell: many cells are sorted side by side. */
#include "chaffinch/measure.h"

#include <string.h>

#include "chaffinch/lanes.h"

void grids_median_bytes(const struct grid *const *grid, size_t n, enum grid_plane plane, size_t first,
                        size_t cells, uint8_t *median)
{
    uint8_t v[GRIDS_MEDIAN_MOST][LANES_OF_BYTES] = {{0}};
    for (size_t i = 0, some; i < cells; i += some) {
        some = cells - i < LANES_OF_BYTES ? cells - i : LANES_OF_BYTES;
        for (size_t k = 0; k < n; k++)
            grid_bytes(grid[k], plane, first + i, some, v[k]);
        lanes_sort_bytes(v, n);
        memcpy(median + i, v[n / 2], some);
    }
}
