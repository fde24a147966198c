/* order.h - the order of frames within a body. Private to burst. */
#ifndef CHAFFINCH_BURST_ORDER_H
#define CHAFFINCH_BURST_ORDER_H

#include "chaffinch/burst.h"

#define SECOND_NS INT64_C(1000000000)

/* After 9999 comes 0001 (DCF). */
enum { NUMBER_LAST = 9999 };

struct order_key {
    struct burst_frame *frame;
    int64_t clock_ns; /* UTC where every frame of the body has an offset, else civil time */
    int64_t step_ns;  /* how far apart two neighbouring values of this clock are: 1 s for whole seconds */
    int64_t place;    /* folder and number as one growing count, rollover unrolled */
    uint32_t rank;    /* 0.. in order */
    uint32_t chain;   /* see overlay.c */
    int64_t chain_ns;
};

/* Keys of all frames (malloc, caller frees), in order: by body, frames with a time first, clock, where clocks
   tie maker-note sequence or place. NULL with ERR_NOMEM. */
struct order_key *order_frames(struct burst_frame *frames, size_t n, struct err *err);

bool order_same_body(const struct order_key *a, const struct order_key *b);
int order_by_rank(const void *a, const void *b);
int order_by_place(const void *a, const void *b);

/* ---- gap.c ---- */

/* The shortest pause between two neighbours that their clocks allow. */
int64_t gap_shortest_pause(const struct order_key *a, const struct order_key *b);
/* Chooses from the pauses of all frames in order. */
bool gap_choose(const struct order_key *key, size_t n, int64_t *gap_ns, struct err *err);

/* ---- overlay.c ---- */

/* Takes bursts apart that a clock set back laid over each other: key[0 .. n) is one body's run of frames with
   times. Reorders the keys and marks in starts[1 .. n) where a burst starts. */
void overlay_cut(struct order_key *key, size_t n, int64_t gap_ns, bool *starts);

/* ---- estimate.c ---- */

/* Fills estimated_ns of the frames of one burst, in order. */
void estimate_times(const struct order_key *key, size_t n);

#endif
