/* Decisions: text first, synced, then rows. */
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "instant.h"
#include "replay.h"

static int64_t now_ns(void)
{
    struct timespec t = {0};
    (void)clock_gettime(CLOCK_REALTIME, &t);
    return files_time_ns(&t);
}

enum verb { CLEAR, KEEP, REJECT, ACCEPT, UNACCEPT };

/* The word that stands in log and history. An acceptance names the proposal that was agreed with, so that it
   holds only as long as the engine proposes the same. */
static const char *word_of(enum verb verb, const char *proposal)
{
    static const char *const words[] = {
        [CLEAR] = "clear", [KEEP] = "keep", [REJECT] = "reject", [UNACCEPT] = "unaccept"};
    if (verb != ACCEPT)
        return words[verb];
    return strcmp(proposal, "keep") == 0     ? "accept-keep"
           : strcmp(proposal, "reject") == 0 ? "accept-reject"
                                             : "accept-none";
}

static bool record(struct catalogue *c, struct textlog *log, int64_t frame, enum verb verb, const char *who,
                   int64_t at_ns, struct err *err)
{
    struct sql q;
    char at[INSTANT_SIZE];
    const char *word = NULL;
    if (!sql_start(c, &q, "SELECT identity, proposal FROM frame WHERE id = ?1", err))
        return false;
    sql_int(&q, frame);
    bool ok = sql_row(&q, err);
    if (ok) {
        word = word_of(verb, sql_get_text(&q, 1));
        const char *const fields[REPLAY_FIELDS] = {sql_get_text(&q, 0), word, who, instant_text(at_ns, at)};
        ok = textlog_write(log, fields, REPLAY_FIELDS, err);
    } else if (!q.failed)
        err_set(err, ERR_USAGE, "there is no frame number %" PRId64, frame);
    return sql_end(&q) && ok && replay_apply(c, frame, word, who, at_ns, err);
}

/* Within a transaction: rows are written, then the log is synced, then the caller commits. */
static bool record_all(struct catalogue *c, const int64_t *frames, size_t n, enum verb verb, const char *who,
                       struct err *err)
{
    int64_t at_ns = now_ns();
    if (!replay_take_over(c, err))
        return false;
    struct textlog *log = textlog_open(c->root, REPLAY_LOG, err);
    bool ok = log != NULL;
    for (size_t i = 0; ok && i < n; i++)
        ok = record(c, log, frames[i], verb, who, at_ns, err);
    if (!ok) {
        textlog_discard(log);
        return false;
    }
    return textlog_close(log, err) && replay_note(c, n, err);
}

static bool end_transaction(struct catalogue *c, bool ok, struct err *err)
{
    ok = ok && catalogue_commit(c, err);
    if (!ok)
        catalogue_rollback(c);
    return ok;
}

bool catalogue_decide(struct catalogue *c, const int64_t *frames, size_t n, enum catalogue_decision decision,
                      const char *who, struct err *err)
{
    enum verb verb = decision == CATALOGUE_KEEP ? KEEP : decision == CATALOGUE_REJECT ? REJECT : CLEAR;
    if (!catalogue_begin(c, err))
        return false;
    return end_transaction(c, record_all(c, frames, n, verb, who, err), err);
}

static bool frames_of_burst(struct catalogue *c, int64_t burst, int64_t **frames, size_t *n, struct err *err)
{
    struct sql q;
    size_t room = 0;
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
    if (!catalogue_begin(c, err))
        return false;
    bool ok = frames_of_burst(c, burst, &frames, &n, err);
    if (ok && n == 0)
        ok = err_set(err, ERR_USAGE, "there is no burst %" PRId64 " in '%s'", burst, c->shown);
    ok = ok && record_all(c, frames, n, accepted ? ACCEPT : UNACCEPT, who, err);
    free(frames);
    return end_transaction(c, ok, err);
}

bool catalogue_history(struct catalogue *c, int64_t frame, catalogue_history_visit *visit, void *context,
                       struct err *err)
{
    struct sql q;
    bool ok = true;
    if (!sql_start(c, &q,
                   "SELECT decision, who, at_ns FROM decision WHERE frame = ?1"
                   " AND decision IN ('keep', 'reject', 'clear') ORDER BY id",
                   err))
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
