/* What a judgement rests on: the parts of the score, the light, the neighbours in time, the rule that
 * decided. */
#include "explain.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "list_rows.h"
#include "text.h"

/* "3.12, 4.50 and 6.01" */
static void say_list(struct str *out, const double *value, int n, int decimals)
{
    for (int k = 0; k < n; k++) {
        str_append(out, k == 0 ? "" : k + 1 < n ? ", " : " and ");
        text_append_number(out, value[k], decimals);
    }
}

static void say_light(struct str *out, const double *part)
{
    if (!isfinite(part[RANK_LUMA]))
        return;
    str_append(out, "Its mean brightness is ");
    text_append_number(out, part[RANK_LUMA], 0);
    str_append(out, " of 255");
    if (part[RANK_CLIPPED] >= 0.005) {
        str_append(out, ", and ");
        text_append_number(out, 100 * part[RANK_CLIPPED], 0);
        str_append(out, " % of it is burnt out");
    }
    if (part[RANK_LIGHT] > 0.0005) {
        str_append(out, "; for its light the score lost ");
        text_append_number(out, part[RANK_LIGHT], 3);
        str_append(out, ", which breaks ties and is no reason to reject");
    }
    str_append(out, ".\n");
}

void explain_parts(struct str *out, const struct catalogue_item *item)
{
    const double *part = item->part;
    if (!isfinite(part[RANK_ENERGY_1]))
        return;
    str_append(out, "Detail at scales 1, 2, 4 and 8, noise removed: ");
    say_list(out, part + RANK_ENERGY_1, 4, 2);
    str_append(out, ". Noise floor at scales 1, 2 and 4: ");
    say_list(out, part + RANK_FLOOR_1, 3, 2);
    str_append(out, ". Contrast: ");
    text_append_number(out, part[RANK_CONTRAST], 1);
    str_append(out, ".\nIn this burst detail counts ");
    text_append_number(out, part[RANK_ENERGY_WEIGHT], 2);
    str_append(out, " beside the blur, and is measured against contrast and coarse detail to ");
    text_append_number(out, part[RANK_NORMAL_WEIGHT], 2);
    str_append(out, ".\n");
    if (isfinite(part[RANK_HEAD_BLUR])) {
        str_append(out,
                   "The head end decides, since it is sharp at another time than the rest: its blur is ");
        text_append_number(out, part[RANK_HEAD_BLUR], 2);
        str_append(out, " px.\n");
    }
    say_light(out, part);
}

void explain_neighbours(struct str *out, const struct explain_facts *facts)
{
    if (facts->n_near == 0)
        return;
    str_append(out, "Its neighbours in time:\n");
    for (size_t i = 0; i < facts->n_near; i++) {
        const struct explain_near *near = &facts->near[i];
        str_append(out, "  ");
        text_append_name(out, near->path);
        str_append(out, "  ");
        text_append_number(out, fabs((double)near->apart_ns) / 1e9, 3);
        str_append(out, near->apart_ns < 0 ? " s earlier" : " s later");
        if (near->scored) {
            str_append(out, ", score ");
            text_append_number(out, near->score, 3);
            str_append(out, ", blur ");
            if (isfinite(near->blur_px)) {
                text_append_number(out, near->blur_px, 2);
                str_append(out, " px");
            } else
                str_append(out, "not known");
        }
        str_printf(out, "  %s\n", rank_reason_token(near->reason));
    }
}

static double median_top(const struct explain_facts *facts)
{
    const double *p = facts->top_p;
    if (facts->n_top < 3)
        return facts->n_top == 2 ? (p[0] + p[1]) / 2 : p[0];
    return fmax(fmin(p[0], p[1]), fmin(fmax(p[0], p[1]), p[2]));
}

static void say_limit(struct str *out, const struct explain_facts *facts)
{
    text_append_number(out, facts->reach_px, 2);
    str_append(out, " px of ");
    text_append_number(out, facts->least_px, 2);
    str_append(out, " px, the least blur among the three best of its pass");
}

static void say_sharp_set(struct str *out, const struct explain_facts *facts, bool keep)
{
    str_append(out, "its blur is within ");
    say_limit(out, facts);
    str_append(out,
               keep ? ", and no frame chosen before it shows the same attitude so near in time."
                    : "; but as many as were asked for are kept, or one that is kept is too near in time. "
                      "An equal is not rejected for a count.");
}

static void say_chance(struct str *out, const char *before, double p, const char *after)
{
    str_append(out, before);
    text_append_number(out, p, 2);
    str_append(out, after);
}

/* Its subject sits, and did not have to outdo one that flies. */
static bool is_portrait(const struct explain_facts *facts, const struct catalogue_row *row)
{
    return !facts->perch && row->has_item && (row->item.flags & RANK_F_AT_REST) != 0;
}

bool explain_rule(struct str *out, const struct explain_facts *facts, const struct catalogue_row *row)
{
    double own = row->has_item ? row->item.p_sharp : (double)NAN;
    bool judged = facts->n_top > 0 && isfinite(facts->least_px);
    switch (text_reason(row)) {
    case RANK_SHARPEST:
        say_chance(out,
                   "it has the highest score of the complete frames of its pass, and the three best are "
                   "probably sharp (probability ",
                   median_top(facts), " in the middle; .5 is asked).");
        return facts->n_top > 0;
    case RANK_SHARP_SET:
        if (is_portrait(facts, row)) {
            str_append(out, "it sits while another flies: of each attitude that no kept frame shows, the "
                            "sharpest waits for a person.");
            return true;
        }
        say_sharp_set(out, facts, strcmp(text_proposal(row), "keep") == 0);
        return judged;
    case RANK_NEAR_TWIN:
        str_append(out, facts->perch || is_portrait(facts, row)
                            ? "it equals a frame chosen before it and shows the same attitude."
                            : "it equals a frame chosen before it, less than half a second away, and "
                              "shows the same attitude.");
        return true;
    case RANK_SOFT:
        str_append(out, "its blur is not within ");
        say_limit(out, facts);
        say_chance(out, ", or it is too likely not to be sharp at all (probability of being sharp ", own,
                   "; .3 is asked).");
        return judged;
    case RANK_NOTHING_SHARP:
        say_chance(out, "the three best of its pass are probably not sharp (probability ", median_top(facts),
                   " in the middle; .5 is asked), ");
        say_chance(out, "nor is this one (", own, "; below .3 it is rejected).");
        return facts->n_top > 0;
    case RANK_CUT:
        str_append(out, "a subject that reaches the edge of the frame does not compete.");
        return true;
    case RANK_HIDDEN:
        str_append(out, "a subject that shows much less of its length and area than in the rest of its pass "
                        "does not compete.");
        return true;
    case RANK_AT_REST:
        str_append(out, "where something flies, a frame at rest does not compete.");
        return true;
    case RANK_NO_SUBJECT:
        str_append(out,
                   "something crosses this burst, and in this frame nothing differs from the empty scene.");
        return true;
    case RANK_NOT_SURE:
        str_append(out, "what is doubtful is not rejected.");
        return true;
    default:
        return false;
    }
}

static bool add_real(cJSON *object, const char *key, double value)
{
    return (isfinite(value) ? cJSON_AddNumberToObject(object, key, round(value * 1e4) / 1e4)
                            : cJSON_AddNullToObject(object, key)) != NULL;
}

static bool add_parts(cJSON *object, const double *part)
{
    static const char *const keys[RANK_PARTS] = {
        [RANK_ENERGY_1] = "energy_1",
        [RANK_ENERGY_2] = "energy_2",
        [RANK_ENERGY_4] = "energy_4",
        [RANK_ENERGY_8] = "energy_8",
        [RANK_FLOOR_1] = "floor_1",
        [RANK_FLOOR_2] = "floor_2",
        [RANK_FLOOR_4] = "floor_4",
        [RANK_CONTRAST] = "contrast",
        [RANK_CLIPPED] = "clipped",
        [RANK_LUMA] = "luma",
        [RANK_LIGHT] = "light",
        [RANK_ENERGY_WEIGHT] = "energy_weight",
        [RANK_NORMAL_WEIGHT] = "normal_weight",
        [RANK_HEAD_BLUR] = "head_blur_px",
    };
    cJSON *parts = cJSON_AddObjectToObject(object, "parts");
    bool ok = parts != NULL;
    for (int k = 0; ok && k < RANK_PARTS; k++)
        ok = add_real(parts, keys[k], part[k]);
    return ok;
}

static bool add_near(cJSON *list, const struct explain_near *near)
{
    cJSON *object = cJSON_CreateObject();
    if (object == NULL || !cJSON_AddItemToArray(list, object)) {
        cJSON_Delete(object);
        return false;
    }
    return list_json_path(object, "path", near->path) &&
           add_real(object, "seconds", (double)near->apart_ns / 1e9) &&
           add_real(object, "score", near->scored ? near->score : (double)NAN) &&
           add_real(object, "blur_px", near->scored ? near->blur_px : (double)NAN) &&
           cJSON_AddStringToObject(object, "reason", rank_reason_token(near->reason)) != NULL;
}

bool explain_json(cJSON *object, const struct explain_facts *facts, const struct catalogue_row *row)
{
    struct str rule = STR_INIT;
    bool ok = !row->has_item || add_parts(object, row->item.part), any = explain_rule(&rule, facts, row);
    cJSON *list = cJSON_AddArrayToObject(object, "neighbours");
    ok = ok && list != NULL;
    for (size_t i = 0; ok && i < facts->n_near; i++)
        ok = add_near(list, &facts->near[i]);
    ok = ok && str_ok(&rule, NULL) &&
         (any ? cJSON_AddStringToObject(object, "rule", rule.bytes)
              : cJSON_AddNullToObject(object, "rule")) != NULL;
    str_release(&rule);
    return ok;
}
