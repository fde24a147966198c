/* tap_sqlite.h - SQLite's file calls under the same tap. Private to tap.c. */
#ifndef TESTS_TORTURE_TAP_SQLITE_H
#define TESTS_TORTURE_TAP_SQLITE_H

#include "tap.h"

/* Replaces the calls of the unix VFS and puts a VFS that counts its syncs before it. Idempotent. */
void tap_sqlite_install(void);

/* Of tap.c: the hooks. */
int tap_before(const struct tap_event *event);
void tap_after(const struct tap_event *event, long result);

#endif
