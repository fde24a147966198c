/*
 * fast.h - measuring only what is needed to find the sharpest frame of each way through a burst.
 *
 * Calling sequence: fast_add() for every frame to be measured, in order, once its part is known;
 * fast_begin(); fast_wants() for each frame of the first pass; then, when what was asked for of a burst is
 * measured, fast_next() until it adds nothing. Ownership: struct fast_plan owns its frames; fast_release()
 * frees them.
 */
#ifndef CHAFFINCH_SESSION_FAST_H
#define CHAFFINCH_SESSION_FAST_H

#include "locating.h"
#include "parts.h"

struct fast_frame {
    int64_t frame, burst;
    struct locating_frame where;
    bool known; /* measured, or asked for */
};
struct fast_plan {
    struct fast_frame *frame;
    size_t n, room;
};
/* `here`: measured by an earlier run. */
bool fast_add(struct fast_plan *plan, int64_t frame, const struct locating_frame *where, bool here,
              struct err *err);
/* Says what the first pass takes. */
bool fast_begin(struct session *s, struct fast_plan *plan, struct err *err);
/* Of the i-th frame that was added. */
bool fast_wants(const struct fast_plan *plan, size_t i);
/* Adds to `again` what is to be measured next of a burst, from what is stored of it. It changes nothing of
   the plan but the frames of this burst, and reads nothing else that changes: another thread may call it. */
bool fast_next(struct session *s, struct fast_plan *plan, int64_t burst, const struct members *members,
               struct parts_again *again, struct err *err);
/* Frames that nobody asked for. */
uint64_t fast_left_out(const struct fast_plan *plan);
void fast_release(struct fast_plan *plan);

#endif
