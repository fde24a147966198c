/*
 * Ranking a session. First subjects and scores where cells changed, burst by burst, each kept as soon as it
 * is made, since that is what takes long. Then the choice everywhere, from summaries alone.
 */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "ranking.h"
#include "setups.h"

/* Bursts whose choices go into one transaction: a person may decide meanwhile, and waits for its end. */
enum { BATCH = 64 };

static uint32_t passes_of(const struct rank_item *items, size_t n)
{
    uint32_t most = 0;
    for (size_t i = 0; i < n; i++)
        if (items[i].pass > most)
            most = items[i].pass;
    return most;
}

/* Writes the summaries of a burst; the caller ends the transaction. */
static bool write_items(struct ranking *r, struct ranking_burst *b, struct err *err)
{
    struct session *s = r->s;
    struct catalogue_item *out = calloc(b->scores.n + 1, sizeof *out);
    bool ok = setups_keep_background(s, b->stamp, &b->scores, err) && (out != NULL || err_nomem(err));
    for (size_t i = 0; ok && i < b->scores.n; i++)
        choosing_item_to_row(&b->scores.item[i], &b->members, &out[i]);
    ok = ok && burst_row_set_stamp(b->row, b->stamp, err);
    if (ok) {
        b->row->burst.mode = choosing_mode_token(b->scores.mode);
        b->row->burst.perch = b->scores.perch;
        ok = catalogue_begin(s->catalogue, err) &&
             catalogue_put_items(s->catalogue, b->row->burst.number, out, b->scores.n, err);
    }
    free(out);
    return ok;
}

/* Chooses for a burst whose items are at hand, and writes what the burst is now. */
static bool choose(struct ranking *r, struct burst_row *row, const struct members *members,
                   const struct rank_item *items, size_t n, struct total *total, struct err *err)
{
    const struct rank_burst burst = {.mode = choosing_mode_of_token(row->burst.mode),
                                     .perch = row->burst.perch};
    bool nothing_sharp = false;
    struct catalogue_burst before = row->burst;
    if (!choosing_run(r->s, members, &burst, items, n, &r->how, total, &r->totals, &nothing_sharp, err))
        return false;
    if (total != NULL && !total->closed)
        return true;
    row->burst.n_passes = passes_of(items, n);
    if (!members_settled(members))
        row->burst.nothing_sharp = nothing_sharp;
    r->totals.bursts++;
    r->totals.passes += row->burst.n_passes;
    return (before.n_passes == row->burst.n_passes && before.nothing_sharp == row->burst.nothing_sharp) ||
           catalogue_set_burst_ranked(r->s->catalogue, &row->burst, err);
}

bool ranking_begin(struct ranking *r, struct burst_row *row, struct ranking_burst *burst, bool *changed,
                   struct err *err)
{
    struct session *s = r->s;
    *burst = (struct ranking_burst){.row = row};
    if (!members_load(s, row->burst.number, &burst->members, err))
        return false;
    members_stamp(&burst->members, &r->ignored, row->burst.setup, burst->stamp);
    *changed = strcmp(burst->stamp, row->burst.stamp) != 0;
    if (*changed && row->burst.mode[0] != '\0' && members_thinned(s, &burst->members))
        *changed = false;
    *changed = *changed && !members_settled(&burst->members);
    return true;
}

bool ranking_find(const struct ranking *r, struct ranking_burst *burst, const struct scoring_check *check,
                  struct err *err)
{
    return scoring_run(r->s, &burst->members, &r->ignored, burst->row->burst.setup, check, &burst->scores,
                       err);
}

bool ranking_keep(struct ranking *r, struct ranking_burst *b, struct err *err)
{
    struct catalogue *c = r->s->catalogue;
    r->scored++;
    bool ok = write_items(r, b, err) &&
              choose(r, b->row, &b->members, b->scores.item, b->scores.n, NULL, err) &&
              catalogue_set_burst_ranked(c, &b->row->burst, err) && catalogue_commit(c, err);
    if (!ok)
        catalogue_rollback(c);
    return ok;
}

void ranking_burst_release(struct ranking_burst *burst)
{
    members_release(&burst->members);
    burst_scores_release(&burst->scores);
    *burst = (struct ranking_burst){0};
}

static bool score_where_changed(struct ranking *r, struct burst_row *row, struct err *err)
{
    struct ranking_burst burst;
    bool changed = false;
    bool ok = ranking_begin(r, row, &burst, &changed, err) &&
              (!changed || (ranking_find(r, &burst, NULL, err) && ranking_keep(r, &burst, err)));
    ranking_burst_release(&burst);
    return ok;
}

static bool choose_from_summaries(struct ranking *r, struct burst_row *row, struct total *total,
                                  struct err *err)
{
    struct members members = {0};
    struct rank_item *items = NULL;
    size_t n = 0;
    bool ok = members_load(r->s, row->burst.number, &members, err) &&
              choosing_load_items(r->s, row->burst.number, &members, &items, &n, err) &&
              choose(r, row, &members, items, n, total, err);
    members_release(&members);
    free(items);
    return ok;
}

static bool choose_batch(struct ranking *r, size_t from, struct total *total, struct err *err)
{
    bool ok = catalogue_begin(r->s->catalogue, err);
    for (size_t i = from; ok && i < r->rows.n && i < from + BATCH; i++)
        ok = choose_from_summaries(r, &r->rows.row[i], total, err);
    ok = ok && catalogue_commit(r->s->catalogue, err);
    if (!ok)
        catalogue_rollback(r->s->catalogue);
    return ok;
}

static bool choose_all(struct ranking *r, struct err *err)
{
    struct total total = {0};
    bool ok = true, limited = r->how.keep_total > 0;
    for (size_t i = 0; ok && limited && i < r->rows.n; i++)
        ok = choose_from_summaries(r, &r->rows.row[i], &total, err);
    ok = ok && (!limited || total_close(&total, r->how.keep_total, err));
    r->totals = (struct session_ranked){0};
    for (size_t from = 0; ok && from < r->rows.n; from += BATCH)
        ok = choose_batch(r, from, limited ? &total : NULL, err);
    total_release(&total);
    return ok;
}

static bool score_all(struct ranking *r, struct err *err)
{
    struct session *s = r->s;
    bool ok = true;
    log_progress_start(s->log, "ranking", r->rows.n, "bursts", 0);
    for (size_t i = 0; ok && i < r->rows.n; i++) {
        if (s->stop != NULL && *s->stop != 0)
            ok = err_set(err, ERR_INTERRUPTED,
                         "interrupted: the bursts ranked so far are kept, the same command goes on "
                         "from there");
        ok = ok && score_where_changed(r, &r->rows.row[i], err);
        log_progress_step(s->log, 1, 0);
    }
    log_progress_end(s->log);
    return ok;
}

/* Once through everything. What a burst ignores depends on its set-up, which is known after its ranking only.
 */
static bool rank_once(struct ranking *r, struct err *err)
{
    struct session *s = r->s;
    r->scored = 0;
    bool ok = burst_rows_load(s, &r->rows, err) && ignored_load(s, &r->ignored, err);
    if (ok && r->rows.n == 0) {
        char safe[400], word[400];
        ok = err_set(err, ERR_USAGE, "'%s' is not measured yet: type 'chaffinch measure %s' first",
                     err_escape(safe, sizeof safe, s->root.path), err_word(word, sizeof word, s->root.path));
    }
    ok = ok && score_all(r, err) && choose_all(r, err) && setups_number(s, err);
    burst_rows_release(&r->rows);
    return ok;
}

bool session_rank(struct session *s, const struct session_rank_options *options,
                  struct session_ranked *totals, struct err *err)
{
    struct ranking r = {.s = s};
    *totals = (struct session_ranked){0};
    bool ok = choosing_how(s, options, &r.how, err), again = ok;
    for (int round = 0; again && round < 3; round++) {
        ok = rank_once(&r, err);
        again = ok && r.ignored.n > 0 && r.scored > 0;
        ignored_release(&r.ignored);
    }
    *totals = r.totals;
    return ok;
}

struct others {
    int64_t burst;
    uint64_t kept;
};

static bool count_kept(void *context, const struct catalogue_row *row, struct err *err)
{
    struct others *others = context;
    (void)err;
    others->kept += row->frame.burst != others->burst && strcmp(row->choice.proposal, "keep") == 0;
    return true;
}

/* Finds the frames of the burst for which the others leave no room. */
static bool share_total(struct ranking *r, struct burst_row *row, struct total *total, struct err *err)
{
    const struct catalogue_filter all = {0};
    struct others others = {.burst = row->burst.number};
    if (!catalogue_each_row(r->s->catalogue, &all, count_kept, &others, err) ||
        !choose_from_summaries(r, row, total, err))
        return false;
    uint64_t most = r->how.keep_total > others.kept ? r->how.keep_total - others.kept : 0;
    return total_close(total, most, err);
}

bool session_choose_burst(struct session *s, int64_t burst, const struct session_rank_options *options,
                          struct err *err)
{
    struct ranking r = {.s = s};
    struct total total = {0};
    if (!choosing_how(s, options, &r.how, err) || !burst_rows_load(s, &r.rows, err))
        return false;
    bool ok = burst >= 1 && (uint64_t)burst <= r.rows.n, limited = r.how.keep_total > 0;
    if (!ok)
        err_set(err, ERR_USAGE, "there is no burst %" PRId64 ": 'chaffinch list %s' shows them", burst,
                s->root.path);
    struct burst_row *row = ok ? &r.rows.row[burst - 1] : NULL;
    ok = ok && (!limited || share_total(&r, row, &total, err)) && catalogue_begin(s->catalogue, err);
    if (ok) {
        ok = choose_from_summaries(&r, row, limited ? &total : NULL, err) &&
             catalogue_commit(s->catalogue, err);
        if (!ok)
            catalogue_rollback(s->catalogue);
    }
    total_release(&total);
    burst_rows_release(&r.rows);
    return ok;
}
