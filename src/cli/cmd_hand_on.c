#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "chaffinch/report.h"
#include "cli.h"

static bool read_name(const char *word, enum report_sidecar_name *name, struct err *err)
{
    char safe[100];
    if (word == NULL || strcmp(word, "base") == 0)
        *name = REPORT_SIDECAR_BASE;
    else if (strcmp(word, "whole") == 0)
        *name = REPORT_SIDECAR_WHOLE;
    else
        return err_set(err, ERR_USAGE,
                       "--sidecar-name takes base (IMG_1.xmp) or whole (IMG_1.JPG.xmp), not '%s'",
                       err_escape(safe, sizeof safe, word));
    return true;
}

/* "setup,burst,pass", any of them, or "none". */
static bool read_keywords(const char *list, unsigned *keywords, struct err *err)
{
    static const struct {
        const char *word;
        unsigned flag;
    } words[] = {{"none", 0},
                 {"setup", REPORT_KEYWORD_SETUP},
                 {"burst", REPORT_KEYWORD_BURST},
                 {"pass", REPORT_KEYWORD_PASS}};
    if (list == NULL)
        return true;
    *keywords = 0;
    while (*list != '\0') {
        size_t n = strcspn(list, ","), i = 0;
        while (i < 4 && !(strlen(words[i].word) == n && strncmp(words[i].word, list, n) == 0))
            i++;
        if (i == 4) {
            char safe[100];
            return err_set(err, ERR_USAGE,
                           "--keywords takes setup, burst, pass (with commas) or none, not '%s'",
                           err_escape(safe, sizeof safe, list));
        }
        *keywords |= words[i].flag;
        list += n + (list[n] == ',');
    }
    return true;
}

static void print_count(uint64_t n, const char *one, const char *many)
{
    char count[32];
    if (n > 0)
        (void)printf("%s %s\n", log_count(n, count), n == 1 ? one : many);
}

static void print_handed(const struct report_handed_on *h, const char *session)
{
    char word[400];
    print_count(h->written, "new sidecar written", "new sidecars written");
    print_count(h->unchanged, "sidecar says all of it already", "sidecars say all of it already");
    print_count(h->rated_before, "rating that was there stays", "ratings that were there stay");
    print_count(h->taken_back, "sidecar of a frame that is not handed on any more: our marks are taken back",
                "sidecars of frames that are not handed on any more: our marks are taken back");
    print_count(h->unseen, "kept frame left out that nobody has looked at (--unseen takes it along)",
                "kept frames left out that nobody has looked at (--unseen takes them along)");
    print_count(h->away, "frame left out that lies in rejects/", "frames left out that lie in rejects/");
    if (h->frames == 0)
        (void)puts("no frame to hand on: decide or accept first ('chaffinch decide', 'chaffinch review')");
    if (h->prepared > 0) {
        print_count(h->prepared, "merged sidecar prepared", "merged sidecars prepared");
        (void)printf("to swap in what was prepared: chaffinch-apply %s --sidecars\n",
                     err_word(word, sizeof word, session));
    }
}

static void print_delivered(const struct report_delivered *d, const struct report_deliver_options *options)
{
    char safe[400];
    print_count(d->written, "file delivered and verified", "files delivered and verified");
    print_count(d->there, "file lay there already, the same", "files lay there already, the same");
    print_count(
        d->withheld,
        "frame withheld: it has no JPEG, and its raw file tells the body (--with-place takes it)",
        "frames withheld: they have no JPEG, and their raw files tell the body (--with-place takes them)");
    print_count(d->unseen, "kept frame left out that nobody has looked at (--unseen takes it along)",
                "kept frames left out that nobody has looked at (--unseen takes them along)");
    if (d->written + d->there == 0)
        (void)printf("nothing delivered to '%s'\n", err_escape(safe, sizeof safe, options->folder));
}

static int deliver(struct cli *cli, const char *path, const struct report_hand_on_options *marks,
                   const struct report_deliver_options *options)
{
    struct err err = ERR_INIT;
    struct report_delivered delivered = {0};
    struct session *s = session_open(cli->fs, path, SESSION_READ, cli->log, cli->stop, &err);
    bool ok = s != NULL && report_deliver(s, cli->workers, marks, options, &delivered, &err);
    session_close(s);
    if (!ok)
        return cli_fail(cli, &err);
    print_delivered(&delivered, options);
    return cli_finish(cli, delivered.failed > 0 ? 1 : 0);
}

static int hand_on(struct cli *cli, const char *path, const struct report_hand_on_options *options)
{
    struct err err = ERR_INIT;
    struct report_handed_on handed = {0};
    struct session *s = session_open(cli->fs, path, SESSION_WRITE, cli->log, cli->stop, &err);
    bool ok = s != NULL && report_hand_on(s, cli->workers, options, &handed, &err);
    session_close(s);
    if (!ok)
        return cli_fail(cli, &err);
    print_handed(&handed, path);
    return cli_finish(cli, handed.failed > 0 ? 1 : 0);
}

int cmd_hand_on(struct cli *cli, int argc, char **argv)
{
    struct report_hand_on_options options = {.keywords = REPORT_KEYWORD_SETUP | REPORT_KEYWORD_BURST |
                                                         REPORT_KEYWORD_PASS};
    uint32_t keep_rating = 1, shortlist_rating = 3;
    const char *name = NULL, *keywords = NULL;
    struct report_deliver_options delivery = {.folder = NULL};
    const struct option_spec table[] = {
        {"keep-rating", OPTION_COUNT, &keep_rating, "N", "xmp:Rating of kept frames (default 1; 0 = none)", 0,
         3},
        {"shortlist-rating", OPTION_COUNT, &shortlist_rating, "N",
         "xmp:Rating of frames on the shortlist (default 3; 0 = none)", 0, 3},
        {"mark-rejects", OPTION_FLAG, &options.mark_rejects, NULL, "give rejects xmp:Rating -1", 0, 0},
        {"unseen", OPTION_FLAG, &options.unseen, NULL, "also what no person has decided or accepted", 0, 0},
        {"keywords", OPTION_TEXT, &keywords, "LIST", "of setup, burst and pass (default all), or none", 0, 0},
        {"prefix", OPTION_TEXT, &options.prefix, "TEXT", "stands before each keyword", 0, 0},
        {"sidecar-name", OPTION_TEXT, &name, "HOW",
         "of new sidecars: base (IMG_1.xmp, default) or whole (IMG_1.JPG.xmp)", 0, 0},
        {"deliver", OPTION_TEXT, &delivery.folder, "DIR",
         "instead: copies in DIR, named DATE_LABEL_CAMERANUMBER, with the marks inside", 0, 0},
        {"label", OPTION_TEXT, &delivery.label, "TEXT", "the LABEL of delivered copies", 0, 0},
        {"with-place", OPTION_FLAG, &delivery.with_place, NULL,
         "delivered copies keep GPS, serial numbers and owner; raw files go along", 0, 0},
    };
    const struct command_spec spec = {
        "chaffinch hand-on",
        "SESSION [--keep-rating N] [--shortlist-rating N] [--mark-rejects]\n"
        "       [--unseen] [--keywords LIST] [--prefix TEXT] [--sidecar-name base|whole]\n"
        "       [--deliver DIR [--label TEXT] [--with-place]]",
        "Hands the kept frames on to other programs as XMP sidecars (ISO 16684): a rating, and keywords for "
        "set-up,\nburst and pass. Only what a person has decided or accepted is handed on. A rating that is "
        "there and not\nzero stays, 4 and 5 are never written. Pictures are never changed. A sidecar that "
        "exists "
        "is not changed\neither: its merged text is prepared, and 'chaffinch-apply SESSION --sidecars' swaps "
        "it "
        "in.",
        table,
        sizeof table / sizeof table[0],
        1,
        1};
    struct options_arguments arguments;
    struct err err = ERR_INIT;
    int status;
    if (!cli_parse(cli, &spec, argc, argv, &arguments, &status))
        return status;
    if (!read_name(name, &options.name, &err) || !read_keywords(keywords, &options.keywords, &err))
        return cli_fail(cli, &err);
    options.keep_rating = (int)keep_rating;
    options.shortlist_rating = (int)shortlist_rating;
    if (delivery.folder != NULL)
        return deliver(cli, arguments.arg[0], &options, &delivery);
    if (delivery.label != NULL || delivery.with_place) {
        err_set(&err, ERR_USAGE, "--label and --with-place go with --deliver DIR");
        return cli_fail(cli, &err);
    }
    return hand_on(cli, arguments.arg[0], &options);
}
