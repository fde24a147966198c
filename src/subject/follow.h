/*
 * follow.h - a camera that goes with its subject, or roams: what the files about it share.
 *
 * All work is done on sheets of luma at most FOLLOW_SIDE cells long: that is enough to tell where a subject
 * is, and a burst of full-size frames stays quick.
 */
#ifndef SUBJECT_FOLLOW_H
#define SUBJECT_FOLLOW_H

#include "scene.h"
#include "warp.h"

enum { FOLLOW_SIDE = 128 };

struct follow {
    const struct scene *scene;
    size_t n;
    uint32_t factor;     /* cells of the grid in one of a sheet, each way */
    uint32_t cols, rows; /* of a sheet */
    size_t cells;
    float *luma;       /* n sheets */
    float *smooth;     /* n sheets, blurred a little: what warps are fitted on */
    struct warp *next; /* the scene's way from frame t to frame t + 1 */
    struct warp *own;  /* the subject's */
    float *apart;      /* n sheets: how clearly a cell does not go with the scene, 0..1 */
    float *sum;        /* n sheets: the same, over neighbours in time, following the subject */
    float *scratch, *spare;
};

/* All false with ERR_NOMEM; release in any case. */
bool follow_open(const struct scene *scene, struct follow *follow, struct err *err);
void follow_release(struct follow *follow);
/* The camera's way from frame to frame. */
void follow_chain(struct follow *follow);
/* Fills `apart`, `own` and `sum`. */
bool follow_apart(struct follow *follow, struct err *err);
/* One region a frame where something stands apart, pass 1. */
bool follow_regions(struct follow *follow, struct subject_burst *found, struct err *err);

/* Sum of what stands apart over the cells of all regions: how much of it they explain. */
float follow_support(const struct follow *follow, const struct subject_burst *found);

/* One plane of a stack of sheets. */
struct sheet follow_sheet(const struct follow *follow, const float *stack, size_t t);
/* Binomial 1 4 6 4 1 both ways: a Gaussian of one cell. `scratch` is as large. */
void follow_soften(const float *in, uint32_t cols, uint32_t rows, float *out, float *scratch);

#endif
