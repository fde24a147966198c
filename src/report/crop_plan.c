#include "crop_plan.h"

#include <math.h>

#define STEP 0.94      /* from one size that is tried to the next */
#define LEAST_ROOM 1.1 /* a crop this much larger than its subject is the tightest */
#define STEEP 0.3      /* a flight along the height has nothing ahead in the width */

static int width_axis(const struct crop_wish *wish)
{
    return wish->turned ? 1 : 0;
}

int crop_ahead(const struct crop_wish *wish)
{
    int axis = width_axis(wish);
    double along = wish->velocity[axis], across = wish->velocity[1 - axis];
    if (along == 0 || fabs(along) < STEEP * fabs(across))
        return 0;
    return along > 0 ? 1 : -1;
}

static bool overlaps(const struct crop_box *a, const struct crop_box *b)
{
    for (int i = 0; i < 2; i++)
        if (a->at[i] >= b->at[i] + b->size[i] || b->at[i] >= a->at[i] + a->size[i])
            return false;
    return true;
}

static bool leaves_room_ahead(const struct crop_wish *wish, const struct crop_box *crop)
{
    int axis = width_axis(wish), ahead = crop_ahead(wish);
    double behind = (double)wish->subject.at[axis] - crop->at[axis];
    double in_all = (double)crop->size[axis] - wish->subject.size[axis];
    double room = ahead > 0 ? in_all - behind : behind;
    return ahead == 0 || room >= CROP_AHEAD_SHARE * in_all;
}

static bool is_good(const struct crop_wish *wish, const struct crop_box *crop)
{
    for (int i = 0; i < 2; i++)
        if (crop->at[i] % CROP_BLOCK_PX != 0 || crop->at[i] + crop->size[i] > wish->picture[i] ||
            crop->at[i] > wish->subject.at[i] ||
            crop->at[i] + crop->size[i] < wish->subject.at[i] + wish->subject.size[i])
            return false;
    for (size_t i = 0; i < wish->n_keep_out; i++)
        if (overlaps(crop, &wish->keep_out[i]))
            return false;
    return leaves_room_ahead(wish, crop);
}

/* Where a crop of `size` begins when `share` of the free room lies before the subject. */
static uint32_t begin(const struct crop_wish *wish, int axis, uint32_t size, double share, bool up)
{
    double room = (double)size - wish->subject.size[axis];
    double at = (double)wish->subject.at[axis] - share * room;
    double most = (double)wish->picture[axis] - size;
    at = at < 0 ? 0 : at > most ? most : at;
    double blocks = at / CROP_BLOCK_PX;
    return (uint32_t)(up ? ceil(blocks) : floor(blocks)) * CROP_BLOCK_PX;
}

static bool try_size(const struct crop_wish *wish, struct crop_box *crop)
{
    static const double even[] = {.5, .4, .6, .3, .7, .2, .8, .1, .9, 0, 1};
    static const double behind[] = {.4, .35, .3, .25, .2, .15, .1, .05, 0};
    int axis = width_axis(wish), ahead = crop_ahead(wish);
    size_t n = ahead == 0 ? sizeof even / sizeof even[0] : sizeof behind / sizeof behind[0];
    for (size_t i = 0; i < n; i++) {
        double share = ahead == 0 ? even[i] : ahead > 0 ? behind[i] : 1 - behind[i];
        crop->at[axis] = begin(wish, axis, crop->size[axis], share, ahead > 0);
        for (size_t k = 0; k < sizeof even / sizeof even[0]; k++) {
            crop->at[1 - axis] = begin(wish, 1 - axis, crop->size[1 - axis], even[k], false);
            if (is_good(wish, crop))
                return true;
        }
    }
    return false;
}

bool crop_plan(const struct crop_wish *wish, struct crop_box *crop)
{
    double aspect = wish->turned ? 1 / wish->aspect : wish->aspect; /* of the stored crop */
    double w = wish->subject.size[0], h = wish->subject.size[1];
    double wanted = fmax(w / wish->fill, h / wish->fill * aspect);
    double least = fmax(w * LEAST_ROOM, h * LEAST_ROOM * aspect);
    double most = fmin(wish->picture[0], wish->picture[1] * aspect);
    if (!(wanted > 0))
        return false;
    for (double width = fmin(wanted, most); width >= least; width *= STEP) {
        crop->size[0] = (uint32_t)width;
        crop->size[1] = (uint32_t)lround(crop->size[0] / aspect);
        if (crop->size[0] > 0 && crop->size[1] > 0 && crop->size[1] <= wish->picture[1] &&
            try_size(wish, crop))
            return true;
    }
    return false;
}
