/*
 * memory.h - the Nth allocation fails: of the programs' own code (the linker wraps malloc and its kin), of
 * SQLite (SQLITE_CONFIG_MALLOC) or of libexif (ExifMem).
 *
 * Counts only in the process that armed it, unless told otherwise: a worker that runs out of memory is
 * another test.
 */
#ifndef TESTS_TORTURE_MEMORY_H
#define TESTS_TORTURE_MEMORY_H

#include <stdbool.h>

enum memory_of { MEMORY_OWN, MEMORY_SQLITE, MEMORY_EXIF, MEMORY_KINDS };

/* Sets what the next process is to meet; at = 0: nothing. */
void memory_plan(enum memory_of of, long at, bool lasting);
/* In that process, first thing: from now on allocations count. SQLite must not be in use. */
void memory_arm(void);
void memory_disarm(void);
/* Allocations that were counted, and whether one failed. */
long memory_counted(void);
bool memory_failed(void);

#endif
