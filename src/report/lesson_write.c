/* The lesson of a session as text, and the call that makes all three forms. */
#include "lesson.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/field.h"
#include "text.h"

struct writing {
    const struct report_lesson_options *options;
    struct str *out;
};

/* ---- text ---------------------------------------------------------------------------------------------- */

static void append_wrapped(struct str *out, const char *text, const char *indent)
{
    enum { WIDTH = 100 };
    size_t start = strlen(indent), column = start;
    str_append(out, indent);
    while (*text != '\0') {
        size_t n = strcspn(text, " ");
        if (column + n > WIDTH && column > start) {
            str_append_char(out, '\n');
            str_append(out, indent);
            column = start;
        }
        str_append_bytes(out, text, n);
        column += n + 1;
        text += n;
        if (*text == ' ') {
            str_append_char(out, ' ');
            text++;
        }
    }
    str_append_char(out, '\n');
}

static bool append_rates(struct str *out, const struct lesson *l, int64_t setup, struct err *err)
{
    static const char *const names[] = {"burst", "hour", "shutter time", "ISO"};
    for (int key = LESSON_BY_BURST; key <= LESSON_BY_ISO; key++) {
        struct lesson_rate *rate;
        size_t n;
        if (!lesson_rates(l, setup, (enum lesson_key)key, &rate, &n, err))
            return false;
        str_printf(out, "  kept by %s\n", names[key]);
        for (size_t i = 0; i < n; i++) {
            char text[40];
            lesson_key_text((enum lesson_key)key, rate[i].key, text);
            str_printf(out, "    %-12s %5" PRIu32 " of %5" PRIu32 "  %5.1f %%\n", text, rate[i].kept,
                       rate[i].frames, rate[i].frames > 0 ? 100.0 * rate[i].kept / rate[i].frames : 0);
        }
        free(rate);
    }
    return true;
}

static void append_number(struct str *out, double value, const char *format, const char *unit)
{
    if (isnan(value))
        str_printf(out, "  %s", "-");
    else
        str_printf(out, format, value, unit);
}

/* The smear is speed times exposure; beside it, both as radii, what it makes and what was measured. */
static bool append_shutters(struct str *out, const struct lesson *l, int64_t setup, struct err *err)
{
    struct lesson_shutter *s;
    size_t n;
    if (!lesson_shutters(l, setup, &s, &n, err))
        return false;
    if (n > 0)
        str_append(out, "  blur by shutter time  (smear; blur by motion alone, in the plane of focus, of all "
                        "whole frames: medians)\n");
    for (size_t i = 0; i < n; i++) {
        char text[40];
        double smear = s[i].speed.median * s[i].exposure_s;
        lesson_key_text(LESSON_BY_SHUTTER, s[i].exposure_s, text);
        str_printf(out, "    %-12s %3zu pass%s", text, s[i].passes, s[i].passes == 1 ? "  " : "es");
        append_number(out, smear, "  %.1f%s", " px;");
        append_number(out, smear / sqrt(24), "  %.2f%s", " px");
        append_number(out, s[i].least.median, "  %.2f%s", " px");
        append_number(out, s[i].measured.median, "  %.2f%s", " px");
        str_append_char(out, '\n');
    }
    free(s);
    return true;
}

/* Each flight by itself: where it was sharpest, and why that is not told. */
static void append_passes(struct str *out, const struct lesson *l, const struct lesson_setup *s)
{
    if (s->passes > 0)
        str_append(out, "  passes  (burst.pass; speed; frames that are whole, and sharp; what costs them; "
                        "where sharpest)\n");
    for (size_t i = 0; i < l->n_passes; i++) {
        const struct lesson_pass *p = &l->pass[i];
        char name[32], speed[32] = "-";
        if (!p->trusted || !lesson_is_of(l, p, s->number))
            continue;
        (void)snprintf(name, sizeof name, "%" PRId64 ".%" PRIu32, p->burst, p->pass);
        if (p->fit.has_speed)
            (void)snprintf(speed, sizeof speed, "%.0f px/s", p->fit.speed);
        str_printf(out, "    %-8s %11s  %4" PRIu32 " %4" PRIu32 "  %-7s  ", name, speed, p->whole, p->sharp,
                   lesson_cause_name(p->cause));
        if (p->fit.has_plane)
            str_printf(out, "%.1f %% of the width, give or take %.1f\n", 100 * p->fit.x / s->width,
                       100 * p->fit.sd_px / s->width);
        else
            str_printf(out, "not told: %s\n", lesson_place_reason(p));
    }
}

static void append_heading(struct str *out, const struct lesson_setup *s)
{
    if (s->number > 0)
        str_printf(out, "\nset-up %" PRId64 ": ", s->number);
    else
        str_append(out, "\nof no known set-up: ");
    lesson_counts(out, s->bursts + s->singles, s->frames, s->passes);
    str_append_char(out, '\n');
}

static bool setup_text(void *context, const struct lesson *l, const struct lesson_setup *s,
                       const struct lesson_zone *z, struct err *err)
{
    struct writing *w = context;
    struct lesson_advice advice[LESSON_ADVICE];
    struct lesson_notes notes;
    append_heading(w->out, s);
    lesson_note(s, z, &notes);
    for (size_t i = 0; i < notes.n; i++)
        append_wrapped(w->out, notes.text[i], "  ");
    lesson_advise(s, z, w->options, advice);
    for (int i = 0; i < LESSON_ADVICE; i++) {
        str_printf(w->out, "  %s (%zu %s)\n", lesson_topic_words(advice[i].topic), advice[i].n, advice[i].of);
        append_wrapped(w->out, advice[i].text, "    ");
    }
    append_passes(w->out, l, s);
    return append_shutters(w->out, l, s->number, err) && append_rates(w->out, l, s->number, err);
}

bool lesson_write_text(const struct lesson *l, const struct report_lesson_options *options, const char *name,
                       struct str *out, struct err *err)
{
    struct writing w = {.options = options, .out = out};
    str_append(out, "what ");
    text_append_name(out, name);
    str_append(out, " teaches\n");
    if (!lesson_each_setup(l, options, setup_text, &w, err))
        return false;
    str_append(
        out, "\nThe numbers are aids and no guarantees. Keep your distance from nests and feeding young.\n");
    return str_ok(out, err);
}

const char *lesson_topic_words(const char *topic)
{
    return strcmp(topic, "sharp-zone") == 0 ? "sharp zone" : topic;
}

void lesson_counts(struct str *out, size_t bursts, size_t frames, size_t passes)
{
    str_printf(out, "%zu burst%s, %zu frame%s, %zu pass%s", bursts, bursts == 1 ? "" : "s", frames,
               frames == 1 ? "" : "s", passes, passes == 1 ? "" : "es");
}

/* ---- all forms ----------------------------------------------------------------------------------------- */

struct source {
    struct session *s;
    struct worker_pool *workers;
};

static bool get_crops(void *context, const struct session_crop *crops, size_t n, session_crop_done *done,
                      void *done_context, struct err *err)
{
    struct source *source = context;
    return session_crops(source->s, source->workers, crops, n, done, done_context, err);
}

static bool is_ranked(const struct session *s, const struct lesson *l, struct err *err)
{
    char safe[400], word[400];
    for (size_t i = 0; i < l->n_bursts; i++)
        if (l->burst[i].setup > 0)
            return true;
    return err_set(err, ERR_USAGE, "'%s' is not ranked yet: type 'chaffinch rank %s' first",
                   err_escape(safe, sizeof safe, s->root.path), err_word(word, sizeof word, s->root.path));
}

/* What stands at a side stands there in the picture of one camera position. */
static bool sides_are_clear(const struct lesson *l, const struct report_lesson_options *o, struct err *err)
{
    int64_t first = 0;
    bool several = false;
    if ((o->left == NULL && o->right == NULL) || o->setup > 0)
        return true;
    for (size_t i = 0; i < l->n_bursts; i++) {
        const struct lesson_burst *b = &l->burst[i];
        if (b->n_frames < LESSON_BURST_FRAMES)
            continue;
        several = several || (first > 0 && b->setup != first);
        first = first > 0 ? first : b->setup;
    }
    return !several || err_set(err, ERR_USAGE,
                               "there is more than one set-up: --setup N says which one --left and --right "
                               "are about");
}

bool report_lesson(struct session *s, struct worker_pool *workers,
                   const struct report_lesson_options *options, struct str *out, struct err *err)
{
    struct lesson lesson;
    struct source source = {s, workers};
    const struct report_crops crops = {&source, get_crops};
    char *real = realpath(s->root.path, NULL);
    const char *name = text_leaf(real != NULL ? real : s->root.path);
    bool ok = lesson_load(s->catalogue, &lesson, err) && is_ranked(s, &lesson, err) &&
              sides_are_clear(&lesson, options, err) &&
              lesson_add_aids(&lesson, s->catalogue, options, err) &&
              lesson_add_sensors(&lesson, s, workers, err);
    if (ok && options->format == REPORT_LESSON_TEXT)
        ok = lesson_write_text(&lesson, options, name, out, err);
    else if (ok && options->format == REPORT_LESSON_JSON)
        ok = lesson_write_json(&lesson, options, name, out, err);
    else if (ok)
        ok = lesson_write_page(&lesson, options, name, &crops, out, err);
    lesson_release(&lesson);
    free(real);
    return ok;
}
