/*
 * textlog.h - append-only text logs that outlive the database.
 *
 * One record a line: fields separated by tabs, then a tab and the XXH3-64 checksum of everything before it in
 * 16 hex digits. Fields may hold any bytes: tab, newline, CR, backslash and other control characters are
 * written as \t \n \r \\ \xHH. A line is synced before the append returns. A torn last line (crash while
 * appending) is dropped by the reader and cut off by the next append's leading newline; a bad line elsewhere
 * is ERR_DAMAGED and names its number.
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

/* Many records, one sync: open, write any number, sync, close. */
struct textlog;
struct textlog *textlog_open(const struct root *root, const char *name, struct err *err);
bool textlog_write(struct textlog *log, const char *const *fields, size_t n, struct err *err); /* buffered */
bool textlog_sync(struct textlog *log,
                  struct err *err); /* writes the buffer and syncs file (and folder, when it is new) */
bool textlog_close(struct textlog *log, struct err *err); /* syncs, frees either way; NULL is accepted */

/* Frees without writing what is still in the buffer. NULL is accepted. */
void textlog_discard(struct textlog *log);

/* Calls visit for each whole record in order; fields are NUL-terminated, unescaped, valid during the call. A
 *missing log is no error. torn (may be NULL) = a torn last line was dropped. */
typedef bool textlog_visit(void *context, char *const *fields, size_t n, struct err *err);
bool textlog_read(const struct root *root, const char *name, textlog_visit *visit, void *context, bool *torn,
                  struct err *err);

#endif
