/*
 * program.h - run one of the two programs, whole, in a process of its own, with a tap on its file calls.
 *
 * Calling sequence: program_run(&(struct program_run){.engine = true, .args = {"copy", card, session}},
 * &outcome);
 * ...; program_release(&outcome);
 */
#ifndef TESTS_TORTURE_PROGRAM_H
#define TESTS_TORTURE_PROGRAM_H

#include "tap.h"

enum { PROGRAM_ARGS = 12, PROGRAM_WALL_S = 120 };

struct program_run {
    bool engine; /* chaffinch; else chaffinch-apply */
    const char *args[PROGRAM_ARGS];
    const struct tap_hooks *hooks; /* NULL = none */
    const char *other_disk;        /* this folder is on one; NULL = there is none */
    void (*beside)(void);          /* before that, to start what uses the program; NULL = nothing */
    void (*prepare)(void);         /* in the new process, first thing; NULL = nothing */
};

struct program_outcome {
    int status; /* exit status; -N = ended by signal N */
    char *out, *err;
    long peak_kb; /* of the process and its workers, as getrusage tells */
};

void program_run(const struct program_run *run, struct program_outcome *outcome);
void program_release(struct program_outcome *outcome);
/* Runs without hooks and wants that status. Prints what went wrong. */
bool program_expect(const struct program_run *run, int status);
/* What it prints on standard output, malloc'ed; NULL after printing what went wrong. */
char *program_text(const struct program_run *run);

/* `size` bytes, zeroed, that the parent and its runs share. */
void *program_shared(size_t size);

#endif
