/* The whole night's work: copy and measure meanwhile, rank, contact sheet, and one line that tells how it
 * went. */
#include <stdio.h>
#include <stdlib.h>

#include "awake.h"
#include "chaffinch/card.h"
#include "chaffinch/report.h"
#include "chaffinch/session.h"
#include "cli.h"
#include "card_words.h"
#include "rank_options.h"

struct night {
    struct cli *cli;
    struct session *session;
    struct card_report card;
    struct session_measured along, measured; /* while copying, and the rest */
    struct session_ranked ranked;
    struct catalogue_counts counts;
    struct session_rank_options how;
    bool fast;   /* measures only what finds the sharpest frames */
    char *sheet; /* where the contact sheet is */
    int status;  /* the worst so far */
};

static void note_status(struct night *n, int status)
{
    if (status > n->status)
        n->status = status;
}

/* True when the rest of the night can go on: also after single files failed (status 1). */
static bool take_in(struct night *n, struct card_set *set, const struct card_options *options)
{
    struct err err = ERR_INIT;
    bool ok = session_ingest(n->session, n->cli->workers, set, options, n->fast, &n->card, &n->along, &err);
    if (!ok) {
        n->card.interrupted = true;
        log_err(n->cli->log, &err);
    }
    if (n->card.card_seen)
        card_words_tell(n->cli, &n->card);
    note_status(n, card_exit_status(&n->card, ok ? NULL : &err));
    return ok;
}

static bool judge(struct night *n)
{
    struct err err = ERR_INIT;
    const struct session_measure_options options = {.fast = n->fast};
    struct session *s = n->session;
    bool ok = session_measure(s, n->cli->workers, &options, &n->measured, &err) &&
              session_rank(s, &n->how, &n->ranked, &err) &&
              report_sheet_write(s, n->cli->workers, NULL, &n->sheet, &err) &&
              catalogue_count(s->catalogue, &n->counts, &err);
    if (!ok)
        note_status(n, cli_fail(n->cli, &err));
    else if (n->measured.failed + n->along.failed > 0)
        note_status(n, 1);
    return ok;
}

/* Bursts, passes, kept, for your eyes, failed, card verdict: on one line. */
static void print_line(struct night *n)
{
    char a[32], b[32], c[32], d[32], e[32], f[32];
    struct str verdict = STR_INIT;
    card_verdict(&n->card, &verdict);
    (void)printf("%s burst%s, %s pass%s: keep %s, reject %s, for your eyes %s, failed %s; card: %s\n",
                 log_count(n->counts.bursts, a), n->counts.bursts == 1 ? "" : "s",
                 log_count(n->counts.passes, b), n->counts.passes == 1 ? "" : "es",
                 log_count(n->counts.kept, c), log_count(n->counts.rejected, d), log_count(n->counts.none, e),
                 log_count(n->card.n_trouble + n->along.failed + n->measured.failed, f),
                 verdict.failed ? "?" : verdict.bytes);
    str_release(&verdict);
}

/* Frees the card, or not, also where judging failed: the copy stands for itself. */
static void print_verdict(const struct night *n)
{
    struct str verdict = STR_INIT;
    card_verdict(&n->card, &verdict);
    (void)printf("card: %s\n", verdict.failed ? "?" : verdict.bytes);
    str_release(&verdict);
}

static int spend_night(struct cli *cli, struct card_set *set, const char *path,
                       const struct card_options *options, bool fast, const struct session_rank_options *how)
{
    struct err err = ERR_INIT;
    struct awake awake;
    char word[1200];
    struct night n = {.cli = cli, .card = CARD_REPORT_INIT, .fast = fast, .how = *how};
    n.session = session_open(cli->fs, path, SESSION_CREATE, cli->log, cli->stop, &err);
    if (n.session == NULL)
        return cli_fail(cli, &err);
    awake_start(&awake, cli->log);
    bool copied = take_in(&n, set, options);
    if (copied && judge(&n)) {
        (void)printf("contact sheet: %s\n", n.sheet);
        (void)printf("next: look at it, then type 'chaffinch-apply %s' to see what would be moved\n",
                     err_word(word, sizeof word, path));
        print_line(&n);
    } else if (copied)
        print_verdict(&n);
    awake_end(&awake);
    session_close(n.session);
    card_report_release(&n.card);
    free(n.sheet);
    return cli_finish(cli, n.status);
}

int cmd_run(struct cli *cli, int argc, char **argv)
{
    struct card_options options = CARD_OPTIONS_INIT;
    struct session_rank_options how = SESSION_RANK_OPTIONS_INIT;
    uint32_t jobs = 0;
    bool fast = false;
    struct option_spec table[5 + RANK_OPTIONS] = {
        {"second", OPTION_TEXT, &options.second, "DIR",
         "write and verify a second copy there, in the same read", 0, 0},
        {"label", OPTION_TEXT, &options.label, "TEXT", "what you call the card", 0, 0},
        {"one-is-enough", OPTION_FLAG, &options.one_is_enough, NULL,
         "one verified copy is enough to format the card", 0, 0},
        {"fast", OPTION_FLAG, &fast, NULL,
         "measure only what finds the sharpest frames; the rest stays not scored", 0, 0},
        {"jobs", OPTION_COUNT, &jobs, "N", "worker processes (default: one per processor)", 1, 256},
    };
    rank_options_fill(table + 5, &how);
    const struct command_spec spec = {
        "chaffinch run",
        "CARD... SESSION [--second DIR] [--label TEXT] [--one-is-enough] [--fast] [--jobs "
        "N] " RANK_OPTIONS_SYNOPSIS,
        "Copies the card into SESSION, measures and ranks its frames and writes the contact sheet. The\n"
        "computer is kept awake where the system offers that. A run that was interrupted goes on where\n"
        "it stopped: type the same command again.",
        table,
        sizeof table / sizeof table[0],
        2,
        17};
    struct options_arguments arguments;
    const char *session;
    int status;
    if (!cli_parse(cli, &spec, argc, argv, &arguments, &status))
        return status;
    options.measures = true;
    /* While a card is copied the workers measure: this one is there for a copy that asks what a picture
     * tells. */
    const struct worker_config one = {.handler = session_worker, .workers = 1};
    struct err err = ERR_INIT;
    struct worker_pool *asked = worker_pool_start(&one, &err);
    if (asked == NULL)
        return cli_fail(cli, &err);
    struct card_set *set = card_words_open(cli, &arguments, &options, &session, &status);
    if (set != NULL) {
        options.same_context = asked;
        status = spend_night(cli, set, session, &options, fast, &how);
    }
    card_close(set);
    worker_pool_stop(asked);
    return status;
}
