/* Ranking a session: subjects and scores where cells changed, the choice everywhere. */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/session.h"
#include "choosing.h"
#include "scoring.h"
#include "setups.h"

static bool count_burst(void *context, const struct catalogue_burst *burst, struct err *err)
{
    uint64_t *n = context;
    (void)burst;
    (void)err;
    ++*n;
    return true;
}

struct burst_copy {
    struct catalogue_burst burst;
    int64_t wanted;
    bool found;
    char mode[16], stamp[40], body[512];
};

static bool copy_burst(void *context, const struct catalogue_burst *burst, struct err *err)
{
    struct burst_copy *copy = context;
    (void)err;
    if (burst->number != copy->wanted)
        return true;
    copy->burst = *burst;
    copy->found = true;
    (void)snprintf(copy->mode, sizeof copy->mode, "%s", burst->mode);
    (void)snprintf(copy->stamp, sizeof copy->stamp, "%s", burst->stamp);
    (void)snprintf(copy->body, sizeof copy->body, "%s", burst->body);
    copy->burst.mode = copy->mode;
    copy->burst.stamp = copy->stamp;
    copy->burst.body = copy->body;
    return true;
}

static uint32_t passes_of(const struct rank_item *items, size_t n)
{
    uint32_t most = 0;
    for (size_t i = 0; i < n; i++)
        if (items[i].pass > most)
            most = items[i].pass;
    return most;
}

/* Makes the summaries of a burst and writes them. On success *items (caller frees) holds them. */
static bool score_burst(struct session *s, struct burst_copy *copy, const struct members *members,
                        const char *stamp, struct rank_item **items, size_t *n, struct err *err)
{
    struct burst_scores scores = {0};
    struct catalogue_item *rows = NULL;
    bool ok = scoring_run(s, members, &scores, err) && setups_keep_background(s, stamp, &scores, err);
    if (ok) {
        rows = calloc(scores.n + 1, sizeof *rows);
        ok = rows != NULL || err_nomem(err);
    }
    for (size_t i = 0; ok && i < scores.n; i++)
        choosing_item_to_row(&scores.item[i], members, &rows[i]);
    if (ok) {
        (void)snprintf(copy->mode, sizeof copy->mode, "%s", choosing_mode_token(scores.mode));
        (void)snprintf(copy->stamp, sizeof copy->stamp, "%s", stamp);
        copy->burst.perch = scores.perch;
        *items = scores.item;
        *n = scores.n;
        scores.item = NULL;
        ok = catalogue_begin(s->catalogue, err) &&
             catalogue_put_items(s->catalogue, copy->wanted, rows, *n, err);
    }
    free(rows);
    burst_scores_release(&scores);
    return ok;
}

static bool rank_burst(struct session *s, int64_t number, uint32_t keep, bool choose_only,
                       struct session_ranked *totals, struct err *err)
{
    struct burst_copy copy = {.wanted = number};
    struct members members = {0};
    struct rank_item *items = NULL;
    size_t n = 0;
    char stamp[33];
    bool nothing_sharp = false;
    bool ok = catalogue_each_burst(s->catalogue, copy_burst, &copy, err);
    if (ok && !copy.found)
        ok = err_set(err, ERR_USAGE, "there is no burst %" PRId64 ": 'chaffinch list %s' shows them", number,
                     s->root.path);
    ok = ok && members_load(s, number, &members, err);
    if (ok) {
        members_stamp(&members, stamp);
        /* What a person accepted is not judged again: its rejects may be deleted by now, and a thinner burst
         * would look different. */
        if (choose_only || members_settled(&members) || strcmp(stamp, copy.stamp) == 0)
            ok = choosing_load_items(s, number, &members, &items, &n, err) &&
                 catalogue_begin(s->catalogue, err);
        else
            ok = score_burst(s, &copy, &members, stamp, &items, &n, err);
    }
    const struct rank_burst burst = {.mode = choosing_mode_of_token(copy.mode), .perch = copy.burst.perch};
    ok = ok && choosing_run(s, &members, &burst, items, n, keep, totals, &nothing_sharp, err);
    if (ok) {
        copy.burst.n_passes = passes_of(items, n);
        if (!members_settled(&members))
            copy.burst.nothing_sharp = nothing_sharp;
        totals->bursts++;
        totals->passes += copy.burst.n_passes;
    }
    ok = ok && catalogue_set_burst_ranked(s->catalogue, &copy.burst, err) &&
         catalogue_commit(s->catalogue, err);
    if (!ok)
        catalogue_rollback(s->catalogue);
    members_release(&members);
    free(items);
    return ok;
}

bool session_rank(struct session *s, uint32_t keep, struct session_ranked *totals, struct err *err)
{
    uint64_t n = 0;
    *totals = (struct session_ranked){0};
    if (!choosing_keep(s, keep, &keep, err) || !catalogue_each_burst(s->catalogue, count_burst, &n, err))
        return false;
    if (n == 0) {
        char safe[400], word[400];
        return err_set(err, ERR_USAGE, "'%s' is not measured yet: type 'chaffinch measure %s' first",
                       err_escape(safe, sizeof safe, s->root.path),
                       err_word(word, sizeof word, s->root.path));
    }
    log_progress_start(s->log, "ranking", n, "bursts", 0);
    bool ok = true;
    for (uint64_t b = 1; ok && b <= n; b++) {
        if (s->stop != NULL && *s->stop != 0)
            ok = err_set(err, ERR_INTERRUPTED,
                         "interrupted: the bursts ranked so far are kept, the same command goes on "
                         "from there");
        ok = ok && rank_burst(s, (int64_t)b, keep, false, totals, err);
        log_progress_step(s->log, 1, 0);
    }
    log_progress_end(s->log);
    return ok && setups_number(s, err);
}

bool session_choose_burst(struct session *s, int64_t burst, uint32_t keep, struct err *err)
{
    struct session_ranked totals = {0};
    return choosing_keep(s, keep, &keep, err) && rank_burst(s, burst, keep, true, &totals, err);
}
