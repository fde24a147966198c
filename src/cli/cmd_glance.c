#include <stdio.h>

#include "chaffinch/report.h"
#include "cli.h"

int cmd_glance(struct cli *cli, int argc, char **argv)
{
    uint32_t last = 3;
    const struct option_spec table[] = {
        {"last", OPTION_COUNT, &last, "N", "bursts to look at (default 3)", 1, 50},
    };
    const struct command_spec spec = {
        "chaffinch glance",
        "CARD [--last N]",
        "Looks at the last bursts of a card between two passes: five lines and one sentence what to change.\n"
        "Nothing is copied, and nothing is written, not on the card and not elsewhere. JPEGs only.",
        table,
        1,
        1,
        1};
    struct options_arguments arguments;
    struct session_glance glance;
    struct str out = STR_INIT;
    struct err err = ERR_INIT;
    int status;
    if (!cli_parse(cli, &spec, argc, argv, &arguments, &status))
        return status;
    if (!session_look(cli->fs, arguments.arg[0], cli->workers, last, cli->log, cli->stop, &glance, &err))
        return cli_fail(cli, &err);
    bool ok = report_glance(&glance, &out, &err);
    if (ok)
        (void)fwrite(out.bytes, 1, out.size, stdout);
    str_release(&out);
    session_glance_release(&glance);
    return ok ? cli_finish(cli, 0) : cli_fail(cli, &err);
}
