/*
 * measure.c - rows in, cell sums out.
 *
 * Each scale keeps the rows of one row of cells and one row above and below them. When the last of these is
 * there, the kernels add up the band while it is in the cache, and the sums go to their cells. Every second
 * row is halved into the next scale, which works the same way; so all scales advance together, and nothing
 * but these bands is ever held.
 */
#include <stdlib.h>
#include <string.h>

#include "chaffinch/measure.h"
#include "kernels.h"

enum {
    SIDE_MIN_PX = 16, /* two samples a side at scale 8: fewer have no mirrored border */
    SIDE_MAX_PX = 65500,
    CELL_MAX_PX = 32,
    ROW_PAD = 64,     /* room for the border columns, and rows start on a cache line */
    PAIR_ROWS_16 = 4, /* rows of scale 4 whose sums of squares fit 32 bits */
};

struct level {
    unsigned scale;                /* 1, 2, 4, 8 */
    uint32_t width, height, cell;  /* in samples of this scale */
    uint32_t seen;                 /* rows so far */
    uint32_t first;                /* first row of the band that is being filled */
    uint32_t cell_row;             /* the row of cells that the band belongs to */
    uint8_t *memory;               /* of the rows */
    uint8_t *row[CELL_MAX_PX + 2]; /* rows first - 1 .. first + cell; bytes at scale 1, else uint16_t */
};

struct measure {
    const struct kernels *kernels;
    struct cells *cells;
    struct pair_sums sums;
    uint32_t *sums_memory;
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

static bool level_init(struct level *l, unsigned index, const struct cells *cells)
{
    l->scale = 1u << index;
    l->width = cells->width_px >> index;
    l->height = cells->height_px >> index;
    l->cell = cells->cell_px >> index;
    size_t sample = index == 0 ? sizeof(uint8_t) : sizeof(uint16_t);
    size_t lines = (l->width * sample + 2 * ROW_PAD + 63) / 64;
    size_t stride =
        (lines | 1) * 64; /* an odd number of cache lines: rows do not compete for the same sets */
    uint32_t rows = l->cell + 2;
    l->memory = aligned_alloc(64, stride * rows);
    if (l->memory == NULL)
        return false;
    memset(l->memory, 0, stride * rows);
    for (uint32_t r = 0; r < rows; r++)
        l->row[r] = l->memory + r * stride + ROW_PAD;
    return true;
}

static bool sums_init(struct measure *m, uint32_t width_px)
{
    size_t pairs = (width_px + 1) / 2;
    m->sums_memory = calloc(6 * pairs, sizeof *m->sums_memory);
    if (m->sums_memory == NULL)
        return false;
    m->sums = (struct pair_sums){
        .lap = (int32_t *)m->sums_memory,
        .lap2 = m->sums_memory + pairs,
        .grad2 = m->sums_memory + 2 * pairs,
        .luma = m->sums_memory + 3 * pairs,
        .luma2 = m->sums_memory + 4 * pairs,
        .clipped = m->sums_memory + 5 * pairs,
    };
    return true;
}

static struct cells *cells_new(uint32_t width_px, uint32_t height_px, uint32_t cell_px)
{
    struct cells *c = calloc(1, sizeof *c);
    if (c == NULL)
        return NULL;
    c->width_px = width_px;
    c->height_px = height_px;
    c->cell_px = cell_px;
    c->cols = (width_px + c->cell_px - 1) / c->cell_px;
    c->rows = (height_px + c->cell_px - 1) / c->cell_px;
    c->cell = calloc((size_t)c->cols * c->rows, sizeof *c->cell);
    if (c->cell == NULL) {
        free(c);
        return NULL;
    }
    return c;
}

void cells_free(struct cells *cells)
{
    if (cells == NULL)
        return;
    free(cells->cell);
    free(cells);
}

struct measure *measure_new_part(enum measure_path path, uint32_t width_px, uint32_t height_px,
                                 uint32_t cell_px, struct err *err)
{
    const struct kernels *kernels = choose_kernels(path);
    if (kernels == NULL) {
        err_set(err, ERR_USAGE, "this processor has no such instructions: measure with another path");
        return NULL;
    }
    if (width_px < SIDE_MIN_PX || height_px < SIDE_MIN_PX || width_px > SIDE_MAX_PX ||
        height_px > SIDE_MAX_PX) {
        err_set(err, ERR_FORMAT,
                "a picture of %u x %u px cannot be measured: each side must have %d to %d px", width_px,
                height_px, SIDE_MIN_PX, SIDE_MAX_PX);
        return NULL;
    }
    struct measure *m = calloc(1, sizeof *m);
    if (m == NULL) {
        err_nomem(err);
        return NULL;
    }
    m->kernels = kernels;
    bool ok = (m->cells = cells_new(width_px, height_px, cell_px)) != NULL && sums_init(m, width_px);
    for (unsigned i = 0; ok && i < MEASURE_SCALES; i++)
        ok = level_init(&m->level[i], i, m->cells);
    if (!ok) {
        measure_free(m);
        err_nomem(err);
        return NULL;
    }
    return m;
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
    free(m->sums_memory);
    cells_free(m->cells);
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

/* Adds the pair sums of `rows` rows to their row of cells. */
static void fold_energy(struct measure *m, const struct level *l, unsigned index, uint32_t rows)
{
    struct cell *cell = m->cells->cell + (size_t)l->cell_row * m->cells->cols;
    const struct pair_sums *s = &m->sums;
    size_t pairs = (l->width + 1) / 2, step = l->cell / 2;
    for (size_t p = 0; p < pairs; p += step, cell++) {
        struct cell_energy *e = &cell->at[index];
        size_t end = p + step < pairs ? p + step : pairs;
        int64_t lap = 0;
        uint64_t lap2 = 0, grad2 = 0;
        for (size_t i = p; i < end; i++) {
            lap += s->lap[i];
            lap2 += s->lap2[i];
            grad2 += s->grad2[i];
        }
        uint32_t columns = l->width - 2 * (uint32_t)p < l->cell ? l->width - 2 * (uint32_t)p : l->cell;
        e->count += columns * rows;
        e->laplacian += lap;
        e->laplacian2 += lap2;
        e->gradient2 += grad2;
    }
}

static void fold_luma(struct measure *m, const struct level *l)
{
    struct cell *cell = m->cells->cell + (size_t)l->cell_row * m->cells->cols;
    const struct pair_sums *s = &m->sums;
    size_t pairs = (l->width + 1) / 2, step = l->cell / 2;
    for (size_t p = 0; p < pairs; p += step, cell++) {
        size_t end = p + step < pairs ? p + step : pairs;
        uint32_t luma = 0, luma2 = 0, clipped = 0; /* 1024 px of 255^2 fit */
        for (size_t i = p; i < end; i++) {
            luma += s->luma[i];
            luma2 += s->luma2[i];
            clipped += s->clipped[i];
        }
        cell->count = cell->at[0].count;
        cell->luma = luma;
        cell->luma2 = luma2;
        cell->clipped = clipped;
    }
}

/* Scale 8: one sample is an 8 x 8 block, a cell has 1, 2 x 2 or 4 x 4 of them. */
static void add_samples8(struct cell_energy *e, const uint16_t *const row[3], uint32_t x, uint32_t end)
{
    for (; x < end; x++) {
        const uint16_t *up = row[0] + x, *mid = row[1] + x, *low = row[2] + x;
        int32_t lap = up[0] + low[0] + mid[-1] + mid[1] - 4 * mid[0];
        int32_t gx = up[1] - up[-1] + 2 * (mid[1] - mid[-1]) + low[1] - low[-1];
        int32_t gy = low[-1] + 2 * low[0] + low[1] - up[-1] - 2 * up[0] - up[1];
        e->count++;
        e->laplacian += lap;
        e->laplacian2 += (uint64_t)((int64_t)lap * lap);
        e->gradient2 += (uint64_t)((int64_t)gx * gx + (int64_t)gy * gy);
    }
}

static void band_scale8(struct measure *m, const struct level *l, const uint16_t *const *row, uint32_t rows)
{
    struct cell *cell = m->cells->cell + (size_t)l->cell_row * m->cells->cols;
    for (uint32_t x = 0; x < l->width; x += l->cell, cell++) {
        struct cell_energy e = {0};
        uint32_t end = x + l->cell < l->width ? x + l->cell : l->width;
        for (uint32_t r = 0; r < rows; r++)
            add_samples8(&e, row + r, x, end);
        cell->at[3] = e;
    }
}

/* Adds up the `rows` rows of the band; row[0] is the one above it and row[rows + 1] the one below. */
static void add_band(struct measure *m, struct level *l, uint8_t *const *row, uint32_t rows)
{
    if (l->scale == 1) {
        m->kernels->band8((const uint8_t *const *)row, rows, l->width, &m->sums);
        fold_energy(m, l, 0, rows);
        fold_luma(m, l);
        return;
    }
    const uint16_t *wide[CELL_MAX_PX + 2];
    for (uint32_t r = 0; r < rows + 2; r++)
        wide[r] = (const uint16_t *)(const void *)row[r];
    if (l->scale == 8) {
        band_scale8(m, l, wide, rows);
        return;
    }
    uint32_t most = l->scale == 4 ? PAIR_ROWS_16 : rows;
    for (uint32_t r = 0; r < rows; r += most) {
        uint32_t n = rows - r < most ? rows - r : most;
        m->kernels->band16(wide + r, n, l->width, &m->sums);
        fold_energy(m, l, l->scale == 2 ? 1 : 2, n);
    }
}

/* Adds up the band when its rows and their neighbours are there. */
static void finish_band(struct measure *m, struct level *l)
{
    uint32_t rows = l->height - l->first < l->cell ? l->height - l->first : l->cell;
    uint8_t *row[CELL_MAX_PX + 2];
    memcpy(row, l->row, sizeof row);
    if (l->first == 0)
        row[0] = row[2]; /* the row above the first mirrors the second */
    if (l->first + rows == l->height)
        row[rows + 1] = row[rows - 1];
    add_band(m, l, row, rows);
}

/* Moves to the next band: the last two rows of this one become its first two. */
static void next_band(struct level *l)
{
    for (unsigned i = 0; i < 2; i++) {
        uint8_t *kept = l->row[l->cell + i];
        l->row[l->cell + i] = l->row[i];
        l->row[i] = kept;
    }
    l->first += l->cell;
    l->cell_row++;
}

static uint8_t *row_to_fill(struct level *l)
{
    return l->row[l->seen + 1 - l->first];
}

/* Takes note of the row that row_to_fill gave. True when the next scale has a pair of rows to halve. */
static void row_filled(struct measure *m, unsigned index)
{
    struct level *l = &m->level[index];
    uint32_t y = l->seen++;
    uint32_t at = y + 1 - l->first;
    bool halve = index + 1 < MEASURE_SCALES && y % 2 == 1;
    if (halve) {
        struct level *next = l + 1;
        uint16_t *out = (uint16_t *)(void *)row_to_fill(next);
        if (index == 0)
            m->kernels->halve8(l->row[at - 1], l->row[at], next->width, out);
        else
            m->kernels->halve16((const uint16_t *)(const void *)l->row[at - 1],
                                (const uint16_t *)(const void *)l->row[at], next->width, out);
        mirror_sides16(out, next->width);
        row_filled(m, index + 1);
    }
    if (y == l->first + l->cell) { /* the row below the band */
        finish_band(m, l);
        next_band(l);
    }
    if (y + 1 == l->height)
        finish_band(m, l);
}

void measure_row(struct measure *m, const uint8_t *luma)
{
    struct level *l = &m->level[0];
    if (l->seen == l->height)
        return;
    uint8_t *row = row_to_fill(l);
    memcpy(row, luma, l->width);
    mirror_sides8(row, l->width);
    row_filled(m, 0);
}

struct cells *measure_finish(struct measure *m, struct err *err)
{
    const struct level *l = &m->level[0];
    struct cells *cells = NULL;
    if (l->seen == l->height) {
        cells = m->cells;
        m->cells = NULL;
    } else {
        err_set(err, ERR_FORMAT, "the picture is cut short: %u of %u rows", l->seen, l->height);
    }
    measure_free(m);
    return cells;
}
