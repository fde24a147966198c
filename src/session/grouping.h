/* grouping.h - all frames of the catalogue -> bursts, numbered in time order. */
#ifndef CHAFFINCH_SESSION_GROUPING_H
#define CHAFFINCH_SESSION_GROUPING_H

#include "chaffinch/session.h"

/* gap_ns 0 = chosen from the gaps. *n_bursts may be NULL. */
bool grouping_store(struct session *s, int64_t gap_ns, uint64_t *n_bursts, struct err *err);

#endif
