/* What a person says of frames: decisions, acceptance, shortlist, recall; and what was said before. */
#include <inttypes.h>
#include <string.h>

#include "act.h"

bool catalogue_decide(struct catalogue *c, const int64_t *frames, size_t n, enum catalogue_decision decision,
                      const char *who, struct err *err)
{
    struct act act;
    const char *word = decision == CATALOGUE_KEEP     ? "keep"
                       : decision == CATALOGUE_REJECT ? "reject"
                                                      : "clear";
    bool ok = true;
    if (!act_begin(&act, c, err))
        return false;
    for (size_t i = 0; ok && i < n; i++)
        ok = act_add_frame(&act, frames[i], word, "", err);
    return act_end(&act, ok, who, err);
}

bool catalogue_shortlist(struct catalogue *c, int64_t frame, bool on, const char *who, struct err *err)
{
    struct act act;
    return act_begin(&act, c, err) &&
           act_end(&act, act_add_frame(&act, frame, on ? "shortlist" : "unshortlist", "", err), who, err);
}

static bool no_burst(const struct catalogue *c, int64_t burst, struct err *err)
{
    return err_set(err, ERR_USAGE, "there is no burst %" PRId64 " in '%s'", burst, c->shown);
}

/* The word names the proposal that is agreed with, so that the acceptance holds only as long as the engine
   proposes the same. */
#define ACCEPTED                                                                                             \
    "SELECT id, identity, CASE WHEN ?2 = 0 THEN 'unaccept' WHEN proposal IN ('keep', 'reject')"              \
    " THEN 'accept-' || proposal ELSE 'accept-none' END FROM frame"

static bool accept_rows(struct act *act, const char *query, int64_t key, bool accepted, struct err *err)
{
    struct sql q;
    bool ok = true;
    if (!sql_start(act->c, &q, query, err))
        return false;
    sql_int(&q, key);
    sql_int(&q, accepted);
    while (ok && sql_row(&q, err))
        ok = act_add(act, sql_get_int(&q, 0), sql_get_text(&q, 1), sql_get_text(&q, 2), "", err);
    return sql_end(&q) && ok;
}

bool catalogue_accept(struct catalogue *c, int64_t burst, bool accepted, const char *who, struct err *err)
{
    struct act act;
    if (!act_begin(&act, c, err))
        return false;
    bool ok = accept_rows(&act, ACCEPTED " WHERE burst = ?1 AND missing = 0 ORDER BY position", burst,
                          accepted, err);
    if (ok && act.n == 0)
        ok = no_burst(c, burst, err);
    return act_end(&act, ok, who, err);
}

bool catalogue_accept_frames(struct catalogue *c, const int64_t *frames, size_t n, bool accepted,
                             const char *who, struct err *err)
{
    struct act act;
    bool ok = true;
    if (!act_begin(&act, c, err))
        return false;
    for (size_t i = 0; ok && i < n; i++)
        ok = accept_rows(&act, ACCEPTED " WHERE id = ?1", frames[i], accepted, err);
    if (ok && act.n != n)
        ok = err_set(err, ERR_USAGE, "a frame that was to be accepted is not there");
    return act_end(&act, ok, who, err);
}

/* A recalled burst is one with a recalled frame: on = its first; off = all that are. */
bool catalogue_recall(struct catalogue *c, int64_t burst, bool on, const char *who, struct err *err)
{
    static const char first[] =
        "SELECT id, identity FROM frame WHERE burst = ?1 AND missing = 0 ORDER BY position LIMIT 1";
    static const char recalled[] = "SELECT id, identity FROM frame WHERE burst = ?1 AND recalled = 1";
    struct act act;
    struct sql q;
    if (!act_begin(&act, c, err))
        return false;
    bool ok = sql_start(c, &q, on ? first : recalled, err);
    if (ok) {
        sql_int(&q, burst);
        ok = act_add_rows(&act, &q, on ? "recall" : "unrecall", err);
    }
    if (ok && on && act.n == 0)
        ok = no_burst(c, burst, err);
    return act_end(&act, ok, who, err);
}

bool catalogue_history(struct catalogue *c, int64_t frame, catalogue_history_visit *visit, void *context,
                       struct err *err)
{
    struct sql q;
    bool ok = true;
    if (!sql_start(c, &q,
                   "SELECT decision, who, at_ns, undone FROM decision WHERE frame = ?1"
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
                                                  .at_ns = sql_get_int(&q, 2),
                                                  .undone = sql_get_int(&q, 3) != 0};
        ok = visit(context, &decided, err);
    }
    return sql_end(&q) && ok;
}
