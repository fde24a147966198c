/*
 * fault.h - the ways in which a file call can fail, one at a time.
 *
 * A fault counts the calls that it can befall; the Nth of them fails (and all later ones, where it lasts). A
 * run that met no Nth call passed untouched.
 */
#ifndef TESTS_TORTURE_FAULT_H
#define TESTS_TORTURE_FAULT_H

#include "tap.h"

enum fault_way { FAULT_ERRNO, FAULT_SHORT, FAULT_KILL, FAULT_SIGNAL };

struct fault_kind {
    const char *name;
    enum fault_way way;
    int number; /* errno or signal */
    bool lasting;
    uint32_t calls;    /* 1 << enum tap_call */
    const char *below; /* only calls on paths below this folder; NULL = all */
};

extern const struct fault_kind fault_kinds[];
extern const int fault_n_kinds;

struct fault_met {
    long calls; /* calls that the fault could befall */
    bool tripped;
    bool sqlite;        /* a call of SQLite's was among them */
    enum tap_call call; /* the first that failed */
    char path[4096];
    char leaves[8192]; /* last parts of the paths of all that failed, each ended by a newline that is no part
                          of it */
};

/* The next run meets `kind` at its `at`th call; 0 = never. */
void fault_arm(const struct fault_kind *kind, long at);
/* What came of it. */
const struct fault_met *fault_met(void);
extern const struct tap_hooks fault_hooks;

#endif
