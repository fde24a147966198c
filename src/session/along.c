#include "along.h"

#include <stdlib.h>

#include "aside.h"
#include "ranking.h"

enum { MOST_ROUNDS = 40 /* each frame is asked for once, and decoded again twice: they end long before */ };

/* What is known of a burst while the session is measured. */
struct waiting {
    uint32_t frames; /* that are still to be measured */
    uint8_t rounds;  /* in which more of it was asked for */
    uint8_t larger;  /* of these, larger parts */
};

struct along {
    struct ranking ranking;
    struct along_check check;
    bool threaded;
    struct waiting *waiting; /* by burst - 1 */
    uint32_t *queue;         /* ring of bursts, as many as there are */
    size_t first, queued;
    /* The burst under way: the aside's alone while it is busy. */
    struct aside aside;
    struct ranking_burst burst;
    struct parts_again again;
    struct frame_ids tops; /* with --fast */
    bool larger;
    uint64_t left; /* bursts that are left to session_rank */
};

struct along *along_start(struct session *s, const struct along_check *check, bool threaded, struct err *err)
{
    const struct session_rank_options as_last_time = {0};
    struct along *a = calloc(1, sizeof *a);
    if (a == NULL) {
        err_nomem(err);
        return NULL;
    }
    a->ranking.s = s;
    a->check = *check;
    a->threaded = threaded;
    bool ok = choosing_how(s, &as_last_time, &a->ranking.how, err) &&
              burst_rows_load(s, &a->ranking.rows, err) && ignored_load(s, &a->ranking.ignored, err);
    if (ok) {
        a->waiting = calloc(a->ranking.rows.n + 1, sizeof *a->waiting);
        a->queue = calloc(a->ranking.rows.n + 1, sizeof *a->queue);
        ok = (a->waiting != NULL && a->queue != NULL) || err_nomem(err);
    }
    if (ok)
        return a;
    along_end(a);
    return NULL;
}

static bool is_known(const struct along *a, int64_t burst)
{
    return burst >= 1 && (uint64_t)burst <= a->ranking.rows.n;
}

void along_wait(struct along *a, int64_t burst)
{
    if (is_known(a, burst))
        a->waiting[burst - 1].frames++;
}

bool along_measured(struct along *a, int64_t burst)
{
    return is_known(a, burst) && a->waiting[burst - 1].frames > 0 && --a->waiting[burst - 1].frames == 0;
}

void along_queue(struct along *a, int64_t burst)
{
    if (is_known(a, burst) && a->queued < a->ranking.rows.n)
        a->queue[(a->first + a->queued++) % a->ranking.rows.n] = (uint32_t)burst;
}

void along_begin(struct along *a)
{
    for (size_t i = 0; i < a->ranking.rows.n; i++)
        if (a->waiting[i].frames == 0)
            along_queue(a, (int64_t)i + 1);
}

uint64_t along_left(const struct along *a)
{
    return a->left;
}

bool along_is_idle(const struct along *a)
{
    return !a->aside.busy && a->queued == 0;
}

/* In the aside: is all there that the burst needs? Then its subjects and scores. */
static bool find(void *context, struct err *err)
{
    struct along *a = context;
    const struct waiting *w = &a->waiting[a->burst.row->burst.number - 1];
    const struct scoring_check check = {.as_whole = w->larger > 0, .again = &a->again};
    bool checked = a->check.wanted && w->rounds < MOST_ROUNDS;
    if (checked && a->check.plan != NULL) {
        if (!fast_next(a->ranking.s, a->check.plan, a->burst.row->burst.number, &a->burst.members, &a->again,
                       &a->tops, err))
            return false;
        if (a->again.n > 0)
            return true;
        a->again.among = &a->tops;
    }
    a->larger = true;
    return ranking_find(&a->ranking, &a->burst, checked ? &check : NULL, err);
}

static void forget(struct along *a)
{
    ranking_burst_release(&a->burst);
    parts_again_release(&a->again);
    frame_ids_release(&a->tops);
    a->larger = false;
}

/* Stored cells that cannot be read cost their burst the ranking for now, and no other burst anything. */
static bool leave_to_rank(struct along *a, const struct err *trouble, struct err *err)
{
    if (trouble->code == ERR_USAGE) {
        a->left++;
        log_err(a->ranking.s->log, trouble);
        return true;
    }
    if (err != NULL)
        *err = *trouble;
    return false;
}

static bool keep(struct along *a, struct err *err)
{
    struct err trouble = ERR_INIT;
    bool ok = aside_end(&a->aside, &trouble);
    if (ok && a->again.n > 0) {
        struct waiting *w = &a->waiting[a->burst.row->burst.number - 1];
        w->rounds++;
        w->larger = (uint8_t)(w->larger + a->larger);
        ok = a->check.measure(a->check.context, &a->again, a->larger, &trouble);
    } else if (ok)
        ok = ranking_keep(&a->ranking, &a->burst, &trouble);
    forget(a);
    return ok || leave_to_rank(a, &trouble, err);
}

static bool begin_next(struct along *a, struct err *err)
{
    struct err trouble = ERR_INIT;
    bool changed = false;
    uint32_t burst = a->queue[a->first];
    a->first = (a->first + 1) % a->ranking.rows.n;
    a->queued--;
    bool ok = ranking_begin(&a->ranking, &a->ranking.rows.row[burst - 1], &a->burst, &changed, &trouble);
    if (ok && changed)
        aside_begin(&a->aside, find, a, a->threaded);
    else
        forget(a);
    return ok || leave_to_rank(a, &trouble, err);
}

bool along_turn(struct along *a, bool wait, struct err *err)
{
    const volatile int *stop = a->ranking.s->stop;
    if (a->aside.busy && !wait && !aside_is_done(&a->aside))
        return true;
    if (a->aside.busy && !keep(a, err))
        return false;
    /* After a stop the next run does it. */
    while (!a->aside.busy && a->queued > 0 && (stop == NULL || *stop == 0))
        if (!begin_next(a, err))
            return false;
    return true;
}

void along_end(struct along *a)
{
    if (a == NULL)
        return;
    if (a->aside.busy)
        (void)aside_end(&a->aside, NULL);
    forget(a);
    burst_rows_release(&a->ranking.rows);
    ignored_release(&a->ranking.ignored);
    free(a->waiting);
    free(a->queue);
    free(a);
}
