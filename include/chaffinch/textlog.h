/*
 * textlog.h - append-only text logs that outlive the database.
 *
 * One record a line: fields separated by tabs, then a tab and the XXH3-64 checksum of everything before it in
 * 16 hex digits. Fields may hold any bytes: tab, newline, CR, backslash and other control characters are
 * written as \t \n \r \\ \xHH. A record is synced before the append returns; each but the first of one append
 * has
 * `\+` as one more field at its end.
 *
 * A crash may tear the last line. The reader drops a last line without newline, and the next append closes it
 * with `\cut`, in which no record can end; so a torn line is told for ever from a record that was damaged
 * later. A power cut may leave noise instead: lines that no record of another append follows, and that no
 * single byte put right makes a record; that append counts up to the noise. The next append writes `\void`,
 * the number of those bytes and a checksum behind them. Any other line that does not fit its checksum is
 * ERR_DAMAGED, and the message names its number.
 *
 * Calling sequence: textlog_append(root, "decisions.log", fields, n, &err);   textlog_read(root, name, visit,
 * context, &err);
 */
#ifndef CHAFFINCH_TEXTLOG_H
#define CHAFFINCH_TEXTLOG_H

#include <stdbool.h>
#include <stddef.h>

#include "chaffinch/err.h"
#include "chaffinch/root.h"

/* Names are below `.chaffinch/`; the file and its folder are made (and synced) where missing. */
bool textlog_append(const struct root *root, const char *name, const char *const *fields, size_t n,
                    struct err *err);

/* Many records, one sync: open, write any number, sync, close. After a failure to write or sync nothing more
   is added through this handle: what is on the disk is not known, and a failed sync is never tried again. */
struct textlog;
struct textlog *textlog_open(const struct root *root, const char *name, struct err *err);
bool textlog_write(struct textlog *log, const char *const *fields, size_t n, struct err *err); /* buffered */
bool textlog_sync(struct textlog *log,
                  struct err *err); /* writes the buffer and syncs the file, and its folder once */
bool textlog_close(struct textlog *log, struct err *err); /* syncs, frees either way; NULL is accepted */

/* Frees without writing what is still in the buffer. NULL is accepted. */
void textlog_discard(struct textlog *log);

/* Calls visit for each whole record in order; fields are NUL-terminated, unescaped, valid during the call. A
   missing log is no error. torn (may be NULL) = a torn line was dropped. The error of a damaged line keeps
   the code ERR_DAMAGED; what `visit` returns is passed on. */
typedef bool textlog_visit(void *context, char *const *fields, size_t n, struct err *err);
bool textlog_read(const struct root *root, const char *name, textlog_visit *visit, void *context, bool *torn,
                  struct err *err);

#endif
