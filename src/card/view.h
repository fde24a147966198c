/*
 * view.h - a card seen read-only.
 *
 * view_init() wraps a table of file calls: reading goes through (with O_NOATIME where the system permits it,
 * so that not even access times move), everything that could change the card fails with EROFS before it
 * reaches the system. All of this module's calls on a card go through such a view.
 */
#ifndef CHAFFINCH_CARD_VIEW_H
#define CHAFFINCH_CARD_VIEW_H

#include "chaffinch/files.h"

/* `view` keeps a pointer to `real`; nothing to release. */
void view_init(struct files *view, const struct files *real);

#endif
