/*
 * act.h - carry a run out, from its plan to its end record.
 *
 * What holds at every moment, whatever call fails or whenever the computer stops:
 *  1. The plan in the log is whole and synced before the first name changes.
 *  2. No call can replace a file: names are given with RENAME_NOREPLACE, by link and unlink, or over an empty
 *     file that we made with O_EXCL and noted in the log first.
 *  3. On one file system a file has exactly one of its two names (both, for the moment between link and
 *     unlink). Across file systems the source goes only after the copy was synced, read back from the disk,
 *     found equal, given its name, and its folder synced.
 *  4. A frame whose files cannot all be moved is put back whole.
 *  5. `done` is written only after the folders of its batch are synced; so whatever is not marked is looked
 *     for on the disk.
 *
 *     plan synced -> [ frames of a batch -> folders synced -> done ]* -> empty folders of ours removed
 *     -> folder times -> catalogue -> end
 *
 * Everything up to the end record may be done twice; doing it again changes nothing.
 */
#ifndef CHAFFINCH_APPLY_ACT_H
#define CHAFFINCH_APPLY_ACT_H

#include "chaffinch/log.h"
#include "chaffinch/textlog.h"
#include "run.h"

enum { ACT_BUFFER_BYTES = 1 << 20 };

struct act {
    const struct files *fs;
    struct run *run;
    struct textlog *journal;
    struct log *log;
    const volatile int *stop; /* may be NULL */
    bool resumed;             /* files may already be at their targets */
    bool closing;             /* an interrupted deletion is not carried on, only recorded as far as it went */
    bool broken;              /* the journal could not be written: nothing more may be done */
    char *buffer;             /* ACT_BUFFER_BYTES, so that no step has to allocate */
    struct hash *hash;
};

/* Fills `act` for a run whose plan is in the log; opens journal and places. */
bool act_open(struct act *act, const struct root *root, struct run *run, bool resumed, struct log *log,
              const volatile int *stop, struct err *err);
/* Closes journal, folders and places. The journal is on the disk as far as it was marked: nothing is written
   here, since half a record may stand at its end after a failed write. */
void act_close(struct act *act);
/* All batches that are not marked. False: the run stays interrupted. */
bool act_batches(struct act *act, struct err *err);
/* ERR_INTERRUPTED when the person asked to stop. */
bool act_go_on(const struct act *act, struct err *err);
/* Marks the frame as left, with the cause, and names it. */
void act_leave(struct act *act, struct run_frame *frame, const struct err *cause);
/* True when going on with other frames makes no sense, or what happened is not known: the run stops and the
   next one looks again. A resumed run puts up with a full or read-only target: it leaves the frames that do
   not go there, so that it comes to an end. */
bool act_hopeless(const struct act *act, const struct err *err);

#endif
