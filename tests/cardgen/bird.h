#ifndef CARDGEN_BIRD_H
#define CARDGEN_BIRD_H
/* A barn swallow as a mesh that can beat, fold, fan and turn its head. Lengths in mm, angles in radians. */
#include <stdbool.h>
#include <stdint.h>
#include "canvas.h"
#include "lens.h"
#include "mesh.h"

enum bird_part {
    BIRD_NOTHING,
    BIRD_BODY,
    BIRD_WING_LEFT,
    BIRD_WING_RIGHT,
    BIRD_WING_FOLDED,
    BIRD_TAIL,
    BIRD_BEAK,
    BIRD_EYE,
    BIRD_LEG
};

/* Where a bird is and how it holds itself. View axes: x right, y up, z towards the camera; the origin is
 * where the optical axis meets the plane of focus. */
struct bird_pose {
    struct vec3 at;       /* of the middle of the body */
    struct vec3 velocity; /* mm/s, for the blur of motion */
    struct vec3 forward;  /* along the body towards the bill */
    float roll;
    float beat;      /* phase of the wing beat: 0 = wings up, pi = wings down */
    float amplitude; /* of the beat; 0 = glide */
    float dihedral;  /* mean lift of the wings over the body */
    float spread;    /* of the tail, 0 closed .. 1 fanned */
    float tail_pitch;
    float head_yaw, head_pitch;
    bool folded;   /* wings along the body, legs out */
    uint32_t salt; /* the individual: plumage pattern */
};

struct bird_light {
    struct vec3 to_sun;
    float sun[3], sky[3], ground[3]; /* linear light; a white surface facing it has this level */
};

/* A picture of one bird, and the truth about it. */
struct bird_shot {
    struct patch patch;           /* not yet blurred, with room for it */
    float x0, y0, x1, y1;         /* box of the unblurred outline, px */
    float disc_px;                /* diameter of the blur disc */
    float line_dx_px, line_dy_px; /* motion during the exposure */
    float sigma_px;               /* lens_sigma_px of both */
    double area_px;               /* of the outline, also outside of the picture */
};

/* Draws the bird on the picture plane of a w x h px picture. Returns false (and no patch) when the bird
 * is wholly outside. The patch is the caller's to free. */
bool bird_draw(const struct bird_pose *pose, const struct lens *lens, const struct bird_light *light, int w,
               int h, struct bird_shot *out);

/* Builds the mesh in view mm (y up), with normals. */
void bird_mesh(const struct bird_pose *pose, struct mesh *m);

/* Colour of one sample, linear RGB (plumage.c). */
void bird_paint(const struct mesh_sample *s, uint32_t salt, const struct bird_light *light, float rgb[3]);

/* Gaps between the tips of flight feathers (plumage.c). */
bool bird_hole(int part, float u, float v, const struct vec3 *rest);

#endif
