/*
 * publish.h - give a finished file its name without ever replacing anything.
 *
 * Purpose: the engine's only way to change names. New content is written to a temp under `.chaffinch/`,
 * synced, and then published under a name that must be free. The only files that may be replaced or dropped
 * lie under `.chaffinch/`.
 *
 * Calling sequence:
 *     fd = publish_temp(root, "incoming/17", &err);  write; files_sync; files_close
 *     publish_new(root, "incoming/17", to_dir, "DSC_0001.JPG", "DCIM/.../DSC_0001.JPG", &err);
 *     sync the folder once its batch is done: files_sync(fs, to_dir, ...)
 *
 * Error handling: ERR_EXISTS when the name is taken; nothing was changed then and the temp is still there.
 * Where a file system knows neither RENAME_NOREPLACE nor hard links (FAT, exFAT through FUSE), the name is
 * reserved with an empty file, noted in `.chaffinch/reserved` first, and the temp is renamed over our own
 * empty file; publish_recover() takes an empty reservation away that a crash left behind.
 */
#ifndef CHAFFINCH_PUBLISH_H
#define CHAFFINCH_PUBLISH_H

#include <stdbool.h>
#include <stddef.h>

#include "chaffinch/err.h"
#include "chaffinch/root.h"

/* Creates `name` (below .chaffinch/; folders are made) with O_EXCL for writing; a temp of that name that a
   crash left is dropped first. -1 with err. Close with files_close. */
int publish_temp(const struct root *root, const char *name, struct err *err);
/* Takes a temp below .chaffinch/ away. A missing one is no error. */
bool publish_drop(const struct root *root, const char *name, struct err *err);
/* Gives the temp its name `to_name` in the folder to_dir. `shown` is the path below the session that is
   written to `reserved` and used in messages. */
bool publish_new(const struct root *root, const char *temp, int to_dir, const char *to_name,
                 const char *shown, struct err *err);
/* Writes a file below .chaffinch/ in one step: temp, sync, rename over the old one, sync of the folder. */
bool publish_replace(const struct root *root, const char *name, const void *bytes, size_t size,
                     struct err *err);
/* After a crash: removes the empty file of a reservation, if it is still empty. To be called with the lock
 * held. */
bool publish_recover(const struct root *root, struct err *err);
/* Writes a new file anywhere (a list or a page that the user asked for, a copy); never replaces. `path` as
 * open(2) takes it. The name is given to a whole, synced file and its folder is synced, so a crash leaves no
 * part under that name, but perhaps `.chaffinch-NAME`, which the next try takes away; only a file system that
 * cannot give a free name is written to in place. */
bool publish_user_file(const struct files *fs, const char *path, const void *bytes, size_t size,
                       struct err *err);
/* A file that was found there, whole, and that a run which died may have given its name: it stays from now
 * on. */
bool publish_user_settle(const struct files *fs, const char *path, struct err *err);
/* Makes the folder where it is missing, and syncs the one it is in; that one must be there. */
bool publish_user_folder(const struct files *fs, const char *path, struct err *err);
/* ERR_EXISTS where that name is taken: to be asked before long work is done for it. */
bool publish_user_check(const struct files *fs, const char *path, struct err *err);

#endif
