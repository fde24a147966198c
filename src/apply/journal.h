/*
 * journal.h - a run of apply as text: `.chaffinch/runs/NNNN.log`.
 *
 * Records (textlog.h: tab-separated, each with a checksum), in this order:
 *     run      FORMAT NUMBER KIND UNDOES TIME COUNT          move, undo, delete or sidecars; TIME in s since
 * 1970, UTC place    INDEX PATH                                    0 = the session (no path) folder   INDEX
 * PLACE PATH there|made MTIME RESTORE     times in ns; RESTORE "-" = left alone frame    INDEX LABEL file
 * INDEX picture|companion FROM_FOLDER FROM_NAME TO_FOLDER TO_NAME SIZE MTIME RESTORE PLACE_OF_DEVICE DEVICE
 * INODE XXH3_128         of the frame above; TO_FOLDER "-" = deleted planned  FRAMES FILES The plan is
 * complete, synced and only then given its name; so a file `NNNN.log` always holds a whole plan. Then, each
 * synced as it happens: reserved FILE                  an empty file of ours is about to hold the target's
 * name copied   FILE MTIME            a verified copy on another disk is about to get the target's name
 *     removing FRAME                 all copies of the frame have their names; its sources go now
 *     left     FRAME LETTERS CAUSE   it could not be moved; per file S source, T target, G gone
 *     done     BATCH                 renamed and synced; frames of it without `left` are at their targets
 *     resumed                        what `left` said of batches that are not done is looked at again
 *     after    FOLDER MTIME
 *     end      LEFT                  the catalogue knows; LEFT frames may be tried again by an undo
 *
 * Calling sequence: journal_write_plan(); journal_open(); marks; journal_close().
 */
#ifndef CHAFFINCH_APPLY_JOURNAL_H
#define CHAFFINCH_APPLY_JOURNAL_H

#include "chaffinch/textlog.h"
#include "run.h"

#define JOURNAL_FOLDER "runs"

bool journal_write_plan(const struct root *root, const struct run *run, struct err *err);
/* Fills an initialised run from its log. ERR_DAMAGED. The run is the caller's to release either way. */
bool journal_read(const struct root *root, uint32_t number, struct run *run, struct err *err);
/* Drops a plan that never got its name. */
bool journal_drop_unfinished(const struct root *root, uint32_t number, struct err *err);

struct textlog *journal_open(const struct root *root, uint32_t number, struct err *err);
/* Synced when they return. */
bool journal_reserved(struct textlog *log, const struct run *run, const struct run_file *file,
                      struct err *err);
bool journal_copied(struct textlog *log, const struct run *run, const struct run_file *file, struct err *err);
bool journal_removing(struct textlog *log, const struct run *run, const struct run_frame *frame,
                      struct err *err);
/* One sync for the batch: `left` of each frame that was left, then `done`. */
bool journal_batch(struct textlog *log, const struct run *run, uint32_t batch, struct err *err);
/* Not synced: it only has to come before the marks that follow. */
bool journal_resumed(struct textlog *log, struct err *err);
bool journal_end(struct textlog *log, const struct run *run, struct err *err);

#endif
