/*
 * step.h - the single steps that change names. Together with carry.c and folders.c the only code of
 * chaffinch that calls rename, link or unlink on a file of the user.
 *
 * `name_free` in all of them: the new name must be free, else ERR_EXISTS and nothing changed.
 */
#ifndef CHAFFINCH_APPLY_STEP_H
#define CHAFFINCH_APPLY_STEP_H

#include "act.h"

enum step_way { STEP_FORWARD, STEP_BACK };

/* Renames a file of the plan from its source to its target, or back. *crosses is set (and nothing changed)
   when the two lie on different file systems. */
bool step_rename(struct act *act, struct run_file *file, enum step_way way, bool *crosses, struct err *err);
/* Gives `temp` in the target's folder the target's name. */
bool step_publish(struct act *act, struct run_file *file, const char *temp, struct err *err);
/* Ends what a crash left between two calls: LOOK_LINKED loses the name that `way` leaves, LOOK_RESERVED and
   LOOK_HELD lose the empty file. file->stand is LOOK_SOURCE or LOOK_TARGET then. */
bool step_finish(struct act *act, struct run_file *file, enum step_way way, struct err *err);
/* Removes one name. Only for a source whose bytes are known to be safe elsewhere, a copy of ours whose source
   is untouched, or a file that a person had deleted. */
bool step_remove(struct act *act, int dir, const char *name, struct err *err);

#endif
