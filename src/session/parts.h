/* parts.h - which frames must be decoded once more, since what was decoded of them was too small. */
#ifndef CHAFFINCH_SESSION_PARTS_H
#define CHAFFINCH_SESSION_PARTS_H

#include "burst_grids.h"
#include "chaffinch/session.h"
#include "jobs.h"

struct frame_ids {
    int64_t *id;
    size_t n, room;
};
bool frame_ids_add(struct frame_ids *ids, int64_t id, struct err *err);
void frame_ids_release(struct frame_ids *ids);

struct part_again {
    int64_t frame;
    struct job_part part; /* wanted = false: as a whole */
};
struct parts_again {
    struct part_again *item;
    size_t n, room;
    const struct frame_ids *among; /* parts that are too small matter in these frames only; NULL = in all */
};
bool parts_again_add(struct parts_again *again, const struct part_again *item, struct err *err);
void parts_again_release(struct parts_again *again);

/* Long bursts are looked at in windows that overlap. */
enum { PARTS_WINDOW = 200, PARTS_OVERLAP = 50 };
/* Adds the frames of a burst whose subject reaches the edge of what was decoded, with a part that is larger
   there, or as a whole with `as_whole`; and all that were decoded in part where no frame was decoded as a
   whole, as a whole. */
bool parts_check(struct session *s, const struct members *members, bool as_whole, struct parts_again *again,
                 struct err *err);
/* The same of one window, whose cells were read: frames first .. first + grids->n - 1. */
bool parts_check_grids(const struct burst_grids *grids, const struct members *members, size_t first,
                       bool as_whole, struct parts_again *again, struct err *err);

/* The part to decode next, where something reaches these sides of one (measure.h, grids_edges). */
struct job_part parts_larger(const struct grid_part *part, unsigned sides);

#endif
