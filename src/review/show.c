/* What the page reads: the session, what has changed, areas, the second round, what apply would do. */
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/frame.h"
#include "chaffinch/rank.h"
#include "handlers.h"
#include "json.h"

bool read_number(const char **rest, char end, int64_t *number)
{
    enum { DIGITS_MAX = 15 };
    const char *p = *rest;
    int64_t value = 0;
    while (*p >= '0' && *p <= '9' && p - *rest < DIGITS_MAX)
        value = value * 10 + (*p++ - '0');
    if (p == *rest || *p != end)
        return false;
    *rest = end != '\0' ? p + 1 : p;
    *number = value;
    return true;
}

/* ---- is anybody at work? -------------------------------------------------- */

/* A look at the list of locks, since trying the lock would hold it for a moment against a run that begins. */
static bool is_locked(const struct root *root)
{
    struct stat st;
    char line[256], wanted[64];
    bool found = false;
    if (root->fs->fstatat(root->fs->context, root->state, "lock", &st, 0) != 0)
        return false;
    (void)snprintf(wanted, sizeof wanted, ":%" PRIu64 " ", (uint64_t)st.st_ino);
    FILE *locks = fopen("/proc/locks", "re");
    if (locks == NULL)
        return false;
    while (!found && fgets(line, sizeof line, locks) != NULL)
        found = strstr(line, "FLOCK") != NULL && strstr(line, "->") == NULL && strstr(line, wanted) != NULL;
    (void)fclose(locks);
    return found;
}

void add_measuring(const struct desk *d, struct str *s)
{
    json_key(s, "measuring");
    str_printf(s, "{\"running\":%s,\"done\":%" PRIu64 ",\"total\":%" PRIu64 "}",
               is_locked(&d->session.root) ? "true" : "false", d->model.total - d->model.fresh,
               d->model.total);
}

/* ---- session and changes -------------------------------------------------- */

static void add_setups(const struct model *m, struct str *s)
{
    int64_t highest = 0;
    bool first = true;
    json_key(s, "setups");
    str_append_char(s, '[');
    for (size_t i = 0; i < m->n; i++) {
        int64_t setup = m->burst[i].setup;
        if (setup <= highest)
            continue;
        str_printf(s, "%s{\"setup\":%" PRId64 ",\"background\":\"picture/background/%" PRId64 "\"}",
                   first ? "" : ",", setup, setup);
        highest = setup;
        first = false;
    }
    str_append_char(s, ']');
}

void show_session(struct desk *d, const struct asked *asked, struct answer *a)
{
    (void)asked;
    answer_version(d, a);
    json_add_int(&a->body, "format", 1);
    json_add_text(&a->body, "name", d->name);
    json_add_bool(&a->body, "read_only", d->read_only);
    add_measuring(d, &a->body);
    add_setups(&d->model, &a->body);
    json_key(&a->body, "bursts");
    str_append_char(&a->body, '[');
    for (size_t i = 0; i < d->model.n; i++)
        str_printf(&a->body, "%s\n{%s}", i > 0 ? "," : "", d->model.burst[i].json);
    str_append(&a->body, "]}\n");
}

void show_changes(struct desk *d, const struct asked *asked, struct answer *a)
{
    int64_t since = 0;
    const char *text = asked->request->since;
    bool any = false;
    if (text == NULL || !read_number(&text, '\0', &since)) {
        answer_error(a, 400, "changes?since=VERSION");
        return;
    }
    if (since == d->model.version && !asked->late) {
        a->state = ANSWER_CHANGES;
        return;
    }
    if (since > d->model.version) /* of another run */
        since = 0;
    answer_version(d, a);
    add_measuring(d, &a->body);
    json_key(&a->body, "bursts");
    str_append_char(&a->body, '[');
    for (size_t i = 0; i < d->model.n; i++)
        if (d->model.burst[i].changed > since) {
            str_printf(&a->body, "%s%" PRId64, any ? "," : "", d->model.burst[i].number);
            any = true;
        }
    str_append(&a->body, "]}\n");
}

/* ---- areas ---------------------------------------------------------------- */

static bool add_area(void *context, const struct catalogue_area *area, struct err *err)
{
    struct str *s = context;
    (void)err;
    str_printf(s, "%s{\"id\":%" PRId64, s->size > 1 ? "," : "", area->id);
    json_add_int(s, "setup", area->setup);
    json_add_text(s, "kind", area->keep_out ? "keep-out" : "ignore");
    json_add_number(s, "x", area->x, 6);
    json_add_number(s, "y", area->y, 6);
    json_add_number(s, "w", area->w, 6);
    json_add_number(s, "h", area->h, 6);
    str_append_char(s, '}');
    return true;
}

void show_areas(struct desk *d, const struct asked *asked, struct answer *a)
{
    struct err err = ERR_INIT;
    (void)asked;
    answer_json(a);
    str_append_char(&a->body, '[');
    if (!catalogue_each_area(d->session.catalogue, add_area, &a->body, &err)) {
        answer_err(a, &err);
        return;
    }
    str_append(&a->body, "]\n");
}

/* ---- the second round ----------------------------------------------------- */

struct keepers {
    struct str *out;
    bool any;
};

static bool add_keeper(void *context, const struct catalogue_row *row, struct err *err)
{
    struct keepers *k = context;
    const struct catalogue_frame *f = &row->frame;
    bool known = row->has_item && (row->item.flags & RANK_F_NO_BLUR) == 0 && isfinite(row->item.blur_px);
    uint32_t edge = f->width_px > f->height_px ? f->width_px : f->height_px;
    char time[48] = "";
    (void)err;
    if (f->has_time)
        frame_time_format(f->time_ns, f->subsec_digits, f->has_offset, f->offset_min, time);
    str_printf(k->out, "%s\n{\"id\":%" PRId64, k->any ? "," : "", f->id);
    k->any = true;
    json_add_int(k->out, "burst", f->burst);
    json_add_int(k->out, "pass", row->choice.pass);
    json_key(k->out, "box");
    if (row->has_item && row->item.w_px > 0)
        str_printf(k->out, "[%" PRIu32 ",%" PRIu32 ",%" PRIu32 ",%" PRIu32 "]", row->item.x_px,
                   row->item.y_px, row->item.w_px, row->item.h_px);
    else
        str_append(k->out, "null");
    json_add_number(k->out, "blur_px", known ? row->item.blur_px : (double)NAN, 3);
    json_add_int(k->out, "good_to_px", known ? rank_good_to_px(row->item.blur_px, edge) : 0);
    json_add_bool(k->out, "shortlist", row->shortlist);
    json_add_int(k->out, "w", f->width_px);
    json_add_int(k->out, "h", f->height_px);
    json_add_int(k->out, "orientation", f->orientation > 0 ? f->orientation : 1);
    json_add_text(k->out, "time", time);
    json_add_text(k->out, "name", row->path != NULL ? row->path : f->name);
    str_append_char(k->out, '}');
    return true;
}

void show_shortlist(struct desk *d, const struct asked *asked, struct answer *a)
{
    const struct catalogue_filter kept = {.outcome = "keep"};
    struct keepers keepers = {.out = &a->body};
    struct err err = ERR_INIT;
    (void)asked;
    answer_version(d, a);
    json_key(&a->body, "frames");
    str_append_char(&a->body, '[');
    if (!catalogue_each_row(d->session.catalogue, &kept, add_keeper, &keepers, &err))
        answer_err(a, &err);
    else
        str_append(&a->body, "]}\n");
}

/* ---- after looking -------------------------------------------------------- */

/* As the shell takes it whole: in single quotes, and each of those as '\''. */
static void append_quoted(struct str *s, const char *word)
{
    str_append_char(s, '\'');
    for (; *word != '\0'; word++)
        if (*word == '\'')
            str_append(s, "'\\''");
        else
            str_append_char(s, *word);
    str_append_char(s, '\'');
}

static void add_moves(struct str *s, const char *key, uint64_t frames, uint64_t files, uint64_t bytes)
{
    json_key(s, key);
    str_printf(s, "{\"frames\":%" PRIu64 ",\"files\":%" PRIu64 ",\"bytes\":%" PRIu64 "}", frames, files,
               bytes);
}

void show_apply(struct desk *d, const struct asked *asked, struct answer *a)
{
    struct catalogue_moves moves;
    struct catalogue_counts counts;
    struct str command = STR_INIT;
    struct err err = ERR_INIT;
    char *real = realpath(d->session.root.path, NULL);
    (void)asked;
    str_append(&command, "chaffinch-apply ");
    append_quoted(&command, real != NULL ? real : d->session.root.path);
    str_append(&command, " --move");
    free(real);
    if (!str_ok(&command, &err) || !catalogue_count_moves(d->session.catalogue, &moves, &err) ||
        !catalogue_count(d->session.catalogue, &counts, &err))
        answer_err(a, &err);
    else {
        answer_version(d, a);
        add_moves(&a->body, "move", moves.frames, moves.files, moves.bytes);
        add_moves(&a->body, "back", moves.back_frames, moves.back_files, moves.back_bytes);
        json_add_text(&a->body, "command", command.bytes);
        json_add_int(&a->body, "undecided", (long long)counts.none);
        json_add_int(&a->body, "keep", (long long)counts.kept);
        json_add_int(&a->body, "reject", (long long)counts.rejected);
        str_append(&a->body, "}\n");
    }
    str_release(&command);
}

/* ---- where one left off --------------------------------------------------- */

void show_place(struct desk *d, const struct asked *asked, struct answer *a)
{
    char *value = NULL;
    struct err err = ERR_INIT;
    int64_t burst = 0, pass = 0;
    (void)asked;
    if (!catalogue_get_setting(d->session.catalogue, "review_place", &value, &err)) {
        answer_err(a, &err);
        return;
    }
    const char *rest = value != NULL ? value : "";
    if (!read_number(&rest, ' ', &burst) || !read_number(&rest, '\0', &pass))
        burst = pass = 0;
    free(value);
    answer_json(a);
    if (burst > 0)
        str_printf(&a->body, "{\"burst\":%" PRId64 ",\"pass\":%" PRId64 "}\n", burst, pass);
    else
        str_append(&a->body, "{\"burst\":null,\"pass\":null}\n");
}

void show_settings(struct desk *d, const struct asked *asked, struct answer *a)
{
    char *value = NULL;
    struct err err = ERR_INIT;
    (void)asked;
    if (!catalogue_get_setting(d->session.catalogue, "review_page", &value, &err)) {
        answer_err(a, &err);
        return;
    }
    answer_json(a);
    str_printf(&a->body, "{\"settings\":%s}\n", value != NULL ? value : "{}");
    free(value);
}
