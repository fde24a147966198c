/* pack.h - the planes of packed cells, shared by whole grids and parts. */
#ifndef MEASURE_PACK_H
#define MEASURE_PACK_H

#include "fold.h"

enum {
    GRID_MAGIC = 0x52474643, /* "CFGR" */
    PACK_CELL_BYTES = sizeof(uint16_t) + GRID_PLANES,
};

/* Packs rows of cells as they come into a whole grid. */
struct packer;
/* NULL when memory ran out. */
struct packer *packer_new(uint32_t width_px, uint32_t height_px, uint32_t cell_px,
                          const struct kernels *kernels);
void packer_free(struct packer *p); /* NULL is accepted */
void packer_add_row(struct packer *p, uint32_t row, const struct cell_row *sums);
/* The grid of *size bytes, from malloc; it is the caller's from now on. */
uint8_t *packer_take(struct packer *p, size_t *size);
/* Its planes, cols * rows * PACK_CELL_BYTES bytes. */
const uint8_t *packer_planes(const struct packer *p);
/* The wanted cells out of those that were packed; p is NULL where the window is empty. False with ERR_NOMEM.
 */
bool pack_part(const struct packer *p, const struct grid_window *around, const struct grid_part *part,
               uint8_t **bytes, size_t *size, struct err *err);

/* Pointers to the planes of n cells. */
void pack_planes(const uint8_t *bytes, size_t n, const uint16_t **luma, const uint8_t *plane[GRID_PLANES]);
/* Writes the header of a whole grid (bytes may be NULL) and returns the size of header and planes. */
size_t pack_whole(const struct grid *shape, uint8_t *bytes);
bool pack_shape_is_sound(uint32_t width_px, uint32_t height_px, uint32_t cell_px, uint32_t cols,
                         uint32_t rows);

#endif
