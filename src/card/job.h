/*
 * job.h - one file on its way from a card into the targets, and the two ends of that way: copy_file() reads
 * it once, hashes it and writes the temps; the verifier syncs them and reads them back.
 */
#ifndef CHAFFINCH_CARD_JOB_H
#define CHAFFINCH_CARD_JOB_H

#include "chaffinch/card.h"
#include "chaffinch/hash.h"
#include "readback.h"
#include "set.h"
#include "target.h"

enum { TARGET_MAX = 2, JOB_ATTEMPTS = 3 };

/* Read by the threads of a copy, written by a handler of signals, which any thread may run. */
static inline bool stop_asked(const volatile int *stop)
{
    return stop != NULL && __atomic_load_n(stop, __ATOMIC_RELAXED) != 0;
}

struct job_temp {
    bool used; /* there is a file of that name below .chaffinch/ */
    int fd;    /* -1 = closed */
    char name[40];
};

enum job_state {
    JOB_READ,   /* its bytes are known (digest), no temps were wanted */
    JOB_COPIED, /* temps are written; the verifier has it */
    JOB_VERIFIED,
    JOB_FAILED /* err says why */
};

enum job_verdict {
    JOB_SAME,    /* the medium holds what was read from the card */
    JOB_DIFFERS, /* it does not */
    JOB_BROKEN   /* the target failed: verify_err */
};

struct job {
    struct card *card;
    const struct card_file *file;
    enum job_state state;
    bool need[TARGET_MAX]; /* targets that lack it */
    struct job_temp temp[TARGET_MAX];
    struct hash_digest digest, fingerprint;
    uint64_t read_bytes;
    size_t known; /* file of the session that it was before this run, TARGET_NONE = new */
    bool placed;  /* published, or found in its place */
    struct err err;
    /* between copier and verifier, under the verifier's lock while the job is submitted */
    bool done;
    enum job_verdict verdict;
    size_t bad_target;
    struct err verify_err;
};

/* --- copy_file.c --- */

struct copier {
    const struct files *view; /* the cards */
    struct target *target;    /* [n_targets] */
    size_t n_targets;
    uint8_t *buffer; /* READBACK_BYTES */
    struct hash *hash;
    uint64_t next_temp;
    const volatile int *stop;
    struct log *log;
    uint32_t retry_pause_ms;
};

enum copied {
    COPIED_OK,
    COPIED_SOURCE, /* the card: job->err says why, the run goes on */
    COPIED_TARGET, /* the session cannot be written: the run ends with *err */
    COPIED_STOPPED
};

bool copier_stopped(const struct copier *c);
/* Reads the file and writes it to a temp in each target that `need` names (none: only its digest), tried
   again where the card or a target fails now and then. On COPIED_OK the state is JOB_COPIED or JOB_READ. */
enum copied copy_file(struct copier *c, struct job *job, struct err *err);
/* The fingerprint of the file as it lies on the card. COPIED_OK, COPIED_SOURCE or COPIED_STOPPED. */
enum copied copy_fingerprint(struct copier *c, struct job *job, struct hash_digest *fingerprint);
/* Closes and removes the temps. */
void copy_drop(struct copier *c, struct job *job);
/* True when trying again cannot help: full, read-only. */
bool copy_is_final(const struct err *err);
/* True for errors of a target that concern this one file: a name or a size that it cannot hold, a link in the
   way. */
bool copy_concerns_file(const struct err *err);
/* Gives up the second target after an error of it; the first keeps going. */
void copy_give_up_second(struct copier *c, const struct err *err);

/* --- verify.c --- */

struct verifier;
/* `threaded` false: jobs are verified as they are submitted. */
struct verifier *verifier_start(struct target *targets, size_t n_targets, bool threaded, struct err *err);
void verifier_stop(struct verifier *v); /* finishes what was submitted; NULL is accepted */
/* The verifier owns the job until verifier_wait() returns. Waits while too many are on their way. */
void verifier_submit(struct verifier *v, struct job *job);
/* Waits for one job; *stop not 0 cancels what is being verified (verdict JOB_BROKEN, ERR_INTERRUPTED). */
void verifier_wait(struct verifier *v, struct job *job, const volatile int *stop);

#endif
