/*
 * look.h - what lies on the disk under the two names of a file of the plan.
 *
 * A fresh run expects every file at its source, just as the plan saw it. A resumed run finds each file at
 * one of its two names and tells from there how far it had come.
 */
#ifndef CHAFFINCH_APPLY_LOOK_H
#define CHAFFINCH_APPLY_LOOK_H

#include "act.h"

enum look_stand {
    LOOK_SOURCE = 1, /* at its source as planned, the target's name is free */
    LOOK_TARGET,     /* at its target, the source's name is free */
    LOOK_LINKED,     /* one file under both names: between link and unlink */
    LOOK_RESERVED,   /* at its source, and an empty file of ours holds the target's name */
    LOOK_HELD,       /* at its target, and an empty file of ours holds the source's name */
    LOOK_COPIED,     /* at its source, and a verified copy of ours has the target's name */
    LOOK_GONE,       /* deletion: it is deleted; else: it is at neither name, and the cause is told */
    LOOK_BAD         /* none of these: the cause is told */
};

/* The file has its folders open (from_fd, to_fd; -1 = missing). Sets file->stand. False, with the cause,
   when it is LOOK_BAD or nowhere. */
bool look_file(struct act *act, struct run_file *file, struct err *cause);
/* False unless the file at its source is still the one that the plan saw. */
bool look_source(struct act *act, const struct run_file *file, struct err *cause);
/* False with ERR_NOT_FOUND where there is no such name (dir -1: none either). */
bool look_at(const struct act *act, int dir, const char *name, struct stat *st, struct err *err);

#endif
