/*
 * replay.h - from decisions.log into the tables.
 *
 * The log is the truth about decisions, the tables follow it. `replayed` counts the records that the tables
 * hold; whoever opens the catalogue for writing takes over what the log has beyond that: the record of a run
 * that was killed between log and commit, or all of them where the catalogue is new. A record whose frame is
 * not there waits in `pending` until catalogue_put_frame brings a frame of that identity. A log that is gone
 * is written anew from the tables.
 */
#ifndef CHAFFINCH_CATALOGUE_REPLAY_H
#define CHAFFINCH_CATALOGUE_REPLAY_H

#include "chaffinch/textlog.h"
#include "sql.h"

#define REPLAY_LOG "decisions.log"
/* Fields of a record: identity, word, who, UTC as RFC 3339, and what some words need besides: undo and
   remove-area the time of the act that is meant, ignore and keep-out the shares x y w h. Other records end
   before that field. */
enum { REPLAY_FIELDS = 5 };

struct replay_record {
    const char *identity, *word, *who;
    int64_t at_ns;
    const char *detail; /* "" = none */
};

/* True if the log is not as long as when the tables last followed it. */
bool replay_is_behind(struct catalogue *c, bool *behind, struct err *err);
/* Takes over what is new in the log; replay_catch_up in a transaction of its own. */
bool replay_take_over(struct catalogue *c, struct err *err);
bool replay_catch_up(struct catalogue *c, struct err *err);
/* Within the transaction that applied them: n records were appended to the log and synced. */
bool replay_note(struct catalogue *c, size_t n, struct err *err);

/* Sets c->replaying: records wait for their frames. */
bool replay_look(struct catalogue *c, struct err *err);
/* Attaches what waits for this identity to the frame. */
bool replay_attach(struct catalogue *c, const char *identity, int64_t frame, struct err *err);
/* Applies one record to a frame's row and history; frame 0: it waits for a frame of its identity. ERR_DAMAGED
   for a word that is not known or a detail that does not fit it. */
bool replay_apply(struct catalogue *c, int64_t frame, const struct replay_record *record, struct err *err);

#endif
