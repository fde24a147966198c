/*
 * sql.h - the thin layer between the catalogue and SQLite: cached statements, binding in order, errors.
 *
 * Calling sequence:
 *     struct sql q;
 *     if (!sql_start(c, &q, "SELECT ...", &err)) ...
 *     sql_int(&q, 1); sql_text(&q, "x");            binds ?1, ?2 ...
 *     while (sql_row(&q, &err)) ... sql_get_int(&q, 0) ...
 *     sql_end(&q)                                    false if anything went wrong on the way
 */
#ifndef CHAFFINCH_CATALOGUE_SQL_H
#define CHAFFINCH_CATALOGUE_SQL_H

#include <sqlite3.h>
#include <stdbool.h>
#include <stdint.h>

#include "chaffinch/catalogue.h"

#define SQL_DATABASE "catalogue.db"
enum { SQL_CACHE = 96 };

struct catalogue {
    sqlite3 *db;
    const struct root *root;
    enum catalogue_access access;
    char typed[400];             /* the same in a command to type */
    char shown[400];             /* the session's path for messages */
    bool replaying;              /* decisions from the text log wait for their frames */
    const char *text[SQL_CACHE]; /* string literals: their addresses are the keys */
    sqlite3_stmt *statement[SQL_CACHE];
    bool busy[SQL_CACHE];
    size_t n_cached;
};

struct sql {
    struct catalogue *c;
    sqlite3_stmt *st;
    int slot; /* -1 = not cached */
    int bound;
    bool failed;
};

/* Fills err from the database's last error. Returns false. */
bool sql_fail(struct catalogue *c, struct err *err);
bool sql_damaged(const struct catalogue *c, struct err *err);
bool sql_not_writable(const struct catalogue *c, struct err *err);
/* Runs one or more statements without results. */
bool sql_exec(struct catalogue *c, const char *text, struct err *err);

bool sql_start(struct catalogue *c, struct sql *q, const char *text, struct err *err);
void sql_int(struct sql *q, int64_t value);
void sql_real(struct sql *q, double value);      /* NaN becomes NULL */
void sql_text(struct sql *q, const char *value); /* NULL becomes NULL */
void sql_blob(struct sql *q, const void *value, size_t size);
void sql_bytes(struct sql *q, const char *value); /* raw name bytes as a BLOB */
void sql_null(struct sql *q);
/* True while there is a row. False at the end and on errors; then sql_end tells which. */
bool sql_row(struct sql *q, struct err *err);
/* Gives the statement back. False if a step failed. */
bool sql_end(struct sql *q);
/* Binds are done: step once, expect no row, end. */
bool sql_done(struct sql *q, struct err *err);

int64_t sql_get_int(const struct sql *q, int column);
double sql_get_real(const struct sql *q, int column);      /* NULL becomes NaN */
const char *sql_get_text(const struct sql *q, int column); /* NULL becomes "" */
bool sql_is_null(const struct sql *q, int column);

#endif
