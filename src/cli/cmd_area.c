/* Parts of the picture that a person marks for a set-up, without the page. */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/session.h"
#include "cli.h"
#include "frame_argument.h"
#include "who.h"

struct request {
    const char *session, *ignore, *keep_out, *frame;
    uint32_t remove;
    uint32_t width_px, height_px; /* of the frame's stored picture */
    int64_t burst, setup;
};

static bool take_frame(void *context, const struct catalogue_row *row, struct err *err)
{
    struct request *r = context;
    (void)err;
    r->burst = row->frame.burst;
    r->width_px = row->frame.width_px;
    r->height_px = row->frame.height_px;
    return true;
}

static bool take_burst(void *context, const struct catalogue_burst *burst, struct err *err)
{
    struct request *r = context;
    (void)err;
    if (burst->number == r->burst)
        r->setup = burst->setup;
    return true;
}

/* "X,Y,W,H" in px of the frame's stored picture, as shares of it. */
static bool read_box(const struct request *r, const char *text, struct catalogue_area *area, struct err *err)
{
    unsigned x, y, w, h;
    char safe[100], rest;
    if (sscanf(text, "%9u,%9u,%9u,%9u%c", &x, &y, &w, &h, &rest) != 4 || w == 0 || h == 0)
        return err_set(err, ERR_USAGE, "an area is X,Y,W,H in pixels, not '%s'",
                       err_escape(safe, sizeof safe, text));
    if (x + w > r->width_px || y + h > r->height_px)
        return err_set(err, ERR_USAGE,
                       "the area '%s' does not lie within the picture of %" PRIu32 " x %" PRIu32 " px",
                       err_escape(safe, sizeof safe, text), r->width_px, r->height_px);
    area->x = (double)x / r->width_px;
    area->y = (double)y / r->height_px;
    area->w = (double)w / r->width_px;
    area->h = (double)h / r->height_px;
    return true;
}

static bool add(struct request *r, const struct root *root, struct catalogue *c, const char *who,
                struct err *err)
{
    int64_t frame, id = 0;
    char word[400];
    struct catalogue_area area = {.keep_out = r->keep_out != NULL};
    if (!frame_argument_find(c, root, r->frame, &frame, err))
        return false;
    const struct catalogue_filter one = {.frame = frame, .with_missing = true};
    if (!catalogue_each_row(c, &one, take_frame, r, err) || !catalogue_each_burst(c, take_burst, r, err))
        return false;
    if (r->setup == 0)
        return err_set(err, ERR_USAGE, "set-ups are not known yet: type 'chaffinch rank %s' first",
                       err_word(word, sizeof word, r->session));
    area.setup = r->setup;
    if (!read_box(r, r->keep_out != NULL ? r->keep_out : r->ignore, &area, err) ||
        !catalogue_add_area(c, &area, who, &id, err))
        return false;
    (void)printf("area %" PRId64 " of set-up %" PRId64 "\n", id, area.setup);
    if (!area.keep_out)
        (void)printf("next: chaffinch rank %s\n", err_word(word, sizeof word, r->session));
    return true;
}

static bool print_area(void *context, const struct catalogue_area *a, struct err *err)
{
    (void)context;
    (void)err;
    (void)printf("area %" PRId64 "  set-up %" PRId64 "  %-8s  %.1f %% from the left, %.1f %% from the top, "
                 "%.1f %% x %.1f %% of the picture\n",
                 a->id, a->setup, a->keep_out ? "keep-out" : "ignore", 100 * a->x, 100 * a->y, 100 * a->w,
                 100 * a->h);
    return true;
}

static bool do_it(struct cli *cli, struct request *r, struct err *err)
{
    struct root root = ROOT_INIT;
    char buffer[32], word[400];
    const char *who = who_decides(buffer);
    bool writes = r->ignore != NULL || r->keep_out != NULL || r->remove > 0;
    bool ok = root_open(&root, cli->fs, r->session, false, false, err);
    struct catalogue *c = ok ? catalogue_open(&root, CATALOGUE_READ, err) : NULL;
    if (c != NULL && writes) { /* what is not there yet is not made for this */
        catalogue_close(c);
        c = catalogue_open(&root, CATALOGUE_WRITE, err);
    }
    ok = c != NULL;
    if (ok && r->remove > 0) {
        ok = catalogue_remove_area(c, r->remove, who, err);
        if (ok)
            (void)printf("removed: area %" PRIu32 "\nnext: chaffinch rank %s\n", r->remove,
                         err_word(word, sizeof word, r->session));
    } else if (ok && writes)
        ok = add(r, &root, c, who, err);
    else if (ok)
        ok = catalogue_each_area(c, print_area, NULL, err);
    catalogue_close(c);
    if (root.fs != NULL)
        root_close(&root);
    return ok;
}

int cmd_area(struct cli *cli, int argc, char **argv)
{
    struct request r = {0};
    const struct option_spec table[] = {
        {"ignore", OPTION_TEXT, &r.ignore, "X,Y,W,H",
         "look for no subject there: moving grass, a swinging feeder", 0, 0},
        {"keep-out", OPTION_TEXT, &r.keep_out, "X,Y,W,H", "keep it out of crops", 0, 0},
        {"frame", OPTION_TEXT, &r.frame, "FRAME",
         "a frame of the set-up it is for; pixels are those of its picture", 0, 0},
        {"remove", OPTION_COUNT, &r.remove, "N", "remove area N", 1, 1e9},
    };
    const struct command_spec spec = {
        "chaffinch area",
        "SESSION [--ignore|--keep-out X,Y,W,H --frame FRAME | --remove N]",
        "Marks a part of the picture for all bursts of a set-up, that is, from one camera position. Without\n"
        "options: lists the areas there are. X, Y, W and H are pixels of the stored full-size picture, as\n"
        "'chaffinch list' gives boxes. What is ignored counts when the session is ranked next.",
        table,
        4,
        1,
        1};
    struct options_arguments arguments;
    struct err err = ERR_INIT;
    int status;
    if (!cli_parse(cli, &spec, argc, argv, &arguments, &status))
        return status;
    r.session = arguments.arg[0];
    int acts = (r.ignore != NULL) + (r.keep_out != NULL) + (r.remove > 0);
    if (acts > 1)
        err_set(&err, ERR_USAGE, "one of --ignore, --keep-out and --remove at a time");
    else if ((r.ignore != NULL || r.keep_out != NULL) != (r.frame != NULL))
        err_set(&err, ERR_USAGE,
                "--ignore and --keep-out need --frame FRAME, a frame of the set-up they are for");
    if (err.code != ERR_NONE || !do_it(cli, &r, &err))
        return cli_fail(cli, &err);
    return cli_finish(cli, 0);
}
