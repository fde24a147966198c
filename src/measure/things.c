/*
 * things.c - cells that differ from the still scene of a burst.
 *
 * Cells that change and change back over the burst, as no subject does that passes or comes to rest, are
 * reeds or water, and are left out.
 */
#include "things.h"

#include <math.h>
#include <stdlib.h>

enum { TURNS = 5 /* a subject that passes makes two, one that comes back four */ };
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
    float noise = fmaxf(LIMIT_NOISE * s->deviation[i], LIMIT_LUMA * FILL_LUMA_STEPS);
    return fmaxf(noise, LIMIT_SPREAD * (high - low)) + LIMIT_EDGE * hypotf(right, down) * .5f;
}

static float limit_of(const struct things *e, uint32_t col, uint32_t row)
{
    float *limit = &e->limit[(size_t)row * e->cols + col];
    if (*limit < 0)
        *limit = limit_at(&e->scene, e->cols, e->rows, col, row);
    return *limit;
}

/* Difference to the scene in frame t, beyond `limit`: 1 or 0; -1 where the cell was not decoded. */
static int differs(const struct things *e, size_t t, uint32_t col, uint32_t row, float limit)
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
    return fabsf(y - e->scene.luma[i]) > limit;
}

static bool is_restless(const struct things *e, uint32_t col, uint32_t row, float limit)
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

static bool changed(const struct things *e, size_t t, uint32_t col, uint32_t row)
{
    float limit = limit_of(e, col, row);
    if (differs(e, t, col, row, limit) != 1)
        return false;
    uint8_t *calm = &e->calm[(size_t)row * e->cols + col];
    if (*calm == 0)
        *calm = is_restless(e, col, row, limit) ? 2 : 1;
    return *calm == 1;
}

static void count_cell(struct thing *thing, const struct grid_window *w, uint32_t col, uint32_t row)
{
    thing->cells++;
    thing->at_left += col == 0;
    thing->at_right += col + 1 == w->cols;
    thing->at_top += row == 0;
    thing->at_lower += row + 1 == w->rows;
}

void things_mark(struct things *e, size_t t, const struct grid_window *w)
{
    for (uint32_t r = 0; r < w->rows; r++)
        for (uint32_t c = 0; c < w->cols; c++)
            e->mask[(size_t)r * w->cols + c] = changed(e, t, w->col + c, w->row + r);
}

struct thing things_take(struct things *e, const struct grid_window *w, uint32_t start)
{
    struct thing thing = {0};
    e->stack[0] = start;
    e->mask[start] = 2;
    for (size_t next = 0, n = 1; next < n; next++) {
        uint32_t i = e->stack[next], col = i % w->cols, row = i / w->cols;
        count_cell(&thing, w, col, row);
        for (uint32_t r = row > 0 ? row - 1 : 0; r <= row + 1 && r < w->rows; r++)
            for (uint32_t c = col > 0 ? col - 1 : 0; c <= col + 1 && c < w->cols; c++)
                if (e->mask[r * w->cols + c] == 1) {
                    e->mask[r * w->cols + c] = 2;
                    e->stack[n++] = r * w->cols + c;
                }
    }
    return thing;
}

bool things_open(struct things *e, const struct fill_input *input, struct err *err)
{
    *e = (struct things){.input = input};
    if (!fill_scene_open(&e->scene, input, err))
        return false;
    e->cols = e->scene.key[0].grid->cols;
    e->rows = e->scene.key[0].grid->rows;
    size_t cells = (size_t)e->cols * e->rows;
    e->limit = malloc(cells * sizeof *e->limit);
    e->calm = calloc(cells, 1);
    e->mask = malloc(cells);
    e->stack = malloc(cells * sizeof *e->stack);
    if (e->limit == NULL || e->calm == NULL || e->mask == NULL || e->stack == NULL)
        return err_nomem(err);
    for (size_t i = 0; i < cells; i++)
        e->limit[i] = -1;
    return true;
}

void things_release(struct things *e)
{
    free(e->limit);
    free(e->calm);
    free(e->mask);
    free(e->stack);
    fill_scene_release(&e->scene);
}
