#include <stdio.h>
#include <string.h>

#include "chaffinch/report.h"
#include "cli.h"
#include "frame_argument.h"

static bool explain(struct cli *cli, const char *path, const char *word, bool json, struct err *err)
{
    const struct report_explain_options options = {.session = path, .json = json};
    struct str text = STR_INIT;
    int64_t frame = 0;
    struct session *s = session_open(cli->fs, path, SESSION_READ, cli->log, cli->stop, err);
    bool ok = s != NULL && frame_argument_find(s->catalogue, &s->root, word, &frame, err) &&
              report_explain(s->catalogue, frame, &options, &text, err);
    if (ok)
        (void)fwrite(text.bytes, 1, text.size, stdout); /* cli_finish reports what fails here */
    str_release(&text);
    session_close(s);
    return ok;
}

int cmd_explain(struct cli *cli, int argc, char **argv)
{
    const char *format = "text";
    const struct option_spec table[] = {
        {"format", OPTION_TEXT, &format, "FORM", "text (default) or json", 0, 0},
    };
    const struct command_spec spec = {
        "chaffinch explain",
        "SESSION FRAME [--format text|json]",
        "Says in plain sentences why a frame stands where it stands. FRAME is a path as list prints it, or "
        "any\nfile of the frame. Works on a session that cannot be written to.",
        table,
        1,
        2,
        2};
    struct options_arguments arguments;
    struct err err = ERR_INIT;
    int status;
    char safe[100];
    if (!cli_parse(cli, &spec, argc, argv, &arguments, &status))
        return status;
    bool json = strcmp(format, "json") == 0;
    if (!json && strcmp(format, "text") != 0)
        err_set(&err, ERR_USAGE, "--format takes text or json, not '%s'",
                err_escape(safe, sizeof safe, format));
    if (err.code != ERR_NONE || !explain(cli, arguments.arg[0], arguments.arg[1], json, &err))
        return cli_fail(cli, &err);
    return cli_finish(cli, 0);
}
