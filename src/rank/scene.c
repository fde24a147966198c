/* scene.c - what the rest of the picture does to a subject: sharp detail behind it, things in front of it. */
#include "score.h"

#include <math.h>
#include <stdlib.h>

enum { SAMPLE = 15, BEST = 3 };
static const double SURELY = 0.75; /* sharp */
static const double WHOLE = 0.85;  /* share of the body that makes a small outline a pose, not a piece */
static const double VEILED = 0.4;  /* clear share below which most of the subject is behind something */

static size_t sample_grids(const struct subject_input *input, const struct grid *pick[SAMPLE])
{
    size_t there = 0, seen = 0, n = 0;
    for (size_t t = 0; t < input->n; t++)
        there += input->grid[t] != NULL;
    size_t take = there < SAMPLE ? there : SAMPLE;
    for (size_t t = 0; t < input->n && n < take; t++)
        if (input->grid[t] != NULL && seen++ == (2 * n + 1) * there / (2 * take))
            pick[n++] = input->grid[t];
    return n;
}

bool sharp_scene(const struct subject_input *input, const struct subject_burst *found,
                 const struct noise *noise, uint8_t **out, struct err *err)
{
    const struct grid *pick[SAMPLE];
    *out = NULL;
    for (size_t t = 0; t < found->n; t++)
        if (hypotf(found->frame[t].shift_col, found->frame[t].shift_row) > 1.5f)
            return true;
    size_t n = sample_grids(input, pick);
    if (n == 0)
        return true;
    size_t cells = (size_t)pick[0]->cols * pick[0]->rows;
    *out = malloc(cells);
    if (*out == NULL)
        return err_nomem(err);
    grids_median_bytes(pick, n, GRID_G1, 0, cells, *out);
    for (size_t i = 0; i < cells; i++) {
        float usual = grid_values()[(*out)[i]];
        (*out)[i] = usual > 3.0f * noise_at(noise, ENERGY_G1, grid_luma(pick[n / 2], i));
    }
    return true;
}

/* The chance that the sharpest complete frames of a pass are sharp, the middle one of three; 1 where there
   are fewer. */
static double chance_of_best(const struct rank_scores *scores, const struct sums *rest,
                             const struct blur *blur, uint32_t pass)
{
    const struct blur *best[BEST] = {NULL};
    double p[BEST];
    for (size_t i = 0; i < scores->n; i++) {
        if (scores->item[i].pass != pass || rest[i].cells < 1 || (scores->item[i].flags & RANK_F_CUT))
            continue;
        const struct blur *next = &blur[i];
        for (size_t k = 0; k < BEST && next != NULL; k++)
            if (best[k] == NULL || next->log_sigma < best[k]->log_sigma) {
                const struct blur *pushed = best[k];
                best[k] = next;
                next = pushed;
            }
    }
    for (size_t k = 0; k < BEST; k++) {
        if (best[k] == NULL)
            return 1;
        p[k] = best[k]->p_sharp;
    }
    return median_of(p, BEST);
}

/* Does any frame of the pass have sharp scene within its outline? */
static bool meets_scene(const struct rank_scores *scores, const struct sums *sums, const struct sums *rest,
                        uint32_t pass)
{
    for (size_t i = 0; i < scores->n; i++)
        if (scores->item[i].pass == pass && rest[i].cells < sums[i].cells)
            return true;
    return false;
}

bool doubt_scene(const struct subject_burst *found, double cell_px, const struct sums *sums,
                 const struct sums *rest, const struct rank_scores *scores, struct blur *blur,
                 struct err *err)
{
    bool any = false;
    for (uint32_t pass = 1; pass <= found->n_passes; pass++)
        any = any || meets_scene(scores, sums, rest, pass);
    if (!any)
        return true;
    struct blur *other = malloc((scores->n + 1) * sizeof *other);
    if (other == NULL)
        return err_nomem(err);
    for (size_t i = 0; i < scores->n; i++)
        other[i] = blur[i];
    bool done = pass_blur_fit(found, cell_px, rest, scores, other, err);
    for (uint32_t pass = 1; done && pass <= found->n_passes; pass++) {
        double most = meets_scene(scores, sums, rest, pass) ? chance_of_best(scores, rest, other, pass) : 1;
        for (size_t i = 0; most < SURELY && i < scores->n; i++)
            if (scores->item[i].pass == pass)
                blur[i].p_sharp = fmin(blur[i].p_sharp, most);
    }
    free(other);
    return done;
}

static bool complete_flight(const struct rank_item *item)
{
    return (item->flags & (RANK_F_CUT | RANK_F_AT_REST)) == 0;
}

/* Is the way of the pass rather level? Then the length of the body lies along the width of its box. */
static bool flies_level(const struct rank_scores *scores, uint32_t pass)
{
    double level = 0, upright = 0;
    const struct rank_item *last = NULL;
    for (size_t i = 0; i < scores->n; i++) {
        const struct rank_item *item = &scores->item[i];
        if (item->pass != pass || !complete_flight(item))
            continue;
        if (last != NULL) {
            level += fabs((double)item->x_px + item->w_px / 2.0 - last->x_px - last->w_px / 2.0);
            upright += fabs((double)item->y_px + item->h_px / 2.0 - last->y_px - last->h_px / 2.0);
        }
        last = item;
    }
    return level >= upright;
}

static double length_px(const struct rank_item *item, bool level)
{
    return level ? item->w_px : item->h_px;
}

/* What a subject shows of itself where nothing stands before it. */
struct usual {
    double area, length_px;
    bool level;
    size_t n;
};

/* 75th percentiles over the complete frames of a pass. */
static struct usual usual_size(const struct rank_scores *scores, uint32_t pass, double *scratch)
{
    struct usual usual = {.level = flies_level(scores, pass)};
    for (size_t i = 0; i < scores->n; i++)
        if (scores->item[i].pass == pass && complete_flight(&scores->item[i]))
            scratch[usual.n++] = scores->item[i].area_cells;
    usual.area = quantile_of(scratch, usual.n, 0.75);
    usual.n = 0;
    for (size_t i = 0; i < scores->n; i++)
        if (scores->item[i].pass == pass && complete_flight(&scores->item[i]))
            scratch[usual.n++] = length_px(&scores->item[i], usual.level);
    usual.length_px = quantile_of(scratch, usual.n, 0.75);
    return usual;
}

/* A beat of the wings changes the area by half and leaves the length of the body; an edge in front takes from
   both, and leaves very little in the end. */
static bool small_for_pass(const struct rank_item *item, const struct usual *usual)
{
    return item->area_cells < 0.3 * usual->area ||
           (item->area_cells < 0.6 * usual->area && length_px(item, usual->level) < 0.6 * usual->length_px);
}

/* Less of the outline than the rest of the pass, or the frames within six of it, lead to expect: what was
   found may be a piece that happens to be sharp. */
static bool is_piece(const struct rank_scores *scores, size_t which, const struct usual *usual, bool by_size,
                     double cover, double *scratch)
{
    const struct rank_item *item = &scores->item[which];
    size_t n = 0;
    if (cover >= WHOLE)
        return false;
    if (by_size &&
        (item->area_cells < 0.6 * usual->area ||
         (item->area_cells < 0.75 * usual->area && length_px(item, usual->level) < 0.8 * usual->length_px)))
        return true;
    for (size_t i = 0; i < scores->n; i++) {
        const struct rank_item *other = &scores->item[i];
        int64_t apart = (int64_t)other->frame - (int64_t)item->frame;
        if (other->pass == item->pass && apart >= -6 && apart <= 6 && complete_flight(other))
            scratch[n++] = other->area_cells;
    }
    return n >= 3 && item->area_cells < 0.6 * median_of(scratch, n);
}

static void flag_pass(struct rank_scores *scores, const double *clear, const double *cover, uint32_t pass,
                      double *scratch, bool steady)
{
    struct usual usual = usual_size(scores, pass, scratch);
    size_t small = 0, veiled = 0;
    for (size_t i = 0; i < scores->n; i++) {
        if (scores->item[i].pass != pass || !complete_flight(&scores->item[i]))
            continue;
        small += small_for_pass(&scores->item[i], &usual);
        veiled += clear[i] < VEILED;
    }
    /* Where it would take more than a third, areas say more about the outline, and doubt more about the
       scene, than about hiding. */
    bool by_size = steady && usual.n >= 5 && (double)small <= 0.35 * (double)usual.n;
    bool by_doubt = (double)veiled <= 0.35 * (double)usual.n;
    for (size_t i = 0; i < scores->n; i++) {
        struct rank_item *item = &scores->item[i];
        if (item->pass != pass || !complete_flight(item))
            continue;
        /* Doubt is no proof: of frames that mostly are where scenery moves by itself, most are in full sight.
         */
        if (by_size && small_for_pass(item, &usual))
            item->flags |= RANK_F_HIDDEN;
        else if ((by_doubt && clear[i] < VEILED) || is_piece(scores, i, &usual, by_size, cover[i], scratch))
            item->flags |= RANK_F_PIECE;
    }
}

bool flag_hidden(const struct subject_burst *found, const double *clear, const double *cover,
                 struct rank_scores *scores, struct err *err)
{
    double *scratch = malloc((scores->n + 1) * sizeof *scratch);
    if (scratch == NULL)
        return err_nomem(err);
    bool steady = true;
    for (size_t t = 0; t < found->n; t++)
        steady = steady && hypotf(found->frame[t].shift_col, found->frame[t].shift_row) < 12.0f;
    for (uint32_t pass = 1; pass <= found->n_passes; pass++)
        flag_pass(scores, clear, cover, pass, scratch, steady);
    free(scratch);
    return true;
}
