/*
 * total.h - at most so many frames kept in a whole session: which of them go without.
 *
 * Calling sequence: total_add() for every burst, total_close(), then total_leaves_out() for each kept frame.
 * The best of every pass comes first, the least blurred before the others, then the second of every pass, and
 * so on. What a person accepted stands, and counts. Ownership: struct total owns what it points to;
 * total_release() frees it. {0} is empty and open.
 */
#ifndef CHAFFINCH_SESSION_TOTAL_H
#define CHAFFINCH_SESSION_TOTAL_H

#include "burst_grids.h"
#include "chaffinch/rank.h"

struct total_frame {
    int64_t frame;
    uint32_t nth; /* among the kept frames of its pass, from 1 */
    double blur_px;
    bool settled;
};
struct total {
    struct total_frame *kept;
    size_t n, room;
    bool closed;
    int64_t *beyond; /* ids of the frames without room, growing */
    size_t n_beyond;
};
/* Adds what rank_choose would keep of a burst. */
bool total_add(struct total *total, const struct members *members, const struct rank_frame *frames,
               const struct rank_item *items, struct err *err);
bool total_close(struct total *total, uint64_t most, struct err *err);
/* NULL leaves nothing out. */
bool total_leaves_out(const struct total *total, int64_t frame);
void total_release(struct total *total);

#endif
