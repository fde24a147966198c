/*
 * light.c - burnt-out highlights and darkness of a subject: they break ties, and are never a reason to
 * reject.
 *
 * A tenth in the logarithm is a tenth of the blur, far below what the eye tells apart. Darkness is measured
 * against the other frames of the pass, since a dark bird is no fault.
 */
#include "score.h"

#include <math.h>
#include <stdlib.h>

static const double MOST_CLIPPED = 0.05, MOST_DARK = 0.05; /* taken off a score */
static const double ALL_CLIPPED = 0.1;                     /* share at which highlights count in full */
static const double DARK = 0.7, DARKEST = 0.4;             /* against the median of the pass */

void light_measure(const struct grid *grid, const struct subject_region *region, struct rank_item *item)
{
    double cells = 0, luma = 0, clipped = 0;
    for (uint32_t r = 0; r < region->rows; r++)
        for (uint32_t c = 0; c < region->cols; c++) {
            size_t i = (size_t)(region->row + r) * grid->cols + region->col + c;
            if (!region->mask[(size_t)r * region->cols + c])
                continue;
            double y = (double)grid_luma(grid, i);
            cells++;
            luma += y;
            /* The grid counts black and white pixels together; in a bright cell they are white. */
            clipped += y >= 128 ? (double)grid_value(grid, GRID_CLIP, i) : 0;
        }
    item->part[RANK_LUMA] = cells > 0 ? luma / cells : (double)NAN;
    item->part[RANK_CLIPPED] = cells > 0 ? clipped / cells : (double)NAN;
}

static double share(double value, double none, double all)
{
    return fmin(fmax((value - none) / (all - none), 0), 1);
}

static void settle_pass(struct rank_scores *scores, uint32_t pass, double *scratch)
{
    size_t n = 0;
    for (size_t i = 0; i < scores->n; i++)
        if (scores->item[i].pass == pass && isfinite(scores->item[i].part[RANK_LUMA]))
            scratch[n++] = scores->item[i].part[RANK_LUMA];
    double usual = fmax(median_of(scratch, n), 1);
    for (size_t i = 0; i < scores->n; i++) {
        struct rank_item *item = &scores->item[i];
        if (item->pass != pass || !isfinite(item->part[RANK_LUMA]))
            continue;
        double lost = MOST_CLIPPED * share(item->part[RANK_CLIPPED], 0, ALL_CLIPPED) +
                      MOST_DARK * share(item->part[RANK_LUMA] / usual, DARK, DARKEST);
        item->part[RANK_LIGHT] = lost;
        item->score -= lost;
    }
}

bool light_settle(struct rank_scores *scores, struct err *err)
{
    double *scratch = malloc((scores->n + 1) * sizeof *scratch);
    uint32_t most = 0;
    if (scratch == NULL)
        return err_nomem(err);
    for (size_t i = 0; i < scores->n; i++)
        most = scores->item[i].pass > most ? scores->item[i].pass : most;
    for (uint32_t pass = 1; pass <= most; pass++)
        settle_pass(scores, pass, scratch);
    free(scratch);
    return true;
}
