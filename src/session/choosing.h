/* choosing.h - from stored summaries to proposals, for one burst, within a total of the session. */
#ifndef CHAFFINCH_SESSION_CHOOSING_H
#define CHAFFINCH_SESSION_CHOOSING_H

#include "burst_grids.h"
#include "chaffinch/rank.h"
#include "total.h"

/* How to choose: what was asked for, else what is stored. */
struct choosing_how {
    struct rank_options rank;
    uint32_t keep_total; /* 0 = no limit */
};
/* Stores what is asked for as the session's settings, and reads the others. */
bool choosing_how(struct session *s, const struct session_rank_options *asked, struct choosing_how *how,
                  struct err *err);

/* Chooses for a burst whose items are in memory. `total` open: only adds to it. Else, closed or NULL: writes
 * the choices that changed (inside the caller's transaction) and adds to the totals. */
bool choosing_run(struct session *s, const struct members *members, const struct rank_burst *burst,
                  const struct rank_item *items, size_t n_items, const struct choosing_how *how,
                  struct total *total, struct session_ranked *totals, bool *nothing_sharp, struct err *err);

/* Items between catalogue rows and rank.h. `members` gives ids and positions. */
void choosing_item_to_row(const struct rank_item *item, const struct members *members,
                          struct catalogue_item *row);
bool choosing_load_items(struct session *s, int64_t burst, const struct members *members,
                         struct rank_item **items, size_t *n, struct err *err);

const char *choosing_mode_token(enum subject_mode mode);
enum subject_mode choosing_mode_of_token(const char *token);

#endif
