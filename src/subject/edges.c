/*
 * edges.c - where the outline of a subject ends, finer than whole cells.
 *
 * A mask of cells is too large by half a cell on every side, and by several where a blurred tail fades out
 * before a plain scene; it is too small where a tail is thin. So each side is looked at as a profile of
 * columns (or rows): how much of the subject's own contrast is in each of them. A thin line, a tail, hardly
 * changes the mean of a cell but spreads the luma within it; a blur changes the mean and spreads little. Both
 * are in
 *     amplitude = (difference^2 + added variance) / difference,
 * which for a cell that a subject of contrast D covers in part is D, and for one that its blur covers to a
 * share s is s D. The side lies in the outermost column that has a good part of the subject's contrast, and
 * within that column as far out as its difference has of what the next column has.
 */
#include "edges.h"

#include <math.h>
#include <stdlib.h>

enum { OUTSIDE = 2, INSIDE = 8, PROFILE = OUTSIDE + INSIDE + 2 };
static const float SHARE = 0.23f;   /* of the subject's contrast: below it is a fading blur, or nothing */
static const float SCATTER = 0.5f;  /* of the usual variance in a cell: what noise may add to it */
static const float BELIEVED = 2.5f; /* times the noise: a difference in a cell beyond the mask */

/* One line of cells along a side, the outermost of the mask being number OUTSIDE. */
struct line {
    float difference, amplitude;
};

size_t edge_cell(const struct scene *scene, const struct edge_side *side, long line, long k)
{
    long c = side->upright ? line : k, r = side->upright ? k : line;
    if (c < 0 || r < 0 || c >= (long)scene->cols || r >= (long)scene->rows)
        return SIZE_MAX;
    return (size_t)r * scene->cols + (size_t)c;
}

float edge_difference(const struct edge_view *view, size_t i)
{
    float now = grid_luma(view->scene->grid[view->t], i) / view->scene->gain[view->t];
    return fabsf(now - view->backdrop->luma[i]);
}

float edge_amplitude(const struct edge_view *view, size_t i, float difference)
{
    float usual = view->backdrop->texture[i];
    float added = grid_value(view->scene->grid[view->t], GRID_VAR, i) - (1.0f + SCATTER) * usual;
    float least = fmaxf(1.0f, view->scene->noise);
    return (difference * difference + fmaxf(added, 0)) / fmaxf(difference, least);
}

static void take(const struct edge_view *view, size_t i, struct line *line)
{
    float d = edge_difference(view, i);
    if (d > line->difference)
        *line = (struct line){d, edge_amplitude(view, i, d)};
}

/* Cells of the mask, and beyond it those about the tip. */
static void find_profile(const struct edge_view *view, const struct edge_side *side,
                         struct line profile[PROFILE])
{
    long tip = side->from;
    float most = -1;
    for (long k = side->from; k <= side->to; k++) {
        size_t i = edge_cell(view->scene, side, side->line, k);
        if (i != SIZE_MAX && view->full[i] && edge_difference(view, i) > most) {
            most = edge_difference(view, i);
            tip = k;
        }
    }
    for (long at = 0; at < PROFILE; at++) {
        long in = at - OUTSIDE, line = side->line + in * side->step;
        long from = in < 0 ? tip - 1 + in : side->from, to = in < 0 ? tip + 1 - in : side->to;
        profile[at] = (struct line){0, 0};
        for (long k = from; k <= to; k++) {
            size_t i = edge_cell(view->scene, side, line, k);
            if (i != SIZE_MAX && (in < 0 || view->full[i]))
                take(view, i, &profile[at]);
        }
    }
}

/* How far within its cell the outline ends, by the share that the cell's difference is of the next one's.
   Measured on rendered birds (bench_bursts, set tune). */
static float within(float share)
{
    static const float knot[] = {0.0f, 0.08f, 0.22f, 0.37f, 0.52f, 0.67f, 0.85f};
    static const float inset[] = {1.0f, 0.88f, 0.62f, 0.38f, 0.25f, 0.12f, 0.0f};
    enum { KNOTS = sizeof knot / sizeof *knot };
    for (int k = 1; k < KNOTS; k++)
        if (share < knot[k])
            return inset[k - 1] + (share - knot[k - 1]) / (knot[k] - knot[k - 1]) * (inset[k] - inset[k - 1]);
    return 0.0f;
}

/* Cells by which the outline ends inside of the side; negative beyond it. */
static float inset_of(const struct edge_view *view, const struct edge_side *side, float contrast)
{
    struct line profile[PROFILE];
    float least = SHARE * contrast, believed = fmaxf(BELIEVED * view->scene->noise, 1.0f);
    int at = OUTSIDE;
    find_profile(view, side, profile);
    while (at > 0 && profile[at - 1].amplitude >= least && profile[at - 1].difference >= believed)
        at--;
    while (at == OUTSIDE || (at > OUTSIDE && at < OUTSIDE + INSIDE)) {
        if (profile[at].amplitude >= least)
            break;
        at++;
    }
    float whole = fmaxf(fminf(profile[at + 1].difference, contrast), 1e-3f);
    return (float)(at - OUTSIDE) + within(profile[at].difference / whole);
}

bool edge_contrast(const struct edge_view *view, const struct subject_region *region, float *contrast)
{
    float *v = malloc(region->area_cells * sizeof *v);
    size_t n = 0;
    if (v == NULL)
        return false;
    for (uint32_t r = region->row; r < region->row + region->rows; r++)
        for (uint32_t c = region->col; c < region->col + region->cols; c++) {
            size_t i = (size_t)r * view->scene->cols + c;
            if (view->full[i])
                v[n++] = edge_difference(view, i);
        }
    *contrast = select_nth(v, n, n * 3 / 4);
    free(v);
    return true;
}

bool region_edges(const struct scene *scene, size_t t, const uint8_t *full, const struct backdrop *backdrop,
                  struct subject_region *region, struct err *err)
{
    struct edge_view view = {scene, backdrop, full, t};
    float contrast;
    long c0 = region->col, c1 = c0 + region->cols - 1, r0 = region->row, r1 = r0 + region->rows - 1;
    if (!edge_contrast(&view, region, &contrast))
        return err_nomem(err);
    const struct edge_side left = {true, c0, 1, r0, r1}, right = {true, c1, -1, r0, r1};
    const struct edge_side top = {false, r0, 1, c0, c1}, low = {false, r1, -1, c0, c1};
    /* What the edge of the picture cuts goes on to it. */
    region->inset_left = c0 > 0 ? inset_of(&view, &left, contrast) : 0;
    region->inset_top = r0 > 0 ? inset_of(&view, &top, contrast) : 0;
    region->inset_right = c1 + 1 < (long)scene->cols ? inset_of(&view, &right, contrast) : 0;
    region->inset_low = r1 + 1 < (long)scene->rows ? inset_of(&view, &low, contrast) : 0;
    return true;
}
