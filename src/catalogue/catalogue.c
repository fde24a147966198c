/* Opening and closing, transactions, checks, settings. */
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/str.h"
#include "chaffinch/textlog.h"
#include "replay.h"
#include "schema.h"

enum { BUSY_MS = 5000 };

static bool not_measured(const struct catalogue *c, struct err *err)
{
    return err_set(err, ERR_USAGE, "'%s' is not measured yet: type 'chaffinch measure %s' first", c->shown,
                   c->typed);
}

static bool not_ours(const struct catalogue *c, struct err *err)
{
    return err_set(err, ERR_DAMAGED,
                   "'%s/" ROOT_STATE "/" SQL_DATABASE "' is not a chaffinch catalogue: move it away and type "
                   "'chaffinch measure %s'",
                   c->shown, c->typed);
}

/* *there = false where there is no such file. Anything but a regular file is left alone: SQLite would follow
   a link out of the session. */
static bool look_for_file(const struct catalogue *c, bool *there, struct err *err)
{
    struct stat st;
    const struct root *root = c->root;
    *there = root->state >= 0 &&
             root->fs->fstatat(root->fs->context, root->state, SQL_DATABASE, &st, AT_SYMLINK_NOFOLLOW) == 0;
    if (!*there && root->state >= 0 && errno != ENOENT)
        return err_sys(err, "look at", ROOT_STATE "/" SQL_DATABASE);
    return !*there || S_ISREG(st.st_mode) || not_ours(c, err);
}

/* Nothing of the file is read yet. */
static bool open_database(struct catalogue *c, const char *path, struct err *err)
{
    int flags =
        c->access == CATALOGUE_READ ? SQLITE_OPEN_READONLY : SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE;
    if (sqlite3_open_v2(path, &c->db, flags, NULL) != SQLITE_OK)
        return c->db != NULL ? sql_fail(c, err) : err_nomem(err);
    (void)sqlite3_extended_result_codes(c->db, 1);
    (void)sqlite3_busy_timeout(c->db, BUSY_MS);
    return true;
}

/* 2 MB of pages, said here since SQLite's own default may change: memory is not to grow with the session. A
   session of 100,000 frames is filled in .1 ms a frame more than with all of its indexes in memory. */
static const char settings[] = "PRAGMA foreign_keys = ON; PRAGMA cache_size = -2048;";
/* EXTRA syncs the folder when the journal goes. With FULL a power cut can bring the journal back, and it
   would roll back what an apply run had said is done. */
static const char settings_to_write[] = "PRAGMA journal_mode = DELETE; PRAGMA synchronous = EXTRA;";

static void close_database(struct catalogue *c)
{
    for (size_t i = 0; i < c->n_cached; i++)
        (void)sqlite3_finalize(c->statement[i]);
    c->n_cached = 0;
    (void)sqlite3_close_v2(c->db);
    c->db = NULL;
}

static bool judge(struct catalogue *c, enum schema_state *state, struct err *err)
{
    const struct schema *schema = schema_current();
    int64_t version;
    if (!schema_look(c, schema, state, &version, err))
        return false;
    if (*state == SCHEMA_FOREIGN)
        return not_ours(c, err);
    if (*state == SCHEMA_NEWER)
        return err_set(err, ERR_REFUSED,
                       "the catalogue of '%s' was made by a newer chaffinch (version %d, this one knows %d): "
                       "use that one",
                       c->shown, (int)version, schema->version);
    return true;
}

/* A writer that was killed leaves its journal, which only a writer can roll back; one that was killed between
   decisions.log and its commit leaves a record to be taken over. On a disk that cannot be written this
   fails, and the reader goes on with what is there. */
static void finish_what_was_left(const struct root *root)
{
    catalogue_close(catalogue_open(root, CATALOGUE_WRITE, NULL));
}

static bool has_leftover(struct catalogue *c)
{
    bool ahead = false;
    struct err ignored = ERR_INIT;
    (void)sqlite3_exec(c->db, "SELECT 1 FROM sqlite_schema LIMIT 1", NULL, NULL, NULL);
    return sqlite3_extended_errcode(c->db) == SQLITE_READONLY_ROLLBACK ||
           (replay_is_behind(c, &ahead, &ignored) && ahead);
}

static bool open_for_reading(struct catalogue *c, const char *path, struct err *err)
{
    enum schema_state state;
    if (!open_database(c, path, err))
        return false;
    if (has_leftover(c)) {
        close_database(c);
        finish_what_was_left(c->root);
        if (!open_database(c, path, err))
            return false;
    }
    if (!judge(c, &state, err) || !sql_exec(c, settings, err))
        return false;
    if (state == SCHEMA_EMPTY)
        return not_measured(c, err);
    return state == SCHEMA_CURRENT || err_set(err, ERR_USAGE,
                                              "the catalogue of '%s' is of an older version: type 'chaffinch "
                                              "measure %s' once to bring it up "
                                              "to date",
                                              c->shown, c->typed);
}

static bool open_for_writing(struct catalogue *c, const char *path, struct err *err)
{
    enum schema_state state;
    if (!open_database(c, path, err))
        return false;
    if (sqlite3_db_readonly(c->db, "main") == 1) /* SQLite opens what it can, and says so only when asked */
        return sql_not_writable(c, err);
    /* The folder: a writer that was killed may have removed its journal without syncing that. */
    return judge(c, &state, err) && files_sync(c->root->fs, c->root->state, ROOT_STATE, err) &&
           sql_exec(c, settings, err) && sql_exec(c, settings_to_write, err) &&
           (state == SCHEMA_CURRENT || schema_migrate(c, schema_current(), err)) && replay_catch_up(c, err) &&
           replay_look(c, err);
}

struct catalogue *catalogue_open(const struct root *root, enum catalogue_access access, struct err *err)
{
    bool there = false, ok = false;
    char *path = NULL;
    struct catalogue *c = calloc(1, sizeof *c);
    if (c == NULL) {
        err_nomem(err);
        return NULL;
    }
    c->root = root;
    c->access = access;
    (void)err_escape(c->shown, sizeof c->shown, root->path);
    (void)err_word(c->typed, sizeof c->typed, root->path);
    if (!look_for_file(c, &there, err))
        goto out;
    if (access == CATALOGUE_READ && !there) {
        not_measured(c, err);
        goto out;
    }
    /* "./": SQLite takes a name that begins with "file:" for more than a name. */
    path = str_make(err, "%s%s/" ROOT_STATE "/" SQL_DATABASE, root->path[0] == '/' ? "" : "./", root->path);
    ok = path != NULL &&
         (access == CATALOGUE_READ ? open_for_reading(c, path, err) : open_for_writing(c, path, err));
out:
    free(path);
    if (!ok) {
        catalogue_close(c);
        return NULL;
    }
    return c;
}

void catalogue_close(struct catalogue *c)
{
    if (c == NULL)
        return;
    close_database(c);
    free(c);
}

bool catalogue_begin(struct catalogue *c, struct err *err)
{
    return sql_exec(c, "BEGIN IMMEDIATE", err);
}

bool catalogue_commit(struct catalogue *c, struct err *err)
{
    return sql_exec(c, "COMMIT", err);
}

void catalogue_rollback(struct catalogue *c)
{
    if (sqlite3_get_autocommit(c->db) == 0)
        (void)sql_exec(c, "ROLLBACK", NULL);
}

static bool database_is_sound(struct catalogue *c, bool *sound, struct err *err)
{
    struct sql q;
    *sound = false;
    if (!sql_start(c, &q, "PRAGMA integrity_check(1)", err))
        return false;
    if (sql_row(&q, err))
        *sound = strcmp(sql_get_text(&q, 0), "ok") == 0;
    if (!sql_end(&q) || !sql_start(c, &q, "PRAGMA foreign_key_check", err))
        return false;
    *sound = !sql_row(&q, err) && *sound;
    return sql_end(&q);
}

static bool pass_over(void *context, char *const *fields, size_t n, struct err *err)
{
    (void)context;
    (void)fields;
    (void)n;
    (void)err;
    return true;
}

bool catalogue_check(struct catalogue *c, bool *torn, struct err *err)
{
    bool sound;
    if (!database_is_sound(c, &sound, err))
        return false;
    if (!sound)
        return sql_damaged(c, err);
    return textlog_read(c->root, REPLAY_LOG, pass_over, NULL, torn, err);
}

bool catalogue_get_setting(struct catalogue *c, const char *key, char **value, struct err *err)
{
    struct sql q;
    bool ok = true;
    *value = NULL;
    if (!sql_start(c, &q, "SELECT value FROM setting WHERE key = ?1", err))
        return false;
    sql_text(&q, key);
    if (sql_row(&q, err)) {
        *value = strdup(sql_get_text(&q, 0));
        ok = *value != NULL || err_nomem(err);
    }
    return sql_end(&q) && ok;
}

bool catalogue_set_setting(struct catalogue *c, const char *key, const char *value, struct err *err)
{
    struct sql q;
    if (!sql_start(
            c, &q,
            "INSERT INTO setting VALUES (?1, ?2) ON CONFLICT (key) DO UPDATE SET value = excluded.value",
            err))
        return false;
    sql_text(&q, key);
    sql_text(&q, value);
    return sql_done(&q, err);
}
