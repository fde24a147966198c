/*
 * folders.h - folders of a run: which are there, which are made, and what is done with them at its end.
 *
 * A folder that a run made is removed when it is empty. A folder of the user is never removed, and an undo
 * gives it back the modification time that it had before the run, unless somebody else changed it meanwhile.
 */
#ifndef CHAFFINCH_APPLY_FOLDERS_H
#define CHAFFINCH_APPLY_FOLDERS_H

#include "act.h"
#include "history.h"

/* Adds a folder to a run that is being planned, with what is true of it now, and its parents as far as making
   or removing it touches them. The place must be open. RUN_NONE with err. */
uint32_t folders_add(struct run *run, const struct files *fs, const struct history *history, uint32_t place,
                     const char *path, struct err *err);
/* For an undo that is planned, its places open: which times the folders get. */
bool folders_plan_times(struct run *undo, const struct files *fs, const struct history *history,
                        const struct run *undone, struct err *err);
/* After the last batch: removes empty folders of ours, sets times, notes what the times are now. */
bool folders_finish(struct act *act, const struct history *history, struct err *err);

#endif
