/*
 * scene_maker.h - small made-up bursts with a known truth: a bank with boards and water, and birds of known
 * place and blur. For tests of what finds and scores them.
 */
#ifndef TESTS_SCENE_MAKER_H
#define TESTS_SCENE_MAKER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chaffinch/measure.h"
#include "chaffinch/subject.h"

enum { MAKER_MAX_FRAMES = 64, MAKER_BIRDS = 10 };

struct made_bird {
    float x, y;    /* centre, px */
    float w, h;    /* of the ellipse, px */
    float blur_px; /* Gaussian, beyond the sampling */
    float lift;    /* luma against the scene: negative = dark */
    float turn;    /* px that its plumage is moved by inside the outline */
    uint32_t salt; /* plumage */
};

struct made_frame {
    struct made_bird bird[MAKER_BIRDS];
    size_t n_birds;
    float gain;             /* 0 = 1 */
    float shift_x, shift_y; /* of the camera, px */
};

/* One burst: width x height pixels, n frames 10 ms apart, as grids. Owned; burst_unmake frees. */
struct made_burst {
    size_t n;
    struct grid grid[MAKER_MAX_FRAMES];
    const struct grid *pointer[MAKER_MAX_FRAMES];
    int64_t time_ns[MAKER_MAX_FRAMES];
    uint8_t *packed[MAKER_MAX_FRAMES];
    struct subject_input input;
};

struct maker {
    uint32_t width_px, height_px;
    float noise; /* standard deviation, luma */
    uint32_t seed;
    bool transposed; /* the pictures are measured with rows and columns exchanged */
    bool bare;       /* no scenery: one grey */
};

/* Aborts when memory runs out: it is for tests only. */
void burst_make(const struct maker *maker, const struct made_frame *frame, size_t n, struct made_burst *out);
void burst_unmake(struct made_burst *burst);
/* The pixels of one frame, malloc'ed. */
uint8_t *frame_draw(const struct maker *maker, const struct made_frame *frame, uint32_t number);
/* A grid from pixels; *packed is malloc'ed and owned by the caller. */
void grid_make(const uint8_t *luma, uint32_t width_px, uint32_t height_px, struct grid *grid,
               uint8_t **packed);

#endif
