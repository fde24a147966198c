/*
 * replay.h - decisions.log into a fresh catalogue: its lines wait in the table `pending` until a frame of
 * their identity comes back.
 */
#ifndef CHAFFINCH_CATALOGUE_REPLAY_H
#define CHAFFINCH_CATALOGUE_REPLAY_H

#include "sql.h"

#define DECISIONS_LOG "decisions.log"

/* Reads the log into `pending`, inside the transaction that makes the schema. */
bool replay_load(struct catalogue *c, struct err *err);
/* Sets c->replaying. */
bool replay_look(struct catalogue *c, struct err *err);
/* Attaches what waits for this identity to the frame. */
bool replay_attach(struct catalogue *c, const char *identity, int64_t frame, struct err *err);
/* Applies one record ("keep", "reject", "clear", "accept", "unaccept") to a frame's row and history. */
bool replay_apply(struct catalogue *c, int64_t frame, const char *what, const char *who, int64_t at_ns,
                  struct err *err);

#endif
