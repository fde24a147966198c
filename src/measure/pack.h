/* pack.h - the planes of packed cells, shared by whole grids and parts. */
#ifndef MEASURE_PACK_H
#define MEASURE_PACK_H

#include "chaffinch/measure.h"

enum {
    GRID_MAGIC = 0x52474643, /* "CFGR" */
    PACK_CELL_BYTES = sizeof(uint16_t) + GRID_PLANES,
};

/* Packs all cells into cols * rows * PACK_CELL_BYTES bytes: the luma plane, then the others. */
void pack_cells(const struct cells *cells, uint8_t *bytes);
/* Pointers to the planes of n cells. */
void pack_planes(const uint8_t *bytes, size_t n, const uint16_t **luma, const uint8_t *plane[GRID_PLANES]);
/* Writes the header of a whole grid (bytes may be NULL) and returns the size of header and planes. */
size_t pack_whole(const struct grid *shape, uint8_t *bytes);
bool pack_shape_is_sound(uint32_t width_px, uint32_t height_px, uint32_t cell_px, uint32_t cols,
                         uint32_t rows);

#endif
