#include "card_words.h"

#include "chaffinch/session.h"

struct card_set *card_words_open(struct cli *cli, const struct options_arguments *arguments,
                                 struct card_options *options, const char **session, int *status)
{
    struct err err = ERR_INIT;
    options->log = cli->log;
    options->stop = cli->stop;
    options->same_exposure = session_same_exposure;
    options->same_context = cli->workers;
    *session = arguments->arg[arguments->n - 1];
    struct card_set *set = card_open(cli->fs, (const char *const *)arguments->arg, arguments->n - 1, *session,
                                     options->second, &err);
    if (set == NULL)
        *status = cli_fail(cli, &err);
    return set;
}

void card_words_tell(struct cli *cli, const struct card_report *report)
{
    char path[700], n[32], bytes[32];
    for (size_t i = 0; i < report->n_trouble; i++)
        log_line(cli->log, "not copied: '%s': %s", err_escape(path, sizeof path, report->trouble[i].path),
                 report->trouble[i].message);
    log_line(cli->log, "%s copied (%s)", log_count(report->copied, n),
             log_bytes(report->copied_bytes, bytes));
    if (report->present > 0)
        log_line(cli->log, "%s here already", log_count(report->present, n));
    if (report->mirrored > 0)
        log_line(cli->log, "%s the same on another card: stored once", log_count(report->mirrored, n));
    if (report->deleted > 0)
        log_line(cli->log, "%s moved to the rejects and deleted since: not copied again",
                 log_count(report->deleted, n));
}
