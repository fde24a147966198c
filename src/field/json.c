/* The answer for scripts: every key is always there; null where there is no answer or no end. */
#include <cjson/cJSON.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "chaffinch/field.h"

/* Nine digits are more than any input is worth, and spare the reader 0.30000000000000004. */
static bool add_number(cJSON *object, const char *key, double value)
{
    char text[40];
    if (!isfinite(value))
        return cJSON_AddNullToObject(object, key) != NULL;
    (void)snprintf(text, sizeof text, "%.9g", value);
    return cJSON_AddNumberToObject(object, key, strtod(text, NULL)) != NULL;
}

struct pair {
    const char *key;
    double value;
};

static bool add_pairs(cJSON *object, const struct pair *pairs, size_t n)
{
    bool ok = true;
    for (size_t i = 0; ok && i < n; i++)
        ok = add_number(object, pairs[i].key, pairs[i].value);
    return ok;
}

static bool add_question(cJSON *o, const struct field_setup *s, const struct field_answer *a)
{
    const struct pair pairs[] = {
        {"focal_mm", s->focal_mm},
        {"aperture", s->f_number},
        {"distance_mm", s->distance_mm},
        {"coc_mm", a->coc_mm},
        {"sensor_width_mm", s->sensor.width_mm},
        {"sensor_height_mm", s->sensor.height_mm},
        {"pitch_um", s->sensor.pitch_mm * 1000},
        {"background_mm", s->background_mm},
        {"speed_mps", s->speed_mps},
        {"angle_deg", s->angle_deg},
        {"shutter_s", s->shutter_s},
        {"fps", s->fps},
    };
    return cJSON_AddNumberToObject(o, "format", 1) != NULL &&
           cJSON_AddStringToObject(o, "optics", "thin lens, exact form") != NULL &&
           add_pairs(o, pairs, sizeof pairs / sizeof *pairs) &&
           cJSON_AddBoolToObject(o, "background_at_infinity", isinf(s->background_mm)) != NULL &&
           cJSON_AddStringToObject(o, "sensor", s->sensor.name) != NULL &&
           cJSON_AddBoolToObject(o, "sensor_assumed", s->sensor_assumed) != NULL &&
           cJSON_AddBoolToObject(o, "pitch_assumed", s->pitch_assumed) != NULL;
}

static bool add_answer(cJSON *o, const struct field_answer *a)
{
    const struct pair pairs[] = {
        {"near_mm", a->near_mm},
        {"far_mm", a->far_mm},
        {"depth_mm", a->depth_mm},
        {"hyperfocal_mm", a->hyperfocal_mm},
        {"magnification", a->magnification},
        {"view_width_mm", a->view_width_mm},
        {"view_height_mm", a->view_height_mm},
        {"diffraction_mm", a->diffraction_mm},
        {"diffraction_px", a->diffraction_px},
        {"background_blur_mm", a->background_blur_mm},
        {"background_blur_px", a->background_blur_px},
        {"background_blur_share", a->background_blur_share},
        {"background_needed_mm", a->background_needed_mm},
        {"motion_blur_mm", a->motion_blur_mm},
        {"motion_blur_px", a->motion_blur_px},
        {"allowed_blur_px", a->allowed_blur_px},
        {"shutter_needed_s", a->shutter_needed_s},
        {"skew_mm", a->skew_mm},
        {"skew_px", a->skew_px},
        {"time_in_depth_s", a->time_in_depth_s},
        {"frames_in_depth", a->frames_in_depth},
        {"time_in_view_s", a->time_in_view_s},
        {"frames_in_view", a->frames_in_view},
        {"advance_mm", a->advance_mm},
        {"reaction_s", a->reaction_s},
        {"reaction_frames", a->reaction_frames},
        {"reaction_travel_mm", a->reaction_travel_mm},
        {"pre_capture_s", a->pre_capture_s},
        {"card_frames", a->card_frames},
        {"card_minutes", a->card_s / 60},
    };
    return add_pairs(o, pairs, sizeof pairs / sizeof *pairs);
}

static bool add_ladder(cJSON *o, const struct field_answer *a)
{
    cJSON *list = cJSON_AddArrayToObject(o, "background_for_share");
    bool ok = list != NULL;
    for (size_t i = 0; ok && i < FIELD_LADDER; i++) {
        const struct pair pairs[] = {{"share", a->ladder_share[i]}, {"distance_mm", a->ladder_mm[i]}};
        cJSON *step = cJSON_CreateObject();
        ok = step != NULL && cJSON_AddItemToArray(list, step);
        if (!ok)
            cJSON_Delete(step);
        ok = ok && add_pairs(step, pairs, 2);
    }
    return ok;
}

bool field_write_json(struct str *out, const struct field_setup *s, const struct field_answer *a,
                      struct err *err)
{
    cJSON *object = cJSON_CreateObject();
    bool ok = object != NULL && add_question(object, s, a) && add_answer(object, a) && add_ladder(object, a);
    char *line = ok ? cJSON_PrintUnformatted(object) : NULL;
    cJSON_Delete(object);
    if (line == NULL)
        return err_nomem(err);
    str_append(out, line);
    str_append_char(out, '\n');
    cJSON_free(line);
    return true;
}
