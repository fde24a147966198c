#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/report.h"
#include "cli.h"

static bool write_stdout(void *context, const char *bytes, size_t size, struct err *err)
{
    (void)context;
    return fwrite(bytes, 1, size, stdout) == size || err_sys(err, "write", "standard output");
}

static bool read_format(const char *word, enum report_format *format, struct err *err)
{
    static const char *const words[] = {
        [REPORT_TABLE] = "table", [REPORT_CSV] = "csv", [REPORT_JSONL] = "jsonl"};
    char safe[100];
    for (int i = 0; word != NULL && i < 3; i++)
        if (strcmp(word, words[i]) == 0) {
            *format = (enum report_format)i;
            return true;
        }
    return word == NULL || err_set(err, ERR_USAGE, "--format takes table, csv or jsonl, not '%s'",
                                   err_escape(safe, sizeof safe, word));
}

static bool check_outcome(const char *word, struct err *err)
{
    char safe[100];
    return word == NULL || strcmp(word, "keep") == 0 || strcmp(word, "reject") == 0 ||
           strcmp(word, "none") == 0 ||
           err_set(err, ERR_USAGE, "--outcome takes keep, reject or none, not '%s'",
                   err_escape(safe, sizeof safe, word));
}

/* "/home/me/pond/", malloc'ed; NULL with err. */
static char *top_of(const char *session, struct err *err)
{
    char *real = realpath(session, NULL);
    char *top = real != NULL ? str_make(err, "%s/", strcmp(real, "/") == 0 ? "" : real) : NULL;
    if (real == NULL)
        err_sys(err, "find", session);
    free(real);
    return top;
}

static int list_session(struct cli *cli, const char *path, struct report_list_options *options, bool absolute)
{
    const struct report_sink sink = {NULL, write_stdout};
    struct err err = ERR_INIT;
    char *top = NULL;
    struct session *s = session_open(cli->fs, path, SESSION_READ, cli->log, cli->stop, &err);
    bool ok = s != NULL && (!absolute || (top = top_of(path, &err)) != NULL);
    options->top = top;
    ok = ok && report_list(s->catalogue, options, &sink, &err);
    session_close(s);
    free(top);
    return ok ? cli_finish(cli, 0) : cli_fail(cli, &err);
}

int cmd_list(struct cli *cli, int argc, char **argv)
{
    bool bursts = false, absolute = false;
    uint32_t burst = 0;
    const char *format = NULL;
    struct report_list_options options = {.format = REPORT_TABLE};
    const struct option_spec table[] = {
        {"bursts", OPTION_FLAG, &bursts, NULL, "one row a burst (this is what is printed by default)", 0, 0},
        {"frames", OPTION_FLAG, &options.frames, NULL, "one row a frame", 0, 0},
        {"burst", OPTION_COUNT, &burst, "N", "only this burst", 1, 1e9},
        {"outcome", OPTION_TEXT, &options.outcome, "WHAT", "only keep, reject or none (none: for your eyes)",
         0, 0},
        {"format", OPTION_TEXT, &format, "FORM", "table (default), csv or jsonl", 0, 0},
        {"print0", OPTION_FLAG, &options.print0, NULL,
         "only the paths of the frames, each ended by a NUL byte, for xargs -0", 0, 0},
        {"absolute", OPTION_FLAG, &absolute, NULL,
         "with --print0: whole paths, good in any folder, not those below SESSION", 0, 0},
    };
    const struct command_spec spec = {
        "chaffinch list",
        "SESSION [--bursts|--frames] [--burst N] [--outcome keep|reject|none]\n"
        "       [--format table|csv|jsonl] [--print0 [--absolute]]",
        "Prints the bursts or the frames of a session. csv and jsonl are for scripts: their columns and keys "
        "stay\nas they are. Works on a session that cannot be written to.",
        table,
        sizeof table / sizeof table[0],
        1,
        1};
    struct options_arguments arguments;
    struct err err = ERR_INIT;
    int status;
    if (!cli_parse(cli, &spec, argc, argv, &arguments, &status))
        return status;
    if (bursts && (options.frames || options.print0))
        err_set(&err, ERR_USAGE, "--bursts does not go with --%s", options.frames ? "frames" : "print0");
    else if (absolute && !options.print0)
        err_set(&err, ERR_USAGE, "--absolute goes with --print0: csv and jsonl give paths below the session");
    else if (read_format(format, &options.format, &err))
        (void)check_outcome(options.outcome, &err);
    if (err.code != ERR_NONE)
        return cli_fail(cli, &err);
    options.burst = burst;
    options.frames = options.frames || options.print0;
    return list_session(cli, arguments.arg[0], &options, absolute);
}
