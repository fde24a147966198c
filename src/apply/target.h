/*
 * target.h - where rejects go: SESSION/rejects, or a folder that the person names.
 */
#ifndef CHAFFINCH_APPLY_TARGET_H
#define CHAFFINCH_APPLY_TARGET_H

#include "plan.h"

/* `to` absolute or NULL. *place is added to the plan, *prefix (malloc'ed) stands before each path below it.
   ERR_REFUSED when the folder overlaps the session (measure would find the frames again), ERR_USAGE when the
   folder it is to be made in is missing. */
bool target_open(struct plan *plan, const char *to, uint32_t *place, char **prefix, struct err *err);

#endif
