/*
 * fill_edges.c - was the part that was decoded large enough?
 *
 * A subject that reaches the outermost cells of a part may go on beyond them. It touches a side with two
 * cells or more: one alone is noise. Small things beside the largest one, or beside the largest ones of the
 * other frames, are reeds or water.
 */
#include <stdlib.h>

#include "things.h"

enum {
    GROW_CELLS = 4, /* at least */
    PAIR = 2,
    SMALL_THING = 4 /* less than a fourth of the largest */
};

/* An edge of the part that is also the edge of the frame hides nothing. */
static unsigned sides_of(const struct thing *thing, const struct grid_window *w, uint32_t cols, uint32_t rows)
{
    unsigned sides = 0;
    if (w->col > 0 && thing->at_left >= PAIR)
        sides |= GRID_LEFT;
    if (w->col + w->cols < cols && thing->at_right >= PAIR)
        sides |= GRID_RIGHT;
    if (w->row > 0 && thing->at_top >= PAIR)
        sides |= GRID_TOP;
    if (w->row + w->rows < rows && thing->at_lower >= PAIR)
        sides |= GRID_LOWER;
    return sides;
}

static int by_size(const void *a, const void *b)
{
    size_t x = *(const size_t *)a, y = *(const size_t *)b;
    return (x > y) - (x < y);
}

/* Sides that things of at least `least` cells reach; the size of the largest into *largest. */
static unsigned sides_reached(struct things *e, size_t t, size_t least, size_t *largest)
{
    const struct grid_window *w = &e->input->part[t]->window;
    unsigned sides = 0;
    things_mark(e, t, w);
    for (uint32_t i = 0; i < w->cols * w->rows; i++) {
        if (e->mask[i] != 1)
            continue;
        struct thing thing = things_take(e, w, i);
        if (thing.cells > *largest)
            *largest = thing.cells;
        if (thing.cells >= least)
            sides |= sides_of(&thing, w, e->cols, e->rows);
    }
    return sides;
}

/* The usual size of the largest thing of a frame, over the parts that show something. */
static size_t usual_size(struct things *e, size_t *sizes)
{
    size_t n = 0;
    for (size_t t = 0; t < e->input->n; t++) {
        size_t largest = 0;
        if (e->input->part[t] == NULL || e->input->part[t]->window.cols == 0)
            continue;
        (void)sides_reached(e, t, 0, &largest);
        if (largest > 0)
            sizes[n++] = largest;
    }
    qsort(sizes, n, sizeof *sizes, by_size);
    return n > 0 ? sizes[n / 2] : 0;
}

static uint8_t sides_touched(struct things *e, size_t t, size_t usual)
{
    size_t largest = 0;
    unsigned sides = 0;
    if (e->input->part[t]->window.cols > 0 && sides_reached(e, t, usual / SMALL_THING, &largest) != 0)
        sides = sides_reached(e, t, (largest > usual ? largest : usual) / SMALL_THING, &largest);
    return (uint8_t)sides;
}

bool grids_edges(const struct fill_input *input, uint8_t *sides, struct err *err)
{
    struct things things;
    size_t *sizes = calloc(input->n + 1, sizeof *sizes);
    bool ok = sizes != NULL || err_nomem(err);
    ok = ok && things_open(&things, input, err);
    if (!ok) {
        free(sizes);
        return false;
    }
    size_t usual = usual_size(&things, sizes);
    for (size_t t = 0; t < input->n; t++)
        sides[t] = input->part[t] != NULL ? sides_touched(&things, t, usual) : 0;
    things_release(&things);
    free(sizes);
    return true;
}

/* `more` cells before `at`, as far as there are any. */
static void grow_back(uint32_t *at, uint32_t *length, uint32_t more)
{
    uint32_t step = *at < more ? *at : more;
    *at -= step;
    *length += step;
}

struct grid_window grid_part_grown(const struct grid_part *part, unsigned sides)
{
    struct grid_window w = part->window;
    uint32_t wide = w.cols / 2 + GROW_CELLS, high = w.rows / 2 + GROW_CELLS;
    if (sides & GRID_RIGHT)
        w.cols += wide < part->cols - w.col - w.cols ? wide : part->cols - w.col - w.cols;
    if (sides & GRID_LOWER)
        w.rows += high < part->rows - w.row - w.rows ? high : part->rows - w.row - w.rows;
    if (sides & GRID_LEFT)
        grow_back(&w.col, &w.cols, wide);
    if (sides & GRID_TOP)
        grow_back(&w.row, &w.rows, high);
    return w;
}
