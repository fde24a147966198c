/*
 * partial.c - a burst as the engine sees it when it decodes around the subject only.
 *
 * The thumbnail is made from the cells (means of 8 x 8 px), rounded to whole steps of luma; a part is cut out
 * of the whole grid, which a unit test shows to equal what a partial decode measures.
 *
 * Cost of a part in full grey decodes, measured on 20-megapixel files with libjpeg-turbo 2.1.5:
 * .786 B(y0) + .901 [B(y1) - B(y0)] + .103 area + .044 area of sums; B(y) is taken as y, since the bytes of
 * these scenes lie evenly.
 */
#include "partial.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/locate.h"

enum { THUMB_WIDTH = 160 };

static void *must(void *p)
{
    if (p == NULL) {
        fprintf(stderr, "bench: out of memory\n");
        exit(1);
    }
    return p;
}

/* Means over the cells that a px of the thumbnail covers. */
static uint8_t *thumbnail(const struct grid *g, uint32_t rows)
{
    uint8_t *out = must(malloc((size_t)THUMB_WIDTH * rows));
    for (uint32_t y = 0; y < rows; y++)
        for (uint32_t x = 0; x < THUMB_WIDTH; x++) {
            double left = (double)x * g->cols / THUMB_WIDTH, right = (double)(x + 1) * g->cols / THUMB_WIDTH;
            double top = (double)y * g->rows / rows, low = (double)(y + 1) * g->rows / rows, sum = 0, all = 0;
            for (uint32_t r = (uint32_t)top; r < g->rows && r < low; r++)
                for (uint32_t c = (uint32_t)left; c < g->cols && c < right; c++) {
                    double w = (c + 1 < right ? c + 1 : right) - (c > left ? c : left);
                    double h = (r + 1 < low ? r + 1 : low) - (r > top ? r : top);
                    sum += w * h * (double)grid_luma(g, (size_t)r * g->cols + c);
                    all += w * h;
                }
            out[(size_t)y * THUMB_WIDTH + x] = (uint8_t)(sum / all + .5);
        }
    return out;
}

static struct grid_window cells_around(const struct locate_box *box, const struct grid *g)
{
    if (!(box->x1 > box->x0))
        return (struct grid_window){0};
    uint32_t col = (uint32_t)(box->x0 * (float)g->cols), row = (uint32_t)(box->y0 * (float)g->rows);
    uint32_t right = (uint32_t)(box->x1 * (float)g->cols + .999f),
             low = (uint32_t)(box->y1 * (float)g->rows + .999f);
    right = right < g->cols ? right : g->cols;
    low = low < g->rows ? low : g->rows;
    return (struct grid_window){col, row, right - col, low - row};
}

/* The cells of a window, plane by plane, in one block. */
static uint8_t *cut_out(const struct grid *g, struct grid_part *part)
{
    const struct grid_window *w = &part->window;
    size_t n = (size_t)w->cols * w->rows;
    uint8_t *bytes = must(malloc(n * (2 + GRID_PLANES) + 2));
    uint16_t *luma = (uint16_t *)(void *)bytes;
    for (uint32_t r = 0; r < w->rows; r++) {
        size_t from = (size_t)(w->row + r) * g->cols + w->col, to = (size_t)r * w->cols;
        memcpy(luma + to, g->luma + from, 2 * (size_t)w->cols);
        for (size_t p = 0; p < GRID_PLANES; p++)
            memcpy(bytes + 2 * n + p * n + to, g->plane[p] + from, w->cols);
    }
    part->luma = luma;
    for (size_t p = 0; p < GRID_PLANES; p++)
        part->plane[p] = bytes + 2 * n + p * n;
    return bytes;
}

static double cost_of_window(const struct grid_part *p)
{
    double top = (double)p->window.row / p->rows, high = (double)p->window.rows / p->rows;
    double area = high * p->window.cols / p->cols;
    return .786 * top + .901 * high + .103 * area + .044 * area;
}

static double cost_of(const struct locate_frame *f)
{
    if (f->whole)
        return 1.0 + .044;
    if (!(f->part.x1 > f->part.x0))
        return 0;
    double high = (double)(f->part.y1 - f->part.y0), area = high * (double)(f->part.x1 - f->part.x0);
    return .786 * (double)f->part.y0 + .901 * high + .103 * area + .044 * area;
}

struct parts {
    const struct grid *whole[BENCH_FRAMES];
    struct grid_part part[BENCH_FRAMES];
    const struct grid_part *view[BENCH_FRAMES];
    struct grid_window subject[BENCH_FRAMES];
    float gain[BENCH_FRAMES];
    uint8_t *bytes[BENCH_FRAMES];
    bool top[BENCH_FRAMES]; /* of the sharpest */
};

static void take_part(struct parts *p, const struct grid *g, const struct locate_frame *f, size_t t)
{
    p->subject[t] = cells_around(&f->subject, g);
    p->gain[t] = f->gain;
    if (f->whole) {
        p->whole[t] = g;
        return;
    }
    p->part[t] = (struct grid_part){
        g->width_px,   g->height_px, g->cell_px, g->cols, g->rows, cells_around(&f->part, g),
        p->subject[t], f->gain,      NULL,       {NULL}};
    p->bytes[t] = cut_out(g, &p->part[t]);
    p->view[t] = &p->part[t];
}

/* Parts that turn out too small are decoded again, larger; where that is not enough either, as a whole. With
   `fast` only where that matters. */
static void widen(struct parts *p, const struct grid *grid, size_t n, bool fast, struct partial *partial)
{
    for (int round = 0; round < 2; round++) {
        uint8_t sides[BENCH_FRAMES] = {0};
        struct err err = ERR_INIT;
        const struct fill_input in = {n, p->whole, p->subject, p->gain, p->view};
        if (!grids_edges(&in, sides, &err))
            exit(1);
        for (size_t t = 0; t < n; t++) {
            if (sides[t] == 0 || (fast && !p->top[t]))
                continue;
            struct grid_part *part = &p->part[t];
            const struct grid_window all = {0, 0, part->cols, part->rows};
            part->window = round > 0 ? all : grid_part_grown(part, sides[t]);
            free(p->bytes[t]);
            p->bytes[t] = cut_out(&grid[t], part);
            partial->again++;
            partial->cost += cost_of_window(part);
        }
    }
}

/* What the engine does with --fast: decodes what bracketing wants, looks how sharp that is, and so on. */
static void bracket(struct parts *p, const struct grid *grid, const struct locate_frame *where, size_t n,
                    struct partial *partial)
{
    bool known[BENCH_FRAMES], wanted[BENCH_FRAMES];
    float score[BENCH_FRAMES];
    struct err err = ERR_INIT;
    for (size_t t = 0; t < n; t++) {
        known[t] = where[t].whole || cost_of(&where[t]) <= 0;
        score[t] = NAN;
        if (known[t])
            take_part(p, &grid[t], &where[t], t);
    }
    for (int round = 0; locate_bracket(where, n, known, score, wanted) > 0; round++) {
        for (size_t t = 0; t < n; t++)
            if (wanted[t]) {
                take_part(p, &grid[t], &where[t], t);
                known[t] = true;
            }
        const struct fill_input in = {n, p->whole, p->subject, p->gain, p->view};
        if (!grids_sharpness(&in, score, &err))
            exit(1);
    }
    locate_tops(where, n, known, score, p->top);
    for (size_t t = 0; t < n; t++)
        partial->missing[t] = !known[t];
}

static enum locate_answer find_parts(const struct bench_burst *b, const struct grid *grid, bool fast,
                                     struct locate_frame *where)
{
    uint8_t *thumb[BENCH_FRAMES];
    enum locate_answer answer;
    struct err err = ERR_INIT;
    uint32_t rows = (uint32_t)((double)THUMB_WIDTH * grid[0].height_px / grid[0].width_px + .5);
    for (size_t t = 0; t < b->n; t++)
        thumb[t] = thumbnail(&grid[t], rows);
    const struct locate_input in = {b->n,
                                    (const uint8_t *const *)thumb,
                                    THUMB_WIDTH,
                                    rows,
                                    grid[0].width_px,
                                    grid[0].height_px,
                                    fast ? LOCATE_KEYS_FAST : 0};
    if (!locate_subjects(&in, where, &answer, &err))
        exit(1);
    for (size_t t = 0; t < b->n; t++)
        free(thumb[t]);
    return answer;
}

void partial_view(const struct bench_burst *b, struct grid *grid, bool fast, struct partial *partial)
{
    struct locate_frame where[BENCH_FRAMES];
    struct err err = ERR_INIT;
    struct parts *p = must(calloc(1, sizeof *p));
    *partial = (struct partial){.cost = 0};
    enum locate_answer answer = find_parts(b, grid, fast, where);
    partial->answer = (int)answer;
    if (fast && answer == LOCATE_PARTS)
        bracket(p, grid, where, b->n, partial);
    for (size_t t = 0; t < b->n; t++) {
        if (partial->missing[t])
            continue;
        if (p->whole[t] == NULL && p->view[t] == NULL)
            take_part(p, &grid[t], &where[t], t);
        partial->cost += cost_of(&where[t]);
        partial->skipped += cost_of(&where[t]) <= 0;
        partial->parts += cost_of(&where[t]) > 0;
        partial->whole += where[t].whole;
    }
    if (answer == LOCATE_PARTS) {
        widen(p, grid, b->n, fast, partial);
        struct grid filled[BENCH_FRAMES];
        const struct fill_input fill = {b->n, p->whole, p->subject, p->gain, p->view};
        if (!grids_fill(&fill, partial->filled, filled, &err))
            exit(1);
        for (size_t t = 0; t < b->n; t++)
            if (p->view[t] != NULL)
                grid[t] = filled[t];
    }
    partial->cost /= b->n;
    for (size_t t = 0; t < b->n; t++)
        free(p->bytes[t]);
    free(p);
}

void partial_release(struct partial *partial)
{
    for (size_t t = 0; t < BENCH_FRAMES; t++)
        free(partial->filled[t]);
}
