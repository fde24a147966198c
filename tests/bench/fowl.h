#ifndef BENCH_FOWL_H
#define BENCH_FOWL_H
/* One bird as a grey picture with its own blur, which may differ from head to tail. */
#include "../cardgen/canvas.h"
#include "plate.h"

struct fowl {
    struct patch patch;   /* channel 0 = light x cover, 1 = cover; blurred */
    float x0, y0, x1, y1; /* box of the outline without blur, px of the picture */
    float blur_px, head_px;
};

/* What a bird is drawn with. */
struct fowl_view {
    struct studio *studio;
    const struct scene_script *script;
    float dx, dy;           /* camera offset, px */
    float line_dx, line_dy; /* motion of the camera during the exposure, px */
    float level;            /* mean light of the ground */
};

/* False (and no patch) when it is wholly outside. The patch is the caller's to free. */
bool fowl_draw(const struct fowl_view *view, const struct actor *actor, const struct bird_pose *pose,
               struct fowl *out);

#endif
