/*
 * operations.h - the commands that change something, each with the stage it starts from and what must be true
 * in the middle of it and at its end. A command that comes later joins here, and all torture tests cover it.
 */
#ifndef TESTS_TORTURE_OPERATIONS_H
#define TESTS_TORTURE_OPERATIONS_H

#include "invariants.h"

enum operation {
    COPY,
    COPY_SECOND,
    MEASURE,
    RANK,
    DECIDE,
    SHEET,
    MOVE,
    UNDO,
    DELETE,
    MOVE_FAR,
    UNDO_FAR,
    HAND_ON,
    SIDECARS,
    UNDO_SIDECARS,
    COPY_AGAIN,
    CHECK,
    RUN,
    DECIDE_ALL,
    AREA,
    CROP,
    DELIVER,
    REPORT,
    GLANCE,
    REVIEW,
    OPERATIONS
};

/* DECIDE_ALL writes more than a sector to the log. REVIEW is used by a client (client.h) that decides.
   MOVE_FAR and UNDO_FAR cross to another disk and back: files are copied, verified, published, then removed.
 */
const char *operation_name(enum operation op);
enum stage operation_starts_at(enum operation op);
/* Nothing that it does outlives it: it changes no file of the session, the card or another disk. */
bool operation_only_reads(enum operation op);
/* Once it said that it is done, the same command again is not asked for: a second undo undoes more. */
bool operation_is_undo(enum operation op);
/* `count` = what --confirm is given, for DELETE. */
struct program_run operation_command(const struct scene *s, enum operation op, const char *count);

struct operation_check {
    const struct scene *scene;
    enum operation op;
    bool folder_times; /* those of the user's folders come back too */
    bool two;          /* see invariants.h */
    bool reserved;
    int64_t grain_ns;
};

/* What holds at any moment. */
bool operation_holds(const struct operation_check *c);
/* What holds after a run that says it is done: the result is that of an undisturbed run. */
bool operation_complete(const struct operation_check *c);
/* The same command once more, undisturbed, ends with 0. */
bool operation_again(const struct operation_check *c);
/* After a move, done or not: the person takes it back, and all is as it was. */
bool operation_taken_back(const struct operation_check *c);

#endif
