#include <stdio.h>

#include "chaffinch/session.h"
#include "cli.h"
#include "rank_options.h"

/* What list would count: decisions are in it. */
static void print_ranked(const struct session_ranked *r, const struct catalogue_counts *n)
{
    char a[32], b[32], c[32], d[32], e[32];
    (void)printf("%s burst%s, %s pass%s: keep %s, reject %s, for your eyes %s\n", log_count(n->bursts, a),
                 n->bursts == 1 ? "" : "s", log_count(n->passes, b), n->passes == 1 ? "" : "es",
                 log_count(n->kept, c), log_count(n->rejected, d), log_count(n->none, e));
    if (r->nothing_sharp > 0)
        (void)printf("%s burst%s nothing sharp\n", log_count(r->nothing_sharp, a),
                     r->nothing_sharp == 1 ? " holds" : "s hold");
}

int cmd_rank(struct cli *cli, int argc, char **argv)
{
    struct session_rank_options how = SESSION_RANK_OPTIONS_INIT;
    struct option_spec table[RANK_OPTIONS];
    rank_options_fill(table, &how);
    const struct command_spec spec = {
        "chaffinch rank",
        "SESSION " RANK_OPTIONS_SYNOPSIS,
        "Finds the moving subject of each burst, scores its sharpness and proposes keep or reject. What "
        "cannot\n"
        "be judged is left for your eyes. Decisions of a person are never touched.\n"
        "Options are remembered with the session: without them it is chosen as last time.",
        table,
        RANK_OPTIONS,
        1,
        1};
    struct options_arguments arguments;
    struct session_ranked totals = {0};
    struct catalogue_counts counts = {0};
    struct err err = ERR_INIT;
    int status;
    if (!cli_parse(cli, &spec, argc, argv, &arguments, &status))
        return status;
    struct session *s = session_open(cli->fs, arguments.arg[0], SESSION_WRITE, cli->log, cli->stop, &err);
    if (s == NULL)
        return cli_fail(cli, &err);
    bool ok = session_rank(s, &how, &totals, &err) && catalogue_count(s->catalogue, &counts, &err);
    session_close(s);
    if (!ok)
        return cli_fail(cli, &err);
    char word[400];
    print_ranked(&totals, &counts);
    (void)printf("next: chaffinch sheet %s\n", err_word(word, sizeof word, arguments.arg[0]));
    return cli_finish(cli, 0);
}
