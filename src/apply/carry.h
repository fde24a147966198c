/*
 * carry.h - a file to another file system: copy, sync, read back, compare, publish.
 *
 * The source is not touched here; it goes after every copy of its frame has its name (act.c).
 */
#ifndef CHAFFINCH_APPLY_CARRY_H
#define CHAFFINCH_APPLY_CARRY_H

#include "act.h"

/* Copies the file to a temp in its target's folder, verifies it, notes it in the journal, gives it its name
   and syncs the folder. On failure the temp is gone and the target's name is as it was. */
bool carry_copy(struct act *act, struct run_file *file, struct err *err);
/* True if the bytes of a file, read from the disk and not from the cache, are those that the plan saw. */
bool carry_verify(struct act *act, const struct run_file *file, int dir, const char *name, struct err *err);
/* Takes the temp away that a crash may have left. */
bool carry_drop_temp(struct act *act, const struct run_file *file, struct err *err);

#endif
