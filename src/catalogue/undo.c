/* Taking back acts, last first. What an act said is marked as undone, never removed; what holds is then what
 * the records before it said. */
#include <stdio.h>

#include "act.h"

static bool last_act(struct catalogue *c, const char *who, struct catalogue_act *last, struct err *err)
{
    struct sql q;
    if (!sql_start(c, &q,
                   "SELECT at_ns, decision FROM decision WHERE who = ?1 AND undone = 0 AND decision <> 'undo'"
                   " ORDER BY at_ns DESC, id DESC LIMIT 1",
                   err))
        return false;
    sql_text(&q, who);
    if (sql_row(&q, err)) {
        last->at_ns = sql_get_int(&q, 0);
        (void)snprintf(last->word, sizeof last->word, "%s", sql_get_text(&q, 1));
    }
    return sql_end(&q);
}

/* Its records of frames that are there, and of those that are waited for. */
static bool take_back(struct act *act, const char *who, const struct catalogue_act *last, struct err *err)
{
    struct sql q;
    char at[INSTANT_SIZE];
    bool ok = true;
    if (!sql_start(act->c, &q,
                   "SELECT DISTINCT f.id, f.identity FROM decision d JOIN frame f ON f.id = d.frame"
                   " WHERE d.at_ns = ?1 AND d.who = ?2 AND d.decision <> 'undo'"
                   " UNION SELECT 0, identity FROM pending WHERE at_ns = ?1 AND who = ?2"
                   " AND decision <> 'undo'",
                   err))
        return false;
    sql_int(&q, last->at_ns);
    sql_text(&q, who);
    while (ok && sql_row(&q, err))
        ok =
            act_add(act, sql_get_int(&q, 0), sql_get_text(&q, 1), "undo", instant_text(last->at_ns, at), err);
    return sql_end(&q) && ok;
}

bool catalogue_undo(struct catalogue *c, const char *who, struct catalogue_act *undone, struct err *err)
{
    struct act act;
    *undone = (struct catalogue_act){0};
    if (!act_begin(&act, c, err))
        return false;
    bool ok = last_act(c, who, undone, err) && (undone->word[0] == '\0' || take_back(&act, who, undone, err));
    undone->n = act.n;
    undone->undo_ns = act.at_ns;
    return act_end(&act, ok, who, err);
}

bool catalogue_each_undone(struct catalogue *c, const struct catalogue_act *undone,
                           catalogue_frame_visit *visit, void *context, struct err *err)
{
    struct sql q;
    bool ok = true;
    if (!sql_start(c, &q, "SELECT frame FROM decision WHERE at_ns = ?1 AND decision = 'undo' ORDER BY id",
                   err))
        return false;
    sql_int(&q, undone->undo_ns);
    while (ok && sql_row(&q, err))
        ok = visit(context, sql_get_int(&q, 0), err);
    return sql_end(&q) && ok;
}
