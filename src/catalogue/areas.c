/* Areas of a set-up that a person drew. Each hangs on a frame, since numbers of set-ups change. */
#include <inttypes.h>
#include <math.h>
#include <stdio.h>

#include "act.h"

/* The frame that stands for the set-up, 0 = there is none. */
static bool find_anchor(struct catalogue *c, int64_t setup, int64_t *frame, struct err *err)
{
    struct sql q;
    *frame = 0;
    if (!sql_start(c, &q,
                   "SELECT f.id FROM burst b JOIN frame f ON f.burst = b.number AND f.missing = 0"
                   " WHERE b.setup = ?1 ORDER BY b.number, f.position LIMIT 1",
                   err))
        return false;
    sql_int(&q, setup);
    if (sql_row(&q, err))
        *frame = sql_get_int(&q, 0);
    return sql_end(&q) &&
           (*frame > 0 || err_set(err, ERR_USAGE, "there is no set-up %" PRId64 " in '%s'", setup, c->shown));
}

static bool is_share(double at, double size)
{
    return at >= 0 && size > 0 && at + size <= 1 + 1e-6; /* false where either is not a number */
}

static bool newest_area(struct catalogue *c, int64_t *id, struct err *err)
{
    struct sql q;
    if (!sql_start(c, &q, "SELECT max(id) FROM area", err))
        return false;
    if (sql_row(&q, err))
        *id = sql_get_int(&q, 0);
    return sql_end(&q);
}

bool catalogue_add_area(struct catalogue *c, const struct catalogue_area *area, const char *who, int64_t *id,
                        struct err *err)
{
    struct act act;
    int64_t anchor;
    char shares[ACT_DETAIL_SIZE];
    if (!is_share(area->x, area->w) || !is_share(area->y, area->h))
        return err_set(err, ERR_USAGE,
                       "an area lies within the picture: x, y, w and h are shares from 0 to 1");
    (void)snprintf(shares, sizeof shares, "%.6f %.6f %.6f %.6f", area->x, area->y, area->w, area->h);
    if (!act_begin(&act, c, err))
        return false;
    bool ok = find_anchor(c, area->setup, &anchor, err) &&
              act_add_frame(&act, anchor, area->keep_out ? "keep-out" : "ignore", shares, err);
    return act_end(&act, ok, who, err) && newest_area(c, id, err);
}

bool catalogue_remove_area(struct catalogue *c, int64_t id, const char *who, struct err *err)
{
    struct act act;
    struct sql q;
    if (!act_begin(&act, c, err))
        return false;
    bool ok = sql_start(c, &q,
                        "SELECT f.id, f.identity, a.made FROM area a JOIN frame f ON f.id = a.frame"
                        " WHERE a.id = ?1 AND a.removed = 0",
                        err);
    if (ok) {
        sql_int(&q, id);
        if (sql_row(&q, err))
            ok = act_add(&act, sql_get_int(&q, 0), sql_get_text(&q, 1), "remove-area", sql_get_text(&q, 2),
                         err);
        ok = sql_end(&q) && ok;
    }
    if (ok && act.n == 0)
        ok = err_set(err, ERR_USAGE, "there is no area %" PRId64, id);
    return act_end(&act, ok, who, err);
}

bool catalogue_each_area(struct catalogue *c, catalogue_area_visit *visit, void *context, struct err *err)
{
    struct sql q;
    bool ok = true;
    if (!sql_start(c, &q,
                   "SELECT a.id, b.setup, a.kind = 'keep-out', a.x, a.y, a.w, a.h FROM area a"
                   " JOIN frame f ON f.id = a.frame JOIN burst b ON b.number = f.burst"
                   " WHERE a.removed = 0 AND b.setup > 0 ORDER BY b.setup, a.id",
                   err))
        return false;
    while (ok && sql_row(&q, err)) {
        const struct catalogue_area area = {.id = sql_get_int(&q, 0),
                                            .setup = sql_get_int(&q, 1),
                                            .keep_out = sql_get_int(&q, 2) != 0,
                                            .x = sql_get_real(&q, 3),
                                            .y = sql_get_real(&q, 4),
                                            .w = sql_get_real(&q, 5),
                                            .h = sql_get_real(&q, 6)};
        ok = visit(context, &area, err);
    }
    return sql_end(&q) && ok;
}
