#include "replay.h"

#include <fcntl.h>
#include <string.h>

#include "instant.h"

struct position {
    int64_t records, bytes;
};

static bool get_position(struct catalogue *c, struct position *p, struct err *err)
{
    struct sql q;
    *p = (struct position){0};
    if (!sql_start(c, &q, "SELECT records, bytes FROM replayed WHERE log = '" REPLAY_LOG "'", err))
        return false;
    if (sql_row(&q, err))
        *p = (struct position){sql_get_int(&q, 0), sql_get_int(&q, 1)};
    return sql_end(&q);
}

static bool set_position(struct catalogue *c, const struct position *p, struct err *err)
{
    struct sql q;
    if (!sql_start(c, &q, "INSERT OR REPLACE INTO replayed VALUES ('" REPLAY_LOG "', ?1, ?2)", err))
        return false;
    sql_int(&q, p->records);
    sql_int(&q, p->bytes);
    return sql_done(&q, err);
}

static int64_t log_bytes_now(const struct root *root)
{
    struct stat st;
    return root->fs->fstatat(root->fs->context, root->state, REPLAY_LOG, &st, AT_SYMLINK_NOFOLLOW) == 0
               ? (int64_t)st.st_size
               : 0;
}

bool replay_is_behind(struct catalogue *c, bool *behind, struct err *err)
{
    struct position p;
    if (!get_position(c, &p, err))
        return false;
    *behind = p.bytes != log_bytes_now(c->root);
    return true;
}

static bool find_identity(struct catalogue *c, const char *identity, int64_t *frame, struct err *err)
{
    struct sql q;
    *frame = 0;
    if (!sql_start(c, &q, "SELECT id FROM frame WHERE identity = ?1", err))
        return false;
    sql_text(&q, identity);
    if (sql_row(&q, err))
        *frame = sql_get_int(&q, 0);
    return sql_end(&q);
}

struct reader {
    struct catalogue *c;
    int64_t known, read; /* records: in the tables already; in the log so far */
};

static bool take_record(void *context, char *const *fields, size_t n, struct err *err)
{
    struct reader *r = context;
    int64_t frame, at_ns;
    if (++r->read <= r->known)
        return true;
    if (n < REPLAY_FIELDS - 1 || n > REPLAY_FIELDS || !instant_parse(fields[3], &at_ns))
        return err_set(err, ERR_DAMAGED, "record %lld of '" ROOT_STATE "/" REPLAY_LOG "' is not a decision",
                       (long long)r->read);
    const struct replay_record record = {.identity = fields[0],
                                         .word = fields[1],
                                         .who = fields[2],
                                         .at_ns = at_ns,
                                         .detail = n == REPLAY_FIELDS ? fields[4] : ""};
    return find_identity(r->c, record.identity, &frame, err) && replay_apply(r->c, frame, &record, err);
}

static bool write_rows(struct catalogue *c, struct textlog *log, const char *rows, size_t *n, struct err *err)
{
    struct sql q;
    char at[INSTANT_SIZE];
    bool ok = true;
    if (!sql_start(c, &q, rows, err))
        return false;
    while (ok && sql_row(&q, err)) {
        const char *const fields[REPLAY_FIELDS] = {sql_get_text(&q, 0), sql_get_text(&q, 1),
                                                   sql_get_text(&q, 2), instant_text(sql_get_int(&q, 3), at),
                                                   sql_get_text(&q, 4)};
        ok = textlog_write(log, fields, fields[4][0] != '\0' ? REPLAY_FIELDS : REPLAY_FIELDS - 1, err);
        ++*n;
    }
    return sql_end(&q) && ok;
}

/* Somebody took the log away: the tables hold what it said. */
static bool write_anew(struct catalogue *c, size_t *n, struct err *err)
{
    struct textlog *log = textlog_open(c->root, REPLAY_LOG, err);
    *n = 0;
    if (log == NULL)
        return false;
    if (!write_rows(c, log,
                    "SELECT f.identity, d.decision, d.who, d.at_ns, d.detail FROM decision d JOIN frame f"
                    " ON f.id = d.frame ORDER BY d.id",
                    n, err) ||
        !write_rows(c, log, "SELECT identity, decision, who, at_ns, detail FROM pending ORDER BY id", n,
                    err)) {
        textlog_discard(log);
        return false;
    }
    return textlog_close(log, err);
}

bool replay_take_over(struct catalogue *c, struct err *err)
{
    struct position p;
    bool behind;
    if (!replay_is_behind(c, &behind, err))
        return false;
    if (!behind)
        return true;
    if (!get_position(c, &p, err))
        return false;
    struct reader r = {.c = c, .known = p.records};
    if (!textlog_read(c->root, REPLAY_LOG, take_record, &r, NULL, err))
        return false;
    size_t written = 0;
    if (r.read == 0 && p.records > 0 && !write_anew(c, &written, err))
        return false;
    p = (struct position){r.read + (int64_t)written, log_bytes_now(c->root)};
    return set_position(c, &p, err);
}

bool replay_catch_up(struct catalogue *c, struct err *err)
{
    bool behind;
    if (!replay_is_behind(c, &behind, err))
        return false;
    if (!behind)
        return true;
    if (!catalogue_begin(c, err))
        return false;
    if (replay_take_over(c, err) && catalogue_commit(c, err))
        return true;
    catalogue_rollback(c);
    return false;
}

bool replay_note(struct catalogue *c, size_t n, struct err *err)
{
    struct position p;
    if (!get_position(c, &p, err))
        return false;
    p = (struct position){p.records + (int64_t)n, log_bytes_now(c->root)};
    return set_position(c, &p, err);
}

bool replay_look(struct catalogue *c, struct err *err)
{
    struct sql q;
    if (!sql_start(c, &q, "SELECT 1 FROM pending LIMIT 1", err))
        return false;
    c->replaying = sql_row(&q, err);
    return sql_end(&q);
}

bool replay_attach(struct catalogue *c, const char *identity, int64_t frame, struct err *err)
{
    struct sql q;
    bool ok = true, any = false;
    if (!c->replaying)
        return true;
    if (!sql_start(c, &q, "SELECT decision, who, at_ns, detail FROM pending WHERE identity = ?1 ORDER BY id",
                   err))
        return false;
    sql_text(&q, identity);
    while (ok && sql_row(&q, err)) {
        any = true;
        const struct replay_record record = {.identity = identity,
                                             .word = sql_get_text(&q, 0),
                                             .who = sql_get_text(&q, 1),
                                             .at_ns = sql_get_int(&q, 2),
                                             .detail = sql_get_text(&q, 3)};
        ok = replay_apply(c, frame, &record, err);
    }
    ok = sql_end(&q) && ok;
    if (!ok || !any)
        return ok;
    if (!sql_start(c, &q, "DELETE FROM pending WHERE identity = ?1", err))
        return false;
    sql_text(&q, identity);
    return sql_done(&q, err) && replay_look(c, err);
}
