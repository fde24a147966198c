/* crop_plan.h - where a crop around a subject lies. Pure. */
#ifndef CHAFFINCH_REPORT_CROP_PLAN_H
#define CHAFFINCH_REPORT_CROP_PLAN_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { CROP_BLOCK_PX = 16 }; /* the largest block that cameras code (4:2:0): crops begin on its borders */
#define CROP_AHEAD_SHARE 0.6

struct crop_box {
    uint32_t at[2], size[2]; /* x, y; width, height; px of the stored picture */
};

struct crop_wish {
    uint32_t picture[2]; /* width, height */
    struct crop_box subject;
    bool turned;         /* the upright picture has the stored one's height as its width (Exif 5 to 8) */
    double velocity[2];  /* of the subject in the stored picture, any unit; 0, 0 = rests or not known */
    double aspect, fill; /* as struct report_crop_options */
    const struct crop_box *keep_out;
    size_t n_keep_out;
};
/* The largest crop up to the wished size that holds the whole subject, lies inside the picture, begins on
   block borders, leaves at least .6 of the free width ahead of the flight and touches no area that is kept
   out; among those of one size the one that leaves the subject nearest to the middle of the other direction.
   False: there is no such crop. */
bool crop_plan(const struct crop_wish *wish, struct crop_box *crop);
/* The direction that counts as ahead along the upright width: -1, 0, 1. */
int crop_ahead(const struct crop_wish *wish);

#endif
