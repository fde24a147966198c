/*
 * fat.h - a file system that knows neither hard links nor renaming without replacing, keeps times to 2 s, and
 * takes names that differ by case only for one: FAT, and exFAT through FUSE. Everything that the program
 * under test opens lies on it, the card too.
 */
#ifndef TESTS_TORTURE_FAT_H
#define TESTS_TORTURE_FAT_H

#include "tap.h"

/* To be set in the process that runs the program, or before: names with characters that exFAT forbids cannot
 * be made. */
void fat_be_strict(bool strict);
extern const struct tap_hooks fat_hooks;
/* The same, and the fault that was armed (fault.h). */
extern const struct tap_hooks fat_fault_hooks;

#endif
