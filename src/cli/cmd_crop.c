#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/report.h"
#include "cli.h"

/* "3:2", "1:1", "1.5". */
static bool read_aspect(const char *word, double *aspect, struct err *err)
{
    char *end, safe[100];
    if (word == NULL)
        return true;
    double w = strtod(word, &end), h = 1;
    if (end != word && *end == ':') {
        const char *second = end + 1;
        h = strtod(second, &end);
        end = end == second ? (char *)(uintptr_t)word : end;
    }
    *aspect = h > 0 ? w / h : 0;
    return (end != word && *end == '\0' && *aspect >= 0.1 && *aspect <= 10) ||
           err_set(err, ERR_USAGE, "--aspect takes a shape like 3:2, 16:9, 1:1 or 4:5, not '%s'",
                   err_escape(safe, sizeof safe, word));
}

static bool print_line(void *context, const char *line, struct err *err)
{
    (void)context;
    return puts(line) >= 0 || err_sys(err, "write", "standard output");
}

int cmd_crop(struct cli *cli, int argc, char **argv)
{
    struct report_crop_options options = {.aspect = 1.5, .fill = 0.35};
    const char *aspect = NULL;
    const struct option_spec table[] = {
        {"to", OPTION_TEXT, &options.folder, "DIR",
         "where the crops go, outside of the session (default SESSION/.chaffinch/crops/)", 0, 0},
        {"aspect", OPTION_TEXT, &aspect, "W:H", "shape of the upright crop (default 3:2)", 0, 0},
        {"fill", OPTION_NUMBER, &options.fill, "SHARE",
         "of the crop that the subject takes in its longer direction (default .35)", 0.05, 0.9},
        {"unseen", OPTION_FLAG, &options.unseen, NULL, "also frames that no person has decided or accepted",
         0, 0},
        {"without-place", OPTION_FLAG, &options.without_place, NULL,
         "drop GPS, serial numbers, owner and maker notes", 0, 0},
    };
    const struct command_spec spec = {"chaffinch crop",
                                      "SESSION [--to DIR] [--aspect W:H] [--fill SHARE] [--unseen]\n"
                                      "       [--without-place]",
                                      "Cuts the kept frames around their subject without decoding them: "
                                      "every pixel stays as the camera wrote "
                                      "it.\nThe crops are new files, with the metadata of the frame; at "
                                      "least .6 of the free width lies ahead "
                                      "of the\nflight, and areas that are kept out stay out. Prints size and "
                                      "'good to' of each, or that there "
                                      "is no\nsuch crop.",
                                      table,
                                      sizeof table / sizeof table[0],
                                      1,
                                      1};
    struct options_arguments arguments;
    struct err err = ERR_INIT;
    struct report_cropped cropped = {0};
    int status;
    if (!cli_parse(cli, &spec, argc, argv, &arguments, &status))
        return status;
    if (!read_aspect(aspect, &options.aspect, &err))
        return cli_fail(cli, &err);
    struct session *s = session_open(cli->fs, arguments.arg[0], SESSION_READ, cli->log, cli->stop, &err);
    bool ok = s != NULL && report_cut(s, cli->workers, &options, print_line, NULL, &cropped, &err);
    session_close(s);
    if (!ok)
        return cli_fail(cli, &err);
    char n[32];
    if (cropped.unseen > 0)
        (void)printf("%s kept frames left out that nobody has looked at (--unseen takes them along)\n",
                     log_count(cropped.unseen, n));
    return cli_finish(cli, cropped.failed > 0 ? 1 : 0);
}
