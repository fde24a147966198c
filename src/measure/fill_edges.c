/*
 * fill_edges.c - was the part that was decoded large enough?
 *
 * A subject that reaches the outermost cells of a part may go on beyond them. All cells of the part are
 * compared with the still scene, and what is changed and connected counts as one thing. It touches a side
 * with two cells or more: one alone is noise. Small things beside the largest one, and cells that change and
 * change back over the burst, as no subject does that passes or comes to rest, are reeds or water.
 */
#include <math.h>
#include <stdlib.h>

#include "fill.h"

enum {
    GROW_CELLS = 4 /* at least */,
    TURNS = 3, /* a subject that passes makes two */
    PAIR = 2,
    SMALL_THING = 4 /* less than a fourth of the largest */
};
static const float LIMIT_NOISE = 6.0f, LIMIT_LUMA = 4.0f, LIMIT_EDGE = .15f, LIMIT_SPREAD = 1.5f;

/* How far the scene itself may be from its median at a cell: noise, what keeps moving in it, and an edge that
   trembles. */
static float limit_at(const struct fill_scene *s, uint32_t cols, uint32_t rows, uint32_t col, uint32_t row)
{
    uint8_t sample[FILL_KEYS];
    size_t i = (size_t)row * cols + col, n = fill_samples(s, i, sample);
    float low = INFINITY, high = -INFINITY;
    for (size_t k = 0; k < n; k++) {
        const struct fill_key *key = &s->key[sample[k]];
        float y = (float)key->grid->luma[i] / key->gain;
        low = fminf(low, y);
        high = fmaxf(high, y);
    }
    float right = s->luma[col + 1 < cols ? i + 1 : i] - s->luma[col > 0 ? i - 1 : i];
    float down = s->luma[row + 1 < rows ? i + cols : i] - s->luma[row > 0 ? i - cols : i];
    float noise = fmaxf(LIMIT_NOISE * s->noise[fill_bin(s->luma[i])], LIMIT_LUMA * FILL_LUMA_STEPS);
    return fmaxf(noise, LIMIT_SPREAD * (high - low)) + LIMIT_EDGE * hypotf(right, down) * .5f;
}

struct edges {
    const struct fill_scene *scene;
    const struct fill_input *input;
    uint32_t cols, rows;
    float *limit; /* of each cell; below 0: not asked for yet */
};

static float limit_of(const struct edges *e, uint32_t col, uint32_t row)
{
    float *limit = &e->limit[(size_t)row * e->cols + col];
    if (*limit < 0)
        *limit = limit_at(e->scene, e->cols, e->rows, col, row);
    return *limit;
}

/* Difference to the scene in frame t, beyond `limit`: 1 or 0; -1 where the cell was not decoded. */
static int differs(const struct edges *e, size_t t, uint32_t col, uint32_t row, float limit)
{
    const struct grid_part *part = e->input->part[t];
    const struct grid *whole = e->input->whole[t];
    size_t i = (size_t)row * e->cols + col;
    float y;
    if (part != NULL && fill_inside(&part->window, col, row)) {
        const struct grid_window *w = &part->window;
        y = (float)part->luma[(size_t)(row - w->row) * w->cols + (col - w->col)] / part->gain;
    } else if (part == NULL && whole != NULL)
        y = (float)whole->luma[i] / e->input->gain_of_whole[t];
    else
        return -1;
    return fabsf(y - e->scene->luma[i]) > limit;
}

static bool is_restless(const struct edges *e, uint32_t col, uint32_t row, float limit)
{
    int before = -1;
    size_t turns = 0;
    for (size_t t = 0; t < e->input->n; t++) {
        int now = differs(e, t, col, row, limit);
        turns += now >= 0 && before >= 0 && now != before;
        before = now >= 0 ? now : before;
    }
    return turns >= TURNS;
}

static bool changed(const struct edges *e, size_t t, uint32_t col, uint32_t row)
{
    float limit = limit_of(e, col, row);
    return differs(e, t, col, row, limit) == 1 && !is_restless(e, col, row, limit);
}

/* What the flood of one part works on: cells of its window. */
struct flood {
    uint8_t *mask;
    uint32_t *stack;
};

struct thing {
    size_t cells, at_left, at_right, at_top, at_lower;
};

static void count_cell(struct thing *thing, const struct grid_window *w, uint32_t col, uint32_t row)
{
    thing->cells++;
    thing->at_left += col == 0;
    thing->at_right += col + 1 == w->cols;
    thing->at_top += row == 0;
    thing->at_lower += row + 1 == w->rows;
}

/* Takes what is connected to cell `start` out of the mask. */
static struct thing take_thing(struct flood *f, const struct grid_window *w, uint32_t start)
{
    struct thing thing = {0};
    size_t depth = 0;
    f->stack[depth++] = start;
    f->mask[start] = 0;
    while (depth > 0) {
        uint32_t i = f->stack[--depth], col = i % w->cols, row = i / w->cols;
        count_cell(&thing, w, col, row);
        for (uint32_t r = row > 0 ? row - 1 : 0; r <= row + 1 && r < w->rows; r++)
            for (uint32_t c = col > 0 ? col - 1 : 0; c <= col + 1 && c < w->cols; c++)
                if (f->mask[r * w->cols + c]) {
                    f->mask[r * w->cols + c] = 0;
                    f->stack[depth++] = r * w->cols + c;
                }
    }
    return thing;
}

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

/* Sides that things of at least `least` cells reach; the size of the largest into *largest. */
static unsigned sides_reached(const struct edges *e, size_t t, struct flood *f, size_t least, size_t *largest)
{
    const struct grid_window *w = &e->input->part[t]->window;
    unsigned sides = 0;
    for (uint32_t r = 0; r < w->rows; r++)
        for (uint32_t c = 0; c < w->cols; c++)
            f->mask[(size_t)r * w->cols + c] = changed(e, t, w->col + c, w->row + r);
    for (uint32_t i = 0; i < w->cols * w->rows; i++) {
        if (!f->mask[i])
            continue;
        struct thing thing = take_thing(f, w, i);
        if (thing.cells > *largest)
            *largest = thing.cells;
        if (thing.cells >= least)
            sides |= sides_of(&thing, w, e->cols, e->rows);
    }
    return sides;
}

static uint8_t sides_touched(const struct edges *e, size_t t, struct flood *f)
{
    size_t largest = 0;
    unsigned sides = 0;
    if (e->input->part[t]->window.cols > 0 && sides_reached(e, t, f, 0, &largest) != 0)
        sides = sides_reached(e, t, f, largest / SMALL_THING, &largest);
    return (uint8_t)sides;
}

bool grids_edges(const struct fill_input *input, uint8_t *sides, struct err *err)
{
    struct fill_scene scene;
    bool ok = fill_scene_open(&scene, input, err);
    struct edges e = {.scene = &scene, .input = input};
    struct flood flood = {NULL, NULL};
    if (ok) {
        e.cols = scene.key[0].grid->cols;
        e.rows = scene.key[0].grid->rows;
        size_t cells = (size_t)e.cols * e.rows;
        e.limit = malloc(cells * sizeof *e.limit);
        flood = (struct flood){malloc(cells), malloc(cells * sizeof *flood.stack)};
        ok = (e.limit != NULL && flood.mask != NULL && flood.stack != NULL) || err_nomem(err);
        for (size_t i = 0; ok && i < cells; i++)
            e.limit[i] = -1;
    }
    for (size_t t = 0; ok && t < input->n; t++)
        sides[t] = input->part[t] != NULL ? sides_touched(&e, t, &flood) : 0;
    free(e.limit);
    free(flood.mask);
    free(flood.stack);
    fill_scene_release(&scene);
    return ok;
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
