/*
 * setups.h - set-ups: runs of bursts from one camera position, focal length and focus setting.
 *
 * The empty background of each ranked burst is kept beside the cells (`cells/STAMP.background`), so that a
 * later run can compare without finding subjects again. Backgrounds are disposable, as cells are.
 */
#ifndef CHAFFINCH_SESSION_SETUPS_H
#define CHAFFINCH_SESSION_SETUPS_H

#include "scoring.h"

/* Keeps the background of a burst under its stamp. No background: nothing is written. */
bool setups_keep_background(struct session *s, const char *stamp, const struct burst_scores *scores,
                            struct err *err);
/* Numbers the set-ups of all bursts, in time order per body. */
bool setups_number(struct session *s, struct err *err);

#endif
