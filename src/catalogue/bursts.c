/* Writing bursts, items and choices. */
#include "sql.h"

/* What ranking found moves with a burst whose number changed because frames before it arrived or went. Only
   its stamp tells for certain whether it still holds. */
static bool put_burst(struct catalogue *c, const struct catalogue_burst *b, struct err *err)
{
    struct sql q;
    if (!sql_start(c, &q,
                   "INSERT INTO burst SELECT ?1, ?2, coalesce(o.setup, 0), ?3, ?4, coalesce(o.n_passes, 0),"
                   " coalesce(o.mode, ''), coalesce(o.perch, 0), coalesce(o.nothing_sharp, 0),"
                   " coalesce(o.stamp, '') FROM (SELECT 1) LEFT JOIN"
                   " (SELECT * FROM burst WHERE number < 0 AND start_ns IS ?3 AND body = ?2 AND n_frames = ?4"
                   "  LIMIT 1) o",
                   err))
        return false;
    sql_int(&q, b->number);
    sql_text(&q, b->body);
    if (b->has_time)
        sql_int(&q, b->start_ns);
    else
        sql_null(&q);
    sql_int(&q, b->n_frames);
    return sql_done(&q, err);
}

bool catalogue_put_bursts(struct catalogue *c, const struct catalogue_burst *bursts, size_t n,
                          struct err *err)
{
    /* The old rows step aside to negative numbers until each new one has found its own. */
    if (!sql_exec(c, "UPDATE burst SET number = -number", err))
        return false;
    for (size_t i = 0; i < n; i++)
        if (!put_burst(c, &bursts[i], err))
            return false;
    return sql_exec(c,
                    "DELETE FROM burst WHERE number < 0;"
                    "UPDATE frame SET burst = 0, position = 0 WHERE missing = 1 AND burst <> 0;",
                    err);
}

bool catalogue_set_burst_ranked(struct catalogue *c, const struct catalogue_burst *b, struct err *err)
{
    struct sql q;
    if (!sql_start(c, &q,
                   "UPDATE burst SET setup = ?1, n_passes = ?2, mode = ?3, perch = ?4, nothing_sharp = ?5, "
                   "stamp = ?6"
                   " WHERE number = ?7",
                   err))
        return false;
    sql_int(&q, b->setup);
    sql_int(&q, b->n_passes);
    sql_text(&q, b->mode);
    sql_int(&q, b->perch);
    sql_int(&q, b->nothing_sharp);
    sql_text(&q, b->stamp);
    sql_int(&q, b->number);
    return sql_done(&q, err);
}

static bool put_item(struct catalogue *c, const struct catalogue_item *i, struct err *err)
{
    struct sql q;
    if (!sql_start(c, &q,
                   "INSERT INTO item VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,?12,?13,?14,?15,?16,?17,"
                   "?18,?19,?20,?21,?22,?23,?24,?25,?26,?27,?28,?29,?30,?31)",
                   err))
        return false;
    sql_int(&q, i->frame);
    sql_int(&q, i->pass);
    sql_int(&q, i->time_ns);
    sql_int(&q, i->x_px);
    sql_int(&q, i->y_px);
    sql_int(&q, i->w_px);
    sql_int(&q, i->h_px);
    sql_int(&q, i->flags);
    sql_real(&q, i->score);
    sql_real(&q, i->blur_px);
    sql_real(&q, i->blur_low_px);
    sql_real(&q, i->blur_high_px);
    sql_real(&q, i->p_sharp);
    sql_real(&q, i->laplacian_variance);
    sql_real(&q, i->tenengrad);
    sql_real(&q, i->area_cells);
    sql_blob(&q, i->outline, sizeof i->outline);
    for (int k = 0; k < CATALOGUE_PARTS; k++)
        sql_real(&q, i->part[k]);
    return sql_done(&q, err);
}

bool catalogue_put_items(struct catalogue *c, int64_t burst, const struct catalogue_item *items, size_t n,
                         struct err *err)
{
    struct sql q;
    if (!sql_start(c, &q, "DELETE FROM item WHERE frame IN (SELECT id FROM frame WHERE burst = ?1)", err))
        return false;
    sql_int(&q, burst);
    bool ok = sql_done(&q, err);
    for (size_t i = 0; ok && i < n; i++)
        ok = put_item(c, &items[i], err);
    return ok;
}

bool catalogue_put_choice(struct catalogue *c, const struct catalogue_choice *choice, struct err *err)
{
    struct sql q;
    if (!sql_start(c, &q, "UPDATE frame SET pass = ?1, rank = ?2, proposal = ?3, reason = ?4 WHERE id = ?5",
                   err))
        return false;
    sql_int(&q, choice->pass);
    sql_int(&q, choice->rank);
    sql_text(&q, choice->proposal);
    sql_text(&q, choice->reason);
    sql_int(&q, choice->frame);
    return sql_done(&q, err);
}
