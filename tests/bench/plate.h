#ifndef BENCH_PLATE_H
#define BENCH_PLATE_H
/* Grey pictures in linear light, 1.0 = the level at which the sensor clips, and the ground they show. */
#include <stddef.h>

#include "scene.h"

struct plate {
    int w, h;
    float *v; /* owned */
};

struct plate plate_new(int w, int h);
void plate_free(struct plate *p);
void plate_blur(struct plate *p, float sigma_px); /* three box blurs */

/* Copies the w x h window at (x, y), between the pixels too (Catmull-Rom); the edge repeats. */
void plate_window(const struct plate *from, float x, float y, struct plate *to);

enum { STUDIO_PHOTOS = 16, GRAIN_SIDE = 512 };

/* What all bursts share: textures and the grain of the sensor. */
struct studio {
    int photos; /* of Debian's wallpaper packages, as far as they are installed */
    const char *path[STUDIO_PHOTOS];
    struct plate photo[STUDIO_PHOTOS]; /* read at first use */
    float *grain;                      /* GRAIN_SIDE^2 values, deviation 1, neighbours a little alike */
};
void studio_open(struct studio *s);
void studio_close(struct studio *s);
float *grain_new(void); /* develop.c */

/* Photograph k. */
const struct plate *studio_photo(struct studio *s, int k);
/* A w x h cut-out of photograph k at `scale` photo px a px, mirrored and placed by the generator. */
struct plate photo_cut(struct studio *s, int k, int w, int h, float scale, struct rng *r);

/* The ground of a scene, w x h px, the middle of which is the middle of the picture. */
struct plate ground_paint(struct studio *studio, const struct scene_script *s, int w, int h);
/* A timber, w x h. */
struct plate wood_paint(uint32_t salt, int w, int h, bool upright);

/* Exposure, noise, tone, in-camera processing: light to an 8-bit grey picture. */
void develop(struct studio *studio, const struct scene_script *s, const struct plate *light, int frame,
             uint8_t *out);
/* Encodes, decodes, measures; fills packed grid and whole-frame measures. */
void develop_measure(const uint8_t *grey, int quality, struct bench_frame *out);

#endif
