/* order.h - the order of frames within a body. Private to burst. */
#ifndef CHAFFINCH_BURST_ORDER_H
#define CHAFFINCH_BURST_ORDER_H

#include "chaffinch/burst.h"

struct order_key {
    struct burst_frame *frame;
    int64_t step_ns; /* how far apart two neighbouring values of this clock are: 1 s for whole seconds */
    int64_t place;   /* folder and number as one growing count, rollover unrolled */
};

/* A total order: body, frames with a time first, time, maker-note sequence, place, prefix. Equal frames only
 * where all of these agree. */
int order_compare(const void *a, const void *b);
/* Keys of all frames, sorted (malloc, caller frees). NULL with ERR_NOMEM. */
struct order_key *order_frames(struct burst_frame *frames, size_t n, struct err *err);

#endif
