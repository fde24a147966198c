/*
 * aside.h - one piece of work at a time in a thread of its own, beside the thread that keeps workers busy.
 *
 * The work is handed over whole: until aside_end() nobody else touches what it touches. Where there is no
 * thread to be had, or none is wanted, it is done before aside_begin() returns.
 *
 * Calling sequence: aside_begin(); aside_is_done() now and then; aside_end(), which waits.
 */
#ifndef CHAFFINCH_SESSION_ASIDE_H
#define CHAFFINCH_SESSION_ASIDE_H

#include <pthread.h>
#include <stdatomic.h>

#include "chaffinch/err.h"

typedef bool aside_work(void *context, struct err *err);

struct aside {
    aside_work *work;
    void *context;
    pthread_t thread;
    bool busy, threaded;
    atomic_bool done;
    bool ok;
    struct err err;
};

/* `aside` is idle: {0}, or ended. */
void aside_begin(struct aside *aside, aside_work *work, void *context, bool threaded);
/* What was begun could be ended without waiting. */
bool aside_is_done(struct aside *aside);
/* Waits; what the work returned, with its error. */
bool aside_end(struct aside *aside, struct err *err);

#endif
