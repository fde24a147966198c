#include "sql.h"

#include <errno.h>
#include <math.h>
#include <string.h>

bool sql_damaged(const struct catalogue *c, struct err *err)
{
    return err_set(err, ERR_DAMAGED,
                   "the catalogue '%s/" ROOT_STATE "/" SQL_DATABASE "' is damaged: move it away and type "
                   "'chaffinch measure %s' to make it anew (decisions are kept in decisions.log)",
                   c->shown, c->typed);
}

bool sql_not_writable(const struct catalogue *c, struct err *err)
{
    return err_set(
        err, ERR_IO,
        "the catalogue of '%s' cannot be written (read-only disk, or no permission): choose a place "
        "that can be written",
        c->shown);
}

/* A failed system call below SQLite; its own words name no cause. */
static bool system_failed(const struct catalogue *c, struct err *err)
{
    int number = sqlite3_system_errno(c->db);
    if (number == 0)
        return err_set(err, ERR_IO, "the catalogue of '%s' cannot be used: %s", c->shown,
                       sqlite3_errmsg(c->db));
    /* Where SQLite cannot create the file it tries to read it, so the last errno is that of a file not there.
     */
    if (c->access == CATALOGUE_WRITE && (number == ENOENT || number == EROFS || number == EACCES))
        return sql_not_writable(c, err);
    errno = number;
    err_sys(err, "use", ROOT_STATE "/" SQL_DATABASE);
    /* A file that goes missing under way is no "not found" that anybody may pass over. */
    if (err != NULL && err->code != ERR_NO_SPACE)
        err->code = ERR_IO;
    return false;
}

static bool cannot_roll_back(const struct catalogue *c, struct err *err)
{
    return err_set(
        err, ERR_IO,
        "a run on '%s' was stopped while it wrote, and nothing can be put right where nothing can be "
        "written: make the disk writable or copy the session, then type the same command again",
        c->shown);
}

bool sql_fail(struct catalogue *c, struct err *err)
{
    switch (sqlite3_errcode(c->db) & 0xff) {
    case SQLITE_NOTADB:
    case SQLITE_CORRUPT:
        return sql_damaged(c, err);
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
        return err_set(err, ERR_REFUSED, "the catalogue of '%s' is in use: try again in a moment", c->shown);
    case SQLITE_FULL:
        return err_set(err, ERR_NO_SPACE,
                       "no space is left for the catalogue of '%s': free some and run the same "
                       "command again",
                       c->shown);
    case SQLITE_READONLY:
        return sqlite3_extended_errcode(c->db) == SQLITE_READONLY_ROLLBACK ? cannot_roll_back(c, err)
                                                                           : sql_not_writable(c, err);
    case SQLITE_IOERR:
    case SQLITE_CANTOPEN:
        return system_failed(c, err);
    case SQLITE_NOMEM:
        return err_nomem(err);
    default:
        return err_set(err, ERR_IO, "the catalogue of '%s' cannot be used: %s", c->shown,
                       sqlite3_errmsg(c->db));
    }
}

bool sql_exec(struct catalogue *c, const char *text, struct err *err)
{
    return sqlite3_exec(c->db, text, NULL, NULL, NULL) == SQLITE_OK || sql_fail(c, err);
}

/* A cached statement that is free; prepares it the first time. A statement in use (a nested query) gets one
 * of its own. */
bool sql_start(struct catalogue *c, struct sql *q, const char *text, struct err *err)
{
    *q = (struct sql){.c = c, .slot = -1};
    for (size_t i = 0; i < c->n_cached; i++) {
        if (c->text[i] == text && !c->busy[i]) {
            q->slot = (int)i;
            q->st = c->statement[i];
            c->busy[i] = true;
            return true;
        }
    }
    if (sqlite3_prepare_v3(c->db, text, -1, SQLITE_PREPARE_PERSISTENT, &q->st, NULL) != SQLITE_OK)
        return sql_fail(c, err);
    if (c->n_cached < SQL_CACHE) {
        q->slot = (int)c->n_cached++;
        c->text[q->slot] = text;
        c->statement[q->slot] = q->st;
        c->busy[q->slot] = true;
    }
    return true;
}

static void bound(struct sql *q, int result)
{
    q->failed = q->failed || result != SQLITE_OK;
}

void sql_int(struct sql *q, int64_t value)
{
    bound(q, sqlite3_bind_int64(q->st, ++q->bound, value));
}

void sql_real(struct sql *q, double value)
{
    q->bound++;
    bound(q, isnan(value) ? sqlite3_bind_null(q->st, q->bound) : sqlite3_bind_double(q->st, q->bound, value));
}

void sql_text(struct sql *q, const char *value)
{
    bound(q, sqlite3_bind_text(q->st, ++q->bound, value, -1, SQLITE_TRANSIENT));
}

void sql_blob(struct sql *q, const void *value, size_t size)
{
    q->bound++;
    bound(q, value == NULL ? sqlite3_bind_null(q->st, q->bound)
                           : sqlite3_bind_blob64(q->st, q->bound, value, size, SQLITE_TRANSIENT));
}

void sql_bytes(struct sql *q, const char *value)
{
    sql_blob(q, value, value != NULL ? strlen(value) : 0);
}

void sql_null(struct sql *q)
{
    bound(q, sqlite3_bind_null(q->st, ++q->bound));
}

bool sql_row(struct sql *q, struct err *err)
{
    if (q->failed) /* a value could not be bound */
        return sql_fail(q->c, err);
    int result = sqlite3_step(q->st);
    if (result == SQLITE_ROW)
        return true;
    if (result != SQLITE_DONE) {
        q->failed = true;
        sql_fail(q->c, err);
    }
    return false;
}

bool sql_end(struct sql *q)
{
    bool ok = !q->failed;
    if (q->st == NULL)
        return false;
    if (q->slot < 0)
        (void)sqlite3_finalize(q->st);
    else {
        (void)sqlite3_reset(q->st);
        (void)sqlite3_clear_bindings(q->st);
        q->c->busy[q->slot] = false;
    }
    q->st = NULL;
    return ok;
}

bool sql_done(struct sql *q, struct err *err)
{
    (void)sql_row(q, err);
    return sql_end(q);
}

int64_t sql_get_int(const struct sql *q, int column)
{
    return sqlite3_column_int64(q->st, column);
}

double sql_get_real(const struct sql *q, int column)
{
    return sql_is_null(q, column) ? (double)NAN : sqlite3_column_double(q->st, column);
}

const char *sql_get_text(const struct sql *q, int column)
{
    const unsigned char *text = sqlite3_column_text(q->st, column);
    return text != NULL ? (const char *)text : "";
}

bool sql_is_null(const struct sql *q, int column)
{
    return sqlite3_column_type(q->st, column) == SQLITE_NULL;
}
