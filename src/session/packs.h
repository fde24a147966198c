/*
 * packs.h - the cells on disk: `.chaffinch/cells/N.cells`, packed grids one after the other, each on an
 * 8-byte boundary.
 *
 * Packs are disposable: they may be deleted at any time and are measured again. A pack is synced before the
 * catalogue names what is in it, so a row never points at bytes that are not there.
 */
#ifndef CHAFFINCH_SESSION_PACKS_H
#define CHAFFINCH_SESSION_PACKS_H

#include "chaffinch/measure.h"
#include "chaffinch/session.h"

struct pack_writer;
/* Starts a new pack; its number is *number. NULL with err. */
struct pack_writer *pack_start(struct session *s, int64_t *number, struct err *err);
bool pack_add(struct pack_writer *w, const uint8_t *bytes, size_t size, int64_t *offset, struct err *err);
uint64_t pack_size(const struct pack_writer *w);
bool pack_sync(struct pack_writer *w, struct err *err);
void pack_close(struct pack_writer *w); /* NULL is accepted; without a sync nothing is promised */

/* Reads the cells of a frame: *bytes (8-byte aligned, caller frees). False with ERR_NOT_FOUND or
 * ERR_DAMAGED: measure the frame again. */
bool pack_read(struct session *s, int64_t pack, int64_t offset, int64_t size, uint8_t **bytes,
               struct err *err);
/* True if the pack file is there. */
bool pack_exists(struct session *s, int64_t pack);

#endif
