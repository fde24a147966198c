/*
 * body.c - the body of a subject that crosses: what its outlines share.
 *
 * Wings come and go with every beat and may be ahead of the head, at a depth of their own. The outlines of a
 * pass, laid over each other so that they agree best, show the body where most of them have a cell. The
 * leading two fifths of it along the way are the head end.
 */
#include "head.h"

#include <math.h>
#include <stdlib.h>

static const float SHARED = 0.65f; /* of the outlines have a cell of the body */
enum { ROUNDS = 2 };               /* in which an outline is moved */

struct stack {
    struct body *body;
    float *votes; /* body->cols * rows */
    int reach;    /* cells around the outlines */
};

static const struct subject_region *region_of(const struct body *body, size_t k)
{
    return body->member[k].region;
}

static size_t at(const struct body *body, size_t k, uint32_t c, uint32_t r)
{
    return (size_t)((int)r + body->member[k].row) * (size_t)body->cols +
           (size_t)((int)c + body->member[k].col);
}

/* Gives the votes of one outline, or with -1 takes them back. */
static void vote(struct stack *s, size_t k, float sign)
{
    const struct subject_region *region = region_of(s->body, k);
    for (uint32_t r = 0; r < region->rows; r++)
        for (uint32_t c = 0; c < region->cols; c++)
            if (region->mask[(size_t)r * region->cols + c])
                s->votes[at(s->body, k, c, r)] += sign / (float)s->body->n;
}

/* How well an outline agrees with the votes when it is moved; cells that few share count against it. */
static float agreement(const struct stack *s, size_t k, int dc, int dr)
{
    const struct subject_region *region = region_of(s->body, k);
    const struct body_member *m = &s->body->member[k];
    float sum = 0;
    if (m->col + dc < 0 || m->row + dr < 0 || m->col + dc + (int)region->cols > s->body->cols ||
        m->row + dr + (int)region->rows > s->body->rows)
        return -INFINITY;
    const float *from = s->votes + (size_t)(m->row + dr) * (size_t)s->body->cols + (size_t)(m->col + dc);
    for (uint32_t r = 0; r < region->rows; r++)
        for (uint32_t c = 0; c < region->cols; c++)
            if (region->mask[(size_t)r * region->cols + c]) {
                float v = from[(size_t)r * (size_t)s->body->cols + c];
                sum += v * v;
            }
    return sum;
}

/* Moves one outline to where it agrees best with the others, first in steps of two cells. */
static void settle(struct stack *s, size_t k)
{
    for (int step = 2; step >= 1; step--) {
        int reach = step == 2 ? s->reach & ~1 : 1, best_c = 0, best_r = 0;
        float best = agreement(s, k, 0, 0);
        for (int dr = -reach; dr <= reach; dr += step)
            for (int dc = -reach; dc <= reach; dc += step) {
                float a = agreement(s, k, dc, dr);
                if (a > best) {
                    best = a;
                    best_c = dc;
                    best_r = dr;
                }
            }
        s->body->member[k].col += best_c;
        s->body->member[k].row += best_r;
    }
}

/* The smallest outline but for the smallest quarter: whole, and with little of the wings. */
static bool find_model(const struct body *body, size_t *model, struct err *err)
{
    double *area = malloc((body->n + 1) * sizeof *area);
    if (area == NULL)
        return err_nomem(err);
    for (size_t k = 0; k < body->n; k++)
        area[k] = region_of(body, k)->area_cells;
    double usual = quantile_of(area, body->n, 0.25);
    free(area);
    for (*model = 0; (double)region_of(body, *model)->area_cells != usual;)
        ++*model;
    return true;
}

/* All are laid on one outline first: where wings are up in half of the frames and down in the others, the
   mean of both is no place to start from. Then each is laid on all others. */
static bool lay_over(struct stack *s, struct err *err)
{
    size_t n = s->body->n, model = 0;
    if (!find_model(s->body, &model, err))
        return false;
    vote(s, model, 1);
    for (size_t k = 0; k < n; k++)
        if (k != model)
            settle(s, k);
    for (size_t k = 0; k < n; k++)
        if (k != model)
            vote(s, k, 1);
    for (size_t k = 0; k < n; k++) {
        vote(s, k, -1);
        settle(s, k);
        vote(s, k, 1);
    }
    return true;
}

/* Outlines by their centres, on a sheet that leaves room around them. */
static void lay_out(struct stack *s)
{
    struct body *body = s->body;
    float left = 0, above = 0, right = 0, below = 0;
    for (size_t k = 0; k < body->n; k++) {
        const struct subject_region *region = region_of(body, k);
        left = fmaxf(left, region->centre_col - (float)region->col);
        above = fmaxf(above, region->centre_row - (float)region->row);
        right = fmaxf(right, (float)(region->col + region->cols) - region->centre_col);
        below = fmaxf(below, (float)(region->row + region->rows) - region->centre_row);
    }
    s->reach = (int)fmaxf(2, 0.12f * fmaxf(left + right, above + below));
    int room = 2 * s->reach * ROUNDS + 2;
    body->cols = (int)(left + right) + 2 * room + 2;
    body->rows = (int)(above + below) + 2 * room + 2;
    for (size_t k = 0; k < body->n; k++) {
        const struct subject_region *region = region_of(body, k);
        body->member[k].col = (int)lroundf(left - (region->centre_col - (float)region->col)) + room;
        body->member[k].row = (int)lroundf(above - (region->centre_row - (float)region->row)) + room;
    }
}

/* Places of the shared cells along the way, 0 at the tail end to 1 at the head end; < 0 elsewhere. */
static void measure_along(struct stack *s)
{
    struct body *body = s->body;
    float lo = INFINITY, hi = -INFINITY;
    for (int r = 0; r < body->rows; r++)
        for (int c = 0; c < body->cols; c++)
            if (s->votes[r * body->cols + c] >= SHARED) {
                float u = body->way_col * (float)c + body->way_row * (float)r;
                lo = fminf(lo, u);
                hi = fmaxf(hi, u);
                body->cells++;
            }
    body->length = hi - lo + 1;
    for (int r = 0; r < body->rows; r++)
        for (int c = 0; c < body->cols; c++) {
            float u = body->way_col * (float)c + body->way_row * (float)r;
            bool mine = s->votes[r * body->cols + c] >= SHARED;
            body->along[r * body->cols + c] = mine ? (u - lo + 0.5f) / body->length : -1;
        }
}

bool body_find(struct body *body, struct err *err)
{
    struct stack s = {.body = body};
    lay_out(&s);
    size_t cells = (size_t)body->cols * (size_t)body->rows;
    s.votes = calloc(cells, sizeof *s.votes);
    body->along = malloc(cells * sizeof *body->along);
    if (s.votes == NULL || body->along == NULL) {
        free(s.votes);
        return err_nomem(err);
    }
    bool done = lay_over(&s, err);
    if (done)
        measure_along(&s);
    free(s.votes);
    return done;
}

float body_place(const struct body *body, size_t k, uint32_t c, uint32_t r)
{
    return body->along[at(body, k, c, r)];
}

float body_cover(const struct body *body, size_t k)
{
    const struct subject_region *region = region_of(body, k);
    size_t covered = 0;
    for (uint32_t r = 0; r < region->rows; r++)
        for (uint32_t c = 0; c < region->cols; c++)
            covered += region->mask[(size_t)r * region->cols + c] && body_place(body, k, c, r) >= 0;
    return body->cells > 0 ? (float)covered / (float)body->cells : 1.0f;
}

/* Whole, flying outlines of a pass, and their way. */
static bool gather(const struct subject_input *input, const struct subject_burst *found, uint32_t pass,
                   struct body *body, struct err *err)
{
    size_t item = 0;
    body->member = calloc(found->n + 1, sizeof *body->member);
    if (body->member == NULL)
        return err_nomem(err);
    for (size_t t = 0; t < found->n; t++) {
        bool taken = false;
        for (size_t k = 0; input->grid[t] != NULL && k < found->frame[t].n_regions; k++, item++) {
            const struct subject_region *region = &found->frame[t].region[k];
            if (taken || region->pass != pass || region->touches_border || !region->flying)
                continue;
            taken = true;
            body->member[body->n++] = (struct body_member){.region = region, .item = item};
            body->way_col += region->velocity_col_s;
            body->way_row += region->velocity_row_s;
        }
    }
    float speed = hypotf(body->way_col, body->way_row);
    if (!(speed > 0) || body->n < BODY_FEWEST) {
        body->n = 0;
        return true;
    }
    body->way_col /= speed;
    body->way_row /= speed;
    return body_find(body, err);
}

bool bodies_find(const struct subject_input *input, const struct subject_burst *found, struct body **bodies,
                 struct err *err)
{
    struct body *made = calloc(found->n_passes + 1, sizeof *made);
    bool done = made != NULL ? true : err_nomem(err);
    for (uint32_t pass = 1; done && pass <= found->n_passes; pass++)
        done = gather(input, found, pass, &made[pass - 1], err);
    if (done)
        *bodies = made;
    else
        bodies_release(made, found->n_passes);
    return done;
}

void bodies_release(struct body *bodies, size_t n)
{
    for (size_t i = 0; bodies != NULL && i < n; i++)
        body_release(&bodies[i]);
    free(bodies);
}

void body_release(struct body *body)
{
    free(body->member);
    free(body->along);
    *body = (struct body){0};
}
