/*
 * along.h - ranking along with measuring: each burst as soon as its last frame is measured, so that a person
 * can begin to look while the rest is still worked on. What it finds, a later session_rank does not do again.
 *
 * Subjects and scores are found in a thread of its own, one burst at a time, so that the workers never wait
 * for it; all that concerns the catalogue is done by the caller's thread, in along_turn(). With one worker it
 * is all done in turn: who asks for one job wants one processor to be busy.
 *
 * Set-ups and a total for the session are not known yet: session_rank adds them.
 *
 * Calling sequence: along_start(), along_wait() for each frame to be measured, along_begin(); then
 * along_measured() for each that is, along_queue() for its burst when it was the last and is stored, and
 * along_turn() now and then, outside of transactions, until along_is_idle(); along_end().
 */
#ifndef CHAFFINCH_SESSION_ALONG_H
#define CHAFFINCH_SESSION_ALONG_H

#include "chaffinch/session.h"
#include "fast.h"
#include "parts.h"

struct along;
/* How it is found out whether a burst has all that it needs, and what happens where it has not. */
struct along_check {
    bool wanted;            /* false: what is measured is all there will be */
    struct fast_plan *plan; /* NULL = all frames are measured */
    void *context;
    /* Has these frames measured before the burst is ranked; calls along_wait() for them. `larger`: they were
       measured before, and too little of them. */
    bool (*measure)(void *context, const struct parts_again *again, bool larger, struct err *err);
};
/* When bursts are numbered. NULL with err. */
struct along *along_start(struct session *s, const struct along_check *check, bool threaded, struct err *err);
void along_wait(struct along *a, int64_t burst);
/* Queues the bursts that wait for nothing: an earlier run may have been cut off between measuring and
 * ranking.
 */
void along_begin(struct along *a);
/* True where this was the last frame that its burst waited for. */
bool along_measured(struct along *a, int64_t burst);
void along_queue(struct along *a, int64_t burst);
/* Writes what was found and begins with the next burst, waiting for neither unless `wait`. */
bool along_turn(struct along *a, bool wait, struct err *err);
/* Bursts whose stored cells could not be read, which was logged: session_rank tries again. */
uint64_t along_left(const struct along *a);
/* Nothing is queued and nothing under way. */
bool along_is_idle(const struct along *a);
/* Waits for what is under way, and throws it away. NULL is accepted. */
void along_end(struct along *a);

#endif
