#ifndef CARDGEN_BLUR_H
#define CARDGEN_BLUR_H
#include "canvas.h"

/* Blurs a patch in place: the defocus disc, then the line of motion, then the base blur. The patch must
 * have blur_margin_px() empty pixels round what it shows. */
void blur_patch(struct patch *p, float disc_px, float line_dx_px, float line_dy_px);

/* Room that the blur needs on every side. */
int blur_margin_px(float disc_px, float line_dx_px, float line_dy_px);

#endif
