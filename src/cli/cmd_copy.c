#include <stdio.h>

#include "chaffinch/catalogue.h"
#include "card_words.h"
#include "cli.h"

static int print_verdict(struct cli *cli, const struct card_report *report, const struct err *err)
{
    struct err trouble = ERR_INIT;
    struct str line = STR_INIT;
    card_verdict(report, &line);
    if (!str_ok(&line, &trouble)) {
        str_release(&line);
        return cli_fail(cli, &trouble);
    }
    (void)puts(line.bytes);
    str_release(&line);
    return cli_finish(cli, card_exit_status(report, err));
}

static int copy_into(struct cli *cli, struct card_set *set, const char *session,
                     const struct card_options *options)
{
    struct root root = ROOT_INIT;
    struct catalogue *catalogue = NULL;
    struct card_report report = CARD_REPORT_INIT;
    struct err err = ERR_INIT;
    int status;
    bool begun = root_open(&root, cli->fs, session, true, true, &err) && root_lock(&root, &err);
    if (begun)
        catalogue = catalogue_open(&root, CATALOGUE_WRITE, &err);
    if (catalogue == NULL) {
        status = cli_fail(cli, &err);
        goto out;
    }
    bool ok = card_copy(set, &root, catalogue, options, &report, &err);
    if (!ok) {
        report.interrupted = true; /* a run that did not come to its end cannot free the card */
        log_err(cli->log, &err);
    }
    status = err_exit_status(&err);
    if (report.card_seen) { /* it began to copy */
        card_words_tell(cli, &report);
        status = print_verdict(cli, &report, &err);
    }
out:
    card_report_release(&report);
    catalogue_close(catalogue);
    root_close(&root);
    return status;
}

int cmd_copy(struct cli *cli, int argc, char **argv)
{
    struct card_options options = CARD_OPTIONS_INIT;
    const struct option_spec table[] = {
        {"second", OPTION_TEXT, &options.second, "DIR",
         "write and verify a second copy there, in the same read", 0, 0},
        {"label", OPTION_TEXT, &options.label, "TEXT", "what you call the card", 0, 0},
        {"one-is-enough", OPTION_FLAG, &options.one_is_enough, NULL,
         "one verified copy is enough to format the card", 0, 0},
    };
    const struct command_spec spec = {
        "chaffinch copy",
        "CARD... SESSION [--second DIR] [--label TEXT] [--one-is-enough]",
        "Copies every file of one or more cards into SESSION (made where it is missing), reads each copy "
        "back\n"
        "from the disk, and says whether the card may be formatted. The card is only read. A run that was\n"
        "interrupted goes on where it stopped: type the same command again.",
        table,
        sizeof table / sizeof table[0],
        2,
        17};
    struct options_arguments arguments;
    const char *session;
    int status;
    if (!cli_parse(cli, &spec, argc, argv, &arguments, &status))
        return status;
    struct card_set *set = card_words_open(cli, &arguments, &options, &session, &status);
    if (set == NULL)
        return status;
    status = copy_into(cli, set, session, &options);
    card_close(set);
    return status;
}
