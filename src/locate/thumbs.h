/*
 * thumbs.h - what the files of locating share: the thumbnails of a burst over their empty scene, and boxes.
 */
#ifndef LOCATE_THUMBS_H
#define LOCATE_THUMBS_H

#include "chaffinch/lanes.h"
#include "chaffinch/locate.h"
#include "chaffinch/select.h"

enum { THUMBS_SAMPLE = LANES_MOST /* frames that a temporal median looks at, at most */ };

struct thumbs {
    size_t n;
    const uint8_t *const *luma; /* of the picture proper: black bars are cut off by `top`, `left` */
    uint32_t stride;            /* of luma */
    uint32_t left, top, cols, rows;
    size_t px;     /* cols * rows */
    float *gain;   /* n */
    float *scene;  /* median over time of luma / gain */
    float *spread; /* 1.4826 x median absolute deviation over time */
    float *limit;  /* a difference beyond this is a change */
    float noise;   /* median of spread */
};

/* False with ERR_NOMEM; *odd: the bars are not where the shape of the frames says. Always release. */
bool thumbs_open(struct thumbs *thumbs, const struct locate_input *input, bool *odd, struct err *err);
void thumbs_release(struct thumbs *thumbs);
/* Luma of px i of frame t, at the exposure of the scene. */
static inline float thumbs_luma(const struct thumbs *th, size_t t, size_t i)
{
    size_t row = i / th->cols, col = i - row * th->cols;
    return (float)th->luma[t][(row + th->top) * th->stride + col + th->left] / th->gain[t];
}
/* That of frames pick[0 .. n) at px i, i + 1 ... of one row, side by side; behind the row its last px. */
void thumbs_lanes(const struct thumbs *th, const size_t *pick, size_t n, size_t i, float v[][LANES]);
/* Frames spread over the burst; returns how many. */
size_t thumbs_sample(const struct thumbs *th, size_t pick[THUMBS_SAMPLE]);
/* Shift of frame t against the scene by one least-squares step (Lucas and Kanade 1981), px. */
void thumbs_shift(const struct thumbs *thumbs, size_t t, float *col, float *row);

/* A box in px of the thumbnail, x1 and y1 exclusive; x1 <= x0: nothing. */
struct box {
    float x0, y0, x1, y1;
};
static inline bool box_empty(const struct box *b)
{
    return !(b->x1 > b->x0);
}
void box_join(struct box *b, const struct box *other);

struct paths_told {
    size_t moving_frames; /* with something that moves and is not small beside the largest */
    float largest_px;     /* mean area of the largest change that travels; 0 = none */
};
/* The box of everything that may be a subject in each frame (box[t], and wide[t] with margins; both zeroed by
   the caller): ways are followed through gaps, and one that starts or ends inside the picture keeps its
   place. Of `frame` the way of the subject, and whether it is complete. False with ERR_NOMEM. */
bool paths_find(const struct thumbs *thumbs, struct box *box, struct box *wide, struct locate_frame *frame,
                struct paths_told *told, struct err *err);

/* The box of what may sit in the picture the whole time, judged by the largest subject that flies; empty =
   nothing. False with ERR_NOMEM. */
bool thumbs_rest(const struct thumbs *thumbs, float largest_px, struct box *rest, struct err *err);

#endif
