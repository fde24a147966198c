/*
 * fast.h - measuring only what is needed to find the sharpest frame of each way through a burst.
 *
 * Calling sequence: fast_open() and fast_set() for every frame to be measured, in order; for each window of
 * frames that were located together fast_located() and fast_begin(); fast_wants() for each frame of the first
 * pass; then, when what was asked for of a burst is measured, fast_next() until it adds nothing. Ownership:
 * struct fast_plan owns its frames; fast_release() frees them.
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
    size_t n;
};
bool fast_open(struct fast_plan *plan, size_t n, struct err *err);
void fast_set(struct fast_plan *plan, size_t i, int64_t frame, int64_t burst);
/* `here`: measured by an earlier run. */
void fast_located(struct fast_plan *plan, size_t i, const struct locating_frame *where, bool here);
/* Says what the first pass takes of the window of frames first .. first + n - 1. */
bool fast_begin(struct session *s, struct fast_plan *plan, size_t first, size_t n, struct err *err);
/* Of the i-th frame. */
bool fast_wants(const struct fast_plan *plan, size_t i);
/* Adds to `again` what is to be measured next of a burst, from what is stored of it; where that is nothing,
   the sharpest frames to `tops`: only their parts must surely be large enough. It changes nothing of the plan
   but the frames of this burst, and reads nothing else that changes: another thread may call it. */
bool fast_next(struct session *s, struct fast_plan *plan, int64_t burst, const struct members *members,
               struct parts_again *again, struct frame_ids *tops, struct err *err);
/* Frames that nobody asked for. */
uint64_t fast_left_out(const struct fast_plan *plan);
void fast_release(struct fast_plan *plan);

#endif
