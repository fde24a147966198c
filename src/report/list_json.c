/* JSON Lines. Numbers are rounded to what the CSV prints, so that both say the same. */
#include "list_rows.h"

#include <math.h>
#include <string.h>

#include "text.h"

static bool add_text(cJSON *object, const char *key, const char *text)
{
    if (!str_is_utf8(text, strlen(text)))
        return cJSON_AddNullToObject(object, key) != NULL;
    return cJSON_AddStringToObject(object, key, text) != NULL;
}

/* Text that is null where it is empty. */
static bool add_known(cJSON *object, const char *key, const char *text)
{
    return text[0] != '\0' ? add_text(object, key, text) : cJSON_AddNullToObject(object, key) != NULL;
}

static bool add_number(cJSON *object, const char *key, double value, double decimals)
{
    double power = pow(10, decimals);
    if (!isfinite(value))
        return cJSON_AddNullToObject(object, key) != NULL;
    return cJSON_AddNumberToObject(object, key, round(value * power) / power) != NULL;
}

static bool add_count(cJSON *object, const char *key, uint64_t n)
{
    return cJSON_AddNumberToObject(object, key, (double)n) != NULL;
}

/* A number from 1, null where there is none. */
static bool add_positive(cJSON *object, const char *key, int64_t n)
{
    return n > 0 ? add_count(object, key, (uint64_t)n) : cJSON_AddNullToObject(object, key) != NULL;
}

static bool add_bool(cJSON *object, const char *key, bool value)
{
    return cJSON_AddBoolToObject(object, key, value) != NULL;
}

bool list_json_path(cJSON *object, const char *key, const char *path)
{
    struct str name = STR_INIT, base64 = STR_INIT;
    if (str_is_utf8(path, strlen(path)))
        return cJSON_AddStringToObject(object, key, path) != NULL;
    str_printf(&name, "%s_base64", key);
    str_append_base64(&base64, path, strlen(path));
    bool ok = str_ok(&name, NULL) && str_ok(&base64, NULL) && cJSON_AddNullToObject(object, key) != NULL &&
              cJSON_AddStringToObject(object, name.bytes, base64.bytes) != NULL;
    str_release(&name);
    str_release(&base64);
    return ok;
}

static bool add_box(cJSON *object, const struct catalogue_item *item)
{
    return add_count(object, "x", item->x_px) && add_count(object, "y", item->y_px) &&
           add_count(object, "w", item->w_px) && add_count(object, "h", item->h_px);
}

static bool add_no_box(cJSON *object)
{
    return cJSON_AddNullToObject(object, "x") != NULL && cJSON_AddNullToObject(object, "y") != NULL &&
           cJSON_AddNullToObject(object, "w") != NULL && cJSON_AddNullToObject(object, "h") != NULL;
}

static bool add_blur(cJSON *object, const struct catalogue_item *item, uint32_t long_edge_px)
{
    bool known = text_blur_known(item);
    return add_number(object, "blur_px", known ? item->blur_px : NAN, 3) &&
           add_number(object, "blur_low_px", known ? item->blur_low_px : NAN, 3) &&
           add_number(object, "blur_high_px", known ? item->blur_high_px : NAN, 3) &&
           add_positive(object, "good_to_px", known ? rank_good_to_px(item->blur_px, long_edge_px) : 0);
}

static bool add_subject(cJSON *list, const struct catalogue_item *item, uint32_t long_edge_px)
{
    cJSON *subject = cJSON_CreateObject();
    if (subject == NULL || !cJSON_AddItemToArray(list, subject)) {
        cJSON_Delete(subject);
        return false;
    }
    return add_count(subject, "pass", item->pass) && add_box(subject, item) &&
           add_number(subject, "score", item->score, 6) && add_blur(subject, item, long_edge_px) &&
           add_number(subject, "p_sharp", item->p_sharp, 3) &&
           add_number(subject, "laplacian_variance", item->laplacian_variance, 3) &&
           add_number(subject, "tenengrad", item->tenengrad, 3) &&
           add_bool(subject, "cut", item->flags & RANK_F_CUT) &&
           add_bool(subject, "hidden", item->flags & RANK_F_HIDDEN) &&
           add_bool(subject, "at_rest", item->flags & RANK_F_AT_REST) &&
           add_bool(subject, "unsure", item->flags & RANK_F_UNSURE);
}

static bool add_subjects(cJSON *object, const struct catalogue_row *row, const struct catalogue_items *items)
{
    cJSON *list = cJSON_AddArrayToObject(object, "subjects");
    bool ok = list != NULL && add_number(object, "whole_frame_blur_px",
                                         row->has_item && row->item.pass == 0 && text_blur_known(&row->item)
                                             ? row->item.blur_px
                                             : (double)NAN,
                                         3);
    /* Pass 0 is the frame as a whole, where no subject was told apart. */
    for (size_t i = 0; ok && i < items->n; i++)
        if (items->item[i].frame == row->frame.id && items->item[i].pass > 0)
            ok = add_subject(list, &items->item[i], text_long_edge(&row->frame));
    return ok;
}

static bool add_file(void *context, const struct catalogue_file *file, struct err *err)
{
    cJSON *object = cJSON_CreateObject();
    if (object == NULL || !cJSON_AddItemToArray(context, object)) {
        cJSON_Delete(object);
        return err_nomem(err);
    }
    bool ok = list_json_path(object, "path", file->path) && add_text(object, "kind", file->kind) &&
              add_count(object, "bytes", file->size) && add_bool(object, "missing", file->missing) &&
              (file->home == NULL || list_json_path(object, "home", file->home));
    return ok || err_nomem(err);
}

static bool add_place(cJSON *object, const struct catalogue_row *row)
{
    char time[TEXT_TIME_SIZE];
    return add_count(object, "format", 1) && add_positive(object, "burst", row->frame.burst) &&
           add_positive(object, "pass", text_has_subject(row) ? row->choice.pass : 0) &&
           add_count(object, "frame", (uint64_t)row->frame.position + 1) &&
           list_json_path(object, "path", text_path(row)) &&
           add_known(object, "time", text_time(time, &row->frame));
}

static bool add_judgement(cJSON *object, const struct catalogue_row *row)
{
    const struct catalogue_item none = {.flags = RANK_F_NO_BLUR, .score = NAN, .blur_px = NAN};
    const struct catalogue_item *item = text_has_subject(row) ? &row->item : &none;
    enum rank_reason reason = text_reason(row);
    return add_number(object, "score", item->score, 6) &&
           add_blur(object, item, text_long_edge(&row->frame)) &&
           add_positive(object, "rank", row->choice.rank) &&
           add_text(object, "proposal", text_proposal(row)) &&
           add_known(object, "decision", text_decision(row->decision)) &&
           add_bool(object, "decided_in_camera", row->decided_in_camera) &&
           add_bool(object, "accepted", row->accepted) && add_text(object, "outcome", row->outcome) &&
           add_text(object, "reason", rank_reason_token(reason)) &&
           add_text(object, "sentence", rank_reason_sentence(reason)) &&
           (text_has_subject(row) ? add_box(object, item) : add_no_box(object));
}

static bool add_picture(cJSON *object, const struct catalogue_frame *f)
{
    return add_positive(object, "width_px", f->width_px) && add_positive(object, "height_px", f->height_px) &&
           add_count(object, "orientation", (uint64_t)(f->orientation > 0 ? f->orientation : 1)) &&
           add_text(object, "state", f->state) && add_known(object, "cause", f->cause) &&
           add_known(object, "judged_on", f->judged_on) &&
           (strcmp(f->state, "measured") != 0 || add_number(object, "decoded", f->decoded, 3)) &&
           add_positive(object, "judged_width_px", f->judged_width_px) &&
           add_positive(object, "judged_height_px", f->judged_height_px) &&
           add_number(object, "exposure_s", f->exposure_s > 0 ? f->exposure_s : NAN, 9) &&
           add_number(object, "f_number", f->f_number > 0 ? f->f_number : NAN, 2) &&
           add_number(object, "focal_mm", f->focal_mm > 0 ? f->focal_mm : NAN, 2) &&
           add_number(object, "iso", f->iso > 0 ? f->iso : NAN, 0) && add_known(object, "lens", f->lens) &&
           add_number(object, "rating", f->rating, 0) && add_bool(object, "protected", f->is_protected);
}

cJSON *list_json_frame(struct catalogue *c, const struct catalogue_row *row,
                       const struct catalogue_items *items, struct err *err)
{
    cJSON *object = cJSON_CreateObject(), *files = NULL;
    bool ok = object != NULL && add_place(object, row) && add_judgement(object, row) &&
              add_picture(object, &row->frame) && add_subjects(object, row, items) &&
              (files = cJSON_AddArrayToObject(object, "files")) != NULL;
    if (!ok)
        err_nomem(err);
    ok = ok && catalogue_each_file(c, row->frame.id, add_file, files, err);
    if (ok)
        return object;
    cJSON_Delete(object);
    return NULL;
}

cJSON *list_json_burst(const struct burst_summary *b, struct err *err)
{
    const struct catalogue_frame first = {.has_time = b->has_time,
                                          .time_ns = b->start_ns,
                                          .subsec_digits = b->subsec_digits,
                                          .has_offset = b->has_offset,
                                          .offset_min = b->offset_min};
    char time[TEXT_TIME_SIZE];
    double seconds = b->has_time ? (double)(b->end_ns - b->start_ns) / 1e9 : NAN;
    cJSON *object = cJSON_CreateObject();
    bool ok =
        object != NULL && add_count(object, "format", 1) && add_count(object, "burst", (uint64_t)b->number) &&
        add_known(object, "start", text_time(time, &first)) && add_number(object, "seconds", seconds, 3) &&
        add_count(object, "frames", b->frames) && add_count(object, "passes", b->passes) &&
        add_count(object, "keep", b->keep) && add_count(object, "reject", b->reject) &&
        add_count(object, "none", b->none) && add_number(object, "best_blur_px", b->best_blur_px, 3) &&
        add_positive(object, "good_to_px", b->good_to_px) && add_positive(object, "setup", b->setup) &&
        add_known(object, "mode", b->mode) && add_bool(object, "perch", b->perch) &&
        add_bool(object, "nothing_sharp", b->nothing_sharp) && add_bool(object, "accepted", b->accepted);
    if (ok)
        return object;
    cJSON_Delete(object);
    err_nomem(err);
    return NULL;
}

bool list_json_line(struct str *out, cJSON *object, struct err *err)
{
    if (object == NULL)
        return false;
    char *line = cJSON_PrintUnformatted(object);
    cJSON_Delete(object);
    if (line == NULL)
        return err_nomem(err);
    str_append(out, line);
    str_append_char(out, '\n');
    cJSON_free(line);
    return true;
}
