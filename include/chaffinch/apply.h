/*
 * apply.h - the only part of chaffinch that moves or deletes a picture.
 *
 * Purpose: make the outcomes of the catalogue true on the disk. Frames with outcome reject go to
 * SESSION/rejects/ (or another folder), frames whose outcome became keep or none come back, a run can be
 * undone, merged sidecars are swapped in, and what lies in rejects/ can be deleted after a person has said
 * how many files that is.
 *
 * Calling sequence:
 *     struct apply *a = apply_open(files_system(), "SESSION", APPLY_ACT, log, &stop, &err);
 *     apply_plan(a, &options, &err); apply_each(a, visit, context, &err); apply_totals(a);   look only
 *     apply_move / _sidecars / _undo / _delete(a, &options, &result, &err);                    or act
 *     apply_close(a);
 *
 * How a run goes: the whole plan is written to `.chaffinch/runs/NNNN.log` and synced before the first file
 * changes its name; frames are moved in batches, each synced and marked; the catalogue follows; the log is
 * closed with an `end` record. A run without one was interrupted, and the next call looks at the disk and
 * finishes it. Nothing is ever replaced. src/apply/journal.h documents the records.
 *
 * Errors: ERR_USAGE (not measured, not ranked), ERR_REFUSED (lock held, wrong count, DIR overlaps the
 * session, a deletion cannot be undone, newer catalogue), ERR_IO and ERR_NO_SPACE (the run stays interrupted
 * and is resumed by the next call), ERR_INTERRUPTED (likewise), ERR_DAMAGED (catalogue or log). A frame that
 * cannot be moved is no error: it is named through the log, counted in `left_frames`, and stays whole.
 *
 * Ownership: struct apply owns everything it hands out; text is valid until the next call on it.
 */
#ifndef CHAFFINCH_APPLY_H
#define CHAFFINCH_APPLY_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chaffinch/err.h"
#include "chaffinch/files.h"
#include "chaffinch/log.h"

enum apply_access {
    APPLY_LOOK, /* plan only: works on a read-only disk */
    APPLY_ACT
};

struct apply;
/* Opens the session and takes its lock (ERR_REFUSED when another run holds it). `stop` may be NULL; it is
   looked at between steps. */
struct apply *apply_open(const struct files *fs, const char *session, enum apply_access access,
                         struct log *log, const volatile int *stop, struct err *err);
void apply_close(struct apply *a); /* NULL is accepted */

enum apply_action { APPLY_MOVE, APPLY_DELETE, APPLY_SIDECARS };

struct apply_options {
    enum apply_action action; /* what apply_plan plans */
    const char *to;           /* absolute path of the folder that rejects go to; NULL = SESSION/rejects */
    int64_t older_than_s;     /* delete: only what was moved at least this long ago */
    bool unseen;              /* delete: also frames that no person has decided or accepted */
    uint64_t confirm;         /* apply_delete: the number of files that the plan printed */
};

/* ---- the plan ------------------------------------------------------------------------------------------ */

enum apply_way {
    APPLY_OUT,     /* to the rejects */
    APPLY_BACK,    /* back home */
    APPLY_DELETED, /* out of the rejects, for ever */
    APPLY_SWAPPED, /* a merged sidecar takes the place of the old one, which is kept */
    APPLY_LEFT     /* stays where it is although something was to be done: see cause */
};

struct apply_move_line {
    const char *path; /* where it lies: below the session, absolute outside of it */
    const char *to;   /* where it goes; NULL when it is deleted or left */
    uint64_t size_bytes;
};

struct apply_line {
    enum apply_way way;
    int64_t burst;     /* 0 = none */
    const char *frame; /* its main picture */
    const char *cause; /* of APPLY_LEFT, else NULL */
    bool failed;       /* APPLY_LEFT because its files are not what they should be */
    const struct apply_move_line *files;
    size_t n_files;
    uint64_t size_bytes;
};

struct apply_totals {
    uint64_t out_frames, out_files, out_bytes;
    uint64_t back_frames, back_files, back_bytes;
    uint64_t delete_frames, delete_files, delete_bytes;
    uint64_t swap_sidecars;
    uint64_t left_frames, failed_frames; /* failed: among those left */
    uint32_t interrupted;                /* number of a run that was interrupted, 0 = none */
    const char *interrupted_kind;        /* "move", "undo", "delete" */
};

/* Looks at catalogue, logs and disk and says what would be done; changes nothing. When a move or an undo was
   interrupted nothing else is planned until it is finished: totals.interrupted is set and the plan is empty.
 */
bool apply_plan(struct apply *a, const struct apply_options *options, struct err *err);
const struct apply_totals *apply_plan_totals(const struct apply *a);
typedef bool apply_visit(void *context, const struct apply_line *line, struct err *err);
/* Frame by frame, in order of burst; deletions in order of path. */
bool apply_each(struct apply *a, apply_visit *visit, void *context, struct err *err);

/* ---- acting -------------------------------------------------------------------------------------------- */

struct apply_result {
    uint32_t resumed; /* number of the interrupted run that was finished first, 0 = none */
    const char *resumed_kind;
    uint32_t run;    /* number of the run that was made, 0 = there was nothing to do */
    uint32_t undone; /* apply_undo: the run that was put back */
    uint64_t out_frames, out_files, out_bytes;
    uint64_t back_frames, back_files, back_bytes;
    uint64_t deleted_frames, deleted_files, deleted_bytes;
    uint64_t swapped;       /* sidecars */
    uint64_t left_frames;   /* named through the log; exit status 1 */
    bool without_catalogue; /* the catalogue is gone: only the files were put back */
};

bool apply_move(struct apply *a, const struct apply_options *options, struct apply_result *result,
                struct err *err);
/* Works from the logs alone; the catalogue is brought up to date where there is one. An interrupted undo is
   finished and that is all; after any other interrupted run the last run not yet undone is put back. */
bool apply_undo(struct apply *a, struct apply_result *result, struct err *err);
/* Swaps in the merged sidecars that `chaffinch hand-on` prepared. A sidecar that changed since is left. */
bool apply_sidecars(struct apply *a, struct apply_result *result, struct err *err);
bool apply_delete(struct apply *a, const struct apply_options *options, struct apply_result *result,
                  struct err *err);

#endif
