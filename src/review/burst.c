/* One burst with all its frames and subjects. */
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "chaffinch/rank.h"
#include "handlers.h"
#include "json.h"

static double middle_x(const struct catalogue_item *i)
{
    return i->x_px + i->w_px / 2.0;
}

static double middle_y(const struct catalogue_item *i)
{
    return i->y_px + i->h_px / 2.0;
}

/* Where the subject flies to: from its place in the frame before to that in the frame behind, of those that
   have it. null where it is seen once, or stays. */
static void add_heading(struct str *s, const struct catalogue_items *items, size_t at)
{
    const struct catalogue_item *own = &items->item[at], *from = own, *to = own;
    for (size_t i = at; i-- > 0 && from == own;)
        if (items->item[i].pass == own->pass)
            from = &items->item[i];
    for (size_t i = at + 1; i < items->n && to == own; i++)
        if (items->item[i].pass == own->pass)
            to = &items->item[i];
    double dx = middle_x(to) - middle_x(from), dy = middle_y(to) - middle_y(from), length = hypot(dx, dy);
    json_key(s, "heading");
    if (length < 2) {
        str_append(s, "null");
        return;
    }
    str_append_char(s, '[');
    json_number(s, dx / length, 3);
    str_append_char(s, ',');
    json_number(s, dy / length, 3);
    str_append_char(s, ']');
}

static void add_subject(struct str *s, const struct catalogue_items *items, size_t at, uint32_t edge_px)
{
    const struct catalogue_item *i = &items->item[at];
    bool known = (i->flags & RANK_F_NO_BLUR) == 0 && isfinite(i->blur_px);
    str_printf(s, "{\"pass\":%" PRIu32, i->pass);
    json_add_int(s, "x", i->x_px);
    json_add_int(s, "y", i->y_px);
    json_add_int(s, "w", i->w_px);
    json_add_int(s, "h", i->h_px);
    json_add_number(s, "score", i->score, 4);
    json_add_number(s, "blur_px", known ? i->blur_px : (double)NAN, 3);
    json_add_number(s, "low_px", known ? i->blur_low_px : (double)NAN, 3);
    json_add_number(s, "high_px", known ? i->blur_high_px : (double)NAN, 3);
    json_add_int(s, "good_to_px", known ? rank_good_to_px(i->blur_px, edge_px) : 0);
    json_add_number(s, "clipped", i->part[RANK_CLIPPED], 4);
    json_add_bool(s, "cut", i->flags & RANK_F_CUT);
    json_add_bool(s, "at_rest", i->flags & RANK_F_AT_REST);
    json_add_bool(s, "hidden", i->flags & RANK_F_HIDDEN);
    add_heading(s, items, at);
    str_append_char(s, '}');
}

static void add_subjects(struct str *s, const struct catalogue_frame *f, const struct catalogue_items *items)
{
    bool any = false;
    json_key(s, "subjects");
    str_append_char(s, '[');
    for (size_t i = 0; i < items->n; i++) {
        if (items->item[i].frame != f->id || items->item[i].pass == 0)
            continue;
        if (any)
            str_append_char(s, ',');
        any = true;
        add_subject(s, items, i, f->width_px > f->height_px ? f->width_px : f->height_px);
    }
    str_append_char(s, ']');
}

/* Exposure times are named as cameras do: 1/3200, and 2 s as 2. */
static void add_exposure(struct str *s, const struct catalogue_frame *f)
{
    char text[40] = "";
    if (f->exposure_s > 0 && f->exposure_s < .4)
        (void)snprintf(text, sizeof text, "1/%ld", lround(1 / f->exposure_s));
    json_key(s, "shutter");
    if (text[0] != '\0')
        json_text(s, text);
    else {
        str_append_char(s, '"');
        if (f->exposure_s > 0)
            json_number(s, f->exposure_s, 1);
        str_append_char(s, '"');
    }
    json_key(s, "aperture");
    str_append(s, f->f_number > 0 ? "\"f/" : "\"");
    if (f->f_number > 0)
        json_number(s, f->f_number, 1);
    str_append_char(s, '"');
    json_add_number(s, "iso", f->iso > 0 ? f->iso : (double)NAN, 0);
    json_add_number(s, "focal_mm", f->focal_mm > 0 ? f->focal_mm : (double)NAN, 1);
}

static enum rank_reason reason_of(const struct catalogue_row *row)
{
    enum rank_reason reason = rank_reason_of_token(row->choice.reason);
    if (row->choice.proposal[0] != '\0' && reason != RANK_REASONS)
        return reason;
    return strcmp(row->frame.state, "unreadable") == 0 ? RANK_UNREADABLE
           : strcmp(row->frame.state, "format") == 0   ? RANK_FORMAT
                                                       : RANK_NOT_SCORED;
}

static void add_judgement(struct str *s, const struct catalogue_row *row)
{
    enum rank_reason reason = reason_of(row);
    static const char *const decisions[] = {
        [CATALOGUE_UNDECIDED] = "", [CATALOGUE_KEEP] = "keep", [CATALOGUE_REJECT] = "reject"};
    json_add_int(s, "pass", row->choice.pass);
    json_add_int(s, "rank", row->choice.rank);
    json_add_text(s, "proposal", row->choice.proposal[0] != '\0' ? row->choice.proposal : "none");
    json_add_text(s, "reason", rank_reason_token(reason));
    json_add_text(s, "sentence", rank_reason_sentence(reason));
    json_add_text(s, "decision", decisions[row->decision]);
    json_add_bool(s, "in_camera", row->decided_in_camera);
    json_add_bool(s, "accepted", row->accepted);
    json_add_text(s, "outcome", row->outcome);
    json_add_bool(s, "shortlist", row->shortlist);
    json_add_number(s, "clipped", row->has_item ? row->item.part[RANK_CLIPPED] : (double)NAN, 4);
}

static void add_picture(struct str *s, const struct catalogue_frame *f)
{
    json_add_text(s, "state", f->state);
    json_add_text(s, "cause", f->cause);
    json_add_int(s, "w", f->width_px);
    json_add_int(s, "h", f->height_px);
    json_add_int(s, "orientation", f->orientation > 0 ? f->orientation : 1);
    json_add_text(s, "judged_on", f->judged_on);
    json_add_int(s, "judged_w", f->judged_width_px);
    json_add_int(s, "judged_h", f->judged_height_px);
}

struct frames {
    struct str *out;
    const struct catalogue_items *items;
    const struct model_burst *burst;
    bool any;
};

static bool add_frame(void *context, const struct catalogue_row *row, struct err *err)
{
    struct frames *frames = context;
    struct str *s = frames->out;
    const struct catalogue_frame *f = &row->frame;
    const char *path = row->path != NULL ? row->path : f->name, *slash = strrchr(path, '/');
    (void)err;
    str_printf(s, "%s\n{\"id\":%" PRId64, frames->any ? "," : "", f->id);
    frames->any = true;
    json_add_text(s, "name", slash != NULL ? slash + 1 : path);
    json_add_text(s, "path", path);
    json_add_int(s, "position", f->position);
    json_add_number(s, "t_ms",
                    f->has_time && frames->burst->has_time
                        ? (double)(f->estimated_ns - frames->burst->start_ns) / 1e6
                        : (double)NAN,
                    1);
    add_picture(s, f);
    add_exposure(s, f);
    add_judgement(s, row);
    add_subjects(s, f, frames->items);
    str_append_char(s, '}');
    return true;
}

static bool find_size(void *context, const struct catalogue_row *row, struct err *err)
{
    uint32_t *size = context;
    (void)err;
    if (row->frame.width_px > size[0]) {
        size[0] = row->frame.width_px;
        size[1] = row->frame.height_px;
    }
    return true;
}

static bool write_burst(struct desk *d, const struct model_burst *b, struct answer *a, struct err *err)
{
    struct catalogue_items items = {0};
    struct frames frames = {.out = &a->body, .items = &items, .burst = b};
    const struct catalogue_filter filter = {.burst = b->number};
    struct catalogue *c = d->session.catalogue;
    uint32_t size[2] = {0};
    answer_version(d, a);
    json_add_int(&a->body, "format", 1);
    str_append(&a->body, strchr(b->json, ',')); /* "frames" is the list here */
    bool ok = catalogue_items_load(&items, c, b->number, err) &&
              catalogue_each_row(c, &filter, find_size, size, err);
    json_add_int(&a->body, "w", size[0]);
    json_add_int(&a->body, "h", size[1]);
    json_key(&a->body, "background");
    if (b->setup > 0)
        str_printf(&a->body, "\"picture/background/%" PRId64 "\"", b->setup);
    else
        str_append(&a->body, "null");
    json_key(&a->body, "frames");
    str_append_char(&a->body, '[');
    ok = ok && catalogue_each_row(c, &filter, add_frame, &frames, err);
    str_append(&a->body, "]}\n");
    catalogue_items_release(&items);
    return ok;
}

void show_burst(struct desk *d, const struct asked *asked, struct answer *a)
{
    const char *rest = asked->rest;
    int64_t number;
    struct err err = ERR_INIT;
    const struct model_burst *b = read_number(&rest, '\0', &number) ? model_find(&d->model, number) : NULL;
    if (b == NULL)
        answer_error(a, 404, "there is no such burst");
    else if (!write_burst(d, b, a, &err))
        answer_err(a, &err);
}
