/* The lesson as one self-contained page: the empty background of each set-up with the flights, the places
   where the birds were sharpest, and what to do. */
#include "lesson.h"

#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "sheet.h"
#include "text.h"

enum { PICTURE_EDGE_PX = 1000, PICTURE_QUALITY = 70 };

static const char style[] =
    "<style>body{font:16px/1.5 system-ui,sans-serif;margin:0 auto;max-width:60rem;padding:1rem;color:#222;"
    "background:#fff}h1{font-size:1.4rem}h2{font-size:1.2rem;border-top:2px solid #999;padding-top:1rem}"
    "figure{margin:0;position:relative}svg{width:100%;height:auto;display:block;background:#ddd}"
    "figcaption{font-size:.85rem;color:#555}dt{font-weight:600;margin-top:.6rem}dd{margin:0}"
    ".few{color:#777}table{border-collapse:collapse;margin:.5rem 1.5rem .5rem 0;display:inline-table;"
    "vertical-align:top}td,th{padding:.1rem .6rem;text-align:right;border-bottom:1px solid #ddd}"
    "caption{text-align:left;font-weight:600}th{font-weight:400;text-align:left}td{white-space:nowrap}"
    ".wide{overflow-x:auto}.note{margin:.3rem 0;color:#555}"
    "@media print{body{max-width:none}h2{break-before:auto}dd,dt,figure,table{break-inside:avoid}}</style>";

struct page {
    const struct lesson *lesson;
    const struct report_lesson_options *options;
    const struct report_crops *crops;
    struct str *out;
};

struct picture {
    struct str *out;
    uint32_t width, height; /* of the upright frame */
    bool there;
};

static bool take_picture(void *context, size_t index, const uint8_t *jpeg, size_t size, uint32_t width_px,
                         uint32_t height_px, const char *cause, struct err *err)
{
    struct picture *p = context;
    (void)index;
    (void)width_px;
    (void)height_px;
    (void)cause;
    (void)err;
    if (jpeg == NULL)
        return true;
    str_printf(p->out, "<image width=\"%" PRIu32 "\" height=\"%" PRIu32 "\" href=\"data:image/jpeg;base64,",
               p->width, p->height);
    str_append_base64(p->out, jpeg, size);
    str_append(p->out, "\"/>");
    p->there = true;
    return true;
}

/* A frame in which nothing was found, of a burst rather than a single one, which may show the photographer
   with the focus aid; else any. */
static int64_t background_frame(const struct lesson *l, int64_t setup)
{
    int64_t any = 0;
    for (size_t i = 0; i < l->n_bursts; i++) {
        const struct lesson_burst *b = &l->burst[i];
        if (b->setup != setup)
            continue;
        if (b->empty_frame != 0 && b->n_frames >= LESSON_BURST_FRAMES)
            return b->empty_frame;
        any = any == 0 ? b->any_frame : any;
    }
    return any;
}

static void draw_flight(struct str *out, const struct lesson *l, const struct lesson_pass *pass, double unit)
{
    str_printf(
        out,
        "<polyline fill=\"none\" stroke=\"#ffd84d\" stroke-width=\"%.1f\" stroke-opacity=\".8\" points=\"",
        2 * unit);
    for (size_t i = 0; i < pass->n; i++)
        str_printf(out, "%.0f,%.0f ", l->sample[pass->first + i].x, l->sample[pass->first + i].y);
    str_append(out, "\"/>");
}

static void draw_place(struct str *out, const struct lesson_pass *pass, double unit)
{
    str_printf(
        out,
        "<circle cx=\"%.0f\" cy=\"%.0f\" r=\"%.1f\" fill=\"#e4002b\" stroke=\"#fff\" stroke-width=\"%.1f\">"
        "<title>burst %" PRId64 ", pass %" PRIu32 "</title></circle>",
        pass->fit.x, pass->fit.y, 7 * unit, 2 * unit, pass->burst, pass->pass);
}

/* The mean place with its spread, or the line along which the places lie. */
static void draw_plane(struct str *out, const struct lesson_setup *s, double unit)
{
    const struct lesson_plane *p = &s->plane;
    if (p->n < 2)
        return;
    if (p->has_line)
        str_printf(out,
                   "<line x1=\"%.0f\" y1=\"0\" x2=\"%.0f\" y2=\"%" PRIu32
                   "\" stroke=\"#e4002b\" stroke-width=\"%.1f\" stroke-dasharray=\"%.0f\"/>",
                   p->x - p->slope * p->y, p->x + p->slope * (s->height - p->y), s->height, 3 * unit,
                   12 * unit);
    str_printf(
        out,
        "<ellipse cx=\"%.0f\" cy=\"%.0f\" rx=\"%.0f\" ry=\"%.0f\" fill=\"#e4002b\" fill-opacity=\".15\" "
        "stroke=\"#fff\" stroke-width=\"%.1f\"/>",
        p->x, p->y, fmax(p->sd_x, 4 * unit), fmax(p->sd_y, 4 * unit), 2 * unit);
    str_printf(out,
               "<path d=\"M%.0f %.0fm%.0f 0h%.0fm%.0f %.0fv%.0f\" stroke=\"#fff\" stroke-width=\"%.1f\"/>",
               p->middle_x, p->middle_y, -15 * unit, 30 * unit, -15 * unit, -15 * unit, 30 * unit, 4 * unit);
}

static bool draw_setup(struct page *page, const struct lesson_setup *s, struct err *err)
{
    double unit = (s->width > s->height ? s->width : s->height) / 1000.0;
    struct picture picture = {page->out, s->width, s->height, false};
    const struct session_crop crop = {.frame = background_frame(page->lesson, s->number),
                                      .max_edge_px = PICTURE_EDGE_PX,
                                      .quality = PICTURE_QUALITY};
    if (s->width == 0 || s->height == 0)
        return true;
    str_printf(page->out,
               "<figure><svg viewBox=\"0 0 %" PRIu32 " %" PRIu32
               "\" role=\"img\"><title>flights and places of "
               "least blur</title>",
               s->width, s->height);
    if (crop.frame != 0 && !page->crops->get(page->crops->context, &crop, 1, take_picture, &picture, err))
        return false;
    for (size_t i = 0; i < page->lesson->n_passes; i++)
        if (page->lesson->pass[i].trusted && lesson_is_of(page->lesson, &page->lesson->pass[i], s->number))
            draw_flight(page->out, page->lesson, &page->lesson->pass[i], unit);
    draw_plane(page->out, s, unit);
    for (size_t i = 0; i < page->lesson->n_passes; i++)
        if (lesson_is_of(page->lesson, &page->lesson->pass[i], s->number) &&
            page->lesson->pass[i].fit.crosses)
            draw_place(page->out, &page->lesson->pass[i], unit);
    str_append(page->out,
               "</svg><figcaption>yellow: flights; red dots: where each bird was sharpest; tinted: "
               "their mean and spread; white cross: the middle of the flights</figcaption></figure>");
    return true;
}

static bool write_rates(struct page *page, int64_t setup, struct err *err)
{
    static const char *const names[] = {"burst", "hour", "shutter time", "ISO"};
    for (int key = LESSON_BY_BURST; key <= LESSON_BY_ISO; key++) {
        struct lesson_rate *rate;
        size_t n;
        if (!lesson_rates(page->lesson, setup, (enum lesson_key)key, &rate, &n, err))
            return false;
        str_printf(page->out, "<table><caption>kept by %s</caption>", names[key]);
        for (size_t i = 0; i < n; i++) {
            char text[40];
            lesson_key_text((enum lesson_key)key, rate[i].key, text);
            str_printf(page->out, "<tr><th>%s</th><td>%" PRIu32 " of %" PRIu32 "</td><td>%.1f %%</td></tr>",
                       text, rate[i].kept, rate[i].frames,
                       rate[i].frames > 0 ? 100.0 * rate[i].kept / rate[i].frames : 0);
        }
        str_append(page->out, "</table>");
        free(rate);
    }
    return true;
}

static void write_cell(struct str *out, double value, int digits, const char *unit)
{
    if (isfinite(value))
        str_printf(out, "<td>%.*f%s</td>", digits, value, unit);
    else
        str_append(out, "<td>-</td>");
}

enum shutter_row { SHUTTER_SMEAR, SHUTTER_MOTION, SHUTTER_LEAST, SHUTTER_ALL, SHUTTER_ROWS };

static double shutter_value(const struct lesson_shutter *s, int row)
{
    double smear = s->speed.median * s->exposure_s;
    const double values[SHUTTER_ROWS] = {smear, smear / sqrt(24), s->least.median, s->measured.median};
    return values[row];
}

/* A column for each shutter time: there are few, and a phone is narrow. */
static bool write_shutters(struct page *page, int64_t setup, struct err *err)
{
    static const char *const rows[SHUTTER_ROWS] = {"smear", "blur by motion alone",
                                                   "blur in the plane of focus", "blur of all whole frames"};
    struct lesson_shutter *s;
    size_t n;
    if (!lesson_shutters(page->lesson, setup, &s, &n, err))
        return false;
    if (n > 0) {
        str_append(
            page->out,
            "<div class=\"wide\"><table><caption>blur by shutter time, medians</caption><tr><th></th>");
        for (size_t i = 0; i < n; i++) {
            char text[40];
            lesson_key_text(LESSON_BY_SHUTTER, s[i].exposure_s, text);
            str_printf(page->out, "<td>%s<br>%zu pass%s</td>", text, s[i].passes,
                       s[i].passes == 1 ? "" : "es");
        }
        str_append(page->out, "</tr>");
        for (int row = 0; row < SHUTTER_ROWS; row++) {
            str_printf(page->out, "<tr><th>%s</th>", rows[row]);
            for (size_t i = 0; i < n; i++)
                write_cell(page->out, shutter_value(&s[i], row), row == SHUTTER_SMEAR ? 1 : 2, " px");
            str_append(page->out, "</tr>");
        }
        str_append(page->out, "</table></div>");
    }
    free(s);
    return true;
}

static void write_passes(struct str *out, const struct lesson *l, const struct lesson_setup *s)
{
    if (s->passes == 0)
        return;
    str_append(out,
               "<div class=\"wide\"><table><caption>passes</caption><tr><th></th><td>px/s</td><td>whole</td>"
               "<td>sharp</td><td>cause</td><th>sharpest at, of the width</th></tr>");
    for (size_t i = 0; i < l->n_passes; i++) {
        const struct lesson_pass *p = &l->pass[i];
        if (!p->trusted || !lesson_is_of(l, p, s->number))
            continue;
        str_printf(out, "<tr><th>%" PRId64 ".%" PRIu32 "</th>", p->burst, p->pass);
        write_cell(out, p->fit.has_speed ? p->fit.speed : NAN, 0, "");
        str_printf(out, "<td>%" PRIu32 "</td><td>%" PRIu32 "</td><td>%s</td><th>", p->whole, p->sharp,
                   lesson_cause_name(p->cause));
        if (p->fit.has_plane)
            str_printf(out, "%.1f %%, give or take %.1f</th></tr>", 100 * p->fit.x / s->width,
                       100 * p->fit.sd_px / s->width);
        else
            str_printf(out, "not told: %s</th></tr>", lesson_place_reason(p));
    }
    str_append(out, "</table></div>");
}

/* Both measures side by side. */
static void write_zone(struct str *out, const struct lesson_zone *z)
{
    const struct {
        const char *name, *unit;
        int digits;
        double optics, ranking;
    } rows[] = {
        {"disc of a point", " mm", 3, z->optics.coc_mm, z->ranking.coc_mm},
        {"", " px", 1, z->optics.coc_px, z->ranking.coc_px},
        {"depth of the zone", " mm", 0, z->optics.depth_mm, z->ranking.depth_mm},
        {"frames a pass, by the optics", "", 1, z->optics.frames, z->ranking.frames},
        {"frames a pass, measured", "", 0, z->optics.measured.median, z->ranking.measured.median},
    };
    if (isnan(z->optics.depth_mm))
        return;
    str_append(out,
               "<div class=\"wide\"><table><caption>the sharp zone by two measures</caption><tr><th></th>"
               "<td>circle of confusion</td><td>ranking</td></tr>");
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        str_printf(out, "<tr><th>%s</th>", rows[i].name);
        write_cell(out, rows[i].optics, rows[i].digits, rows[i].unit);
        write_cell(out, rows[i].ranking, rows[i].digits, rows[i].unit);
        str_append(out, "</tr>");
    }
    str_append(out, "</table></div>");
}

static void write_advice(struct str *out, const struct lesson_advice *a)
{
    const char *grey = a->enough ? "" : " class=\"few\"";
    str_printf(out, "<dt%s>%s <small>(%zu %s)</small></dt><dd%s>", grey, lesson_topic_words(a->topic), a->n,
               a->of, grey);
    str_append_html(out, a->text);
    str_append(out, "</dd>");
}

static void write_notes(struct str *out, const struct lesson_setup *s, const struct lesson_zone *z)
{
    struct lesson_notes notes;
    lesson_note(s, z, &notes);
    for (size_t i = 0; i < notes.n; i++) {
        str_append(out, "<p class=\"note\">");
        str_append_html(out, notes.text[i]);
        str_append(out, "</p>");
    }
}

static bool write_setup(void *context, const struct lesson *l, const struct lesson_setup *s,
                        const struct lesson_zone *z, struct err *err)
{
    struct page *page = context;
    struct lesson_advice advice[LESSON_ADVICE];
    if (s->number > 0)
        str_printf(page->out, "<h2>set-up %" PRId64 "</h2><p>", s->number);
    else
        str_append(page->out, "<h2>of no known set-up</h2><p>");
    lesson_counts(page->out, s->bursts + s->singles, s->frames, s->passes);
    str_append(page->out, "</p>");
    write_notes(page->out, s, z);
    if (!draw_setup(page, s, err))
        return false;
    lesson_advise(s, z, page->options, advice);
    str_append(page->out, "<dl>");
    for (int i = 0; i < LESSON_ADVICE; i++) {
        write_advice(page->out, &advice[i]);
        if (i == LESSON_ZONE_ADVICE && advice[i].enough)
            write_zone(page->out, z);
    }
    str_append(page->out, "</dl>");
    write_passes(page->out, l, s);
    return write_shutters(page, s->number, err) && write_rates(page, s->number, err);
}

bool lesson_write_page(const struct lesson *lesson, const struct report_lesson_options *options,
                       const char *name, const struct report_crops *crops, struct str *out, struct err *err)
{
    struct page page = {lesson, options, crops, out};
    str_append(out, "<!DOCTYPE html><html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" "
                    "content=\"width=device-width,initial-scale=1\"><title>what ");
    str_append_html(out, name);
    str_printf(out, " teaches</title>%s</head><body><h1>What ", style);
    str_append_html(out, name);
    str_append(out, " teaches</h1>");
    if (!lesson_each_setup(lesson, options, write_setup, &page, err))
        return false;
    str_append(out,
               "<p><small>The numbers are aids and no guarantees. Keep your distance from nests and feeding "
               "young.</small></p></body></html>\n");
    return str_ok(out, err);
}
