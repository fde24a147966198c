/* The lesson of a session as text and as JSON, and the call that makes all three forms. */
#include "lesson.h"

#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include <cjson/cJSON.h>

#include "text.h"

static int64_t last_setup(const struct lesson *l)
{
    int64_t last = 0;
    for (size_t i = 0; i < l->n_bursts; i++)
        last = l->burst[i].setup > last ? l->burst[i].setup : last;
    return last;
}

static bool has_setup(const struct lesson *l, int64_t setup)
{
    for (size_t i = 0; i < l->n_bursts; i++)
        if (l->burst[i].setup == setup)
            return true;
    return false;
}

typedef bool each_setup(void *context, const struct lesson *l, const struct lesson_setup *s, struct err *err);

/* Set-up 0: bursts of which ranking has not said where they were taken. */
static bool for_setups(const struct lesson *l, each_setup *visit, void *context, struct err *err)
{
    for (int64_t i = 0; i <= last_setup(l); i++) {
        struct lesson_setup setup;
        if (has_setup(l, i) && (!lesson_setup_make(l, i, &setup, err) || !visit(context, l, &setup, err)))
            return false;
    }
    return true;
}

struct writing {
    const struct report_lesson_options *options;
    struct str *out;
    cJSON *setups;
};

/* ---- text ---------------------------------------------------------------------------------------------- */

static void append_wrapped(struct str *out, const char *text)
{
    enum { WIDTH = 100 };
    size_t column = 4;
    str_append(out, "    ");
    while (*text != '\0') {
        size_t n = strcspn(text, " ");
        if (column + n > WIDTH && column > 4) {
            str_append(out, "\n    ");
            column = 4;
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

static bool setup_text(void *context, const struct lesson *l, const struct lesson_setup *s, struct err *err)
{
    struct writing *w = context;
    struct lesson_advice advice[LESSON_ADVICE];
    if (s->number > 0)
        str_printf(w->out, "\nset-up %" PRId64 ": %zu burst%s, %zu frame%s, %zu pass%s\n", s->number,
                   s->bursts, s->bursts == 1 ? "" : "s", s->frames, s->frames == 1 ? "" : "s", s->passes,
                   s->passes == 1 ? "" : "es");
    else
        str_printf(w->out, "\nof no known set-up: %zu bursts, %zu frames\n", s->bursts, s->frames);
    if (!(s->exposure_s > 0))
        str_append(w->out,
                   "  The Exif tells no exposure time: what motion did, and which shutter time would do, is "
                   "not known.\n");
    if (!s->timed)
        str_append(w->out, "  The Exif tells no time of capture: speed and frame rate are not known.\n");
    lesson_advise(s, w->options, advice);
    for (int i = 0; i < LESSON_ADVICE; i++) {
        str_printf(w->out, "  %s (%zu %s)\n", advice[i].topic, advice[i].n, advice[i].of);
        append_wrapped(w->out, advice[i].text);
    }
    return append_rates(w->out, l, s->number, err);
}

bool lesson_write_text(const struct lesson *l, const struct report_lesson_options *options, const char *name,
                       struct str *out, struct err *err)
{
    struct writing w = {.options = options, .out = out};
    str_append(out, "what ");
    text_append_name(out, name);
    str_printf(out, " teaches: %zu bursts, %zu passes\n", l->n_bursts, l->n_passes);
    if (!for_setups(l, setup_text, &w, err))
        return false;
    str_append(
        out, "\nThe numbers are aids and no guarantees. Keep your distance from nests and feeding young.\n");
    return str_ok(out, err);
}

/* ---- JSON ---------------------------------------------------------------------------------------------- */

static void add_number(cJSON *object, const char *key, double value)
{
    if (isfinite(value))
        cJSON_AddNumberToObject(object, key, value);
    else
        cJSON_AddNullToObject(object, key);
}

static const char *const cause_names[] = {"unknown", "focus", "motion", "neither"};

static void add_passes(cJSON *object, const struct lesson *l, int64_t setup)
{
    cJSON *list = cJSON_AddArrayToObject(object, "passes");
    for (size_t i = 0; list != NULL && i < l->n_passes; i++) {
        const struct lesson_pass *p = &l->pass[i];
        for (size_t k = 0; k < l->n_bursts; k++)
            if (l->burst[k].number == p->burst && l->burst[k].setup == setup) {
                cJSON *one = cJSON_CreateObject();
                cJSON_AddNumberToObject(one, "burst", (double)p->burst);
                cJSON_AddNumberToObject(one, "pass", p->pass);
                add_number(one, "speed_px_s", p->fit.has_speed ? p->fit.speed : NAN);
                add_number(one, "velocity_x_px_s", p->fit.has_speed ? p->fit.vx : NAN);
                add_number(one, "velocity_y_px_s", p->fit.has_speed ? p->fit.vy : NAN);
                add_number(one, "plane_x_px", p->fit.has_plane ? p->fit.x : NAN);
                add_number(one, "plane_y_px", p->fit.has_plane ? p->fit.y : NAN);
                add_number(one, "plane_error_px", p->fit.has_plane ? p->fit.sd_px : NAN);
                add_number(one, "least_blur_px", p->fit.has_plane ? sqrt(p->fit.least) : NAN);
                cJSON_AddNumberToObject(one, "frames_sharp", p->sharp);
                cJSON_AddNumberToObject(one, "frames_whole", p->whole);
                cJSON_AddStringToObject(one, "cause", cause_names[p->cause]);
                cJSON_AddItemToArray(list, one);
            }
    }
}

static bool add_rates(cJSON *object, const struct lesson *l, int64_t setup, struct err *err)
{
    static const char *const names[] = {"kept_by_burst", "kept_by_hour", "kept_by_shutter_s", "kept_by_iso"};
    for (int key = LESSON_BY_BURST; key <= LESSON_BY_ISO; key++) {
        struct lesson_rate *rate;
        size_t n;
        cJSON *list = cJSON_AddArrayToObject(object, names[key]);
        if (!lesson_rates(l, setup, (enum lesson_key)key, &rate, &n, err))
            return false;
        for (size_t i = 0; list != NULL && i < n; i++) {
            cJSON *one = cJSON_CreateObject();
            add_number(one, "key", rate[i].key);
            cJSON_AddNumberToObject(one, "frames", rate[i].frames);
            cJSON_AddNumberToObject(one, "kept", rate[i].kept);
            cJSON_AddItemToArray(list, one);
        }
        free(rate);
    }
    return true;
}

static void add_advice(cJSON *object, const struct lesson_setup *s, const struct report_lesson_options *o)
{
    struct lesson_advice advice[LESSON_ADVICE];
    cJSON *list = cJSON_AddArrayToObject(object, "advice");
    lesson_advise(s, o, advice);
    for (int i = 0; list != NULL && i < LESSON_ADVICE; i++) {
        cJSON *one = cJSON_CreateObject();
        cJSON_AddStringToObject(one, "topic", advice[i].topic);
        cJSON_AddNumberToObject(one, "sample", (double)advice[i].n);
        cJSON_AddStringToObject(one, "sample_of", advice[i].of);
        cJSON_AddBoolToObject(one, "enough", advice[i].enough);
        cJSON_AddStringToObject(one, "text", advice[i].text);
        cJSON_AddItemToArray(list, one);
    }
}

static bool setup_json(void *context, const struct lesson *l, const struct lesson_setup *s, struct err *err)
{
    struct writing *w = context;
    const struct lesson_plane *p = &s->plane;
    cJSON *o = cJSON_CreateObject();
    if (o == NULL)
        return err_nomem(err);
    cJSON_AddItemToArray(w->setups, o);
    cJSON_AddNumberToObject(o, "setup", (double)s->number);
    cJSON_AddNumberToObject(o, "width_px", s->width);
    cJSON_AddNumberToObject(o, "height_px", s->height);
    cJSON_AddNumberToObject(o, "bursts", (double)s->bursts);
    cJSON_AddNumberToObject(o, "empty_bursts", (double)s->empty);
    cJSON_AddNumberToObject(o, "frames", (double)s->frames);
    cJSON_AddNumberToObject(o, "kept", (double)s->kept);
    add_number(o, "plane_x_px", p->n > 0 ? p->x : NAN);
    add_number(o, "plane_y_px", p->n > 0 ? p->y : NAN);
    add_number(o, "plane_spread_x_px", p->n > 1 ? p->sd_x : NAN);
    add_number(o, "plane_spread_y_px", p->n > 1 ? p->sd_y : NAN);
    add_number(o, "plane_slope", p->has_line ? p->slope : NAN);
    add_number(o, "move_px", p->n > 0 ? p->move_px : NAN);
    add_number(o, "speed_px_s", s->speed);
    add_number(o, "exposure_s", s->exposure_s > 0 ? s->exposure_s : NAN);
    add_number(o, "frames_per_s", s->fps > 0 ? s->fps : NAN);
    add_number(o, "frames_sharp", s->sharp);
    add_advice(o, s, w->options);
    add_passes(o, l, s->number);
    return add_rates(o, l, s->number, err);
}

bool lesson_write_json(const struct lesson *l, const struct report_lesson_options *options, const char *name,
                       struct str *out, struct err *err)
{
    cJSON *top = cJSON_CreateObject();
    char *text = NULL;
    bool ok = top != NULL || err_nomem(err);
    if (ok) {
        struct writing w = {.options = options, .out = out};
        cJSON_AddNumberToObject(top, "format", 1);
        if (str_is_utf8(name, strlen(name)))
            cJSON_AddStringToObject(top, "session", name);
        else
            cJSON_AddNullToObject(top, "session");
        w.setups = cJSON_AddArrayToObject(top, "setups");
        ok = (w.setups != NULL || err_nomem(err)) && for_setups(l, setup_json, &w, err);
    }
    text = ok ? cJSON_PrintUnformatted(top) : NULL;
    if (ok && text == NULL)
        ok = err_nomem(err);
    if (ok) {
        str_append(out, text);
        str_append_char(out, '\n');
    }
    cJSON_free(text);
    cJSON_Delete(top);
    return ok && str_ok(out, err);
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

bool report_lesson(struct session *s, struct worker_pool *workers,
                   const struct report_lesson_options *options, struct str *out, struct err *err)
{
    struct lesson lesson;
    struct source source = {s, workers};
    const struct report_crops crops = {&source, get_crops};
    char *real = realpath(s->root.path, NULL);
    const char *name = text_leaf(real != NULL ? real : s->root.path);
    bool ok = lesson_load(s->catalogue, &lesson, err) && is_ranked(s, &lesson, err);
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
