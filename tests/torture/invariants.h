/*
 * invariants.h - what must be true whatever happened: the one checker of all torture tests.
 *
 *  (1) nothing on the card changed: no name, byte, mode or time, and nothing came;
 *  (2) each original's bytes stand under exactly one of its expected names, with its time (two while a move
 * is unfinished where it copies, never none); (3) nothing else stands in the session: nothing of somebody
 * else's was changed, no part of a file has a name; (4) the catalogue opens, is sound, and agrees with the
 * disk; (5) after an undo bytes, names and times are what they were.
 */
#ifndef TESTS_TORTURE_INVARIANTS_H
#define TESTS_TORTURE_INVARIANTS_H

#include "scene.h"

enum invariant_state {
    STATE_COPYING,  /* each file of the session is an original, whole; any may be missing (the card has it) */
    STATE_HOME,     /* all at home */
    STATE_BETWEEN,  /* rejects at home or among the rejects */
    STATE_MOVED,    /* rejects among the rejects */
    STATE_GOING,    /* rejects among the rejects, or deleted */
    STATE_SWAPPING, /* all at home; an old sidecar there or in .chaffinch/replaced/, new ones may be there */
    STATE_DELETED   /* rejects are gone, all else is at home */
};

struct invariants {
    const struct scene *scene;
    const char *root; /* the session, or a second folder */
    const char *away; /* where rejects lie; NULL = rejects/ in the session */
    enum invariant_state state;
    bool two;          /* link and unlink, or a copy to another disk, may be unfinished */
    bool reserved;     /* a name may be held by an empty file of ours */
    bool folder_times; /* those of the user's folders must be as they were */
    int64_t grain_ns;  /* times are kept that exactly; 0 = to the nanosecond */
};

/* (1) to (3) and, for STATE_HOME with folder_times, (5). Prints what is wrong. */
bool invariants_hold(const struct invariants *what);
/* In a folder that files are made in nothing stands but some of the files of `right`, whole; `all` of them
   for a run that says it is done. Times do not count. */
bool invariants_made(const char *folder, const struct tree *right, bool all);
/* (4), for a run that says it is done. */
bool invariants_catalogue(const char *session);

#endif
