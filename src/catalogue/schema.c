/* Opening the catalogue: schema, migrations, checks. */
#include "schema.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/str.h"
#include "replay.h"
#include "sql.h"

enum { APPLICATION_ID = 0x43484646 /* "CHFF" */, BUSY_MS = 5000 };

/* Step N brings a database of version N to version N + 1. Steps are never changed once released; new ones go
 * to the end. */
static const char *const migrations[] = {
    /* 0 -> 1: the first schema. Names of files are BLOBs, since they may hold any bytes. */
    "CREATE TABLE setting (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;"
    "CREATE TABLE frame ("
    " id INTEGER PRIMARY KEY, identity TEXT NOT NULL UNIQUE, body TEXT NOT NULL,"
    " folder BLOB NOT NULL, name BLOB NOT NULL, prefix BLOB NOT NULL, number INTEGER NOT NULL,"
    " folder_number INTEGER NOT NULL, maker TEXT NOT NULL, model TEXT NOT NULL, serial TEXT NOT NULL,"
    " lens TEXT NOT NULL, time_ns INTEGER, subsec_digits INTEGER NOT NULL, offset_min INTEGER,"
    " exposure_s REAL, f_number REAL, focal_mm REAL, iso REAL, focus_m REAL, orientation INTEGER NOT NULL,"
    " width_px INTEGER NOT NULL, height_px INTEGER NOT NULL, rating INTEGER NOT NULL, protected INTEGER NOT "
    "NULL,"
    " sequence INTEGER NOT NULL, burst_group INTEGER NOT NULL, missing INTEGER NOT NULL DEFAULT 0,"
    " state TEXT NOT NULL DEFAULT 'new' CHECK (state IN "
    "('new','measured','unreadable','format','not-scored')),"
    " cause TEXT NOT NULL DEFAULT '', judged_on TEXT NOT NULL DEFAULT '',"
    " judged_width_px INTEGER NOT NULL DEFAULT 0, judged_height_px INTEGER NOT NULL DEFAULT 0,"
    " pack INTEGER NOT NULL DEFAULT 0, pack_offset INTEGER NOT NULL DEFAULT 0, pack_size INTEGER NOT NULL "
    "DEFAULT 0,"
    " burst INTEGER NOT NULL DEFAULT 0, position INTEGER NOT NULL DEFAULT 0, estimated_ns INTEGER NOT NULL "
    "DEFAULT 0,"
    " pass INTEGER NOT NULL DEFAULT 0, rank INTEGER NOT NULL DEFAULT 0,"
    " proposal TEXT NOT NULL DEFAULT '' CHECK (proposal IN ('','keep','reject','none')),"
    " reason TEXT NOT NULL DEFAULT '',"
    " decision TEXT NOT NULL DEFAULT '' CHECK (decision IN ('','keep','reject')),"
    " decided_by TEXT NOT NULL DEFAULT '', decided_ns INTEGER NOT NULL DEFAULT 0,"
    " accepted INTEGER NOT NULL DEFAULT 0) STRICT;"
    "CREATE INDEX frame_burst ON frame (burst, position);"
    "CREATE TABLE file ("
    " id INTEGER PRIMARY KEY, frame INTEGER NOT NULL REFERENCES frame (id), path BLOB NOT NULL UNIQUE, home "
    "BLOB,"
    " kind TEXT NOT NULL, size INTEGER NOT NULL, mtime_ns INTEGER NOT NULL, fingerprint BLOB,"
    " missing INTEGER NOT NULL DEFAULT 0) STRICT;"
    "CREATE INDEX file_frame ON file (frame);"
    "CREATE INDEX file_home ON file (home) WHERE home IS NOT NULL;"
    "CREATE TABLE burst ("
    " number INTEGER PRIMARY KEY, body TEXT NOT NULL, setup INTEGER NOT NULL DEFAULT 0, start_ns INTEGER,"
    " n_frames INTEGER NOT NULL, n_passes INTEGER NOT NULL DEFAULT 0, mode TEXT NOT NULL DEFAULT '',"
    " perch INTEGER NOT NULL DEFAULT 0, nothing_sharp INTEGER NOT NULL DEFAULT 0, stamp TEXT NOT NULL "
    "DEFAULT '') STRICT;"
    "CREATE TABLE item ("
    " frame INTEGER NOT NULL REFERENCES frame (id), pass INTEGER NOT NULL, time_ns INTEGER NOT NULL,"
    " x_px INTEGER NOT NULL, y_px INTEGER NOT NULL, w_px INTEGER NOT NULL, h_px INTEGER NOT NULL,"
    " flags INTEGER NOT NULL, score REAL, blur_px REAL, blur_low_px REAL, blur_high_px REAL, p_sharp REAL,"
    " laplacian_variance REAL, tenengrad REAL, area_cells REAL, outline BLOB NOT NULL,"
    " PRIMARY KEY (frame, pass)) STRICT, WITHOUT ROWID;"
    "CREATE TABLE decision ("
    " id INTEGER PRIMARY KEY, frame INTEGER NOT NULL REFERENCES frame (id), decision TEXT NOT NULL,"
    " who TEXT NOT NULL, at_ns INTEGER NOT NULL) STRICT;"
    "CREATE INDEX decision_frame ON decision (frame);"
    "CREATE TABLE pending ("
    " id INTEGER PRIMARY KEY, identity TEXT NOT NULL, decision TEXT NOT NULL, who TEXT NOT NULL,"
    " at_ns INTEGER NOT NULL) STRICT;"
    "CREATE INDEX pending_identity ON pending (identity);"
    "CREATE TABLE copy ("
    " path BLOB PRIMARY KEY, card_path BLOB NOT NULL, card TEXT NOT NULL, size INTEGER NOT NULL,"
    " mtime_ns INTEGER NOT NULL, digest TEXT NOT NULL, second TEXT NOT NULL) STRICT;"
    /* For people with a shell. */
    "CREATE VIEW frames AS SELECT f.burst, f.position, f.pass, CAST(coalesce((SELECT path FROM file WHERE "
    "frame = f.id"
    " ORDER BY CASE kind WHEN 'jpeg' THEN 0 WHEN 'raw' THEN 1 ELSE 2 END, path LIMIT 1), '') AS TEXT) AS "
    "path,"
    " datetime(f.time_ns / 1000000000, 'unixepoch') AS time, i.score, i.blur_px, f.rank, f.proposal, "
    "f.decision,"
    " CASE WHEN f.decision <> '' THEN f.decision WHEN f.protected OR f.rating >= 1 THEN 'keep'"
    " WHEN f.proposal = '' THEN 'none' ELSE f.proposal END AS outcome, f.reason, f.state, f.cause, f.missing"
    " FROM frame f LEFT JOIN item i ON i.frame = f.id AND i.pass = f.pass ORDER BY f.burst, f.position;",
};
enum { VERSION = sizeof migrations / sizeof migrations[0] };

static bool pragma_int(struct catalogue *c, const char *text, int64_t *value, struct err *err)
{
    struct sql q;
    *value = 0;
    if (!sql_start(c, &q, text, err))
        return false;
    if (sql_row(&q, err))
        *value = sql_get_int(&q, 0);
    return sql_end(&q);
}

static bool migrate(struct catalogue *c, int64_t from, struct err *err)
{
    char pragma[96];
    for (int64_t v = from; v < VERSION; v++) {
        (void)snprintf(pragma, sizeof pragma, "PRAGMA user_version = %d; PRAGMA application_id = %d; COMMIT;",
                       (int)v + 1, APPLICATION_ID);
        if (!sql_exec(c, "BEGIN IMMEDIATE;", err))
            return false;
        if (!sql_exec(c, migrations[v], err) || (v == 0 && !replay_load(c, err)) ||
            !sql_exec(c, pragma, err)) {
            (void)sql_exec(c, "ROLLBACK;", NULL);
            return false;
        }
    }
    return true;
}

static bool not_ours(struct catalogue *c, struct err *err)
{
    return err_set(err, ERR_DAMAGED,
                   "'%s/.chaffinch/catalogue.db' is not a chaffinch catalogue: move it away and type "
                   "'chaffinch measure %s'",
                   c->root->path, c->root->path);
}

static bool check_version(struct catalogue *c, struct err *err)
{
    int64_t id, version, tables;
    if (!pragma_int(c, "PRAGMA application_id", &id, err) ||
        !pragma_int(c, "PRAGMA user_version", &version, err) ||
        !pragma_int(c, "SELECT count(*) FROM sqlite_schema", &tables, err))
        return false;
    bool empty = id == 0 && version == 0 && tables == 0;
    if (!empty && (id != APPLICATION_ID || version < 0))
        return not_ours(c, err);
    if (version > VERSION)
        return err_set(err, ERR_REFUSED,
                       "the catalogue of '%s' was made by a newer chaffinch (version %d, this one knows %d): "
                       "use that one",
                       c->root->path, (int)version, VERSION);
    if (version == VERSION)
        return true;
    if (c->access == CATALOGUE_READ)
        return empty ? schema_not_measured(c->root, err)
                     : err_set(err, ERR_USAGE,
                               "the catalogue of '%s' is of an older version: type 'chaffinch measure %s' "
                               "once to bring it up to date",
                               c->root->path, c->root->path);
    return migrate(c, version, err);
}

bool schema_not_measured(const struct root *root, struct err *err)
{
    return err_set(err, ERR_USAGE, "'%s' is not measured yet: type 'chaffinch measure %s' first", root->path,
                   root->path);
}

static bool configure(struct catalogue *c, struct err *err)
{
    (void)sqlite3_busy_timeout(c->db, BUSY_MS);
    (void)sqlite3_extended_result_codes(c->db, 0);
    /* Foreign keys hold from here on; a failed sync is an error, never a hope. */
    if (!sql_exec(c, "PRAGMA foreign_keys = ON;", err))
        return false;
    return c->access == CATALOGUE_READ ||
           sql_exec(c, "PRAGMA journal_mode = DELETE; PRAGMA synchronous = FULL;", err);
}

static int open_flags(enum catalogue_access access)
{
    return access == CATALOGUE_READ ? SQLITE_OPEN_READONLY : SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE;
}

static bool catalogue_there(const struct root *root)
{
    struct stat st;
    return root->state >= 0 && root->fs->fstatat(root->fs->context, root->state, "catalogue.db", &st, 0) == 0;
}

struct catalogue *catalogue_open(const struct root *root, enum catalogue_access access, struct err *err)
{
    if (access == CATALOGUE_READ && !catalogue_there(root)) {
        schema_not_measured(root, err);
        return NULL;
    }
    struct catalogue *c = calloc(1, sizeof *c);
    char *path = c != NULL ? str_make(err, "%s/" ROOT_STATE "/catalogue.db", root->path) : NULL;
    if (path == NULL) {
        free(c);
        err_nomem(err);
        return NULL;
    }
    c->root = root;
    c->access = access;
    if (sqlite3_open_v2(path, &c->db, open_flags(access), NULL) != SQLITE_OK) {
        if (c->db != NULL)
            sql_fail(c, err);
        else
            err_nomem(err);
        goto fail;
    }
    if (!configure(c, err) || !check_version(c, err) || !replay_look(c, err))
        goto fail;
    free(path);
    return c;
fail:
    free(path);
    catalogue_close(c);
    return NULL;
}

void catalogue_close(struct catalogue *c)
{
    if (c == NULL)
        return;
    for (size_t i = 0; i < c->n_cached; i++)
        (void)sqlite3_finalize(c->statement[i]);
    (void)sqlite3_close_v2(c->db);
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

bool catalogue_check(struct catalogue *c, struct err *err)
{
    struct sql q;
    bool sound = false;
    if (!sql_start(c, &q, "PRAGMA integrity_check(1)", err))
        return false;
    if (sql_row(&q, err))
        sound = strcmp(sql_get_text(&q, 0), "ok") == 0;
    if (!sql_end(&q))
        return false;
    if (!sql_start(c, &q, "PRAGMA foreign_key_check", err))
        return false;
    sound = !sql_row(&q, err) && sound;
    if (!sql_end(&q))
        return false;
    return sound || err_set(err, ERR_DAMAGED,
                            "the catalogue '%s/.chaffinch/catalogue.db' is damaged: move it away and "
                            "type 'chaffinch measure %s'",
                            c->root->path, c->root->path);
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
