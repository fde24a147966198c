/*
 * worker.h - run a function on foreign bytes in a disposable, limited process.
 *
 * Every parser of foreign bytes (Exif, raw, JPEG, XMP) runs in a worker: one that dies, hangs or eats memory
 * costs its own job and nothing else. A small spawner process is forked BEFORE a database, a thread or a
 * server exists; it forks the workers. They die with the parent. The parent opens every file and hands over
 * descriptors only.
 *
 * Calling sequence:
 *     main, first thing:   struct worker_pool *pool = worker_pool_start(&config, &err);
 *     many times:          worker_submit(pool, &job, &err)   then   worker_wait(pool, &result, &err)
 *     at the end:          worker_pool_stop(pool);
 *
 * Jobs run `config.handler` in the worker: it gets the request bytes and up to WORKER_MAX_FDS read-only
 * descriptors, and answers with bytes. Results come in any order, each with the tag of its job; a job whose
 * worker died or ran over a limit comes back with ok = false and the cause in words ("the decoder crashed
 * (signal 11)", "took longer than 20 s", "needed more than 2 GiB of memory"), and the worker is replaced.
 */
#ifndef CHAFFINCH_WORKER_H
#define CHAFFINCH_WORKER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chaffinch/err.h"

enum { WORKER_MAX_FDS = 4 };

/* What a worker answers with, at most 256 MiB. The handler fills `bytes` (malloc); the worker frees it after
 * sending. */
struct worker_reply {
    bool ok;
    uint8_t *bytes;
    size_t size;
    char cause[256]; /* why not ok, one clause */
};

/* Runs in the worker process. `kind` is the caller's own number. Must not keep anything between calls. */
typedef void worker_handler(uint32_t kind, const uint8_t *request, size_t size, const int *fds, size_t n_fds,
                            struct worker_reply *reply);

struct worker_config {
    worker_handler *handler;
    unsigned workers;      /* 0 = one per online processor */
    uint64_t memory_bytes; /* RLIMIT_AS of a worker; 0 = 2 GiB; not set in sanitizer builds */
    unsigned wall_s;       /* per job; 0 = 30 s. CPU time is limited to the same */
};

struct worker_job {
    uint64_t tag;
    uint32_t kind;
    const uint8_t *request; /* copied by worker_submit; at most 64 MiB */
    size_t size;
    int fds[WORKER_MAX_FDS]; /* stay the caller's; may be closed after worker_submit */
    size_t n_fds;
};

struct worker_result {
    uint64_t tag;
    bool ok;
    uint8_t *bytes; /* malloc; the caller frees (worker_result_release) */
    size_t size;
    char cause[256];
};

struct worker_pool;
/* NULL with ERR_IO or ERR_NOMEM. */
struct worker_pool *worker_pool_start(const struct worker_config *config, struct err *err);
/* Jobs that may be pending (2 per worker): submit while worker_pending < worker_room, then wait for one.
   Results that were not taken with worker_wait are pending too. */
size_t worker_room(const struct worker_pool *pool);
size_t worker_pending(const struct worker_pool *pool);
unsigned worker_count(const struct worker_pool *pool);
/* False with ERR_USAGE when there is no room, ERR_NOMEM, or ERR_IO when the pool itself is broken. */
bool worker_submit(struct worker_pool *pool, const struct worker_job *job, struct err *err);
/* Blocks for the next result. False with ERR_IO when the pool itself is broken, ERR_USAGE when nothing is
   pending, ERR_INTERRUPTED within .2 s of a signal that the caller's handler announced by *stop becoming
   non-zero (stop may be NULL). The time limit of jobs counts while the caller is in here, and not while it is
   elsewhere. */
bool worker_wait(struct worker_pool *pool, const volatile int *stop, struct worker_result *result,
                 struct err *err);
/* For a caller with a loop of its own: descriptors to be polled for reading, at most `room` of them (one a
   worker is enough); they may change with every call of this header. Then worker_take, at least twice a
   second while jobs are pending: a result that is there, without waiting; *have = false where there is none.
   The time limit of jobs runs on between these calls. False when the pool itself is broken. */
size_t worker_descriptors(const struct worker_pool *pool, int *fds, size_t room);
bool worker_take(struct worker_pool *pool, struct worker_result *result, bool *have, struct err *err);
void worker_result_release(struct worker_result *result);
/* Kills what still runs. NULL is accepted. */
void worker_pool_stop(struct worker_pool *pool);
/* What holds back a worker on this machine, for `explain`, logs and tests: "memory 2 GiB, 30 s, seccomp" or
 * what is missing. */
const char *worker_limits_text(const struct worker_pool *pool);

#endif
