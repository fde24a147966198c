/*
 * keep.h - text that lives as long as its owner, and arrays that grow.
 *
 * Purpose: a plan of 10,000 files holds 40,000 names; none is freed before the plan is.
 *
 * Calling sequence: struct keep keep = {0}; s = keep_text(&keep, "name", &err); ...; keep_release(&keep);
 */
#ifndef CHAFFINCH_APPLY_KEEP_H
#define CHAFFINCH_APPLY_KEEP_H

#include <stddef.h>

#include "chaffinch/err.h"

struct keep {
    struct keep_chunk *chunks;
};

/* A copy of `text`. NULL with ERR_NOMEM. */
const char *keep_text(struct keep *keep, const char *text, struct err *err);
void keep_release(struct keep *keep);

/* Makes room for item number n in an array of *room items of `size` bytes. Returns the array, which may have
   moved; NULL with ERR_NOMEM (the old array is still there). */
void *keep_room(void *array, size_t n, size_t *room, size_t size, struct err *err);

#endif
