/*
 * measure.h - sharpness sums over cells, from rows of luma, in one pass. Pure: no files, no decoder.
 *
 * A cell is a square of 8 px (frames up to 3200 px wide), 16 px (up to 6400) or 32 px. Cells at the right and
 * the lower edge may be cut. Everything that is scored later is a sum over cells.
 *
 * Calling sequence:
 *     struct measure *m = measure_new_packing(MEASURE_PATH_BEST, width_px, height_px,
 *                                             measure_cell_px(width_px), &err);
 *     for each row: measure_row(m, luma);                    rows in order, width_px bytes each
 *     measure_finish_packed(m, &bytes, &size, &err)          takes m, frees it on success and on failure
 *
 * or, for the exact sums of each cell instead of nine bytes of it,
 *
 *     struct measure *m = measure_new(width_px, height_px, &err);
 *     ... struct cells *cells = measure_finish(m, &err); cells_free(cells);
 *
 * Kernels (correlation, x right, y down; borders are REFLECT_101, as OpenCV 4.6.0's default):
 *     Laplacian  [0 1 0; 1 -4 1; 0 1 0]     (cv::Laplacian ksize 1)
 *     Sobel      [-1 0 1; -2 0 2; -1 0 1] and its transpose (cv::Sobel ksize 3, no scaling)
 * Scale 2 is the sum of 2 x 2 luma (not divided), scale 4 the sum of 4 x 4; a pixel that an odd edge leaves
 * over is dropped at the next scale. Scale 8 is the 8 x 8 sums whatever the cell size.
 */
#ifndef CHAFFINCH_MEASURE_H
#define CHAFFINCH_MEASURE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chaffinch/err.h"

enum { MEASURE_SCALES = 4 }; /* scales 1, 2, 4, 8 */

/* Exact sums of one cell at one scale. Units: squared luma steps of that scale's sums (scale s: luma x s^2).
 */
struct cell_energy {
    uint32_t count;      /* pixels of this scale */
    int64_t laplacian;   /* sum of L */
    uint64_t laplacian2; /* sum of L^2 */
    uint64_t gradient2;  /* sum of gx^2 + gy^2 */
};

/* Exact sums of one cell. */
struct cell {
    uint32_t count;   /* pixels */
    uint32_t clipped; /* pixels at 0-1 or 254-255 */
    uint64_t luma;    /* sum of y */
    uint64_t luma2;   /* sum of y^2 */
    struct cell_energy at[MEASURE_SCALES];
};

/* The exact measures of one frame; cell (c, r) is cell[r * cols + c]. */
struct cells {
    uint32_t width_px, height_px; /* of the picture that was measured, unrotated */
    uint32_t cell_px;             /* 8, 16 or 32 */
    uint32_t cols, rows;          /* ceil(width / cell), ceil(height / cell) */
    struct cell *cell;
};

/* 8, 16 or 32 for a frame of this width. */
uint32_t measure_cell_px(uint32_t width_px);

struct measure;
/* NULL with ERR_FORMAT (a side under 16 or over 65500 px) or ERR_NOMEM. Freed by measure_finish or
 * measure_free. */
struct measure *measure_new(uint32_t width_px, uint32_t height_px, struct err *err);

/* Ways through the inner loops; all give the same bits. BEST is what the processor has. */
enum measure_path { MEASURE_PATH_BEST, MEASURE_PATH_PLAIN, MEASURE_PATH_SSE2, MEASURE_PATH_AVX2 };
/* As measure_new, for tests and benches; NULL with ERR_USAGE where the processor does not have this path. */
struct measure *measure_new_with(enum measure_path path, uint32_t width_px, uint32_t height_px,
                                 struct err *err);

/* As measure_new_with for a part of a larger frame, whose cells are cell_px wide. */
struct measure *measure_new_part(enum measure_path path, uint32_t width_px, uint32_t height_px,
                                 uint32_t cell_px, struct err *err);

/* As measure_new_part, for packed bytes instead of exact sums: rows of cells are packed as they come, so that
 * a 20-megapixel frame needs 1 MB instead of 13. */
struct measure *measure_new_packing(enum measure_path path, uint32_t width_px, uint32_t height_px,
                                    uint32_t cell_px, struct err *err);

/* Takes one more row; rows beyond the height are ignored. */
void measure_row(struct measure *m, const uint8_t *luma);
/* The same without a copy: the row that comes `ahead` (below MEASURE_PLACES) rows after the next one may be
 * written to measure_place, which has room for the width rounded up to a multiple of 8; measure_placed takes
 * the next `rows` of them. */
enum { MEASURE_PLACES = 16 };
uint8_t *measure_place(struct measure *m, uint32_t ahead);
void measure_placed(struct measure *m, uint32_t rows);
/* NULL with ERR_FORMAT when rows are missing. Frees m either way. */
struct cells *measure_finish(struct measure *m, struct err *err);
/* The packed grid (see cells_pack) of a measure from measure_new_packing. *bytes (malloc) is the caller's.
 * False with ERR_FORMAT when rows are missing. Frees m either way. */
bool measure_finish_packed(struct measure *m, uint8_t **bytes, size_t *size, struct err *err);
void measure_free(struct measure *m);
void cells_free(struct cells *cells);

/*
 * The packed grid: what is kept on disk and what scoring always reads, so that a re-run is identical. 9 bytes
 * a cell in planes: luma mean as uint16 (1/128 step), the rest as uint8 on a logarithmic scale (quantised
 * once).
 */
enum grid_plane {
    GRID_VAR,  /* variance of luma within the cell */
    GRID_L1,   /* mean of L^2 at scale 1 */
    GRID_G1,   /* mean of (gx^2 + gy^2) / 64 at scale 1, luma units */
    GRID_G2,   /* the same at scale 2, luma units (sums divided by 4) */
    GRID_G4,   /* scale 4 */
    GRID_G8,   /* scale 8, of 8 x 8-px means */
    GRID_CLIP, /* share of clipped pixels, 0..1, linear */
    GRID_PLANES
};

/* A view into packed bytes; valid as long as they are. Read-only. */
struct grid {
    uint32_t width_px, height_px, cell_px, cols, rows;
    const uint16_t *luma;              /* cols * rows, luma x 128 */
    const uint8_t *plane[GRID_PLANES]; /* cols * rows each, see grid_value */
    const struct grid_rest *rest;      /* NULL, or planes hold less than all cells: grid_byte knows where */
};

/* Packs into *bytes (malloc, caller frees) of *size. Little-endian, with a magic, a version and an XXH3-free
   layout that grid_view checks. False with ERR_NOMEM; *bytes is then untouched. */
bool cells_pack(const struct cells *cells, uint8_t **bytes, size_t *size, struct err *err);
/* Makes a view of packed bytes, which must be 8-byte aligned. False with ERR_DAMAGED when they are not a
 * packed grid. */
bool grid_view(struct grid *grid, const uint8_t *bytes, size_t size, struct err *err);

/*
 * A part of a frame, for frames that are decoded around their subject only.
 *
 *     struct grid_window around = measure_window_px(width, height, &wanted, px);
 *     decode the rows and columns px[0..3] (x, y, width, height) into
 *         measure_new_packing(path, px[2], px[3], measure_cell_px(width), &err)
 *     measure_finish_part(m, &around, &part, &bytes, &size, &err);      part.window = wanted
 *
 * The decoded px reach one cell (two at a cut edge) beyond the wanted cells, so that every wanted cell has
 * its true neighbours: its bytes equal those of a full decode.
 */
struct grid_window {
    uint32_t col, row, cols, rows; /* in cells of the frame; cols = 0: nothing */
};
struct grid_window measure_window_px(uint32_t width_px, uint32_t height_px, const struct grid_window *wanted,
                                     uint32_t px[4]);

struct grid_part {
    uint32_t width_px, height_px, cell_px, cols, rows; /* of the frame */
    struct grid_window window;                         /* the cells that are here */
    struct grid_window subject; /* where the subject was thought to be; cols = 0: nowhere */
    float gain;                 /* exposure of this frame against the burst, 1 = equal */
    const uint16_t *luma;       /* window.cols * window.rows */
    const uint8_t *plane[GRID_PLANES];
};
/* m measured `around` of the frame; NULL where the window is empty. False with ERR_NOMEM, or ERR_FORMAT when
 * rows are missing. Frees m either way. */
bool measure_finish_part(struct measure *m, const struct grid_window *around, const struct grid_part *part,
                         uint8_t **bytes, size_t *size, struct err *err);
/* True where packed bytes are a part and not a whole grid. */
bool grid_is_part(const uint8_t *bytes, size_t size);
bool grid_part_view(struct grid_part *part, const uint8_t *bytes, size_t size, struct err *err);

/*
 * Completes parts to whole grids: what was not decoded is what the whole frames of the burst show there
 * without a subject, with the noise that they have, so that finding subjects sees a still scene.
 *
 * n frames; whole[i] non-NULL = a whole grid (`subject_of_whole[i]` tells where its subject is thought to be,
 * gain_of_whole[i] its exposure), else part[i] non-NULL = a part of the same frame size, else missing. Fills
 * bytes[i] (malloc, 8-byte aligned, caller frees) and grid[i] for every part. The same input gives the same
 * bytes. False with ERR_NOMEM, or ERR_NOT_FOUND where there are parts and no whole grid.
 */
struct fill_input {
    size_t n;
    const struct grid *const *whole;
    const struct grid_window *subject_of_whole;
    const float *gain_of_whole;
    const struct grid_part *const *part;
};
bool grids_fill(const struct fill_input *input, uint8_t **bytes, struct grid *grid, struct err *err);
/* The same grids without a copy of what parts and whole frames hold already: only luma is made, planes are
   read where they are (grid_byte), so a burst takes a fourth of the memory. The grids and parts of the input
   must stay as long as the result. NULL with errors as above. */
struct grids_filled;
struct grids_filled *grids_fill_thin(const struct fill_input *input, struct grid *grid, struct err *err);
void grids_filled_free(struct grids_filled *filled); /* NULL is accepted */
uint8_t grid_rest_byte(const struct grid *g, enum grid_plane plane, size_t i);
/* The byte of a plane at a cell. */
static inline uint8_t grid_byte(const struct grid *g, enum grid_plane plane, size_t i)
{
    return g->rest == NULL ? g->plane[plane][i] : grid_rest_byte(g, plane, i);
}
/* Of n cells in a row of them, or of several rows. */
void grid_bytes(const struct grid *g, enum grid_plane plane, size_t i, size_t n, uint8_t *bytes);
/* Of cells first .. first + cells - 1 the median byte over n grids of one size, 1 to GRIDS_MEDIAN_MOST: that
   of rank n / 2, from 0. */
enum { GRIDS_MEDIAN_MOST = 31 };
void grids_median_bytes(const struct grid *const *grid, size_t n, enum grid_plane plane, size_t first,
                        size_t cells, uint8_t *median);
/* sides[t] = the sides of part t that something reaches which is not the scene: the subject may go on beyond
   them, and the frame should be decoded again, grown there. Errors as above. */
enum { GRID_LEFT = 1, GRID_RIGHT = 2, GRID_TOP = 4, GRID_LOWER = 8 };
bool grids_edges(const struct fill_input *input, uint8_t *sides, struct err *err);
/* score[t] = a first idea of how sharp the subject of frame t is, comparable within a burst, higher is
   sharper; NAN where nothing was decoded or stands out. Errors as above. */
bool grids_sharpness(const struct fill_input *input, float *score, struct err *err);
/* The window of a part, larger by half on each of these sides, within the frame. */
struct grid_window grid_part_grown(const struct grid_part *part, unsigned sides);

/* Mean of luma, 0..255. */
static inline float grid_luma(const struct grid *g, size_t i)
{
    return (float)g->luma[i] * (1.0f / 128.0f);
}
/* The 256 values that a byte of a logarithmic plane can mean: value[0] = 0, growing. Static storage. */
const float *grid_values(void);
/* The value of a plane at a cell: logarithmic planes through grid_values, GRID_CLIP as byte / 255. */
float grid_value(const struct grid *g, enum grid_plane plane, size_t i);

/*
 * Whole-picture measures, straight from the pixels: the published definitions to check against.
 * Border modes as in OpenCV 4.6.0 / scipy.ndimage 1.10.1: REFLECT_101 = 'mirror', REPLICATE = 'nearest',
 * CONSTANT = 'constant' (0); INTERIOR leaves the outermost pixel out.
 */
enum measure_border { MEASURE_REFLECT_101, MEASURE_REPLICATE, MEASURE_CONSTANT, MEASURE_INTERIOR };
/* Population variance of the Laplacian (Pech-Pacheco 2000, as cv::Laplacian ksize 1). */
double measure_laplacian_variance(const uint8_t *luma, uint32_t width_px, uint32_t height_px, size_t stride,
                                  enum measure_border border);
/* Mean of gx^2 + gy^2 (Krotkov 1986, Sobel 3 x 3 unscaled). */
double measure_tenengrad(const uint8_t *luma, uint32_t width_px, uint32_t height_px, size_t stride,
                         enum measure_border border);
/* The same two from exact cell sums over all cells: equal to REFLECT_101 above to the last digit. */
double cells_laplacian_variance(const struct cells *cells);
double cells_tenengrad(const struct cells *cells);

#endif
