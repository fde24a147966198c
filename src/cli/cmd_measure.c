#include <inttypes.h>
#include <stdio.h>

#include "chaffinch/session.h"
#include "cli.h"

static void print_measured(const struct session_measured *m)
{
    char a[32], b[32], c[32];
    (void)printf("%s frame%s in %s burst%s, %s measured now", log_count(m->frames, a),
                 m->frames == 1 ? "" : "s", log_count(m->bursts, b), m->bursts == 1 ? "" : "s",
                 log_count(m->measured, c));
    if (m->skipped > 0)
        (void)printf(", %s measured before", log_count(m->skipped, a));
    if (m->format > 0)
        (void)printf(", %s of a format that is not scored", log_count(m->format, a));
    if (m->unreadable > 0)
        (void)printf(", %s unreadable", log_count(m->unreadable, a));
    (void)putchar('\n');
    if (m->measured > 0 && m->decoded < (double)m->measured)
        (void)printf("decoded: %.0f %% of the picture area; %" PRIu64 " frames without a subject in their "
                     "thumbnails not at all, %" PRIu64 " once more, larger\n",
                     100 * m->decoded / (double)m->measured, m->not_decoded, m->decoded_again);
    if (m->left_out > 0)
        (void)printf("not scored: %s frame%s that did not have to be looked at to find the sharpest; without "
                     "--fast they are\n",
                     log_count(m->left_out, a), m->left_out == 1 ? "" : "s");
}

int cmd_measure(struct cli *cli, int argc, char **argv)
{
    struct session_measure_options options = {0};
    uint32_t jobs = 0;
    const struct option_spec table[] = {
        {"all", OPTION_FLAG, &options.all, NULL, "measure again what was measured before", 0, 0},
        {"fast", OPTION_FLAG, &options.fast, NULL,
         "only what finds the sharpest frames; the rest stays not scored", 0, 0},
        {"gap", OPTION_SECONDS, &options.gap_ns, "SECONDS",
         "pause that ends a burst (default: chosen from the pauses)", 0.001, 3600},
        {"jobs", OPTION_COUNT, &jobs, "N", "worker processes (default: one per processor)", 1, 256},
    };
    const struct command_spec spec = {"chaffinch measure",
                                      "SESSION [--all | --fast] [--gap SECONDS] [--jobs N]",
                                      "Finds the frames and bursts of a session folder and measures every "
                                      "new frame once. Pictures are only\n"
                                      "read; what is found out is kept in SESSION/.chaffinch/.",
                                      table,
                                      sizeof table / sizeof table[0],
                                      1,
                                      1};
    struct options_arguments arguments;
    struct session_measured totals = {0};
    struct err err = ERR_INIT;
    int status;
    if (!cli_parse(cli, &spec, argc, argv, &arguments, &status))
        return status;
    if (options.all && options.fast) {
        err_set(&err, ERR_USAGE, "--all measures every frame and --fast only some: type one of them");
        return cli_fail(cli, &err);
    }
    struct session *s = session_open(cli->fs, arguments.arg[0], SESSION_WRITE, cli->log, cli->stop, &err);
    if (s == NULL)
        return cli_fail(cli, &err);
    bool ok = session_measure(s, cli->workers, &options, &totals, &err);
    session_close(s);
    if (!ok)
        return cli_fail(cli, &err);
    char word[400];
    print_measured(&totals);
    (void)printf("next: chaffinch rank %s\n", err_word(word, sizeof word, arguments.arg[0]));
    return cli_finish(cli, totals.failed > 0 || totals.not_ranked > 0 ? 1 : 0);
}
