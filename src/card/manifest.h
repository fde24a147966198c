/*
 * manifest.h - the text that says what was copied: `.chaffinch/manifest.txt` and `manifest.nul`.
 *
 * A line is "HASH  PATH" as `xxhsum -H128` prints it (xxHash 0.8.1, GNU style), so that `xxhsum -c
 * .chaffinch/manifest.txt` in the session folder proves the copies without this program. Paths with newline,
 * CR or backslash stand in manifest.nul, where NUL ends each record.
 *
 * Lines are only ever added; a path stands in it once. The file is replaced whole each time, in one step. A
 * torn last line (of a file that was copied while it was incomplete) counts as not there, and manifest_mend()
 * takes it away before the next is added.
 */
#ifndef CHAFFINCH_CARD_MANIFEST_H
#define CHAFFINCH_CARD_MANIFEST_H

#include "chaffinch/hash.h"
#include "chaffinch/root.h"
#include "chaffinch/str.h"

#define MANIFEST_TEXT "manifest.txt"
#define MANIFEST_NUL "manifest.nul"

typedef bool manifest_visit(void *context, const char *path, const struct hash_digest *digest,
                            struct err *err);

/* Both files, in order. *present = there is a manifest at all. ERR_DAMAGED names the line. */
bool manifest_read(const struct root *root, manifest_visit *visit, void *context, bool *present,
                   struct err *err);
/* Takes torn last lines away. To be called with the lock held. */
bool manifest_mend(const struct root *root, struct err *err);

/* Lines that wait to be written, for each of the two files. */
struct manifest_lines {
    struct str text, nul;
};
void manifest_line(struct manifest_lines *lines, const char *path, const struct hash_digest *digest);
/* Adds the lines to the files, synced, and empties them. After a failure they still wait, and the files are
   as they were. */
bool manifest_write(const struct root *root, struct manifest_lines *lines, struct err *err);
void manifest_lines_release(struct manifest_lines *lines);

#endif
