/* grouping.h - all frames of the catalogue -> bursts, numbered in time order. */
#ifndef CHAFFINCH_SESSION_GROUPING_H
#define CHAFFINCH_SESSION_GROUPING_H

#include "chaffinch/session.h"
#include "parts.h"

/* gap_ns 0 = chosen from the gaps. *n_bursts may be NULL. */
bool grouping_store(struct session *s, int64_t gap_ns, uint64_t *n_bursts, struct err *err);

/* Numbers, sorted, of the bursts that stand: no file that is still to come can belong to one of them, and
   they are the same whatever gap will be chosen when all pauses are known. To be called after grouping_store.
 */
bool grouping_closed(struct session *s, const struct card_coming *coming, struct frame_ids *bursts,
                     struct err *err);

#endif
