#include <stdio.h>
#include <string.h>

#include "chaffinch/card.h"
#include "chaffinch/catalogue.h"
#include "cli.h"

/* What chaffinch-apply did is as it should be: the counts tell it. */
static void print_finding(void *context, const char *what, const char *path, const char *detail)
{
    (void)context;
    if (strcmp(what, "moved") == 0 || strcmp(what, "deleted") == 0)
        return;
    char safe[700], more[700];
    if (detail[0] != '\0')
        (void)printf("%s: '%s': %s\n", what, err_escape(safe, sizeof safe, path),
                     err_escape(more, sizeof more, detail));
    else
        (void)printf("%s: '%s'\n", what, err_escape(safe, sizeof safe, path));
}

static void print_counts(const struct card_report *r)
{
    char a[32], b[32], c[32], d[32], e[32];
    uint64_t as_copied = r->verified[CARD_PICTURE] + r->verified[CARD_CLIP] + r->verified[CARD_OTHER];
    (void)printf("%s as copied (%s moved by chaffinch-apply), %s deleted by it, %s changed, %s missing\n",
                 log_count(as_copied, a), log_count(r->moved, b), log_count(r->deleted, c),
                 log_count(r->changed, d), log_count(r->missing, e));
}

/* A session without a catalogue can be checked all the same; a damaged or a newer one cannot be trusted to
   say what apply did. */
static bool open_catalogue(const struct root *root, struct catalogue **catalogue, struct err *err)
{
    struct err trouble = ERR_INIT;
    *catalogue = catalogue_open(root, CATALOGUE_READ, &trouble);
    if (*catalogue != NULL || trouble.code == ERR_USAGE || trouble.code == ERR_NOT_FOUND)
        return true;
    *err = trouble;
    return false;
}

static int check_session(struct cli *cli, const char *session, struct card_set *set,
                         const struct card_options *options)
{
    struct root root = ROOT_INIT;
    struct catalogue *catalogue = NULL;
    struct card_report report = CARD_REPORT_INIT;
    struct str verdict = STR_INIT;
    struct err err = ERR_INIT;
    int status;
    bool torn = false;
    bool ok = root_open(&root, cli->fs, session, false, false, &err) &&
              open_catalogue(&root, &catalogue, &err) &&
              (catalogue == NULL || catalogue_check(catalogue, &torn, &err)) &&
              card_check(&root, catalogue, set, options, print_finding, NULL, &report, &err);
    if (ok) {
        card_verdict(&report, &verdict);
        ok = str_ok(&verdict, &err);
    }
    if (ok) {
        print_counts(&report);
        (void)puts(verdict.bytes);
        if (torn)
            log_line(cli->log,
                     "'" ROOT_STATE "/decisions.log' holds what a crash left of decisions that were not "
                     "saved: they count for nothing, all others do");
        if (report.disks > 1)
            log_line(cli->log, "the second copy was verified when it was made; read it again with "
                               "'chaffinch check' on its folder");
        status = cli_finish(cli, card_exit_status(&report, NULL));
    } else
        status = cli_fail(cli, &err);
    str_release(&verdict);
    card_report_release(&report);
    catalogue_close(catalogue);
    root_close(&root);
    return status;
}

int cmd_check(struct cli *cli, int argc, char **argv)
{
    struct card_options options = CARD_OPTIONS_INIT;
    const char *card = NULL;
    const struct option_spec table[] = {
        {"card", OPTION_TEXT, &card, "CARD", "compare every file of this card too", 0, 0},
        {"one-is-enough", OPTION_FLAG, &options.one_is_enough, NULL,
         "one verified copy is enough to format the card", 0, 0},
    };
    const struct command_spec spec = {"chaffinch check",
                                      "SESSION [--card CARD] [--one-is-enough]",
                                      "Reads every copied file again and compares it with the manifest; with "
                                      "--card every file of the card\n"
                                      "too. Nothing is written.",
                                      table,
                                      sizeof table / sizeof table[0],
                                      1,
                                      1};
    struct options_arguments arguments;
    struct card_set *set = NULL;
    struct err err = ERR_INIT;
    int status;
    options.log = cli->log;
    options.stop = cli->stop;
    if (!cli_parse(cli, &spec, argc, argv, &arguments, &status))
        return status;
    if (card != NULL) {
        set = card_open(cli->fs, &card, 1, NULL, NULL, &err);
        if (set == NULL)
            return cli_fail(cli, &err);
    }
    status = check_session(cli, arguments.arg[0], set, &options);
    card_close(set);
    return status;
}
