/* things.h - what stands out of the still scene in a frame: changed cells, taken together where connected. */
#ifndef MEASURE_THINGS_H
#define MEASURE_THINGS_H

#include "fill.h"

struct things {
    struct fill_scene scene;
    const struct fill_input *input;
    uint32_t cols, rows;
    float *limit;    /* of each cell; below 0: not asked for yet */
    uint8_t *calm;   /* of each cell: 1 = calm, 2 = restless, 0 = not asked for yet */
    uint8_t *mask;   /* of a window: what is changed; 2 = taken */
    uint32_t *stack; /* cells of the window */
};

/* Errors as fill_scene_open. Always release. */
bool things_open(struct things *things, const struct fill_input *input, struct err *err);
void things_release(struct things *things);
/* Marks what is changed in a window of frame t, where that was decoded. */
void things_mark(struct things *things, size_t t, const struct grid_window *window);

struct thing {
    size_t cells, at_left, at_right, at_top, at_lower; /* of the window */
};
/* Takes what is connected to cell `start` of the window: things.stack lists its cells. */
struct thing things_take(struct things *things, const struct grid_window *window, uint32_t start);

#endif
