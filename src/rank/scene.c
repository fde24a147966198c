/* scene.c - what the rest of the picture does to a subject: sharp detail behind it, things in front of it. */
#include "score.h"

#include <math.h>
#include <stdlib.h>

enum { SAMPLE = 15 };
static const double VEILED = 0.4; /* clear share below which most of the subject is behind something */

static uint8_t median_byte(uint8_t *v, size_t n)
{
    for (size_t i = 1; i < n; i++)
        for (size_t k = i; k > 0 && v[k - 1] > v[k]; k--) {
            uint8_t swap = v[k];
            v[k] = v[k - 1];
            v[k - 1] = swap;
        }
    return v[n / 2];
}

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
    for (size_t i = 0; i < cells; i++) {
        uint8_t v[SAMPLE];
        for (size_t k = 0; k < n; k++)
            v[k] = pick[k]->plane[GRID_G1][i];
        float usual = grid_values()[median_byte(v, n)];
        (*out)[i] = usual > 3.0f * noise_at(noise, ENERGY_G1, grid_luma(pick[n / 2], i));
    }
    return true;
}

static bool complete_flight(const struct rank_item *item)
{
    return (item->flags & (RANK_F_CUT | RANK_F_AT_REST)) == 0;
}

/* 75th percentiles of area and width over the complete frames of a pass. */
static size_t usual_size(const struct rank_scores *scores, uint32_t pass, double *scratch, double *area,
                         double *width)
{
    size_t n = 0;
    for (size_t i = 0; i < scores->n; i++)
        if (scores->item[i].pass == pass && complete_flight(&scores->item[i]))
            scratch[n++] = scores->item[i].area_cells;
    *area = quantile_of(scratch, n, 0.75);
    n = 0;
    for (size_t i = 0; i < scores->n; i++)
        if (scores->item[i].pass == pass && complete_flight(&scores->item[i]))
            scratch[n++] = scores->item[i].w_px;
    *width = quantile_of(scratch, n, 0.75);
    return n;
}

static bool small_for_pass(const struct rank_item *item, double area, double width)
{
    return item->area_cells < 0.6 * area ||
           (item->area_cells < 0.75 * area && (double)item->w_px < 0.8 * width);
}

/* Smaller than six tenths of its neighbours within six frames. */
static bool small_for_moment(const struct rank_scores *scores, size_t which, double *scratch)
{
    const struct rank_item *item = &scores->item[which];
    size_t n = 0;
    for (size_t i = 0; i < scores->n; i++) {
        const struct rank_item *other = &scores->item[i];
        int64_t apart = (int64_t)other->frame - (int64_t)item->frame;
        if (other->pass == item->pass && apart >= -6 && apart <= 6 && complete_flight(other))
            scratch[n++] = other->area_cells;
    }
    return n >= 3 && item->area_cells < 0.6 * median_of(scratch, n);
}

static void flag_pass(struct rank_scores *scores, const double *clear, uint32_t pass, double *scratch,
                      bool steady)
{
    double area, width;
    size_t candidates = usual_size(scores, pass, scratch, &area, &width), small = 0, veiled = 0;
    for (size_t i = 0; i < scores->n; i++) {
        if (scores->item[i].pass != pass || !complete_flight(&scores->item[i]))
            continue;
        small += small_for_pass(&scores->item[i], area, width);
        veiled += clear[i] < VEILED;
    }
    /* Where it would take more than a third, areas say more about the outline, and doubt more about the
       scene, than about hiding. */
    bool by_pass = steady && candidates >= 5 && (double)small <= 0.35 * (double)candidates;
    bool by_doubt = (double)veiled <= 0.35 * (double)candidates;
    for (size_t i = 0; i < scores->n; i++) {
        struct rank_item *item = &scores->item[i];
        if (item->pass != pass || !complete_flight(item))
            continue;
        if ((by_pass && small_for_pass(item, area, width)) || (by_doubt && clear[i] < VEILED) ||
            small_for_moment(scores, i, scratch))
            item->flags |= RANK_F_HIDDEN;
    }
}

bool flag_hidden(const struct subject_burst *found, const double *clear, struct rank_scores *scores,
                 struct err *err)
{
    double *scratch = malloc((scores->n + 1) * sizeof *scratch);
    if (scratch == NULL)
        return err_nomem(err);
    bool steady = true;
    for (size_t t = 0; t < found->n; t++)
        steady = steady && hypotf(found->frame[t].shift_col, found->frame[t].shift_row) < 12.0f;
    for (uint32_t pass = 1; pass <= found->n_passes; pass++)
        flag_pass(scores, clear, pass, scratch, steady);
    free(scratch);
    return true;
}
