/* box.c - the box of a subject in px. */
#include "score.h"

#include <math.h>

static uint32_t place_px(float px, uint32_t most)
{
    return (uint32_t)lroundf(fminf(fmaxf(px, 0.0f), (float)most));
}

void box_px(struct rank_item *item, const struct grid *grid, const struct subject_region *region)
{
    float cell = (float)grid->cell_px;
    float left = (float)region->col + region->inset_left, top = (float)region->row + region->inset_top;
    float right = (float)(region->col + region->cols) - region->inset_right;
    float low = (float)(region->row + region->rows) - region->inset_low;
    item->x_px = place_px(left * cell, grid->width_px - 1);
    item->y_px = place_px(top * cell, grid->height_px - 1);
    uint32_t right_px = place_px(right * cell, grid->width_px),
             low_px = place_px(low * cell, grid->height_px);
    item->w_px = right_px > item->x_px ? right_px - item->x_px : 1;
    item->h_px = low_px > item->y_px ? low_px - item->y_px : 1;
}

/* Share of the contrast below which the rear end does not count, by blur. Fitted on rendered birds
   (bench_bursts, tuning seeds), whose boxes end where the blurred bird covers less than .4. */
static float share_at(double blur_px)
{
    static const double SHARP = 0.14, SOFT = 0.35, MIDDLE_PX = 2, WIDTH_PX = 0.5;
    return (float)(SHARP + (SOFT - SHARP) / (1 + exp((MIDDLE_PX - blur_px) / WIDTH_PX)));
}

/* Where the rear end is, by the blur. */
static float rear_inset(const struct subject_rear *rear, double blur_px)
{
    float share = share_at(blur_px);
    int k = 0;
    while (k < SUBJECT_REAR_SHARES - 2 && subject_rear_share(k + 1) < share)
        k++;
    float from = subject_rear_share(k), part = (share - from) / (subject_rear_share(k + 1) - from);
    part = fminf(fmaxf(part, 0), 1);
    return rear->inset[k] + part * (rear->inset[k + 1] - rear->inset[k]);
}

void boxes_settle(const struct subject_input *input, const struct subject_burst *found,
                  struct rank_scores *scores)
{
    size_t i = 0;
    for (size_t t = 0; t < found->n && found->mode != SUBJECT_UNKNOWN; t++)
        for (size_t k = 0; input->grid[t] != NULL && k < found->frame[t].n_regions; k++, i++) {
            struct subject_region region = found->frame[t].region[k];
            if (!region.rear.known || !isfinite(scores->item[i].blur_px))
                continue;
            float inset = rear_inset(&region.rear, scores->item[i].blur_px);
            bool first = region.rear.step > 0;
            *(region.rear.upright ? (first ? &region.inset_left : &region.inset_right)
                                  : (first ? &region.inset_top : &region.inset_low)) = inset;
            box_px(&scores->item[i], input->grid[t], &region);
        }
}
