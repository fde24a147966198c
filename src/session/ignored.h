/*
 * ignored.h - parts of the picture that a person marked as ignored, as cells that subjects are not looked for
 * in.
 *
 * They belong to a set-up. A burst's stamp holds those of its set-up, so that it is judged anew when they
 * change. Ownership: struct ignored owns what it points to; ignored_release() frees it. {0} ignores nothing.
 */
#ifndef CHAFFINCH_SESSION_IGNORED_H
#define CHAFFINCH_SESSION_IGNORED_H

#include "chaffinch/hash.h"
#include "chaffinch/measure.h"
#include "chaffinch/session.h"

struct ignored {
    struct catalogue_area *area;
    size_t n, room;
};
bool ignored_load(struct session *s, struct ignored *ignored, struct err *err);
void ignored_release(struct ignored *ignored);

/* Takes the areas of a set-up into a digest; without any it stays as it is. */
void ignored_stamp(const struct ignored *ignored, int64_t setup, struct hash_digest *digest);
/* *mask: cols * rows bytes, 1 in every cell that an area covers by half or more; NULL where the set-up has
   none. The caller frees it. False with ERR_NOMEM. */
bool ignored_mask(const struct ignored *ignored, int64_t setup, const struct grid *grid, uint8_t **mask,
                  struct err *err);

#endif
