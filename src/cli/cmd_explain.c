#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "chaffinch/publish.h"
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

/* By its ending; anything else is no picture. */
static bool wants_png(const char *file, bool *png, struct err *err)
{
    char safe[200];
    const char *dot = strrchr(file, '.');
    *png = dot != NULL && strcasecmp(dot, ".png") == 0;
    if (*png || (dot != NULL && (strcasecmp(dot, ".jpg") == 0 || strcasecmp(dot, ".jpeg") == 0)))
        return true;
    return err_set(err, ERR_USAGE, "--picture writes a .png, .jpg or .jpeg, not '%s'",
                   err_escape(safe, sizeof safe, file));
}

static bool draw(struct cli *cli, const char *path, const char *word, const char *file, struct err *err)
{
    uint8_t *bytes = NULL;
    size_t size = 0;
    int64_t frame = 0;
    bool png;
    if (!wants_png(file, &png, err))
        return false;
    struct session *s = session_open(cli->fs, path, SESSION_READ, cli->log, cli->stop, err);
    bool ok = s != NULL && frame_argument_find(s->catalogue, &s->root, word, &frame, err) &&
              session_heat(s, cli->workers, frame, png, &bytes, &size, err) &&
              publish_user_file(cli->fs, file, bytes, size, err);
    free(bytes);
    session_close(s);
    return ok;
}

int cmd_explain(struct cli *cli, int argc, char **argv)
{
    const char *format = "text", *picture = NULL;
    const struct option_spec table[] = {
        {"format", OPTION_TEXT, &format, "FORM", "text (default) or json", 0, 0},
        {"picture", OPTION_TEXT, &picture, "FILE",
         "draw the frame with its subjects and the detail of its cells, as .png or .jpg", 0, 0},
    };
    const struct command_spec spec = {
        "chaffinch explain",
        "SESSION FRAME [--format text|json] [--picture FILE]",
        "Says in plain sentences why a frame stands where it stands. FRAME is a path as list prints it, or "
        "any\nfile of the frame. Works on a session that cannot be written to. A picture file that exists is "
        "never\nreplaced (exit 3).",
        table,
        2,
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
    if (err.code == ERR_NONE && picture != NULL)
        (void)draw(cli, arguments.arg[0], arguments.arg[1], picture, &err);
    if (err.code != ERR_NONE || !explain(cli, arguments.arg[0], arguments.arg[1], json, &err))
        return cli_fail(cli, &err);
    return cli_finish(cli, 0);
}
