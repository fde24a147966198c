#include "chaffinch/report.h"

#include "explain.h"

#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "list_rows.h"
#include "text.h"

static bool take_place(void *context, const struct catalogue_row *row, struct err *err)
{
    struct explain_facts *facts = context;
    (void)err;
    facts->frame = row->frame.id;
    facts->burst = row->frame.burst;
    facts->pass = row->choice.pass;
    facts->time_ns = row->frame.estimated_ns;
    facts->missing = row->frame.missing;
    facts->position = row->frame.position;
    facts->least_px = INFINITY;
    return true;
}

static bool take_burst(void *context, const struct catalogue_burst *burst, struct err *err)
{
    struct explain_facts *facts = context;
    (void)err;
    if (burst->number != facts->burst)
        return true;
    facts->burst_frames = burst->n_frames;
    facts->burst_passes = burst->n_passes;
    facts->perch = burst->perch;
    facts->nothing_sharp = burst->nothing_sharp;
    facts->start_ns = burst->start_ns; /* unless the first frame tells better */
    return true;
}

static bool take_other(struct explain_other *other, const struct explain_facts *facts,
                       const struct catalogue_row *row, struct err *err)
{
    char *path = strdup(text_path(row));
    if (path == NULL)
        return err_nomem(err);
    free(other->path);
    *other = (struct explain_other){.path = path,
                                    .score = row->item.score,
                                    .blur_px = row->item.blur_px,
                                    .laplacian_variance = row->item.laplacian_variance,
                                    .tenengrad = row->item.tenengrad,
                                    .apart_ns = row->frame.estimated_ns - facts->time_ns};
    return true;
}

static bool take_near(struct explain_facts *facts, const struct catalogue_row *row, struct err *err)
{
    int64_t apart = (int64_t)row->frame.position - (int64_t)facts->position;
    if (apart == 0 || apart < -EXPLAIN_NEAR / 2 || apart > EXPLAIN_NEAR / 2 || facts->n_near == EXPLAIN_NEAR)
        return true;
    char *path = strdup(text_path(row));
    if (path == NULL)
        return err_nomem(err);
    facts->near[facts->n_near++] =
        (struct explain_near){.path = path,
                              .apart_ns = row->frame.estimated_ns - facts->time_ns,
                              .scored = row->has_item && facts->pass > 0 && row->choice.pass == facts->pass,
                              .score = row->item.score,
                              .blur_px = row->item.blur_px,
                              .reason = text_reason(row)};
    return true;
}

static void take_top(struct explain_facts *facts, const struct catalogue_row *row)
{
    const struct catalogue_item *item = &row->item;
    if (row->choice.rank == 0 || row->choice.rank > 3 || !row->has_item)
        return;
    facts->top_p[facts->n_top++ % 3] = item->p_sharp;
    if (!text_blur_known(item) || item->blur_px >= facts->least_px)
        return;
    facts->least_px = item->blur_px;
    facts->reach_px = fmax(0.3, 0.5 * (item->blur_high_px - item->blur_low_px));
}

static bool take_sibling(void *context, const struct catalogue_row *row, struct err *err)
{
    struct explain_facts *facts = context;
    bool same = row->frame.id == facts->frame, kept = strcmp(row->outcome, "keep") == 0;
    if (row->frame.position == 0)
        facts->start_ns = row->frame.estimated_ns;
    if (!take_near(facts, row, err))
        return false;
    if (facts->pass == 0 || row->choice.pass != facts->pass)
        return true;
    take_top(facts, row);
    facts->pass_frames++;
    facts->ranked += row->choice.rank > 0;
    facts->kept += kept;
    if (same || !row->has_item)
        return true;
    int64_t apart = llabs(row->frame.estimated_ns - facts->time_ns);
    if (row->choice.rank == 1 && !take_other(&facts->best, facts, row, err))
        return false;
    if (kept && (facts->twin.path == NULL || apart < llabs(facts->twin.apart_ns)))
        return take_other(&facts->twin, facts, row, err);
    return true;
}

static bool take_file(void *context, const struct catalogue_file *file, struct err *err)
{
    struct explain_facts *facts = context;
    (void)err;
    facts->away = facts->away || file->home != NULL;
    return true;
}

static bool gather(struct catalogue *c, struct explain_facts *facts, int64_t frame, struct err *err)
{
    const struct catalogue_filter one = {.frame = frame, .with_missing = true};
    if (!catalogue_each_row(c, &one, take_place, facts, err))
        return false;
    if (facts->frame == 0)
        return err_set(err, ERR_USAGE, "there is no frame with number %" PRId64, frame);
    if (!catalogue_each_file(c, frame, take_file, facts, err))
        return false;
    const struct catalogue_filter burst = {.burst = facts->burst};
    return facts->burst == 0 || (catalogue_each_burst(c, take_burst, facts, err) &&
                                 catalogue_each_row(c, &burst, take_sibling, facts, err) &&
                                 catalogue_items_load(&facts->items, c, facts->burst, err));
}

struct telling {
    struct catalogue *c;
    const struct explain_facts *facts;
    const struct report_explain_options *options;
    struct str *out;
};

static bool add_history(void *context, const struct catalogue_decided *decided, struct err *err)
{
    char time[TEXT_TIME_SIZE];
    const struct catalogue_frame at = {.has_time = true, .time_ns = decided->at_ns, .has_offset = true};
    const char *what = decided->decision == CATALOGUE_UNDECIDED ? "clear" : text_decision(decided->decision);
    cJSON *object = cJSON_CreateObject();
    if (object == NULL || !cJSON_AddItemToArray(context, object)) {
        cJSON_Delete(object);
        return err_nomem(err);
    }
    return (cJSON_AddStringToObject(object, "decision", what) != NULL &&
            list_json_path(object, "who", decided->who) &&
            cJSON_AddStringToObject(object, "at", text_time(time, &at)) != NULL &&
            cJSON_AddBoolToObject(object, "undone", decided->undone) != NULL) ||
           err_nomem(err);
}

/* Each line of `text` as one string of the list. */
static bool add_lines(cJSON *list, char *text, struct err *err)
{
    char *rest = NULL;
    for (char *line = strtok_r(text, "\n", &rest); line != NULL; line = strtok_r(NULL, "\n", &rest)) {
        cJSON *string = cJSON_CreateString(line);
        if (string == NULL || !cJSON_AddItemToArray(list, string)) {
            cJSON_Delete(string);
            return err_nomem(err);
        }
    }
    return true;
}

static bool add_numbers(cJSON *object, const struct explain_facts *facts)
{
    return cJSON_AddNumberToObject(object, "burst_frames", facts->burst_frames) != NULL &&
           cJSON_AddNumberToObject(object, "burst_passes", facts->burst_passes) != NULL &&
           cJSON_AddNumberToObject(object, "pass_frames", facts->pass_frames) != NULL &&
           cJSON_AddNumberToObject(object, "pass_ranked", facts->ranked) != NULL &&
           cJSON_AddNumberToObject(object, "pass_kept", facts->kept) != NULL &&
           (facts->best.path == NULL || list_json_path(object, "best", facts->best.path));
}

static bool tell_json(const struct telling *t, const struct catalogue_row *row, char *sentences,
                      struct err *err)
{
    cJSON *object = list_json_frame(t->c, row, &t->facts->items, err), *history = NULL, *lines = NULL;
    if (object == NULL)
        return false;
    bool ok = (add_numbers(object, t->facts) && explain_json(object, t->facts, row) &&
               (history = cJSON_AddArrayToObject(object, "history")) != NULL &&
               (lines = cJSON_AddArrayToObject(object, "sentences")) != NULL) ||
              err_nomem(err);
    ok = ok && catalogue_history(t->c, row->frame.id, add_history, history, err) &&
         add_lines(lines, sentences, err);
    if (ok)
        return list_json_line(t->out, object, err);
    cJSON_Delete(object);
    return false;
}

static bool tell(void *context, const struct catalogue_row *row, struct err *err)
{
    const struct telling *t = context;
    if (!t->options->json)
        return explain_sentences(t->c, t->facts, row, t->options->session, t->out, err);
    struct str sentences = STR_INIT;
    bool ok = explain_sentences(t->c, t->facts, row, t->options->session, &sentences, err) &&
              str_ok(&sentences, err) && tell_json(t, row, sentences.bytes, err);
    str_release(&sentences);
    return ok;
}

bool report_explain(struct catalogue *c, int64_t frame, const struct report_explain_options *options,
                    struct str *out, struct err *err)
{
    const struct catalogue_filter one = {.frame = frame, .with_missing = true};
    struct explain_facts facts = {0};
    struct telling telling = {c, &facts, options, out};
    bool ok =
        gather(c, &facts, frame, err) && catalogue_each_row(c, &one, tell, &telling, err) && str_ok(out, err);
    free(facts.best.path);
    free(facts.twin.path);
    for (size_t i = 0; i < facts.n_near; i++)
        free(facts.near[i].path);
    catalogue_items_release(&facts.items);
    return ok;
}
