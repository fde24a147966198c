/*
 * The drawings. Their places are per cent of the width and px of the height, so that they fit a phone, a
 * screen and a sheet of paper with round dots and text of one size. Only the line of a curve cannot be given
 * in per cent: it is stretched in a box of its own.
 *
 * Kept = a filled dot above the line, rejected = a hollow dot below it, undecided = a mark on it.
 */
#include "sheet.h"

#include <inttypes.h>
#include <math.h>
#include <string.h>

#include "text.h"

/* Blur as height, 0 (top, at .35 px) .. 1 (8 px and more): one step of the scale doubles the blur. */
static double depth_of(double blur_px)
{
    double steps = (log2(blur_px / 0.7) + 1) / 4.5;
    return steps < 0 ? 0 : steps > 1 ? 1 : steps;
}

static void put(struct str *out, const char *key, double value, int decimals, const char *unit)
{
    str_printf(out, " %s=\"", key);
    text_append_number(out, value, decimals);
    str_printf(out, "%s\"", unit);
}

static void put_dot(struct str *out, const char *kind, double x_percent, double y_px, double r_px)
{
    str_printf(out, "<circle class=\"%s\"", kind);
    put(out, "cx", x_percent, 2, "%");
    put(out, "cy", y_px, 1, "");
    put(out, "r", r_px, 1, "");
    str_append(out, "/>");
}

static void put_line(struct str *out, const char *kind, double x1, double y1, double x2, double y2)
{
    str_printf(out, "<line class=\"%s\"", kind);
    put(out, "x1", x1, 2, "%");
    put(out, "y1", y1, 1, "");
    put(out, "x2", x2, 2, "%");
    put(out, "y2", y2, 1, "");
    str_append(out, "/>");
}

static void put_text(struct str *out, const char *anchor, double x_percent, double y_px, const char *text)
{
    str_printf(out, "<text text-anchor=\"%s\"", anchor);
    put(out, "x", x_percent, 2, "%");
    put(out, "y", y_px, 1, "");
    str_printf(out, ">%s</text>", text);
}

double sheet_best_blur(const struct sheet_model *m, const struct sheet_burst *burst, uint32_t pass)
{
    double best = NAN;
    for (size_t i = burst->first_point; i < burst->first_point + burst->n_points; i++)
        if (m->point[i].pass == pass && m->point[i].complete && !(m->point[i].blur_px >= best) &&
            isfinite(m->point[i].blur_px))
            best = m->point[i].blur_px;
    return best;
}

/* ---- the line of hours ------------------------------------------------------ */

enum { HOURS_HEIGHT = 128, HOURS_LINE = 98, HOURS_TOP = 18 };

struct span {
    int64_t from_ns, to_ns;
    double left, right; /* per cent */
};

static double across(const struct span *span, int64_t ns)
{
    double share = span->to_ns > span->from_ns
                       ? (double)(ns - span->from_ns) / (double)(span->to_ns - span->from_ns)
                       : 0.5;
    return span->left + share * (span->right - span->left);
}

static bool hours_span(const struct sheet_model *m, struct span *span)
{
    bool any = false;
    for (size_t f = 0; f < m->n_frames; f++) {
        const struct sheet_frame *frame = &m->frame[f];
        if (!frame->has_time)
            continue;
        span->from_ns = any && span->from_ns < frame->time_ns ? span->from_ns : frame->time_ns;
        span->to_ns = any && span->to_ns > frame->time_ns ? span->to_ns : frame->time_ns;
        any = true;
    }
    return any;
}

/* Marks at round times, eight at most. */
static void draw_clock(struct str *out, const struct span *span)
{
    static const int64_t steps_min[] = {1, 2, 5, 10, 15, 30, 60, 120, 180, 360, 720, 1440, 2880, 10080};
    const int64_t minute_ns = INT64_C(60000000000);
    enum { N_STEPS = sizeof steps_min / sizeof steps_min[0], MARKS = 7 };
    size_t s = 0;
    while (s + 1 < N_STEPS && (span->to_ns - span->from_ns) / (steps_min[s] * minute_ns) > MARKS)
        s++;
    int64_t step = steps_min[s] * minute_ns, last = (span->to_ns - span->from_ns) / step;
    int64_t first = span->from_ns - ((span->from_ns % step) + step) % step;
    for (int64_t k = 0; k <= last + 1 && last <= 100; k++) {
        int64_t t = first + k * step;
        char clock[TEXT_TIME_SIZE];
        if (t < span->from_ns || t > span->to_ns)
            continue;
        if (step >= 1440 * minute_ns)
            text_date(clock, t);
        else
            text_clock(clock, t, 0)[5] = '\0';
        put_line(out, "tick", across(span, t), HOURS_LINE, across(span, t), HOURS_LINE + 5);
        put_text(out, "middle", across(span, t), HOURS_LINE + 20, clock);
    }
}

static void draw_hours_pass(struct str *out, const struct sheet_model *m, const struct sheet_burst *burst,
                            uint32_t pass, const struct span *span)
{
    double best = sheet_best_blur(m, burst, pass), sum = 0;
    size_t n = 0, kept = 0;
    for (size_t f = burst->first; f < burst->first + burst->n; f++) {
        const struct sheet_frame *frame = &m->frame[f];
        if (frame->pass != pass)
            continue;
        kept += frame->outcome == SHEET_KEEP;
        if (frame->has_time) {
            sum += (double)(frame->time_ns - span->from_ns);
            n++;
        }
    }
    if (n == 0)
        return;
    double x = across(span, span->from_ns + (int64_t)(sum / (double)n));
    double y = isfinite(best) ? HOURS_TOP + depth_of(best) * (HOURS_LINE - HOURS_TOP - 10) : HOURS_LINE - 6;
    str_printf(out, "<a href=\"#b%" PRId64 "\"><title>burst %" PRId64 ", kept %zu</title>", burst->number,
               burst->number, kept);
    put_line(out, "stem", x, HOURS_LINE, x, y);
    put_dot(out, kept > 0 ? "keep" : "reject", x, y, kept > 0 ? 5.5 : 4);
    str_append(out, "</a>");
}

void sheet_draw_hours(struct str *out, const struct sheet_model *m)
{
    struct span span = {.left = 3, .right = 97};
    if (!hours_span(m, &span))
        return;
    str_printf(out,
               "<svg class=\"hours\" role=\"img\" width=\"100%%\" height=\"%d\"><title>The passes of the "
               "session in time; the higher, the sharper</title>",
               HOURS_HEIGHT);
    put_line(out, "base", 0, HOURS_LINE, 100, HOURS_LINE);
    draw_clock(out, &span);
    for (size_t b = 0; b < m->n_bursts; b++)
        for (uint32_t pass = 1; sheet_burst_shown(m, &m->burst[b]) && pass <= m->burst[b].passes; pass++)
            draw_hours_pass(out, m, &m->burst[b], pass, &span);
    str_append(out, "</svg>\n");
}

/* ---- the curve of a pass ---------------------------------------------------- */

enum { CURVE_HEIGHT = 186, CURVE_TOP = 22, CURVE_LOW = 122, CURVE_LINE = 150 };

static double curve_y(double blur_px)
{
    return CURVE_TOP + depth_of(blur_px) * (CURVE_LOW - CURVE_TOP);
}

/* Lines at the blur that is just not seen at the full long edge, its half, a quarter, an eighth. */
static void draw_scale(struct str *out, uint32_t long_edge_px)
{
    for (int k = 0; k < 4; k++) {
        char text[TEXT_NUMBER_SIZE];
        double y = curve_y(0.7 * (1 << k));
        put_line(out, "grid", 9, y, 99, y);
        if (long_edge_px > 0) {
            text_number(text, long_edge_px >> k, 0);
            put_text(out, "end", 8, y + 4, text);
        }
    }
}

static void draw_course(struct str *out, const struct sheet_model *m, const struct sheet_burst *burst,
                        uint32_t pass, const struct span *span)
{
    bool started = false;
    str_printf(out,
               "<svg width=\"100%%\" height=\"%d\" viewBox=\"0 0 1000 %d\" preserveAspectRatio=\"none\">"
               "<path class=\"course\" d=\"",
               CURVE_HEIGHT, CURVE_HEIGHT);
    for (size_t i = burst->first_point; i < burst->first_point + burst->n_points; i++) {
        const struct sheet_point *p = &m->point[i];
        if (p->pass != pass || !isfinite(p->blur_px) || !p->complete)
            continue;
        str_append_char(out, started ? 'L' : 'M');
        text_append_number(out, 10 * across(span, m->frame[p->frame].estimated_ns), 1);
        str_append_char(out, ' ');
        text_append_number(out, curve_y(p->blur_px), 1);
        started = true;
    }
    str_append(out, "\"/></svg>");
}

/* A subject on the curve: where its frame is kept, with its error bar and its rank. */
static void draw_point(struct str *out, const struct sheet_model *m, const struct sheet_point *p,
                       const struct span *span)
{
    const struct sheet_frame *f = &m->frame[p->frame];
    bool kept = f->outcome == SHEET_KEEP && f->pass == p->pass;
    if (!isfinite(p->blur_px))
        return;
    double x = across(span, f->estimated_ns), y = curve_y(p->blur_px);
    if (!kept) {
        put_dot(out, p->complete ? "seen" : "seen part", x, y, 1.8);
        return;
    }
    put_line(out, "drop", x, y, x, CURVE_LINE);
    if (isfinite(f->blur_low_px) && isfinite(f->blur_high_px))
        put_line(out, "bar", x, curve_y(f->blur_low_px), x, curve_y(f->blur_high_px));
    put_dot(out, "keep", x, y, 4.5);
    if (f->rank > 0) {
        char rank[TEXT_NUMBER_SIZE];
        put_text(out, "middle", x, y - 8, text_number(rank, f->rank, 0));
    }
}

/* What becomes of each frame, above, on and below the line. */
static void draw_outcome(struct str *out, const struct sheet_frame *f, const struct span *span)
{
    double x = across(span, f->estimated_ns);
    if (f->outcome == SHEET_KEEP)
        put_dot(out, "keep", x, CURVE_LINE - 7, 4);
    else if (f->outcome == SHEET_REJECT)
        put_dot(out, "reject", x, CURVE_LINE + 7, 2.6);
    else
        put_line(out, "open", x, CURVE_LINE - 4, x, CURVE_LINE + 4);
}

static void draw_times(struct str *out, const struct sheet_frame *first, const struct sheet_frame *last)
{
    char clock[TEXT_TIME_SIZE], seconds[TEXT_NUMBER_SIZE + 8];
    if (!first->has_time)
        return;
    put_text(out, "start", 9, CURVE_HEIGHT - 4,
             text_clock(clock, first->time_ns, first->subsec_digits < 3 ? first->subsec_digits : 3));
    text_number(seconds, (double)(last->estimated_ns - first->estimated_ns) / 1e9, 2);
    str_append(out, "<text text-anchor=\"end\" x=\"99%\"");
    put(out, "y", CURVE_HEIGHT - 4, 0, "");
    str_printf(out, ">+%s s</text>", seconds);
}

void sheet_draw_curve(struct str *out, const struct sheet_model *m, const struct sheet_burst *burst,
                      uint32_t pass)
{
    if (burst->n == 0)
        return;
    const struct sheet_frame *first = &m->frame[burst->first], *last = first + burst->n - 1;
    struct span span = {first->estimated_ns, last->estimated_ns, 10, 98};
    uint32_t w = 0;
    for (size_t f = burst->first; f < burst->first + burst->n; f++) {
        uint32_t edge =
            m->frame[f].width_px > m->frame[f].height_px ? m->frame[f].width_px : m->frame[f].height_px;
        w = edge > w ? edge : w;
    }
    str_printf(
        out,
        "<svg class=\"curve\" role=\"img\" width=\"100%%\" height=\"%d\"><title>Sharpness over time; the "
        "numbers at the left: good to so many px</title>",
        CURVE_HEIGHT);
    put_text(out, "start", 0, 10, "sharp at \xe2\x80\xa6 px");
    draw_scale(out, w);
    put_line(out, "base", 9, CURVE_LINE, 99, CURVE_LINE);
    draw_course(out, m, burst, pass, &span);
    for (size_t i = burst->first_point; i < burst->first_point + burst->n_points; i++)
        if (m->point[i].pass == pass)
            draw_point(out, m, &m->point[i], &span);
    for (size_t f = burst->first; f < burst->first + burst->n; f++)
        if (m->frame[f].pass == pass || (m->frame[f].pass == 0 && pass == 1))
            draw_outcome(out, &m->frame[f], &span);
    draw_times(out, first, last);
    str_append(out, "</svg>\n");
}

/* ---- where the subject went ------------------------------------------------- */

void sheet_draw_path(struct str *out, const struct sheet_model *m, const struct sheet_burst *burst,
                     uint32_t pass)
{
    const struct sheet_frame *any = &m->frame[burst->first];
    struct sheet_box full = {0, 0, any->width_px, any->height_px};
    full = sheet_upright(full, any->width_px, any->height_px, any->orientation);
    if (burst->n == 0 || full.w == 0 || full.h == 0)
        return;
    double k = 1000.0 / (full.w > full.h ? full.w : full.h);
    str_append(out, "<svg class=\"path\" role=\"img\" viewBox=\"0 0 ");
    text_append_number(out, full.w * k, 0);
    str_append_char(out, ' ');
    text_append_number(out, full.h * k, 0);
    str_append(out, "\"><title>Where the subject was in the frame</title>");
    for (size_t i = burst->first_point; i < burst->first_point + burst->n_points; i++) {
        const struct sheet_point *p = &m->point[i];
        const struct sheet_frame *f = &m->frame[p->frame];
        if (p->pass != pass || (uint64_t)p->box.x + p->box.w > f->width_px ||
            (uint64_t)p->box.y + p->box.h > f->height_px)
            continue;
        struct sheet_box box = sheet_upright(p->box, f->width_px, f->height_px, f->orientation);
        bool kept = f->outcome == SHEET_KEEP && f->pass == pass;
        str_printf(out, "<circle class=\"%s\"", kept ? "keep" : "reject");
        put(out, "cx", (box.x + box.w / 2.0) * k, 0, "");
        put(out, "cy", (box.y + box.h / 2.0) * k, 0, "");
        put(out, "r", kept ? 26 : 15, 0, "");
        str_append(out, "/>");
    }
    str_append(out, "</svg>\n");
}

/* ---- the subject's corners over a picture ------------------------------------ */

static void draw_corner(struct str *out, double x, double y, double dx, double dy)
{
    str_append_char(out, 'M');
    text_append_number(out, x + dx, 1);
    str_append_char(out, ' ');
    text_append_number(out, y, 1);
    str_append_char(out, 'H');
    text_append_number(out, x, 1);
    str_append_char(out, 'V');
    text_append_number(out, y + dy, 1);
}

static void draw_corners(struct str *out, const char *kind, double x, double y, double w, double h)
{
    double arm = fmin(w, h) * 0.16;
    str_printf(out, "<path class=\"%s\" d=\"", kind);
    draw_corner(out, x, y, arm, arm);
    draw_corner(out, x + w, y, -arm, arm);
    draw_corner(out, x, y + h, arm, -arm);
    draw_corner(out, x + w, y + h, -arm, -arm);
    str_append(out, "\"/>");
}

void sheet_draw_ticks(struct str *out, const struct sheet_model *m, const struct sheet_picture *picture)
{
    const struct sheet_frame *f = &m->frame[picture->frame];
    struct sheet_box crop = picture->crop, box = f->box;
    if (crop.w == 0)
        crop = (struct sheet_box){0, 0, f->width_px, f->height_px};
    if (!f->has_box || box.x < crop.x || box.y < crop.y || box.x + box.w > crop.x + crop.w ||
        box.y + box.h > crop.y + crop.h)
        return;
    box.x -= crop.x;
    box.y -= crop.y;
    box = sheet_upright(box, crop.w, crop.h, f->orientation);
    struct sheet_box whole =
        sheet_upright((struct sheet_box){0, 0, crop.w, crop.h}, crop.w, crop.h, f->orientation);
    str_printf(out,
               "<svg class=\"ticks\" viewBox=\"0 0 %" PRIu32 " %" PRIu32 "\" preserveAspectRatio=\"none\" "
               "aria-hidden=\"true\">",
               whole.w, whole.h);
    draw_corners(out, "under", box.x, box.y, box.w, box.h);
    draw_corners(out, "over", box.x, box.y, box.w, box.h);
    str_append(out, "</svg>");
}
