#include <stdio.h>
#include <stdlib.h>

#include "chaffinch/report.h"
#include "cli.h"

int cmd_sheet(struct cli *cli, int argc, char **argv)
{
    const char *output = NULL;
    const struct option_spec table[] = {
        {"output", OPTION_TEXT, &output, "FILE",
         "write there instead; a file that exists is never replaced (exit 3)", 0, 0},
        {"o", OPTION_TEXT, &output, "FILE", "the same", 0, 0},
    };
    const struct command_spec spec = {
        "chaffinch sheet",
        "SESSION [--output FILE]",
        "Makes the contact sheet: one HTML page with the kept frames of every pass, large, the curve of "
        "sharpness,\nand the others, small. It needs nothing besides itself, prints on A4 and can be sent to "
        "others: it\ncarries no position, serial number or path. It is written to "
        "SESSION/.chaffinch/contact-sheet.html, or\nwith --output to FILE; then the session need not be "
        "writable.",
        table,
        2,
        1,
        1};
    struct options_arguments arguments;
    struct err err = ERR_INIT;
    char *where = NULL;
    int status;
    if (!cli_parse(cli, &spec, argc, argv, &arguments, &status))
        return status;
    struct session *s = session_open(cli->fs, arguments.arg[0], SESSION_READ, cli->log, cli->stop, &err);
    bool ok = s != NULL && report_sheet_write(s, cli->workers, output, &where, &err);
    session_close(s);
    if (!ok)
        return cli_fail(cli, &err);
    (void)printf("contact sheet: %s\n", where);
    free(where);
    return cli_finish(cli, 0);
}
