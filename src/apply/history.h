/*
 * history.h - all runs of a session, and what follows from them: where moved files lie, which folders are
 * ours, which run is interrupted, which one an undo takes back.
 *
 * It is read from the logs alone, so it works with the catalogue gone.
 */
#ifndef CHAFFINCH_APPLY_HISTORY_H
#define CHAFFINCH_APPLY_HISTORY_H

#include "run.h"

/* A file that lies where a run put it. */
struct history_put {
    const char *path; /* below the session, else absolute */
    const struct run *run;
    const struct run_file *file;
};

struct history {
    struct run *runs; /* in order of number */
    size_t n_runs, room_runs;
    struct history_put *puts; /* in order of path */
    size_t n_puts;
    const char **ours; /* folders that runs made, in byte order */
    size_t n_ours;
    struct keep text;
};

bool history_read(const struct root *root, struct history *history, struct err *err);
void history_release(struct history *history);

uint32_t history_next_number(const struct history *history);
/* The run that has no end record, NULL if none. */
struct run *history_interrupted(struct history *history);
/* The last run that moved or deleted something and is not taken back yet, NULL if none. */
const struct run *history_to_undo(const struct history *history);
const struct history_put *history_find(const struct history *history, const char *path);
bool history_made_folder(const struct history *history, const char *path);
/* The folder outside of the session that `path` (absolute) lies in, as a run knew it. NULL if none did. */
const char *history_place_of(const struct history *history, const char *path);

#endif
