/* fill.h - the still scene of a burst, as its whole frames show it. */
#ifndef MEASURE_FILL_H
#define MEASURE_FILL_H

#include "chaffinch/measure.h"

enum {
    FILL_KEYS = 7,        /* whole frames that are asked at most */
    FILL_BINS = 16,       /* brightnesses that noise is told apart for */
    FILL_LUMA_STEPS = 128 /* of grid.luma */
};

struct fill_key {
    size_t frame;
    const struct grid *grid;
    struct grid_window subject;
    float gain;
};

struct fill_scene {
    struct fill_key key[FILL_KEYS];
    size_t keys;
    float *luma;            /* of the empty scene, cols * rows, luma x 128 */
    uint8_t *clear;         /* cols * rows: bit k = key k shows no subject there, or all keys do */
    float noise[FILL_BINS]; /* standard deviation of luma x 128 */
    float *deviation;       /* cols * rows: that of each cell's brightness */
};

/* ERR_NOT_FOUND where there is no whole grid, ERR_NOMEM. Always release. */
bool fill_scene_open(struct fill_scene *scene, const struct fill_input *input, struct err *err);
void fill_scene_release(struct fill_scene *scene);
bool fill_inside(const struct grid_window *w, uint32_t col, uint32_t row);
/* The keys that tell of cell i: those without a subject there, all keys where there is no such key. */
size_t fill_samples(const struct fill_scene *s, size_t i, uint8_t sample[FILL_KEYS]);
/* The bin of a luma x 128. */
size_t fill_bin(float luma_steps);

#endif
