/*
 * along.h - ranking along with measuring: each burst as soon as its last frame is measured, so that a person
 * can begin to look while the rest is still worked on. What it finds, a later session_rank does not do again.
 *
 * Set-ups and a total for the session are not known yet: session_rank adds them.
 *
 * Calling sequence: along_start(), along_wait() for each frame to be measured, then along_measured() for each
 * that is, outside of a transaction; along_end().
 */
#ifndef CHAFFINCH_SESSION_ALONG_H
#define CHAFFINCH_SESSION_ALONG_H

#include "chaffinch/session.h"

struct along;
/* Asked before a burst whose cells changed is scored: *ready = false leaves it to a later pass of measuring.
 */
typedef bool along_ready(void *context, int64_t burst, bool *ready, struct err *err);
/* When bursts are numbered. NULL with err. */
struct along *along_start(struct session *s, along_ready *ready, void *context, struct err *err);
void along_wait(struct along *a, int64_t burst);
bool along_measured(struct along *a, int64_t burst, struct err *err);
/* Bursts that wait for nothing and are not ranked: an earlier run was cut off between measuring and ranking.
 */
bool along_rest(struct along *a, struct err *err);
void along_end(struct along *a); /* NULL is accepted */

#endif
