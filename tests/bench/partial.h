#ifndef BENCH_PARTIAL_H
#define BENCH_PARTIAL_H
/* What the engine sees of a burst when it decodes around the subject only. */
#include <stdbool.h>

#include "truth.h"

#include "chaffinch/measure.h"

struct partial {
    uint8_t *filled[BENCH_FRAMES]; /* owned */
    double cost;                   /* mean over frames, full decodes; by the model of partial.c */
    double again;                  /* frames that had to be decoded twice */
    double skipped, whole;         /* frames */
    bool missing[BENCH_FRAMES];    /* not decoded, since the sharpest was found without it */
    size_t parts;                  /* frames of which something was decoded */
    int answer;                    /* enum locate_answer */
};

/* Replaces the grids by what thumbnails, parts and filling in leave of them; with `fast` only of the frames
   that bracketing asks for. Exits on failure. */
void partial_view(const struct bench_burst *b, struct grid *grid, bool fast, struct partial *partial);
void partial_release(struct partial *partial);

#endif
