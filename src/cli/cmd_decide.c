/* A person's word about frames. All of the frames named or none: first everything is looked up with the
   catalogue open for reading, then one short transaction writes. No lock is held, so measure or apply may be
   at work meanwhile. */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/catalogue.h"
#include "cli.h"
#include "frame_argument.h"
#include "who.h"

enum { MAX_FRAMES = 1000000 };

static const char *const decide_words[] = {
    [CATALOGUE_UNDECIDED] = "clear", [CATALOGUE_KEEP] = "keep", [CATALOGUE_REJECT] = "reject"};

struct decide {
    const char *word;
    bool accept;
    enum catalogue_decision decision;
    int64_t burst;       /* 0 = not given */
    char *const *frames; /* words of the command line */
    size_t n_frames;
    int64_t *id; /* of the frames that are meant */
    size_t n, room;
    bool found; /* the burst */
};

static bool add_id(struct decide *d, int64_t id, struct err *err)
{
    if (d->n == d->room) {
        size_t room = d->room > 0 ? d->room * 2 : 64;
        int64_t *grown = realloc(d->id, room * sizeof *grown);
        if (grown == NULL)
            return err_nomem(err);
        d->id = grown;
        d->room = room;
    }
    d->id[d->n++] = id;
    return true;
}

/* Frames of the burst that is meant; a row of another one is passed over. */
static bool add_row(void *context, const struct catalogue_row *row, struct err *err)
{
    struct decide *d = context;
    return row->frame.burst != d->burst || add_id(d, row->frame.id, err);
}

static bool match_burst(void *context, const struct catalogue_burst *burst, struct err *err)
{
    struct decide *d = context;
    (void)err;
    d->found = d->found || burst->number == d->burst;
    return true;
}

static int by_id(const void *a, const void *b)
{
    int64_t x = *(const int64_t *)a, y = *(const int64_t *)b;
    return (x > y) - (x < y);
}

/* One frame named by two of its files is decided once. */
static void drop_doubles(struct decide *d)
{
    size_t kept = 0;
    if (d->n > 0)
        qsort(d->id, d->n, sizeof *d->id, by_id);
    for (size_t i = 0; i < d->n; i++)
        if (i == 0 || d->id[i] != d->id[i - 1])
            d->id[kept++] = d->id[i];
    d->n = kept;
}

static bool frame_of_burst(struct decide *d, struct catalogue *c, int64_t id, const char *word,
                           struct err *err)
{
    struct decide one = {.burst = d->burst};
    const struct catalogue_filter filter = {.frame = id, .with_missing = true};
    char safe[300];
    bool ok = catalogue_each_row(c, &filter, add_row, &one, err);
    if (ok && one.n == 0)
        ok = err_set(err, ERR_USAGE, "'%s' does not belong to burst %" PRId64 "; nothing was decided",
                     err_escape(safe, sizeof safe, word), d->burst);
    free(one.id);
    return ok;
}

static bool look_up(struct decide *d, const struct root *root, struct catalogue *c, struct err *err)
{
    if (d->burst > 0) {
        if (!catalogue_each_burst(c, match_burst, d, err))
            return false;
        if (!d->found)
            return err_set(err, ERR_USAGE, "there is no burst %" PRId64 ": 'chaffinch list %s' shows them",
                           d->burst, root->path);
    }
    for (size_t i = 0; i < d->n_frames; i++) {
        int64_t id;
        if (!frame_argument_find(c, root, d->frames[i], &id, err) || !add_id(d, id, err) ||
            (d->burst > 0 && !frame_of_burst(d, c, id, d->frames[i], err)))
            return false;
    }
    const struct catalogue_filter burst = {.burst = d->burst};
    if (d->n_frames == 0 && !d->accept && !catalogue_each_row(c, &burst, add_row, d, err))
        return false;
    drop_doubles(d);
    return true;
}

static bool write_down(const struct decide *d, struct catalogue *c, struct err *err)
{
    char buffer[32];
    const char *who = who_decides(buffer);
    bool whole_burst = d->burst > 0 && d->n_frames == 0;
    if (!d->accept && d->n > 0 && !catalogue_decide(c, d->id, d->n, d->decision, who, err))
        return false;
    if (d->accept || (whole_burst && d->decision == CATALOGUE_UNDECIDED))
        return catalogue_accept(c, d->burst, d->accept, who, err);
    return true;
}

static bool decide(struct cli *cli, const char *path, struct decide *d, struct err *err)
{
    struct root root = ROOT_INIT;
    bool ok = root_open(&root, cli->fs, path, false, false, err);
    struct catalogue *c = ok ? catalogue_open(&root, CATALOGUE_READ, err) : NULL;
    ok = c != NULL && look_up(d, &root, c, err);
    catalogue_close(c);
    c = ok ? catalogue_open(&root, CATALOGUE_WRITE, err) : NULL;
    ok = c != NULL && write_down(d, c, err);
    catalogue_close(c);
    if (root.fs != NULL)
        root_close(&root);
    return ok;
}

static bool read_word(struct decide *d, struct err *err)
{
    char safe[100];
    d->accept = strcmp(d->word, "accept") == 0;
    bool known = d->accept;
    for (int i = CATALOGUE_UNDECIDED; !known && i <= CATALOGUE_REJECT; i++) {
        known = strcmp(d->word, decide_words[i]) == 0;
        d->decision = (enum catalogue_decision)i;
    }
    if (!known)
        return err_set(err, ERR_USAGE, "a decision is keep, reject, clear or accept, not '%s'",
                       err_escape(safe, sizeof safe, d->word));
    if (d->accept && (d->burst == 0 || d->n_frames > 0))
        return err_set(err, ERR_USAGE, "a burst is accepted as a whole: accept --burst N");
    if (d->n_frames == 0 && d->burst == 0)
        return err_set(err, ERR_USAGE, "name the frames, or a whole burst with --burst N");
    return true;
}

int cmd_decide(struct cli *cli, int argc, char **argv)
{
    uint32_t burst = 0;
    const struct option_spec table[] = {
        {"burst", OPTION_COUNT, &burst, "N",
         "without FRAME: all frames of burst N; with FRAME: refuse those of other bursts", 1, 1e9},
    };
    const struct command_spec spec = {
        "chaffinch decide",
        "SESSION keep|reject|clear FRAME... [--burst N]\n"
        "       chaffinch decide SESSION accept --burst N",
        "Records your decision; it wins over every proposal, and ranking again never touches it. clear takes "
        "it\nback. accept says that you looked at a burst and agree with its proposals: its rejects may then "
        "be\ndeleted later. One FRAME that is not known, and nothing is changed. clear --burst N takes an\n"
        "accepted burst back too.",
        table,
        1,
        2,
        MAX_FRAMES};
    struct options_arguments arguments;
    struct err err = ERR_INIT;
    int status;
    if (!cli_parse(cli, &spec, argc, argv, &arguments, &status))
        return status;
    struct decide d = {
        .word = arguments.arg[1], .burst = burst, .frames = arguments.arg + 2, .n_frames = arguments.n - 2};
    bool ok = read_word(&d, &err) && decide(cli, arguments.arg[0], &d, &err);
    free(d.id);
    if (!ok)
        return cli_fail(cli, &err);
    if (d.accept)
        (void)printf("accepted: burst %" PRId64 "\n", d.burst);
    else
        (void)printf("%s: %zu frame%s\n", d.word, d.n, d.n == 1 ? "" : "s");
    return cli_finish(cli, 0);
}
