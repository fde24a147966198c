/*
 * client.h - what a browser does with the page of review, for a program under test: it waits for the address
 * on the program's standard output, looks at the page, a burst and a picture, rejects frames in one act, and
 * ends the program with SIGTERM, which is how a person ends it.
 *
 * Calling sequence: client_decides(frames, n); program_run(&(struct program_run){..., .beside =
 * client_start}, &outcome); client_was_told()
 */
#ifndef TESTS_TORTURE_CLIENT_H
#define TESTS_TORTURE_CLIENT_H

#include <stdbool.h>
#include <stdint.h>

/* The frames that the next client rejects, by number. Nobody was told anything yet. */
void client_decides(const int64_t *frames, int n);
/* To be called in the process that runs the program, before the program. */
void client_start(void);
/* The page answered that the decision is saved. */
bool client_was_told(void);

#endif
