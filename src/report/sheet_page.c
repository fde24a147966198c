/* The page: what the photographer wants to see first stands first. Of each pass the kept frames, large, above
   the line; the line with the curve; below it, small, what was rejected and why. */
#include "sheet.h"

#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "text.h"

/* ---- words ------------------------------------------------------------------ */

/* "1 May 2026" of a civil time. */
static void say_date(struct str *out, int64_t time_ns)
{
    static const char *const months[] = {"January",   "February", "March",    "April",
                                         "May",       "June",     "July",     "August",
                                         "September", "October",  "November", "December"};
    char date[TEXT_TIME_SIZE];
    text_date(date, time_ns);
    long month = strlen(date) == 10 ? strtol(date + 5, NULL, 10) : 0;
    if (month < 1 || month > 12) {
        str_append(out, date);
        return;
    }
    str_printf(out, "%ld %s %.4s", strtol(date + 8, NULL, 10), months[month - 1], date);
}

static void say_clock(struct str *out, const struct sheet_frame *f)
{
    char clock[TEXT_TIME_SIZE];
    if (f->has_time)
        str_append(out, text_clock(clock, f->time_ns, f->subsec_digits < 3 ? f->subsec_digits : 3));
}

static uint32_t long_edge(const struct sheet_frame *f)
{
    return f->width_px > f->height_px ? f->width_px : f->height_px;
}

static void say_good_to(struct str *out, const struct sheet_frame *f)
{
    uint32_t edge = long_edge(f), good = rank_good_to_px(f->blur_px, edge);
    if (good >= edge)
        str_printf(out, "sharp at its full %" PRIu32 " px", edge);
    else
        str_printf(out, "good to %" PRIu32 " px", good);
}

static void say_blur(struct str *out, const struct sheet_frame *f)
{
    if (!isfinite(f->blur_px)) {
        str_append(out, f->has_box ? "blur not known" : "no subject found");
        return;
    }
    str_append(out, "blur ");
    text_append_number(out, f->blur_px, 2);
    str_append(out, " px (");
    text_append_number(out, f->blur_low_px, 2);
    str_append(out, "\u2013");
    text_append_number(out, f->blur_high_px, 2);
    str_append(out, "), ");
    say_good_to(out, f);
}

static const char *why(const struct sheet_frame *f)
{
    if (f->decided_in_camera)
        return "Protected or rated in the camera.";
    if (f->decided)
        return f->outcome == SHEET_KEEP ? "Kept by a person's decision." : "Rejected by a person's decision.";
    return rank_reason_sentence(f->reason);
}

/* ---- pictures ---------------------------------------------------------------- */

static void put_image(struct str *out, const struct sheet_model *m, const struct sheet_picture *picture,
                      bool corners)
{
    const struct sheet_frame *f = &m->frame[picture->frame];
    str_append(out, "<div class=\"shot\"><img alt=\"");
    str_append_html(out, f->name);
    str_printf(out, "\" width=\"%" PRIu32 "\" height=\"%" PRIu32 "\" src=\"data:image/jpeg;base64,",
               picture->width_px, picture->height_px);
    str_append_base64(out, picture->jpeg, picture->size);
    str_append(out, "\">");
    if (corners)
        sheet_draw_ticks(out, m, picture);
    str_append(out, "</div>");
}

/* "1:1, 640 x 480 of 2400 x 1800 px": what the eye has before it. */
static void say_scale(struct str *out, const struct sheet_frame *f, const struct sheet_picture *picture)
{
    struct sheet_box whole = sheet_upright((struct sheet_box){0, 0, f->width_px, f->height_px}, f->width_px,
                                           f->height_px, f->orientation);
    struct sheet_box crop = picture->crop;
    if (crop.w == 0)
        crop = (struct sheet_box){0, 0, f->width_px, f->height_px};
    crop = sheet_upright(crop, f->width_px, f->height_px, f->orientation);
    double times = picture->width_px > 0 ? (double)crop.w / picture->width_px : 1;
    if (fabs(times - 1) < 0.02)
        str_append(out, "1:1");
    else {
        str_append(out, "1:");
        text_append_number(out, times, fabs(times - round(times)) < 0.05 ? 0 : 1);
    }
    str_printf(out, ", %" PRIu32 " \u00d7 %" PRIu32, crop.w, crop.h);
    if (crop.w != whole.w || crop.h != whole.h)
        str_printf(out, " of %" PRIu32 " \u00d7 %" PRIu32, whole.w, whole.h);
    str_append(out, " px");
}

static const struct sheet_picture *picture_of(const struct sheet_model *m, size_t frame, bool large)
{
    const struct sheet_picture *picture =
        m->frame[frame].picture > 0 ? &m->picture[m->frame[frame].picture - 1] : NULL;
    return picture != NULL && picture->large == large ? picture : NULL;
}

enum {
    PHONE_PX = 320
}; /* wider pictures are fitted to a phone's screen and to paper, and it says so there */

static void put_large(struct str *out, const struct sheet_model *m, size_t frame)
{
    const struct sheet_frame *f = &m->frame[frame];
    const struct sheet_picture *picture = picture_of(m, frame, true);
    bool shown = picture != NULL && picture->jpeg != NULL;
    str_append(out, "<figure");
    if (shown)
        str_printf(out, " style=\"width:%" PRIu32 "px\"", picture->width_px < 260 ? 260 : picture->width_px);
    str_append_char(out, '>');
    if (shown)
        put_image(out, m, picture, true);
    str_append(out, "<figcaption><span class=\"dot\">");
    if (f->rank > 0)
        str_printf(out, "%" PRIu32, f->rank);
    else
        str_append(out, "\u00a0");
    str_append(out, "</span><span class=\"name\">");
    str_append_html(out, f->name);
    str_append(out, "</span> <span class=\"num\">");
    say_clock(out, f);
    str_append(out, "</span><br><span class=\"num\">");
    say_blur(out, f);
    str_append(out, "</span><br>");
    str_append_html(out, why(f));
    str_append(out, "<br>");
    str_append(out, shown && picture->width_px > PHONE_PX ? "<span class=\"scale fit\">"
                                                          : "<span class=\"scale\">");
    if (shown)
        say_scale(out, f, picture);
    else
        str_append(out, picture == NULL || m->left_out ? "picture left out to keep this page small"
                                                       : "this picture could not be decoded");
    str_append(out, "</span></figcaption></figure>\n");
}

static void put_small(struct str *out, const struct sheet_model *m, size_t frame)
{
    const struct sheet_frame *f = &m->frame[frame];
    const struct sheet_picture *picture = picture_of(m, frame, false);
    str_append(out, picture != NULL && picture->crop.w == 0 ? "<figure class=\"plain\">" : "<figure>");
    if (picture != NULL && picture->jpeg != NULL)
        put_image(out, m, picture, false);
    str_append(out, "<figcaption>");
    str_append_html(out, text_leaf(f->name));
    str_append(out, "<span class=\"num fine\"><br>");
    say_clock(out, f);
    if (isfinite(f->blur_px)) {
        str_append(out, "<br>");
        text_append_number(out, f->blur_px, 2);
        str_append(out, " px, ");
        say_good_to(out, f);
    }
    if (f->decided)
        str_append(out, "<br>decided");
    str_append(out, "</span></figcaption></figure>\n");
}

/* ---- a pass ------------------------------------------------------------------ */

static void say_more(struct str *out, const struct sheet_model *m, const struct sheet_burst *burst,
                     enum sheet_outcome outcome, size_t more)
{
    static const char *const words[] = {
        [SHEET_NONE] = "none", [SHEET_KEEP] = "keep", [SHEET_REJECT] = "reject"};
    if (more == 0)
        return;
    str_printf(out, "<p class=\"more\">and %zu more: <code>chaffinch list &#39;", more);
    str_append_html(out, m->name);
    str_printf(out, "&#39; --frames --burst %" PRId64 " --outcome %s</code></p>\n", burst->number,
               words[outcome]);
}

static bool put_kept(struct str *out, const struct sheet_model *m, const struct sheet_burst *burst,
                     uint32_t pass, struct err *err)
{
    size_t *list, n, large = 0, small = 0;
    if (!sheet_kept_frames(m, burst, pass, &list, &n, err))
        return false;
    while (large < n && picture_of(m, list[large], true) != NULL)
        large++;
    if (large > 0)
        str_append(out, "<div class=\"above\">\n");
    for (size_t i = 0; i < large; i++)
        put_large(out, m, list[i]);
    if (large > 0)
        str_append(out, "</div>\n");
    if (n > large) {
        str_append(out, "<div class=\"below\"><div class=\"group\"><p><span class=\"bead\"></span>Kept as "
                        "well:</p><div class=\"few\">\n");
        for (size_t i = large; i < n; i++)
            if (picture_of(m, list[i], false) != NULL) {
                put_small(out, m, list[i]);
                small++;
            }
        str_append(out, "</div>");
        say_more(out, m, burst, SHEET_KEEP, n - large - small);
        str_append(out, "</div></div>\n");
    }
    free(list);
    return true;
}

static bool put_group(struct str *out, const struct sheet_model *m, const struct sheet_burst *burst,
                      const struct sheet_group *group, struct err *err)
{
    size_t *list, n, shown = 0;
    if (!sheet_group_frames(m, burst, group, &list, &n, err))
        return false;
    if (n > 0) {
        str_printf(out, "<div class=\"group\"><p><span class=\"%s\"></span>",
                   group->outcome == SHEET_NONE ? "post" : "ring");
        text_append_count(out, n, "frame");
        str_append(out, ". ");
        str_append_html(out, rank_reason_sentence(group->reason));
        if (group->outcome == SHEET_NONE)
            str_append(out, " For your eyes.");
        str_append(out, "</p><div class=\"few\">\n");
        for (size_t i = 0; i < n; i++)
            if (picture_of(m, list[i], false) != NULL) {
                put_small(out, m, list[i]);
                shown++;
            }
        str_append(out, "</div>");
        say_more(out, m, burst, group->outcome, n - shown);
        str_append(out, "</div>\n");
    }
    free(list);
    return true;
}

static bool put_groups(struct str *out, const struct sheet_model *m, const struct sheet_burst *burst,
                       uint32_t pass, struct err *err)
{
    bool ok = true;
    str_append(out, "<div class=\"below\">\n");
    for (int side = 0; ok && side < 2; side++)
        for (int reason = 1; ok && reason < RANK_REASONS; reason++) {
            const struct sheet_group group = {pass, side == 0 ? SHEET_NONE : SHEET_REJECT,
                                              (enum rank_reason)reason};
            ok = put_group(out, m, burst, &group, err);
        }
    str_append(out, "</div>\n");
    return ok;
}

/* Water glitter and reflections make passes whose frames all show a better subject as well. */
static bool stands_for_any(const struct sheet_model *m, const struct sheet_burst *burst, uint32_t pass)
{
    for (size_t f = burst->first; f < burst->first + burst->n; f++)
        if (m->frame[f].pass == pass)
            return true;
    return false;
}

static bool put_pass(struct str *out, const struct sheet_model *m, const struct sheet_burst *burst,
                     uint32_t pass, struct err *err)
{
    str_append(out, "<div class=\"pass\">\n");
    if (burst->passes > 1)
        str_printf(out, "<h3>Pass %" PRIu32 " of %" PRIu32 "</h3>\n", pass, burst->passes);
    if (!stands_for_any(m, burst, pass))
        str_append(out,
                   "<p class=\"note\">Its frames are judged by another subject that is in them too.</p>\n");
    if (!put_kept(out, m, burst, pass, err))
        return false;
    str_append(out, "<div class=\"course-row\">");
    sheet_draw_curve(out, m, burst, pass);
    sheet_draw_path(out, m, burst, pass);
    str_append(out, "</div>\n");
    bool ok = put_groups(out, m, burst, pass, err);
    str_append(out, "</div>\n");
    return ok;
}

/* ---- a burst ----------------------------------------------------------------- */

static void put_burst_head(struct str *out, const struct sheet_model *m, const struct sheet_burst *burst)
{
    const struct sheet_frame *first = &m->frame[burst->first], *last = first + burst->n - 1;
    size_t kept = 0;
    for (size_t f = burst->first; f < burst->first + burst->n; f++)
        kept += m->frame[f].outcome == SHEET_KEEP;
    str_append(out, "<div class=\"head\"><h2>");
    if (first->has_time)
        say_clock(out, first);
    else
        str_append(out, "No time");
    str_printf(out, "</h2><p class=\"when\">burst %" PRId64 ": ", burst->number);
    text_append_count(out, burst->n, "frame");
    if (burst->n > 1 && first->has_time) {
        str_append(out, " in ");
        text_append_number(out, (double)(last->estimated_ns - first->estimated_ns) / 1e9, 2);
        str_append(out, " s");
    }
    str_printf(out, ", %zu kept", kept);
    if (burst->setup > 0)
        str_printf(out, ", set-up %" PRId64, burst->setup);
    if (burst->perch)
        str_append(out, ", a perch burst");
    str_append(out, "</p></div>\n");
    if (burst->nothing_sharp && kept == 0)
        str_append(out, "<p class=\"note\">Nothing sharp enough to keep in this burst.</p>\n");
}

static bool put_burst(struct str *out, const struct sheet_model *m, const struct sheet_burst *burst,
                      struct err *err)
{
    str_printf(out, "<section id=\"b%" PRId64 "\">\n", burst->number);
    put_burst_head(out, m, burst);
    bool ok = true;
    for (uint32_t pass = 1; ok && pass <= burst->passes; pass++)
        ok = put_pass(out, m, burst, pass, err);
    ok = ok && put_kept(out, m, burst, 0, err) && put_groups(out, m, burst, 0, err);
    str_append(out, "</section>\n");
    return ok;
}

/* ---- for your eyes ----------------------------------------------------------- */

static void put_eyes_frame(struct str *out, const struct sheet_model *m, size_t frame, bool pictures)
{
    const struct sheet_frame *f = &m->frame[frame];
    if (pictures) {
        put_small(out, m, frame);
        return;
    }
    str_append(out, "<li><span class=\"name\">");
    str_append_html(out, f->name);
    str_append(out, "</span>");
    if (f->cause != NULL && f->cause[0] != '\0') {
        str_append(out, ": ");
        str_append_html(out, f->cause);
    }
    str_append(out, "</li>\n");
}

static void put_eyes_reason(struct str *out, const struct sheet_model *m, enum rank_reason reason)
{
    enum { NAMED_MAX = 60 };
    bool pictures = reason != RANK_UNREADABLE && reason != RANK_FORMAT;
    size_t n = 0, shown = 0;
    for (size_t f = 0; f < m->n_frames; f++)
        n += sheet_for_eyes(&m->frame[f]) && m->frame[f].reason == reason;
    if (n == 0)
        return;
    str_append(out, "<h3>");
    text_append_count(out, n, "frame");
    str_append(out, "</h3><p>");
    str_append_html(out, rank_reason_sentence(reason));
    str_append(out, pictures ? "</p>\n<div class=\"few\">" : "</p>\n<ul>");
    for (size_t f = 0; f < m->n_frames && shown < NAMED_MAX; f++) {
        if (!sheet_for_eyes(&m->frame[f]) || m->frame[f].reason != reason ||
            (pictures && picture_of(m, f, false) == NULL))
            continue;
        put_eyes_frame(out, m, f, pictures);
        shown++;
    }
    str_append(out, pictures ? "</div>\n" : "</ul>\n");
    if (n > shown) {
        str_printf(out, "<p class=\"more\">and %zu more: <code>chaffinch list &#39;", n - shown);
        str_append_html(out, m->name);
        str_append(out, "&#39; --frames --outcome none</code></p>\n");
    }
}

static void put_eyes(struct str *out, const struct sheet_model *m)
{
    size_t n = 0;
    for (size_t f = 0; f < m->n_frames; f++)
        n += sheet_for_eyes(&m->frame[f]);
    if (n == 0)
        return;
    str_append(out, "<section class=\"eyes\" id=\"eyes\"><div class=\"head\"><h2>For your eyes</h2><p "
                    "class=\"when\">");
    text_append_count(out, n, "frame");
    str_append(out, " that no one judged; they stay where they are</p></div>\n");
    for (int reason = 1; reason < RANK_REASONS; reason++)
        put_eyes_reason(out, m, (enum rank_reason)reason);
    str_append(out, "</section>\n");
}

/* ---- the page ---------------------------------------------------------------- */

static void say_when(struct str *out, const struct sheet_model *m)
{
    int64_t from = INT64_MAX, to = INT64_MIN;
    char a[TEXT_TIME_SIZE], b[TEXT_TIME_SIZE];
    for (size_t f = 0; f < m->n_frames; f++) {
        const struct sheet_frame *frame = &m->frame[f];
        if (!frame->has_time)
            continue;
        from = frame->time_ns < from ? frame->time_ns : from;
        to = frame->time_ns > to ? frame->time_ns : to;
    }
    if (from > to)
        return;
    str_append(out, "<p class=\"when\">");
    say_date(out, from);
    str_printf(out, ", %.5s \u2013 ", text_clock(a, from, 0));
    if (strcmp(text_date(a, from), text_date(b, to)) != 0) {
        say_date(out, to);
        str_append(out, ", ");
    }
    str_printf(out, "%.5s</p>\n", text_clock(b, to, 0));
}

static void say_sum(struct str *out, const struct sheet_model *m)
{
    str_append(out, "<p class=\"sum\">");
    text_append_count(out, m->n_frames, "frame");
    str_append(out, " in ");
    text_append_count(out, m->n_bursts, "burst");
    str_printf(out, ", %zu pass%s. <b>%zu kept</b>, %zu rejected, ", m->passes, m->passes == 1 ? "" : "es",
               m->keep, m->reject);
    str_printf(out, m->none > 0 ? "<a href=\"#eyes\">%zu for your eyes</a>" : "%zu for your eyes", m->none);
    if (m->unreadable > 0)
        str_printf(out, ", %zu of them unreadable", m->unreadable);
    str_append(out, ".</p>\n");
}

static void put_header(struct str *out, const struct sheet_model *m)
{
    str_append(out,
               "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n"
               "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
               "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; img-src data:; "
               "style-src 'unsafe-inline'\">\n<title>");
    str_append_html(out, m->name);
    str_append(out, "</title>\n<style>\n");
    str_append(out, sheet_style_look);
    str_append(out, sheet_style_screen);
    str_append(out, sheet_style_small);
    str_append(out, "</style></head>\n<body><header>\n<h1>");
    str_append_html(out, m->name);
    str_append(out, "</h1>\n");
    say_when(out, m);
    say_sum(out, m);
    sheet_draw_hours(out, m);
    str_append(out, "<div class=\"key\"><span><span class=\"bead\"></span>kept, above the line</span>"
                    "<span><span class=\"ring\"></span>rejected, below it</span>"
                    "<span><span class=\"post\"></span>for your eyes</span>"
                    "<span>the higher, the sharper</span></div>\n</header>\n<main>\n");
}

static void put_footer(struct str *out, const struct sheet_model *m)
{
    str_append(
        out,
        "</main>\n<footer class=\"about\">\n<p>Blur is the radius of a Gaussian that softens as much, in px "
        "of the "
        "full-size picture; in brackets one standard error either way. Good to N px: the longest edge at "
        "which the subject still looks sharp. The corners mark the subject that was measured. Numbers "
        "above the curve are ranks within the pass, 1 is sharpest.</p>\n");
    if (m->left_out)
        str_append(out, "<p>Some pictures were left out to keep this page small.</p>\n");
    str_append(out, "<p>Proposals, with the decisions of a person in them; this sheet moves nothing. Made by "
                    "chaffinch " CHAFFINCH_VERSION ".</p>\n</footer>\n</body></html>\n");
}

bool sheet_page(struct str *out, const struct sheet_model *m, struct err *err)
{
    bool ok = true;
    put_header(out, m);
    for (size_t b = 0; ok && b < m->n_bursts; b++)
        if (sheet_burst_shown(m, &m->burst[b]))
            ok = put_burst(out, m, &m->burst[b], err);
    put_eyes(out, m);
    put_footer(out, m);
    return ok && str_ok(out, err);
}
