#ifndef CARDGEN_POND_H
#define CARDGEN_POND_H
/* The mill pond: far bank and water out of focus, timber of the sluice and reeds at the plane of focus.
 * Places are in view mm at the plane of focus: x right, y up, origin on the optical axis. */
#include <stdbool.h>
#include <stdint.h>
#include "canvas.h"
#include "lens.h"

/* A stand of reeds. */
struct reed_bed {
    int count;
    float x0, x1, root_y, height; /* mm */
    float near_mm,
        far_mm; /* how far behind the plane of focus they stand; near_mm > 0: all behind the timber */
};

/* A horizontal or upright timber at the plane of focus; x0 == x1 means none. */
struct timber {
    float x0, x1, top, bottom;
};

struct pond_spec {
    uint32_t salt;
    float waterline;      /* y of the far edge of the water */
    float water_focus;    /* y where the surface of the water passes the plane of focus */
    float ripple;         /* strength of the waves, 1 = a light breeze */
    bool golden;          /* evening light instead of morning light */
    struct timber rail;   /* lies across */
    struct timber boards; /* upright planks of the gate */
    struct timber post;   /* one upright beam */
    struct reed_bed bed[3];
    bool target; /* a stick with a card is held at the plane of focus */
};

struct scene {
    struct canvas light;
    uint8_t *front; /* 255 where something stands at the plane of focus, owned */
};

/* Paints everything that does not move. */
void pond_paint(const struct pond_spec *p, const struct lens *l, int w, int h, struct scene *out);
void scene_free(struct scene *s);

/* The reeds at the plane of focus, as the wind bends them at time t_s. pond_paint() leaves them out. */
void pond_reeds(const struct pond_spec *p, const struct lens *l, float t_s, float sway_mm, struct scene *s);

/* Sparkle of the sun on the waves near the plane of focus. */
void pond_glitter(const struct pond_spec *p, const struct lens *l, float t_s, struct canvas *c);

/* Rings round the place where a bird has touched the water, `age_s` ago. */
void pond_rings(const struct lens *l, float x_mm, float y_mm, float age_s, struct canvas *c);

/* Timber (timber.c). */
void timber_paint(const struct pond_spec *p, const struct lens *l, struct scene *s);

/* Distance from the lens of the water that is seen at height y, mm. */
float pond_distance(const struct pond_spec *p, const struct lens *l, float y_mm);

#endif
