/* The answer in words: one list of lines, which the table and the page both print. */
#include <math.h>
#include <stdarg.h>
#include <stdio.h>

#include "chaffinch/field.h"

struct rows {
    const struct field_setup *s;
    const struct field_answer *a;
    struct field_row *row;
    size_t n;
    const char *section; /* not begun yet */
};

/* Long enough for a length and short enough for its row. */
struct words {
    char text[FIELD_TEXT_SIZE];
};

static struct words length(const struct rows *r, double mm)
{
    struct words w;
    (void)field_length_text(w.text, mm, r->s->feet);
    return w;
}

/* On the sensor everything is in mm, whatever the distances are in. */
static struct words on_sensor(double mm)
{
    struct words w;
    (void)field_length_text(w.text, mm, false);
    return w;
}

static struct words duration(double seconds)
{
    struct words w;
    (void)field_duration_text(w.text, seconds);
    return w;
}

static struct words exposure(double seconds)
{
    struct words w;
    (void)field_exposure_text(w.text, seconds);
    return w;
}

/* As it was typed: who thinks in km/h is not helped by m/s. */
static struct words speed(const struct field_setup *s)
{
    struct words w;
    if (s->speed_text[0] != '\0')
        (void)snprintf(w.text, sizeof w.text, "%s", s->speed_text);
    else
        (void)snprintf(w.text, sizeof w.text, "%.4g m/s", s->speed_mps);
    return w;
}

static struct words pixels(double px)
{
    struct words w;
    if (isnan(px))
        (void)snprintf(w.text, sizeof w.text, "-");
    else
        (void)snprintf(w.text, sizeof w.text, px < 1 ? "%.2f px" : px < 100 ? "%.1f px" : "%.0f px", px);
    return w;
}

static struct words count(double n)
{
    struct words w;
    if (isinf(n))
        (void)snprintf(w.text, sizeof w.text, "all");
    else
        (void)snprintf(w.text, sizeof w.text, n < 10 ? "%.2f" : n < 100 ? "%.1f" : "%.0f", n);
    return w;
}

/* Begins a row; its note is written by note(). */
static void add(struct rows *r, const char *label, const char *value)
{
    struct field_row *row = &r->row[r->n++];
    *row = (struct field_row){.section = r->section};
    r->section = NULL;
    (void)snprintf(row->label, sizeof row->label, "%s", label);
    (void)snprintf(row->value, sizeof row->value, "%s", value);
}

static void note(struct rows *r, const char *format, ...) __attribute__((format(printf, 2, 3)));
static void note(struct rows *r, const char *format, ...)
{
    struct field_row *row = &r->row[r->n - 1];
    va_list list;
    va_start(list, format);
    (void)vsnprintf(row->note, sizeof row->note, format, list);
    va_end(list);
}

static void depth_rows(struct rows *r)
{
    const struct field_setup *s = r->s;
    const struct field_answer *a = r->a;
    r->section = "sharp zone";
    add(r, "near limit", length(r, a->near_mm).text);
    note(r, "%s before the plane of focus", length(r, s->distance_mm - a->near_mm).text);
    add(r, "far limit", length(r, a->far_mm).text);
    if (isfinite(a->far_mm))
        note(r, "%s behind it", length(r, a->far_mm - s->distance_mm).text);
    add(r, "depth of field", length(r, a->depth_mm).text);
    note(r, "circle of confusion %s", on_sensor(a->coc_mm).text);
    add(r, "hyperfocal distance", length(r, a->hyperfocal_mm).text);
    add(r, "diffraction disc", on_sensor(a->diffraction_mm).text);
    note(r, "%s, light of 550 nm", pixels(a->diffraction_px).text);
}

static void picture_rows(struct rows *r)
{
    const struct field_setup *s = r->s;
    const struct field_answer *a = r->a;
    char text[72];
    r->section = "picture";
    (void)snprintf(text, sizeof text, "%.4g", a->magnification);
    add(r, "magnification", text);
    if (a->magnification < 1)
        note(r, "1:%.3g", 1 / a->magnification);
    (void)snprintf(text, sizeof text, "%s x %s", length(r, a->view_width_mm).text,
                   length(r, a->view_height_mm).text);
    add(r, "view at the subject", text);
    (void)snprintf(text, sizeof text, "%g x %g mm", s->sensor.width_mm, s->sensor.height_mm);
    add(r, "sensor", text);
    if (s->sensor_assumed)
        note(r, "assumed %s; --sensor says otherwise", s->sensor.name);
    add(r, "pixel pitch", isnan(s->sensor.pitch_mm) ? "-" : on_sensor(s->sensor.pitch_mm).text);
    if (isnan(s->sensor.pitch_mm))
        note(r, "--pixels gives the numbers in px");
    else if (s->pitch_assumed)
        note(r, "assumed; --pixels says otherwise");
}

static void background_rows(struct rows *r)
{
    const struct field_setup *s = r->s;
    const struct field_answer *a = r->a;
    char label[48];
    r->section = "background";
    if (!isnan(a->background_blur_mm)) {
        (void)snprintf(label, sizeof label, "blur at %s", length(r, s->background_mm).text);
        add(r, label, on_sensor(a->background_blur_mm).text);
        if (isinf(s->background_mm))
            note(r, "%s, %.3g %% of the frame's width: the sky", pixels(a->background_blur_px).text,
                 100 * a->background_blur_share);
        else
            note(r, "%s, %.3g %% of the frame's width; %s behind the subject",
                 pixels(a->background_blur_px).text, 100 * a->background_blur_share,
                 length(r, s->background_mm - s->distance_mm).text);
    }
    if (!isnan(a->background_needed_mm)) {
        add(r, "as smooth as asked from", length(r, a->background_needed_mm).text);
        if (isinf(a->background_needed_mm))
            note(r, "no distance blurs it over %s", on_sensor(s->smooth_mm).text);
        else
            note(r, "blur %s; %s behind the subject", on_sensor(s->smooth_mm).text,
                 length(r, a->background_needed_mm - s->distance_mm).text);
    }
    /* What the sky is not smooth enough for is said once. */
    for (size_t i = 0; i < FIELD_LADDER && (i == 0 || isfinite(a->ladder_mm[i - 1])); i++) {
        (void)snprintf(label, sizeof label, "blur %.0f %% of the width from", 100 * a->ladder_share[i]);
        add(r, label, length(r, a->ladder_mm[i]).text);
        if (isfinite(a->ladder_mm[i]))
            note(r, "%s behind the subject", length(r, a->ladder_mm[i] - s->distance_mm).text);
        else
            note(r, "not even the sky is as smooth");
    }
}

static void motion_rows(struct rows *r)
{
    const struct field_setup *s = r->s;
    const struct field_answer *a = r->a;
    const char *path = isnan(s->angle_deg) ? "flying straight across" : "at this angle";
    if (isnan(s->speed_mps))
        return;
    r->section = "movement";
    if (!isnan(s->shutter_s)) {
        add(r, "motion blur",
            isnan(a->motion_blur_px) ? on_sensor(a->motion_blur_mm).text : pixels(a->motion_blur_px).text);
        note(r, "%s at %s, %s", exposure(s->shutter_s).text, speed(s).text, path);
    }
    if (!isinf(a->shutter_needed_s) && !isnan(a->shutter_needed_s)) {
        add(r, "shutter time needed", exposure(a->shutter_needed_s).text);
        note(r, "for a blur of %s%s",
             isnan(a->allowed_blur_px) ? on_sensor(isnan(s->blur_mm) ? a->coc_mm : s->blur_mm).text
                                       : pixels(a->allowed_blur_px).text,
             isnan(s->blur_mm) ? ", the circle of confusion" : "");
    }
    if (!isnan(a->skew_mm)) {
        add(r, "rolling shutter", length(r, a->skew_mm).text);
        note(r, "%s of slant from the first row to the last", pixels(a->skew_px).text);
    }
}

static void burst_rows(struct rows *r)
{
    const struct field_setup *s = r->s;
    const struct field_answer *a = r->a;
    const char *path = isnan(s->angle_deg) ? "flying head-on" : "at this angle";
    r->section = "burst";
    if (!isnan(a->time_in_depth_s)) {
        add(r, "time in the sharp zone", duration(a->time_in_depth_s).text);
        note(r, "%s, %s", speed(s).text, path);
    }
    if (!isnan(a->frames_in_depth)) {
        add(r, "frames in the sharp zone", count(a->frames_in_depth).text);
        note(r, "%s between frames", length(r, a->advance_mm).text);
    }
    if (!isnan(a->frames_in_view)) {
        add(r, "frames across the view", count(a->frames_in_view).text);
        note(r, "%s", duration(a->time_in_view_s).text);
    }
    if (!isnan(a->reaction_frames)) {
        add(r, "frames lost to reaction", count(a->reaction_frames).text);
        note(r, "%s from seeing to pressing%s%s", duration(a->reaction_s).text,
             isnan(s->speed_mps) ? "" : "; the subject moves ",
             isnan(s->speed_mps) ? "" : length(r, a->reaction_travel_mm).text);
        add(r, "pre-capture needed", duration(a->pre_capture_s).text);
        note(r, "and the camera's own delay; pressing as it crosses the plane");
    }
}

static void card_rows(struct rows *r)
{
    const struct field_answer *a = r->a;
    char text[32];
    if (isnan(a->card_frames))
        return;
    r->section = "card";
    (void)snprintf(text, sizeof text, "%.0f", a->card_frames);
    add(r, "frames until it is full", text);
    if (!isnan(a->card_s))
        note(r, "%s of continuous shooting", duration(a->card_s).text);
}

size_t field_rows(const struct field_setup *s, const struct field_answer *a,
                  struct field_row rows[FIELD_MAX_ROWS])
{
    struct rows r = {.s = s, .a = a, .row = rows};
    depth_rows(&r);
    picture_rows(&r);
    background_rows(&r);
    motion_rows(&r);
    burst_rows(&r);
    card_rows(&r);
    return r.n;
}

void field_title(struct str *out, const struct field_setup *s)
{
    char text[FIELD_TEXT_SIZE];
    str_printf(out, "%g mm at f/%g, focused at %s", s->focal_mm, s->f_number,
               field_length_text(text, s->distance_mm, s->feet));
}

void field_write_table(struct str *out, const struct field_setup *s, const struct field_answer *a)
{
    struct field_row rows[FIELD_MAX_ROWS];
    size_t n = field_rows(s, a, rows);
    field_title(out, s);
    str_append_char(out, '\n');
    for (size_t i = 0; i < n; i++) {
        if (rows[i].section != NULL)
            str_printf(out, "\n%s\n", rows[i].section);
        str_printf(out, "  %-28s %*s%s%s\n", rows[i].label, rows[i].note[0] != '\0' ? -18 : 0, rows[i].value,
                   rows[i].note[0] != '\0' ? " " : "", rows[i].note);
    }
    str_append(out, "\nThin lens, exact form; distances from the lens. An aid, not a guarantee.\n");
}
