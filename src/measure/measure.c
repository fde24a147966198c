/*
 * measure.c - rows in, cell sums out.
 *
 * Each scale keeps the rows of one row of cells and one row above and below them. When the last of these is
 * there, the kernels add up the band while it is in the cache, and the sums go to their cells. The rows of
 * the next scale are halves of them, and the next scale works the same way; so all scales advance together,
 * and nothing but these bands is ever held. A row of cells is packed as soon as its last scale is there.
 */
#include <stdlib.h>
#include <string.h>

#include "chaffinch/measure.h"
#include "fold.h"
#include "pack.h"

enum {
    SIDE_MIN_PX = 16, /* two samples a side at scale 8: fewer have no mirrored border */
    SIDE_MAX_PX = 65500,
    CELL_MAX_PX = 32,
    ROW_PAD = 64,     /* room for the border columns, and rows start on a cache line */
    PAIR_ROWS_16 = 4, /* rows of scale 4 whose sums of squares fit 32 bits */
    ROWS_OPEN = 2,    /* rows of cells that are added to at a time: coarse scales lag by one */
};

struct level {
    unsigned scale;               /* 1, 2, 4, 8 */
    uint32_t width, height, cell; /* in samples of this scale */
    uint32_t seen;                /* rows so far */
    uint32_t first;               /* first row of the band that is being filled */
    uint32_t cell_row;            /* the row of cells that the band belongs to */
    uint8_t *memory;              /* of the rows */
    /* Rows first - 1 .. first + cell, at scale 1 also those that are made ahead; bytes there, else uint16_t.
     */
    uint8_t *row[CELL_MAX_PX + 2 + MEASURE_PLACES];
    uint32_t rows;
};

/* What the kernels leave of one band. */
struct band_sums {
    void *memory;
    struct fine_sums *unit;
    uint32_t *clipped;   /* of units */
    uint32_t *gradient2; /* of pairs of columns at scales 2 and 4 */
    uint32_t *gx2, *gy2; /* of samples of scale 8 */
};

struct measure {
    const struct kernels *kernels;
    uint32_t height, cell, cols; /* of the picture in px, of a cell in px, cells in a row */
    struct band_sums sums;
    struct cell_row open[ROWS_OPEN]; /* row r is open[r % ROWS_OPEN] */
    uint32_t next_row;               /* of cells: the first that is not given out yet */
    struct cells *cells;             /* where exact sums are wanted */
    struct packer *packer;           /* where packed bytes are */
    struct level level[MEASURE_SCALES];
};

uint32_t measure_cell_px(uint32_t width_px)
{
    return width_px <= 3200 ? 8 : width_px <= 6400 ? 16 : 32;
}

static const struct kernels *choose_kernels(enum measure_path path)
{
#if defined(__x86_64__)
    switch (path) {
    case MEASURE_PATH_PLAIN:
        return &measure_kernels_plain;
    case MEASURE_PATH_SSE2:
        return &measure_kernels_sse2;
    case MEASURE_PATH_AVX2:
        return __builtin_cpu_supports("avx2") ? &measure_kernels_avx2 : NULL;
    case MEASURE_PATH_BEST:
    default:
        return __builtin_cpu_supports("avx2") ? &measure_kernels_avx2 : &measure_kernels_sse2;
    }
#else
    return path == MEASURE_PATH_BEST || path == MEASURE_PATH_PLAIN ? &measure_kernels_plain : NULL;
#endif
}

static bool level_init(struct level *l, unsigned index, uint32_t width_px, uint32_t height_px,
                       uint32_t cell_px)
{
    l->scale = 1u << index;
    l->width = width_px >> index;
    l->height = height_px >> index;
    l->cell = cell_px >> index;
    size_t sample = index == 0 ? sizeof(uint8_t) : sizeof(uint16_t);
    size_t lines = (l->width * sample + 2 * ROW_PAD + 63) / 64;
    size_t stride =
        (lines | 1) * 64; /* an odd number of cache lines: rows do not compete for the same sets */
    /* scale 1 is made ahead by the decoder, scale 2 by a band of scale 1 at a time */
    l->rows = l->cell + 2 + (index == 0 ? MEASURE_PLACES : index == 1 ? l->cell : 0);
    l->memory = aligned_alloc(64, stride * l->rows);
    if (l->memory == NULL)
        return false;
    memset(l->memory, 0, stride * l->rows);
    for (uint32_t r = 0; r < l->rows; r++)
        l->row[r] = l->memory + r * stride + ROW_PAD;
    return true;
}

static bool sums_init(struct band_sums *s, uint32_t width_px)
{
    size_t units = (width_px + UNIT_PX - 1) / UNIT_PX, pairs = (width_px / 2 + 1) / 2;
    s->memory = calloc(units * (sizeof *s->unit + 3 * sizeof(uint32_t)) + pairs * sizeof(uint32_t), 1);
    if (s->memory == NULL)
        return false;
    s->unit = s->memory;
    s->clipped = (uint32_t *)(void *)(s->unit + units);
    s->gx2 = s->clipped + units;
    s->gy2 = s->gx2 + units;
    s->gradient2 = s->gy2 + units;
    return true;
}

static bool size_is_sound(uint32_t width_px, uint32_t height_px, struct err *err)
{
    if (width_px >= SIDE_MIN_PX && height_px >= SIDE_MIN_PX && width_px <= SIDE_MAX_PX &&
        height_px <= SIDE_MAX_PX)
        return true;
    return err_set(err, ERR_FORMAT,
                   "a picture of %u x %u px cannot be measured: each side must have %d to %d px", width_px,
                   height_px, SIDE_MIN_PX, SIDE_MAX_PX);
}

static struct measure *new_measure(enum measure_path path, uint32_t width_px, uint32_t height_px,
                                   uint32_t cell_px, bool exact, struct err *err)
{
    const struct kernels *kernels = choose_kernels(path);
    if (kernels == NULL) {
        err_set(err, ERR_USAGE, "this processor has no such instructions: measure with another path");
        return NULL;
    }
    if (!size_is_sound(width_px, height_px, err))
        return NULL;
    struct measure *m = calloc(1, sizeof *m);
    if (m == NULL) {
        err_nomem(err);
        return NULL;
    }
    m->kernels = kernels;
    m->height = height_px;
    m->cell = cell_px;
    m->cols = (width_px + cell_px - 1) / cell_px;
    bool ok = sums_init(&m->sums, width_px);
    for (unsigned i = 0; ok && i < ROWS_OPEN; i++)
        ok = cell_row_alloc(&m->open[i], m->cols);
    for (unsigned i = 0; ok && i < MEASURE_SCALES; i++)
        ok = level_init(&m->level[i], i, width_px, height_px, cell_px);
    if (ok && exact)
        ok = (m->cells = exact_new(width_px, height_px, cell_px)) != NULL;
    else if (ok)
        ok = (m->packer = packer_new(width_px, height_px, cell_px, kernels)) != NULL;
    if (!ok) {
        measure_free(m);
        err_nomem(err);
        return NULL;
    }
    return m;
}

struct measure *measure_new_packing(enum measure_path path, uint32_t width_px, uint32_t height_px,
                                    uint32_t cell_px, struct err *err)
{
    return new_measure(path, width_px, height_px, cell_px, false, err);
}

struct measure *measure_new_part(enum measure_path path, uint32_t width_px, uint32_t height_px,
                                 uint32_t cell_px, struct err *err)
{
    return new_measure(path, width_px, height_px, cell_px, true, err);
}

struct measure *measure_new_with(enum measure_path path, uint32_t width_px, uint32_t height_px,
                                 struct err *err)
{
    return measure_new_part(path, width_px, height_px, measure_cell_px(width_px), err);
}

struct measure *measure_new(uint32_t width_px, uint32_t height_px, struct err *err)
{
    return measure_new_with(MEASURE_PATH_BEST, width_px, height_px, err);
}

void measure_free(struct measure *m)
{
    if (m == NULL)
        return;
    for (unsigned i = 0; i < MEASURE_SCALES; i++)
        free(m->level[i].memory);
    for (unsigned i = 0; i < ROWS_OPEN; i++)
        free(m->open[i].memory);
    free(m->sums.memory);
    cells_free(m->cells);
    packer_free(m->packer);
    free(m);
}

/* The column left of the first and right of the last mirrors the one inside: REFLECT_101. */
static void mirror_sides8(uint8_t *row, uint32_t width)
{
    row[-1] = row[1];
    row[width] = row[width - 2];
}

static void mirror_sides16(uint16_t *row, uint32_t width)
{
    row[-1] = row[1];
    row[width] = row[width - 2];
}

static void add_coarse(struct measure *m, const struct level *l, unsigned index, const uint16_t *const *row,
                       uint32_t rows)
{
    uint32_t most = l->scale == 4 ? PAIR_ROWS_16 : rows;
    for (uint32_t r = 0; r < rows; r += most) {
        m->kernels->coarse(row + r, rows - r < most ? rows - r : most, l->width, m->sums.gradient2);
        fold_pairs(m->sums.gradient2, (l->width + 1) / 2, l->cell / 2,
                   m->open[l->cell_row % ROWS_OPEN].gradient2[index]);
    }
}

static void add_coarsest(struct measure *m, const struct level *l, const uint16_t *const *row, uint32_t rows)
{
    for (uint32_t r = 0; r < rows; r++) {
        m->kernels->coarsest(row + r, l->width, m->sums.gx2, m->sums.gy2);
        fold_samples(m->sums.gx2, m->sums.gy2, l->width, l->cell,
                     m->open[l->cell_row % ROWS_OPEN].gradient2[MEASURE_SCALES - 1]);
    }
}

/* The rows of the band with the one above and the one below it; returns how many rows the band has. */
static uint32_t band_rows(const struct level *l, uint8_t *row[CELL_MAX_PX + 2])
{
    uint32_t rows = l->height - l->first < l->cell ? l->height - l->first : l->cell;
    memcpy(row, l->row, (CELL_MAX_PX + 2) * sizeof *row);
    if (l->first == 0)
        row[0] = row[2]; /* the row above the first mirrors the second */
    if (l->first + rows == l->height)
        row[rows + 1] = row[rows - 1];
    return rows;
}

static uint16_t *wide(uint8_t *row)
{
    return (uint16_t *)(void *)row;
}

/* Adds up the band of scale 2, 4 or 8 when its rows and their neighbours are there. */
static void finish_band(struct measure *m, unsigned index)
{
    const struct level *l = &m->level[index];
    uint8_t *row[CELL_MAX_PX + 2];
    const uint16_t *samples[CELL_MAX_PX + 2];
    uint32_t rows = band_rows(l, row);
    for (uint32_t r = 0; r < rows + 2; r++)
        samples[r] = wide(row[r]);
    if (index == MEASURE_SCALES - 1)
        add_coarsest(m, l, samples, rows);
    else
        add_coarse(m, l, index, samples, rows);
    if (m->cells != NULL)
        exact_add16(m->cells, index, l->cell_row, samples, rows, l->width);
}

/* Moves to the next band: the rows after the last `cell` of this one come first, and those are free again. */
static void next_band(struct level *l)
{
    uint8_t *row[sizeof l->row / sizeof *l->row];
    memcpy(row, l->row, sizeof row);
    for (uint32_t i = 0; i < l->rows; i++)
        l->row[i] = row[(i + l->cell) % l->rows];
    l->first += l->cell;
    l->cell_row++;
}

static uint8_t *row_to_fill(const struct level *l, uint32_t ahead)
{
    return l->row[l->seen + 1 + ahead - l->first];
}

/* Takes note of the row of scale 2, 4 or 8 that row_to_fill gave; every second one is halved. */
static void row_filled(struct measure *m, unsigned index)
{
    struct level *l = &m->level[index];
    uint32_t y = l->seen++, at = y + 1 - l->first;
    if (index + 1 < MEASURE_SCALES && y % 2 == 1) {
        struct level *next = l + 1;
        uint16_t *out = wide(row_to_fill(next, 0));
        m->kernels->halve16(wide(l->row[at - 1]), wide(l->row[at]), next->width, out);
        mirror_sides16(out, next->width);
        row_filled(m, index + 1);
    }
    if (y == l->first + l->cell) { /* the row below the band */
        finish_band(m, index);
        next_band(l);
    }
    if (y + 1 == l->height)
        finish_band(m, index);
}

/* Gives out the first row of cells that is still open. */
static void close_row(struct measure *m)
{
    struct cell_row *row = &m->open[m->next_row % ROWS_OPEN];
    if (m->cells != NULL)
        exact_take_row(m->cells, m->next_row, row);
    else
        packer_add_row(m->packer, m->next_row, row);
    cell_row_clear(row, m->cols);
    m->next_row++;
}

/* Adds up the band of scale 1 when its rows and their neighbours are there, hands the rows of scale 2 down,
   and gives out the row of cells above, which no scale adds to any more. */
static void finish_fine(struct measure *m)
{
    struct level *l = &m->level[0], *next = &m->level[1];
    struct cell_row *cells = &m->open[l->cell_row % ROWS_OPEN];
    size_t units = (l->width + UNIT_PX - 1) / UNIT_PX, step = l->cell / UNIT_PX;
    uint8_t *row[CELL_MAX_PX + 2];
    uint16_t *half[CELL_MAX_PX / 2];
    uint32_t rows = band_rows(l, row);
    for (uint32_t k = 0; k < rows / 2; k++)
        half[k] = wide(row_to_fill(next, k));
    const struct fine_out out = {m->sums.unit, m->sums.clipped, half};
    m->kernels->fine((const uint8_t *const *)row, rows, l->width, &out);
    fold_units(m->sums.unit, units, step, cells->fine);
    fold_counts(m->sums.clipped, units, step, cells->clipped);
    if (m->cells != NULL)
        exact_add8(m->cells, l->cell_row, (const uint8_t *const *)row, rows, l->width);
    for (uint32_t k = 0; k < rows / 2; k++) {
        mirror_sides16(half[k], next->width);
        row_filled(m, 1);
    }
    while (m->next_row < l->cell_row)
        close_row(m);
}

uint8_t *measure_place(struct measure *m, uint32_t ahead)
{
    return row_to_fill(&m->level[0], ahead);
}

void measure_placed(struct measure *m, uint32_t rows)
{
    struct level *l = &m->level[0];
    for (; rows > 0 && l->seen < l->height; rows--) {
        mirror_sides8(row_to_fill(l, 0), l->width);
        uint32_t y = l->seen++;
        if (y == l->first + l->cell) { /* the row below the band */
            finish_fine(m);
            next_band(l);
        }
        if (y + 1 == l->height)
            finish_fine(m);
    }
}

void measure_row(struct measure *m, const uint8_t *luma)
{
    const struct level *l = &m->level[0];
    if (l->seen < l->height) {
        memcpy(measure_place(m, 0), luma, l->width);
        measure_placed(m, 1);
    }
}

/* Closes what is open. False when rows are missing. */
static bool finish(struct measure *m, struct err *err)
{
    if (m->level[0].seen < m->height)
        return err_set(err, ERR_FORMAT, "the picture is cut short: %u of %u rows", m->level[0].seen,
                       m->height);
    while (m->next_row * m->cell < m->height)
        close_row(m);
    return true;
}

struct cells *measure_finish(struct measure *m, struct err *err)
{
    struct cells *cells = NULL;
    if (finish(m, err)) {
        cells = m->cells;
        m->cells = NULL;
    }
    measure_free(m);
    return cells;
}

bool measure_finish_packed(struct measure *m, uint8_t **bytes, size_t *size, struct err *err)
{
    bool ok = finish(m, err);
    if (ok)
        *bytes = packer_take(m->packer, size);
    measure_free(m);
    return ok;
}

bool measure_finish_part(struct measure *m, const struct grid_window *around, const struct grid_part *part,
                         uint8_t **bytes, size_t *size, struct err *err)
{
    bool ok = m == NULL || finish(m, err);
    ok = ok && pack_part(m == NULL ? NULL : m->packer, around, part, bytes, size, err);
    measure_free(m);
    return ok;
}
