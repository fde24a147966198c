/*
 * The lesson for scripts. A number that the advice would not stand for is null, and the key beside it that
 * ends in _reason says why in words; where the number is there, the reason is null.
 */
#include "lesson.h"

#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include <cjson/cJSON.h>

struct writing {
    const struct report_lesson_options *options;
    cJSON *setups;
};

static void add_number(cJSON *object, const char *key, double value)
{
    if (isfinite(value))
        cJSON_AddNumberToObject(object, key, value);
    else
        cJSON_AddNullToObject(object, key);
}

static void add_reason(cJSON *object, const char *key, const char *reason)
{
    if (reason != NULL)
        cJSON_AddStringToObject(object, key, reason);
    else
        cJSON_AddNullToObject(object, key);
}

static const char *speed_reason(const struct lesson_pass *p, bool timed)
{
    return p->fit.has_speed ? NULL : timed ? "no steady flight" : "the Exif tells no time of capture";
}

static cJSON *pass_json(const struct lesson_pass *p, bool timed)
{
    const struct lesson_fit *f = &p->fit;
    cJSON *one = cJSON_CreateObject();
    cJSON_AddNumberToObject(one, "burst", (double)p->burst);
    cJSON_AddNumberToObject(one, "pass", p->pass);
    cJSON_AddBoolToObject(one, "counts", p->trusted);
    add_number(one, "speed_px_s", f->has_speed ? f->speed : NAN);
    add_number(one, "velocity_x_px_s", f->has_speed ? f->vx : NAN);
    add_number(one, "velocity_y_px_s", f->has_speed ? f->vy : NAN);
    add_reason(one, "speed_reason", speed_reason(p, timed));
    add_number(one, "plane_x_px", f->has_plane ? f->x : NAN);
    add_number(one, "plane_y_px", f->has_plane ? f->y : NAN);
    add_number(one, "plane_error_px", f->has_plane ? f->sd_px : NAN);
    add_number(one, "least_blur_px", f->has_plane ? sqrt(f->least) : NAN);
    add_reason(one, "plane_reason", lesson_place_reason(p));
    cJSON_AddNumberToObject(one, "frames_sharp", p->sharp);
    cJSON_AddNumberToObject(one, "frames_whole", p->whole);
    cJSON_AddNumberToObject(one, "frames_cut", p->cut);
    cJSON_AddStringToObject(one, "cause", lesson_cause_name(p->cause));
    return one;
}

static void add_passes(cJSON *object, const struct lesson *l, int64_t setup)
{
    cJSON *list = cJSON_AddArrayToObject(object, "passes");
    for (size_t i = 0; list != NULL && i < l->n_passes; i++)
        if (lesson_is_of(l, &l->pass[i], setup))
            cJSON_AddItemToArray(list, pass_json(&l->pass[i], lesson_burst_of(l, &l->pass[i])->timed));
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

static bool add_shutters(cJSON *object, const struct lesson *l, int64_t setup, struct err *err)
{
    struct lesson_shutter *s;
    size_t n;
    cJSON *list = cJSON_AddArrayToObject(object, "blur_by_shutter");
    if (!lesson_shutters(l, setup, &s, &n, err))
        return false;
    for (size_t i = 0; list != NULL && i < n; i++) {
        cJSON *one = cJSON_CreateObject();
        double smear = s[i].speed.median * s[i].exposure_s;
        add_number(one, "exposure_s", s[i].exposure_s);
        cJSON_AddNumberToObject(one, "passes", (double)s[i].passes);
        add_number(one, "smear_px", smear);
        add_number(one, "motion_blur_px", smear / sqrt(24));
        add_number(one, "least_blur_px", s[i].least.median);
        add_number(one, "measured_blur_px", s[i].measured.median);
        cJSON_AddItemToArray(list, one);
    }
    free(s);
    return true;
}

static void add_advice(cJSON *object, const struct lesson_advice advice[LESSON_ADVICE])
{
    cJSON *list = cJSON_AddArrayToObject(object, "advice");
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

static void add_notes(cJSON *object, const struct lesson_setup *s, const struct lesson_zone *z)
{
    struct lesson_notes notes;
    cJSON *list = cJSON_AddArrayToObject(object, "notes");
    lesson_note(s, z, &notes);
    for (size_t i = 0; list != NULL && i < notes.n; i++)
        cJSON_AddItemToArray(list, cJSON_CreateString(notes.text[i]));
}

static const char *reason_of(const struct lesson_advice *a)
{
    return a->enough ? NULL : a->text;
}

static double only(const struct lesson_advice *a, double value)
{
    return a->enough ? value : NAN;
}

static void add_plane(cJSON *o, const struct lesson_setup *s, const struct lesson_advice *a)
{
    const struct lesson_plane *p = &s->plane;
    double cm = s->aid != NULL ? p->move_px * s->aid->mm_per_px / 10 : NAN;
    add_number(o, "plane_x_px", only(a, p->x));
    add_number(o, "plane_y_px", only(a, p->y));
    add_number(o, "plane_error_px", only(a, p->error));
    add_number(o, "plane_spread_x_px", only(a, p->sd_x));
    add_number(o, "plane_spread_y_px", only(a, p->sd_y));
    add_number(o, "plane_slope", p->has_line ? only(a, p->slope) : NAN);
    add_number(o, "move_px", only(a, p->move_px));
    add_number(o, "move_x_px", only(a, p->move_px * p->dir_x));
    add_number(o, "move_y_px", only(a, p->move_px * p->dir_y));
    add_number(o, "move_cm", only(a, fabs(cm)));
    add_reason(o, "plane_reason", reason_of(a));
    add_reason(o, "move_cm_reason",
               !a->enough       ? a->text
               : s->aid == NULL ? "no focus aid of known length: --scale"
                                : NULL);
}

static void add_limit(cJSON *o, const char *key, const struct lesson_limit *limit, bool enough)
{
    cJSON *one = cJSON_AddObjectToObject(o, key);
    add_number(one, "circle_of_confusion_mm", limit->coc_mm);
    add_number(one, "circle_of_confusion_px", limit->coc_px);
    add_number(one, "blur_px", limit->blur_px);
    add_number(one, "depth_mm", limit->depth_mm);
    add_number(one, "frames_expected", enough ? limit->frames : NAN);
    add_number(one, "frames_measured", enough ? limit->measured.median : NAN);
}

static void add_zone(cJSON *o, const struct lesson_setup *s, const struct lesson_zone *z,
                     const struct lesson_advice *a)
{
    cJSON *zone = cJSON_AddObjectToObject(o, "sharp_zone");
    add_number(zone, "distance_mm", z->distance_mm);
    add_number(zone, "along_m_s", only(a, z->along_mps));
    add_limit(zone, "by_circle_of_confusion", &z->optics, a->enough);
    add_limit(zone, "by_ranking", &z->ranking, a->enough);
    add_reason(zone, "reason",
               !a->enough                  ? a->text
               : isnan(z->optics.depth_mm) ? "lens, distance or sensor are not known"
                                           : NULL);
    add_number(o, "frames_sharp", only(a, s->sharp.median));
    add_reason(o, "frames_sharp_reason", reason_of(a));
}

static void add_motion(cJSON *o, const struct lesson_setup *s, const struct lesson_zone *z,
                       const struct lesson_advice *a)
{
    bool exposed = s->exposure_s > 0, timed = s->fps > 0;
    add_number(o, "speed_px_s", only(a, s->speed.median));
    add_reason(o, "speed_reason", reason_of(a));
    add_number(o, "speed_m_s", only(a, z->across_mps));
    add_reason(o, "speed_m_s_reason",
               !a->enough          ? a->text
               : z->across_mps > 0 ? NULL
                                   : "neither a focus aid nor lens, distance and sensor are known");
    add_number(o, "mm_per_px", z->mm_per_px > 0 ? z->mm_per_px : NAN);
    add_number(o, "exposure_s", exposed ? s->exposure_s : NAN);
    add_reason(o, "exposure_reason", exposed ? NULL : "the Exif does not tell one for all frames");
    add_number(o, "shutter_enough_s", a->enough ? LESSON_LINE_PX / s->speed.high : NAN);
    add_number(o, "frames_per_s", timed ? s->fps : NAN);
    add_reason(o, "frames_per_s_reason", timed ? NULL : "the Exif tells no time of capture");
}

static void add_edges(cJSON *o, const struct lesson_setup *s, const struct lesson_advice *a)
{
    static const char *const keys[] = {"cut_left", "cut_right", "cut_top", "cut_bottom"};
    add_number(o, "pass_frames", only(a, (double)s->pass_frames));
    add_number(o, "cut", only(a, (double)s->cut));
    for (int i = 0; i < LESSON_SIDES; i++)
        add_number(o, keys[i], only(a, (double)s->side[i]));
    add_reason(o, "cut_reason", reason_of(a));
}

static void add_trigger(cJSON *o, const struct lesson_setup *s, const struct lesson_advice *a)
{
    add_number(o, "empty_bursts", only(a, (double)s->empty));
    add_number(o, "frames_before", only(a, s->passes > 0 ? s->entered.median : NAN));
    add_number(o, "passes_from_first_frame", only(a, (double)s->at_start));
    add_number(o, "passes_to_last_frame", only(a, (double)s->at_end));
    add_number(o, "missed_s", only(a, s->missed_s.high));
    add_reason(o, "trigger_reason", reason_of(a));
}

static bool setup_json(void *context, const struct lesson *l, const struct lesson_setup *s,
                       const struct lesson_zone *z, struct err *err)
{
    struct writing *w = context;
    struct lesson_advice advice[LESSON_ADVICE];
    cJSON *o = cJSON_CreateObject();
    if (o == NULL)
        return err_nomem(err);
    cJSON_AddItemToArray(w->setups, o);
    lesson_advise(s, z, w->options, advice);
    cJSON_AddNumberToObject(o, "setup", (double)s->number);
    cJSON_AddNumberToObject(o, "width_px", s->width);
    cJSON_AddNumberToObject(o, "height_px", s->height);
    cJSON_AddNumberToObject(o, "bursts", (double)s->bursts);
    cJSON_AddNumberToObject(o, "single_frames", (double)s->singles);
    cJSON_AddNumberToObject(o, "frames", (double)s->frames);
    cJSON_AddNumberToObject(o, "kept", (double)s->kept);
    add_notes(o, s, z);
    add_plane(o, s, &advice[LESSON_PLANE_ADVICE]);
    add_zone(o, s, z, &advice[LESSON_ZONE_ADVICE]);
    add_motion(o, s, z, &advice[LESSON_SPEED_ADVICE]);
    add_edges(o, s, &advice[LESSON_CUT_ADVICE]);
    add_trigger(o, s, &advice[LESSON_TRIGGER_ADVICE]);
    add_advice(o, advice);
    add_passes(o, l, s->number);
    return add_shutters(o, l, s->number, err) && add_rates(o, l, s->number, err);
}

bool lesson_write_json(const struct lesson *l, const struct report_lesson_options *options, const char *name,
                       struct str *out, struct err *err)
{
    cJSON *top = cJSON_CreateObject();
    char *text = NULL;
    bool ok = top != NULL || err_nomem(err);
    if (ok) {
        struct writing w = {.options = options};
        cJSON_AddNumberToObject(top, "format", 1);
        if (str_is_utf8(name, strlen(name)))
            cJSON_AddStringToObject(top, "session", name);
        else
            cJSON_AddNullToObject(top, "session");
        w.setups = cJSON_AddArrayToObject(top, "setups");
        ok = (w.setups != NULL || err_nomem(err)) && lesson_each_setup(l, options, setup_json, &w, err);
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
