/* parts.h - which frames must be decoded as a whole after all. */
#ifndef CHAFFINCH_SESSION_PARTS_H
#define CHAFFINCH_SESSION_PARTS_H

#include "chaffinch/session.h"

struct frame_ids {
    int64_t *id;
    size_t n, room;
};
bool frame_ids_add(struct frame_ids *ids, int64_t id, struct err *err);
void frame_ids_release(struct frame_ids *ids);

/* Adds the frames of a burst whose subject reaches the edge of what was decoded, and all that were decoded in
   part where no frame was decoded as a whole. */
bool parts_check(struct session *s, int64_t burst, struct frame_ids *again, struct err *err);

#endif
