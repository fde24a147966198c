#include "act.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "replay.h"

static bool time_of_act(struct catalogue *c, int64_t *at_ns, struct err *err)
{
    struct timespec t = {0};
    struct sql q;
    (void)clock_gettime(CLOCK_REALTIME, &t);
    *at_ns = files_time_ns(&t);
    if (!sql_start(c, &q,
                   "SELECT max(coalesce((SELECT max(at_ns) FROM decision), 0),"
                   " coalesce((SELECT max(at_ns) FROM pending), 0))",
                   err))
        return false;
    if (sql_row(&q, err) && *at_ns <= sql_get_int(&q, 0))
        *at_ns = sql_get_int(&q, 0) + 1;
    return sql_end(&q);
}

bool act_begin(struct act *act, struct catalogue *c, struct err *err)
{
    *act = (struct act){.c = c};
    if (!catalogue_begin(c, err))
        return false;
    if (replay_take_over(c, err) && time_of_act(c, &act->at_ns, err))
        return true;
    catalogue_rollback(c);
    return false;
}

bool act_add(struct act *act, int64_t frame, const char *identity, const char *word, const char *detail,
             struct err *err)
{
    if (act->n == act->room) {
        size_t room = act->room > 0 ? act->room * 2 : 64;
        struct act_record *grown = realloc(act->records, room * sizeof *grown);
        if (grown == NULL)
            return err_nomem(err);
        act->records = grown;
        act->room = room;
    }
    struct act_record *r = &act->records[act->n];
    *r = (struct act_record){.frame = frame, .identity = strdup(identity)};
    if (r->identity == NULL)
        return err_nomem(err);
    (void)snprintf(r->word, sizeof r->word, "%s", word);
    (void)snprintf(r->detail, sizeof r->detail, "%s", detail);
    act->n++;
    return true;
}

bool act_add_rows(struct act *act, struct sql *q, const char *word, struct err *err)
{
    bool ok = true;
    while (ok && sql_row(q, err))
        ok = act_add(act, sql_get_int(q, 0), sql_get_text(q, 1), word, "", err);
    return sql_end(q) && ok;
}

bool act_add_frame(struct act *act, int64_t frame, const char *word, const char *detail, struct err *err)
{
    struct sql q;
    if (!sql_start(act->c, &q, "SELECT identity FROM frame WHERE id = ?1", err))
        return false;
    sql_int(&q, frame);
    bool ok = sql_row(&q, err);
    if (ok)
        ok = act_add(act, frame, sql_get_text(&q, 0), word, detail, err);
    else if (!q.failed)
        err_set(err, ERR_USAGE, "there is no frame number %" PRId64, frame);
    return sql_end(&q) && ok;
}

static bool write_record(const struct act *act, struct textlog *log, const struct act_record *r,
                         const char *who, struct err *err)
{
    char at[INSTANT_SIZE];
    const struct replay_record record = {
        .identity = r->identity, .word = r->word, .who = who, .at_ns = act->at_ns, .detail = r->detail};
    const char *const fields[REPLAY_FIELDS] = {r->identity, r->word, who, instant_text(act->at_ns, at),
                                               r->detail};
    return textlog_write(log, fields, r->detail[0] != '\0' ? REPLAY_FIELDS : REPLAY_FIELDS - 1, err) &&
           replay_apply(act->c, r->frame, &record, err);
}

/* Rows are written, then the log is synced, then the caller commits. */
static bool write_all(const struct act *act, const char *who, struct err *err)
{
    struct textlog *log = textlog_open(act->c->root, REPLAY_LOG, err);
    bool ok = log != NULL;
    for (size_t i = 0; ok && i < act->n; i++)
        ok = write_record(act, log, &act->records[i], who, err);
    if (!ok) {
        textlog_discard(log);
        return false;
    }
    return textlog_close(log, err) && replay_note(act->c, act->n, err);
}

bool act_end(struct act *act, bool ok, const char *who, struct err *err)
{
    ok = ok && (act->n == 0 || write_all(act, who, err)) && catalogue_commit(act->c, err);
    if (!ok)
        catalogue_rollback(act->c);
    for (size_t i = 0; i < act->n; i++)
        free(act->records[i].identity);
    free(act->records);
    act->records = NULL;
    act->n = act->room = 0;
    return ok;
}
