/*
 * edge.c - sides of a subject that stay where they are while it flies on: the edge of a post or a rail.
 *
 * Boxes are known to a fraction of a cell. A wing or a belly comes to the same place in a few frames of a
 * pass; an edge in front cuts many of them at one and the same place. How much it hides is not known.
 */
#include "score.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { SIDES = 4, FEWEST = 6, FEWEST_FURTHER = 3, FEWEST_WHOLE = 3 };
static const double SHARE = 0.38; /* of the frames of a pass that one place takes if it is an edge */
static const double SAME = 0.2;   /* of a cell */

static const double PASSED = 0.5; /* of its extent that a subject goes on across the place meanwhile */
static const double MOST = 0.8;   /* of the area of its neighbours in time: less is a piece */

static double side_of(const struct rank_item *item, int side)
{
    switch (side) {
    case 0:
        return item->x_px;
    case 1:
        return item->y_px;
    case 2:
        return (double)item->x_px + item->w_px;
    default:
        return (double)item->y_px + item->h_px;
    }
}

static bool counts(const struct rank_item *item, uint32_t pass)
{
    return item->pass == pass && (item->flags & (RANK_F_CUT | RANK_F_AT_REST)) == 0;
}

static size_t frames_at(const struct rank_scores *scores, uint32_t pass, int side, double place, double same)
{
    size_t n = 0;
    for (size_t i = 0; i < scores->n; i++)
        n += counts(&scores->item[i], pass) && fabs(side_of(&scores->item[i], side) - place) <= same;
    return n;
}

/* The place at which this side is in most frames; returns in how many. */
static size_t usual_place(const struct rank_scores *scores, uint32_t pass, int side, double same,
                          double *place)
{
    size_t most = 0;
    for (size_t i = 0; i < scores->n; i++) {
        if (!counts(&scores->item[i], pass))
            continue;
        size_t n = frames_at(scores, pass, side, side_of(&scores->item[i], side), same);
        if (n > most) {
            most = n;
            *place = side_of(&scores->item[i], side);
        }
    }
    return most;
}

static double middle_of(const struct rank_item *item, int side)
{
    return side % 2 == 0 ? item->x_px + item->w_px / 2.0 : item->y_px + item->h_px / 2.0;
}

/* Does the pass lead across the place? A bird that flies level has its belly at one height all the way. */
static bool crosses(const struct rank_scores *scores, uint32_t pass, int side, double place, double same,
                    double *scratch)
{
    double t = 0, x = 0, tt = 0, tx = 0;
    size_t n = 0, at = 0;
    for (size_t i = 0; i < scores->n; i++)
        if (counts(&scores->item[i], pass)) {
            t += scores->item[i].frame;
            x += middle_of(&scores->item[i], side);
            n++;
        }
    double mean_t = t / (double)n, mean_x = x / (double)n, first = INFINITY, last = -INFINITY;
    for (size_t i = 0; i < scores->n; i++) {
        const struct rank_item *item = &scores->item[i];
        if (!counts(item, pass))
            continue;
        tt += (item->frame - mean_t) * (item->frame - mean_t);
        tx += (item->frame - mean_t) * (middle_of(item, side) - mean_x);
        if (fabs(side_of(item, side) - place) > same)
            continue;
        first = fmin(first, item->frame);
        last = fmax(last, item->frame);
        scratch[at++] = side % 2 == 0 ? item->w_px : item->h_px;
    }
    return tt > 0 && fabs(tx / tt) * (last - first) >= PASSED * median_of(scratch, at);
}

/* Marks the items of a pass that an edge cuts; returns whether there are any. */
static bool mark(const struct rank_scores *scores, uint32_t pass, double cell_px, bool *at_edge,
                 double *scratch)
{
    double place[SIDES] = {0}, same = SAME * cell_px;
    size_t most[SIDES], all = 0;
    bool any = false;
    for (size_t i = 0; i < scores->n; i++)
        all += counts(&scores->item[i], pass);
    for (int side = 0; side < SIDES; side++) {
        most[side] = usual_place(scores, pass, side, same, &place[side]);
        any = any || (most[side] >= FEWEST && (double)most[side] >= SHARE * (double)all &&
                      crosses(scores, pass, side, place[side], same, scratch));
    }
    /* What has one edge has others. */
    for (int side = 0; any && side < SIDES; side++)
        for (size_t i = 0; most[side] >= FEWEST_FURTHER && i < scores->n; i++)
            if (counts(&scores->item[i], pass) && fabs(side_of(&scores->item[i], side) - place[side]) <= same)
                at_edge[i] = true;
    return any;
}

/* Frames that nothing doubts and no edge cuts, and that are probably sharp. */
static size_t whole_ones(const struct rank_scores *scores, uint32_t pass, const bool *at_edge)
{
    const uint32_t doubt = RANK_F_HIDDEN | RANK_F_PIECE | RANK_F_UNSURE;
    size_t n = 0;
    for (size_t i = 0; i < scores->n; i++) {
        const struct rank_item *item = &scores->item[i];
        n += counts(item, pass) && !at_edge[i] && !(item->flags & doubt) && item->p_sharp >= 0.5;
    }
    return n;
}

/* Clearly smaller than in the frames within six of it, but for the hidden ones? */
static bool is_small(const struct rank_scores *scores, size_t which, double *scratch)
{
    const struct rank_item *item = &scores->item[which];
    size_t n = 0;
    for (size_t i = 0; i < scores->n; i++) {
        int64_t apart = (int64_t)scores->item[i].frame - (int64_t)item->frame;
        bool hidden = scores->item[i].flags & RANK_F_HIDDEN;
        if (counts(&scores->item[i], item->pass) && !hidden && apart >= -6 && apart <= 6)
            scratch[n++] = scores->item[i].area_cells;
    }
    return item->area_cells < MOST * median_of(scratch, n);
}

static void flag_pass(struct rank_scores *scores, uint32_t pass, const bool *at_edge, double *scratch)
{
    bool others = whole_ones(scores, pass, at_edge) >= FEWEST_WHOLE;
    for (size_t i = 0; i < scores->n; i++)
        if (at_edge[i] && !(scores->item[i].flags & RANK_F_HIDDEN) &&
            (others || is_small(scores, i, scratch)))
            scores->item[i].flags |= RANK_F_PIECE;
}

bool edge_flag(const struct subject_burst *found, double cell_px, struct rank_scores *scores, struct err *err)
{
    for (size_t t = 0; t < found->n; t++)
        if (hypotf(found->frame[t].shift_col, found->frame[t].shift_row) > 1.5f)
            return true;
    bool *at_edge = malloc((scores->n + 1) * sizeof *at_edge);
    double *scratch = malloc((scores->n + 1) * sizeof *scratch);
    bool done = at_edge != NULL && scratch != NULL;
    for (uint32_t pass = 1; done && pass <= found->n_passes; pass++) {
        memset(at_edge, 0, scores->n * sizeof *at_edge);
        if (mark(scores, pass, cell_px, at_edge, scratch))
            flag_pass(scores, pass, at_edge, scratch);
    }
    free(at_edge);
    free(scratch);
    return done ? true : err_nomem(err);
}
