/* choosing.h - from stored summaries to proposals, for one burst. */
#ifndef CHAFFINCH_SESSION_CHOOSING_H
#define CHAFFINCH_SESSION_CHOOSING_H

#include "burst_grids.h"
#include "chaffinch/rank.h"

/* Chooses for a burst whose items are in memory and writes the choices (inside the caller's transaction).
 * Adds to the totals. */
bool choosing_run(struct session *s, const struct members *members, const struct rank_burst *burst,
                  const struct rank_item *items, size_t n_items, uint32_t keep, struct session_ranked *totals,
                  bool *nothing_sharp, struct err *err);

/* Items between catalogue rows and rank.h. `members` gives ids and positions. */
void choosing_item_to_row(const struct rank_item *item, const struct members *members,
                          struct catalogue_item *row);
bool choosing_load_items(struct session *s, int64_t burst, const struct members *members,
                         struct rank_item **items, size_t *n, struct err *err);

const char *choosing_mode_token(enum subject_mode mode);
enum subject_mode choosing_mode_of_token(const char *token);
/* `keep` as asked for (stored as the session's setting then), or as last time, or 3. */
bool choosing_keep(struct session *s, uint32_t asked, uint32_t *keep, struct err *err);

#endif
