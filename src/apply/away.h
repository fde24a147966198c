/*
 * away.h - is the disk there on which a run put files?
 *
 * Where a disk is not connected its mount point may still be a folder, an empty one. A run that went on there
 * would take every file for gone, and an undo would be noted as done.
 */
#ifndef CHAFFINCH_APPLY_AWAY_H
#define CHAFFINCH_APPLY_AWAY_H

#include "run.h"

/* False with ERR_NOT_FOUND when a folder outside of the session holds nothing of what the run put there, and
   something of it is nowhere else either. Files that somebody took away singly are no reason. */
bool away_check(const struct run *run, const struct root *root, struct err *err);

#endif
