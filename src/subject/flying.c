/*
 * flying.c - does a subject fly or rest? One that goes somewhere flies. One that stays flies when its outline
 * changes: wings do that, a turning head hardly.
 */
#include "scene.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const float MOVES = 0.15f;    /* share of cells that differ from a neighbour frame */
static const float FLUTTERS = 0.10f; /* share of the outline's cells that are new or gone */
static const double SPELL_S = 0.05;  /* wings stand still for a moment at either end of a beat */

static struct subject_region *region_of(struct subject_frame *frame, uint32_t pass)
{
    for (size_t k = 0; k < frame->n_regions; k++)
        if (frame->region[k].pass == pass)
            return &frame->region[k];
    return NULL;
}

static bool covers(const struct subject_region *region, long c, long r)
{
    long dc = c - (long)region->col, dr = r - (long)region->row;
    return dc >= 0 && dr >= 0 && dc < (long)region->cols && dr < (long)region->rows &&
           region->mask[(size_t)dr * region->cols + (size_t)dc] != 0;
}

/* Cells of `a` (frame t) that `b` (frame u) does not cover and whose luma is another there. */
static size_t gone(const struct scene *scene, size_t t, const struct subject_region *a, size_t u,
                   const struct subject_region *b)
{
    float dc = scene->shift_col[u] - scene->shift_col[t], dr = scene->shift_row[u] - scene->shift_row[t];
    float limit = fmaxf(5.0f * scene->noise, 2.5f);
    size_t n = 0;
    for (uint32_t r = 0; r < a->rows; r++)
        for (uint32_t c = 0; c < a->cols; c++) {
            uint32_t col = a->col + c, row = a->row + r;
            float there_c = (float)col + dc, there_r = (float)row + dr;
            if (!a->mask[(size_t)r * a->cols + c] || covers(b, lroundf(there_c), lroundf(there_r)))
                continue;
            float now = grid_luma(scene->grid[t], (size_t)row * scene->cols + col) / scene->gain[t];
            float then = scene_luma_at(scene, u, there_c, there_r);
            n += then >= 0.0f && fabsf(now - then) > limit;
        }
    return n;
}

/* Of a pass between each frame and the next one that shows it. */
static void outline_changes(const struct scene *scene, struct subject_burst *found, uint32_t pass)
{
    for (size_t t = 0; t + 1 < scene->n; t++) {
        struct subject_region *a = region_of(&found->frame[scene->index[t]], pass);
        struct subject_region *b = region_of(&found->frame[scene->index[t + 1]], pass);
        if (a == NULL || b == NULL)
            continue;
        uint32_t area = a->area_cells < b->area_cells ? a->area_cells : b->area_cells;
        float change = (float)(gone(scene, t, a, t + 1, b) + gone(scene, t + 1, b, t, a)) / (float)area;
        change = fminf(change, 1.0f);
        a->outline_change = fmaxf(a->outline_change, change);
        b->outline_change = fmaxf(b->outline_change, change);
    }
}

static bool stirs(const struct subject_region *region)
{
    return region->moving >= MOVES || region->outline_change >= FLUTTERS;
}

static void spell(const struct scene *scene, struct subject_burst *found, uint32_t pass)
{
    for (size_t t = 0; t < scene->n; t++) {
        struct subject_region *here = region_of(&found->frame[scene->index[t]], pass);
        if (here == NULL)
            continue;
        here->flying = stirs(here);
        bool before = false, after = false;
        for (size_t u = t; u-- > 0 && scene->time_s[t] - scene->time_s[u] <= SPELL_S;) {
            const struct subject_region *other = region_of(&found->frame[scene->index[u]], pass);
            before = before || (other != NULL && stirs(other));
        }
        for (size_t u = t + 1; u < scene->n && scene->time_s[u] - scene->time_s[t] <= SPELL_S; u++) {
            const struct subject_region *other = region_of(&found->frame[scene->index[u]], pass);
            after = after || (other != NULL && stirs(other));
        }
        here->flying = here->flying || (before && after);
    }
}

void regions_flying(const struct scene *scene, struct subject_burst *found)
{
    for (uint32_t pass = 1; pass <= found->n_passes; pass++) {
        outline_changes(scene, found, pass);
        spell(scene, found, pass);
    }
}
