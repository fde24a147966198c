/*
 * disk_model.h - what a disk may hold after the power failed.
 *
 * A run is recorded: each write, sync, new name, rename, removal, by inode numbers. The model then replays it
 * up to a moment; what was synced by then is there, and of everything else it keeps some, drops some, and of
 * writes leaves some sectors old, new or filled with noise, as the seed says.
 *
 * Assumed of the disk, as every journalling file system promises: a rename happens as a whole or not at all,
 * and is there for good once one of its folders is synced; what happened to one name happened in order; a
 * byte that was not written does not change.
 *
 *     model_watch(parent, name);       the tree parent/name, which need not exist yet
 *     program_run(... .hooks = &model_hooks ...);
 *     for each cut: model_cut(n, seed, out);     writes the tree to the folder `out`
 */
#ifndef TESTS_TORTURE_DISK_MODEL_H
#define TESTS_TORTURE_DISK_MODEL_H

#include "tap.h"

enum { MODEL_TREES = 4 };

/* Forgets everything, then remembers what lies at parent/name (all of it counts as synced). */
void model_watch(const char *parent, const char *const *names, size_t n);
extern const struct tap_hooks model_hooks;
/* The next run is killed behind its `n`th call that changes the disk; 0 = never. What follows is recorded
 * behind. */
void model_kill_at(long n);
/* Events that were recorded. */
size_t model_events(void);
/* Lays out, in the folder `parent` that was watched, what may be there after a cut behind event `n`. What
   stands under the watched names is removed first. */
void model_cut(size_t n, uint32_t seed);
/* What happened at event n, for messages. */
const char *model_event_text(size_t n, char *out, size_t room);

#endif
