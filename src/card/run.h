/* run.h - one copy run: what its parts (place.c, copy.c, space.c) share. */
#ifndef CHAFFINCH_CARD_RUN_H
#define CHAFFINCH_CARD_RUN_H

#include "chaffinch/card.h"
#include "job.h"
#include "names.h"

enum {
    FAMILY_MAX = 64,  /* files that are published in one step; a longer series follows in further steps */
    COMMIT_FILES = 32 /* published files that share one sync of folder, manifest and log */
};

/* Files with one base name in one folder of one card. */
struct family {
    struct card *card;
    unsigned card_number; /* from 1 */
    struct job *job;
    size_t n;
    uint32_t first_suffix; /* where its files lie already */
};

/* A line of copies.log that waits for its files to be safe. */
struct pending {
    const struct card *card;
    const struct card_file *file;
    struct hash_digest fingerprint;
    uint32_t suffix;
    size_t target_file;
    bool second; /* the second copy is verified too */
};

struct run {
    struct card_set *set;
    struct copier copier;
    struct target target[TARGET_MAX]; /* the session, the second copy */
    size_t n_targets;
    bool second_counts; /* it lies on another disk */
    struct verifier *verifier;
    const struct card_options *options;
    struct card_report *report;
    struct pending pending[COMMIT_FILES + FAMILY_MAX];
    size_t n_pending;
    bool stopped;
};

/* --- record.c: what earlier runs know of a card's file --- */

enum foresight {
    FORESIGHT_NEW,
    FORESIGHT_KNOWN, /* this card's file was copied: its fingerprint decides */
    FORESIGHT_TWIN   /* looks like a file that is here, from another card: its bytes decide */
};
/* *record = the line of copies.log that says so. */
enum foresight record_foresee(struct target *session, const struct card *card, const struct card_file *file,
                              const struct target_record **record);
/* Are two times of one exposure: a raw is written a little after its JPEG, FAT counts in steps of 2 s. */
bool record_time_near(int64_t a_ns, int64_t b_ns);

/* --- place.c --- */

/* Chooses the suffix of a family whose jobs are verified, publishes what is new, notes it. A job that cannot
   be placed becomes JOB_FAILED. False ends the run. */
bool place_family(struct run *run, struct family *family, struct err *err);

/* --- copy.c --- */

/* Waits until the temps of the job are proved; copies again where they are not. False ends the run. */
bool settle_job(struct run *run, struct job *job, struct err *err);

/* --- space.c --- */

/* What the run is going to write. */
struct plan {
    uint64_t files, bytes;           /* to be read in full */
    uint64_t need_bytes[TARGET_MAX]; /* incl. `.chaffinch/` */
    uint64_t cells_bytes;            /* about what measuring the new frames writes into the session */
};
bool space_plan(struct run *run, struct plan *plan, struct err *err);
/* ERR_NO_SPACE says how much is missing. Room that only measuring will lack is told, and no error unless
   options->measures. */
bool space_check(const struct run *run, const struct plan *plan, struct err *err);

#endif
