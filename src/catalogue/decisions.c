/* Decisions: text first, synced, then rows. */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "chaffinch/textlog.h"
#include "replay.h"

enum { DECISION_FIELDS = 4 }; /* identity, what, who, UTC in ns */

static bool load_line(void *context, char *const *fields, size_t n, struct err *err)
{
    struct catalogue *c = context;
    struct sql q;
    if (n != DECISION_FIELDS)
        return err_set(err, ERR_DAMAGED, "a record of '%s/%s' has %zu fields instead of %d", ROOT_STATE,
                       DECISIONS_LOG, n, DECISION_FIELDS);
    if (!sql_start(c, &q, "INSERT INTO pending (identity, decision, who, at_ns) VALUES (?1, ?2, ?3, ?4)",
                   err))
        return false;
    sql_text(&q, fields[0]);
    sql_text(&q, fields[1]);
    sql_text(&q, fields[2]);
    sql_int(&q, strtoll(fields[3], NULL, 10));
    return sql_done(&q, err);
}

bool replay_load(struct catalogue *c, struct err *err)
{
    return textlog_read(c->root, DECISIONS_LOG, load_line, c, NULL, err);
}

bool replay_look(struct catalogue *c, struct err *err)
{
    struct sql q;
    if (!sql_start(c, &q, "SELECT 1 FROM pending LIMIT 1", err))
        return false;
    c->replaying = sql_row(&q, err);
    return sql_end(&q);
}

static bool set_decision(struct catalogue *c, int64_t frame, const char *decision, const char *who,
                         int64_t at_ns, struct err *err)
{
    struct sql q;
    bool clear = strcmp(decision, "clear") == 0;
    if (!sql_start(c, &q, "UPDATE frame SET decision = ?1, decided_by = ?2, decided_ns = ?3 WHERE id = ?4",
                   err))
        return false;
    sql_text(&q, clear ? "" : decision);
    sql_text(&q, clear ? "" : who);
    sql_int(&q, clear ? 0 : at_ns);
    sql_int(&q, frame);
    if (!sql_done(&q, err) ||
        !sql_start(c, &q, "INSERT INTO decision (frame, decision, who, at_ns) VALUES (?1, ?2, ?3, ?4)", err))
        return false;
    sql_int(&q, frame);
    sql_text(&q, decision);
    sql_text(&q, who);
    sql_int(&q, at_ns);
    return sql_done(&q, err);
}

static bool set_accepted(struct catalogue *c, int64_t frame, bool accepted, struct err *err)
{
    struct sql q;
    if (!sql_start(c, &q, "UPDATE frame SET accepted = ?1 WHERE id = ?2", err))
        return false;
    sql_int(&q, accepted);
    sql_int(&q, frame);
    return sql_done(&q, err);
}

bool replay_apply(struct catalogue *c, int64_t frame, const char *what, const char *who, int64_t at_ns,
                  struct err *err)
{
    if (strcmp(what, "accept") == 0 || strcmp(what, "unaccept") == 0)
        return set_accepted(c, frame, what[0] == 'a', err);
    if (strcmp(what, "keep") == 0 || strcmp(what, "reject") == 0 || strcmp(what, "clear") == 0)
        return set_decision(c, frame, what, who, at_ns, err);
    return err_set(err, ERR_DAMAGED, "'%s/%s' holds a decision that is not known: '%.40s'", ROOT_STATE,
                   DECISIONS_LOG, what);
}

bool replay_attach(struct catalogue *c, const char *identity, int64_t frame, struct err *err)
{
    struct sql q;
    bool ok = true, any = false;
    if (!c->replaying)
        return true;
    if (!sql_start(c, &q, "SELECT decision, who, at_ns FROM pending WHERE identity = ?1 ORDER BY id", err))
        return false;
    sql_text(&q, identity);
    while (ok && sql_row(&q, err)) {
        any = true;
        ok = replay_apply(c, frame, sql_get_text(&q, 0), sql_get_text(&q, 1), sql_get_int(&q, 2), err);
    }
    ok = sql_end(&q) && ok;
    if (!ok || !any)
        return ok;
    if (!sql_start(c, &q, "DELETE FROM pending WHERE identity = ?1", err))
        return false;
    sql_text(&q, identity);
    return sql_done(&q, err) && replay_look(c, err);
}

static int64_t now_ns(void)
{
    struct timespec t = {0};
    (void)clock_gettime(CLOCK_REALTIME, &t);
    return files_time_ns(&t);
}

static bool write_record(struct catalogue *c, struct textlog *log, int64_t frame, const char *what,
                         const char *who, const char *at, struct err *err)
{
    struct sql q;
    if (!sql_start(c, &q, "SELECT identity FROM frame WHERE id = ?1", err))
        return false;
    sql_int(&q, frame);
    bool ok = sql_row(&q, err);
    if (ok) {
        const char *const fields[DECISION_FIELDS] = {sql_get_text(&q, 0), what, who, at};
        ok = textlog_write(log, fields, DECISION_FIELDS, err);
    } else if (!q.failed)
        err_set(err, ERR_USAGE, "there is no frame number %" PRId64, frame);
    return sql_end(&q) && ok;
}

/* One record a frame, one sync, one transaction. A crash between log and commit leaves the log ahead: the
   person's last word is on disk, and the same command can be given again without harm. */
static bool record_all(struct catalogue *c, const int64_t *frames, size_t n, const char *what,
                       const char *who, struct err *err)
{
    char at[24];
    int64_t at_ns = now_ns();
    (void)snprintf(at, sizeof at, "%" PRId64, at_ns);
    if (!catalogue_begin(c, err))
        return false;
    struct textlog *log = textlog_open(c->root, DECISIONS_LOG, err);
    bool ok = log != NULL;
    for (size_t i = 0; ok && i < n; i++)
        ok = write_record(c, log, frames[i], what, who, at, err);
    struct err closing = ERR_INIT;
    if (!ok)
        textlog_discard(log);
    else if (!textlog_close(log, &closing)) {
        ok = false;
        if (err != NULL)
            *err = closing;
    }
    for (size_t i = 0; ok && i < n; i++)
        ok = replay_apply(c, frames[i], what, who, at_ns, err);
    ok = ok && catalogue_commit(c, err);
    if (!ok)
        catalogue_rollback(c);
    return ok;
}

bool catalogue_decide(struct catalogue *c, const int64_t *frames, size_t n, enum catalogue_decision decision,
                      const char *who, struct err *err)
{
    static const char *const words[] = {
        [CATALOGUE_UNDECIDED] = "clear", [CATALOGUE_KEEP] = "keep", [CATALOGUE_REJECT] = "reject"};
    return record_all(c, frames, n, words[decision], who, err);
}

static bool frames_of_burst(struct catalogue *c, int64_t burst, int64_t **frames, size_t *n, struct err *err)
{
    struct sql q;
    size_t room = 0;
    *frames = NULL;
    *n = 0;
    if (!sql_start(c, &q, "SELECT id FROM frame WHERE burst = ?1 AND missing = 0 ORDER BY position", err))
        return false;
    sql_int(&q, burst);
    while (sql_row(&q, err)) {
        if (*n == room) {
            room = room > 0 ? room * 2 : 64;
            int64_t *grown = realloc(*frames, room * sizeof *grown);
            if (grown == NULL) {
                (void)sql_end(&q);
                return err_nomem(err);
            }
            *frames = grown;
        }
        (*frames)[(*n)++] = sql_get_int(&q, 0);
    }
    return sql_end(&q);
}

bool catalogue_accept(struct catalogue *c, int64_t burst, bool accepted, const char *who, struct err *err)
{
    int64_t *frames = NULL;
    size_t n = 0;
    bool ok = frames_of_burst(c, burst, &frames, &n, err);
    if (ok && n == 0)
        ok = err_set(err, ERR_USAGE, "there is no burst %" PRId64 " in '%s'", burst, c->root->path);
    ok = ok && record_all(c, frames, n, accepted ? "accept" : "unaccept", who, err);
    free(frames);
    return ok;
}

bool catalogue_history(struct catalogue *c, int64_t frame, catalogue_history_visit *visit, void *context,
                       struct err *err)
{
    struct sql q;
    bool ok = true;
    if (!sql_start(c, &q, "SELECT decision, who, at_ns FROM decision WHERE frame = ?1 ORDER BY id", err))
        return false;
    sql_int(&q, frame);
    while (ok && sql_row(&q, err)) {
        const char *word = sql_get_text(&q, 0);
        const struct catalogue_decided decided = {.decision = strcmp(word, "keep") == 0 ? CATALOGUE_KEEP
                                                              : strcmp(word, "reject") == 0
                                                                  ? CATALOGUE_REJECT
                                                                  : CATALOGUE_UNDECIDED,
                                                  .who = sql_get_text(&q, 1),
                                                  .at_ns = sql_get_int(&q, 2)};
        ok = visit(context, &decided, err);
    }
    return sql_end(&q) && ok;
}
