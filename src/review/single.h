/*
 * single.h - one review of a session at a time: a lock, and the address beside it for whoever comes second.
 *
 * `.chaffinch/review.lock` is held with flock; `.chaffinch/review` has the address, readable by its owner
 * only, since the token in it opens the page. On a disk that cannot be written neither is there.
 */
#ifndef CHAFFINCH_REVIEW_SINGLE_H
#define CHAFFINCH_REVIEW_SINGLE_H

#include "chaffinch/root.h"

struct single {
    const struct root *root;
    int fd; /* -1 = not held */
    bool told;
};

/* ERR_REFUSED with the address of the first where there is one already. */
bool single_take(struct single *single, const struct root *root, struct err *err);
bool single_tell(struct single *single, const char *address, struct err *err);
void single_release(struct single *single);

#endif
