/*
 * plan.h - what a run would do: shared by moves, undo and deletion.
 *
 * A plan is a run that is being filled, and a list of lines for the screen, among them those frames that stay
 * where they are with the cause. A frame is staged file by file; only when all its files are as they should
 * be and all its new names are free does it become part of the run.
 *
 * Calling sequence: plan_init(); { plan_begin(); plan_stage()...; plan_accept() or plan_leave() }...
 */
#ifndef CHAFFINCH_APPLY_PLAN_H
#define CHAFFINCH_APPLY_PLAN_H

#include "chaffinch/apply.h"
#include "companions.h"
#include "history.h"
#include "snapshot.h"

struct plan_staged {
    char *from, *to; /* below their places; to NULL = deleted */
    uint32_t from_place, to_place;
    struct run_file file;
};

struct plan_line {
    enum apply_way way;
    int64_t burst;
    const char *label, *cause;
    bool failed;
    uint32_t frame; /* of the run; RUN_NONE for lines that are left */
};

struct plan {
    const struct root *root;
    const struct history *history;
    const struct snapshot *snapshot; /* NULL: works from the logs alone */
    struct log *log;
    const volatile int *stop;
    bool digests; /* files are read whole where no digest is known: only for a run that is carried out */
    struct run run;
    struct plan_line *lines;
    size_t n_lines, room_lines;
    struct plan_staged *staged;
    size_t n_staged, room_staged;
    char *buffer;
    struct hash *hash;
    struct companions companions;
    struct apply_totals totals;
};

/* What a file must be like. */
struct plan_expect {
    bool picture;
    const struct snapshot_file *known; /* size and fingerprint must match; NULL = as it is now */
    const struct history_put *put;     /* what a run put there: its bytes must match; NULL = as it is now */
};

bool plan_init(struct plan *plan, enum run_kind kind, const struct root *root, const struct history *history,
               const struct snapshot *snapshot, struct err *err);
void plan_release(struct plan *plan);

/* Adds a place and opens it. RUN_NONE with err. */
uint32_t plan_place(struct plan *plan, const char *path, struct err *err);
/* Splits a path of the catalogue into place and path below it. RUN_NONE with err: no run knows the folder
   outside of the session, or it cannot be opened. */
uint32_t plan_locate(struct plan *plan, const char *path, const char **below, struct err *err);

void plan_begin(struct plan *plan);
/* Looks at a file and stages it. False with the cause when it is missing (ERR_NOT_FOUND) or not what is
   expected; ERR_NOMEM and ERR_INTERRUPTED are for the caller to pass on (plan_fatal). */
bool plan_stage(struct plan *plan, uint32_t from_place, const char *from, uint32_t to_place, const char *to,
                const struct plan_expect *expect, struct err *cause);
bool plan_is_staged(const struct plan *plan, uint32_t place, const char *from);
/* True for causes that end planning rather than leave a frame. */
bool plan_fatal(const struct err *cause);
/* The staged files become a frame of the run, or (a name is taken) a line that is left. */
bool plan_accept(struct plan *plan, enum apply_way way, int64_t burst, const char *label, struct err *err);
bool plan_leave(struct plan *plan, int64_t burst, const char *label, bool failed, const struct err *cause,
                struct err *err);
/* Stages the new companions of a staged picture: from its folder to the folder of its target. */
bool plan_stage_companions(struct plan *plan, size_t staged, uint64_t owner, struct err *cause);

/* ERR_NO_SPACE when what goes to other disks does not fit there. */
bool plan_check_space(struct plan *plan, struct err *err);

/* The four plans. `to` as in struct apply_options. */
bool plan_moves(struct plan *plan, const char *to, struct err *err);
bool plan_sidecars(struct plan *plan, struct err *err);
bool plan_undo(struct plan *plan, const struct run *undone, struct err *err);
bool plan_deletion(struct plan *plan, const struct apply_options *options, int64_t now_s, struct err *err);

#endif
