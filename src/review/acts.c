/* What the page changes. Each is one act of a person: logged, synced and stored before it is answered. */
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cjson/cJSON.h>

#include "handlers.h"
#include "json.h"
#include "pictures.h"

enum { SETTINGS_MAX = 8 << 10, PREPARE_MAX = 256 };

/* ---- reading what was sent ------------------------------------------------ */

/* The body as an object; NULL with an answer. */
static cJSON *read_body(const struct asked *asked, struct answer *a)
{
    const struct request *q = asked->request;
    cJSON *body = q->body_size > 0 ? cJSON_ParseWithLength(q->body, q->body_size) : NULL;
    if (cJSON_IsObject(body))
        return body;
    cJSON_Delete(body);
    answer_error(a, 400, "the body must be a JSON object");
    return NULL;
}

/* As read_body, for what changes the catalogue. */
static cJSON *read_act(const struct desk *d, const struct asked *asked, struct answer *a)
{
    if (!d->read_only)
        return read_body(asked, a);
    answer_error(a, 409, "nothing can be decided here: %s", d->why_read_only);
    return NULL;
}

static bool is_id(const cJSON *value)
{
    return cJSON_IsNumber(value) && value->valuedouble >= 1 && value->valuedouble <= 9e15 &&
           floor(value->valuedouble) == value->valuedouble;
}

static bool get_id(const cJSON *body, const char *key, int64_t *id, struct answer *a)
{
    const cJSON *value = cJSON_GetObjectItemCaseSensitive(body, key);
    if (!is_id(value)) {
        answer_error(a, 400, "\"%s\" must be a number from 1", key);
        return false;
    }
    *id = (int64_t)value->valuedouble;
    return true;
}

static bool get_bool(const cJSON *body, const char *key, bool *truth, struct answer *a)
{
    const cJSON *value = cJSON_GetObjectItemCaseSensitive(body, key);
    if (!cJSON_IsBool(value)) {
        answer_error(a, 400, "\"%s\" must be true or false", key);
        return false;
    }
    *truth = cJSON_IsTrue(value);
    return true;
}

static bool get_share(const cJSON *body, const char *key, double *share, struct answer *a)
{
    const cJSON *value = cJSON_GetObjectItemCaseSensitive(body, key);
    if (!cJSON_IsNumber(value)) {
        answer_error(a, 400, "\"%s\" must be a number", key);
        return false;
    }
    *share = value->valuedouble;
    return true;
}

/* ---- which bursts changed ------------------------------------------------- */

enum { BURSTS_MAX = 64 }; /* of one act; where it concerns more, all are read again */

struct touched {
    int64_t burst[BURSTS_MAX];
    size_t n;
    bool all;
    struct catalogue *catalogue;
    int64_t pass, frame; /* of the first */
};

static bool note_row(void *context, const struct catalogue_row *row, struct err *err)
{
    struct touched *t = context;
    (void)err;
    if (t->frame == 0) {
        t->frame = row->frame.id;
        t->pass = row->choice.pass;
    }
    for (size_t i = 0; i < t->n; i++)
        if (t->burst[i] == row->frame.burst)
            return true;
    if (t->n == BURSTS_MAX)
        t->all = true;
    else
        t->burst[t->n++] = row->frame.burst;
    return true;
}

static bool note_frame(void *context, int64_t frame, struct err *err)
{
    struct touched *t = context;
    const struct catalogue_filter one = {.frame = frame, .with_missing = true};
    return t->all || catalogue_each_row(t->catalogue, &one, note_row, t, err);
}

static bool tell_model(struct desk *d, const struct touched *t, struct err *err)
{
    if (t->n == 0 && !model_touch(&d->model, 0, err))
        return false;
    for (size_t i = 0; !t->all && i < t->n; i++)
        if (!model_touch(&d->model, t->burst[i], err))
            return false;
    for (size_t i = 0; t->all && i < d->model.n; i++)
        if (!model_touch(&d->model, d->model.burst[i].number, err))
            return false;
    return true;
}

/* Ends every act: the answer is the new version, or what went wrong. */
static void finish(struct desk *d, bool ok, const struct touched *t, const struct err *trouble,
                   struct answer *a)
{
    struct err err = ERR_INIT;
    if (!ok)
        answer_err(a, trouble);
    else if (!tell_model(d, t, &err))
        answer_err(a, &err);
    else {
        answer_version(d, a);
        json_key(&a->body, "bursts");
        str_append_char(&a->body, '[');
        for (size_t i = 0; i < t->n; i++)
            str_printf(&a->body, "%s%" PRId64, i > 0 ? "," : "", t->burst[i]);
        str_append(&a->body, "]}\n");
    }
}

/* ---- decisions ------------------------------------------------------------ */

static bool read_decision(const cJSON *body, enum catalogue_decision *decision, struct answer *a)
{
    static const char *const words[] = {
        [CATALOGUE_UNDECIDED] = "clear", [CATALOGUE_KEEP] = "keep", [CATALOGUE_REJECT] = "reject"};
    const char *word = cJSON_GetStringValue(cJSON_GetObjectItemCaseSensitive(body, "decision"));
    for (int i = CATALOGUE_UNDECIDED; word != NULL && i <= CATALOGUE_REJECT; i++)
        if (strcmp(word, words[i]) == 0) {
            *decision = (enum catalogue_decision)i;
            return true;
        }
    answer_error(a, 400, "\"decision\" must be \"keep\", \"reject\" or \"clear\"");
    return false;
}

/* NULL with an answer; the caller frees. */
static int64_t *read_frames(const cJSON *body, size_t *n, struct answer *a)
{
    const cJSON *list = cJSON_GetObjectItemCaseSensitive(body, "frames"), *value;
    size_t size = cJSON_IsArray(list) ? (size_t)cJSON_GetArraySize(list) : 0;
    int64_t *frames = size > 0 ? calloc(size, sizeof *frames) : NULL;
    *n = 0;
    if (frames == NULL) {
        answer_error(a, 400, "\"frames\" must be a list of frames");
        return NULL;
    }
    cJSON_ArrayForEach(value, list)
    {
        if (!is_id(value)) {
            answer_error(a, 400, "\"frames\" must be a list of numbers from 1");
            free(frames);
            return NULL;
        }
        frames[(*n)++] = (int64_t)value->valuedouble;
    }
    return frames;
}

void do_decide(struct desk *d, const struct asked *asked, struct answer *a)
{
    enum catalogue_decision decision;
    struct touched touched = {.catalogue = d->session.catalogue};
    struct err err = ERR_INIT;
    size_t n = 0;
    cJSON *body = read_act(d, asked, a);
    int64_t *frames = body != NULL && read_decision(body, &decision, a) ? read_frames(body, &n, a) : NULL;
    if (frames != NULL) {
        bool ok = catalogue_decide(d->session.catalogue, frames, n, decision, d->who, &err);
        for (size_t i = 0; ok && i < n; i++)
            ok = note_frame(&touched, frames[i], &err);
        finish(d, ok, &touched, &err, a);
    }
    free(frames);
    cJSON_Delete(body);
}

/* ---- acceptance ----------------------------------------------------------- */

struct members {
    int64_t pass;
    int64_t *frame;
    size_t n, room;
};

static bool add_member(struct members *m, int64_t frame, struct err *err)
{
    if (m->n == m->room) {
        size_t room = m->room > 0 ? m->room * 2 : 64;
        int64_t *grown = realloc(m->frame, room * sizeof *grown);
        if (grown == NULL)
            return err_nomem(err);
        m->frame = grown;
        m->room = room;
    }
    m->frame[m->n++] = frame;
    return true;
}

static bool add_own(void *context, const struct catalogue_row *row, struct err *err)
{
    struct members *m = context;
    return row->choice.pass != m->pass || add_member(m, row->frame.id, err);
}

/* The frames that stand for the pass. */
static bool accept_pass(struct desk *d, int64_t burst, int64_t pass, bool accepted, struct err *err)
{
    struct members m = {.pass = pass};
    struct catalogue *c = d->session.catalogue;
    const struct catalogue_filter filter = {.burst = burst};
    bool ok = catalogue_each_row(c, &filter, add_own, &m, err);
    if (ok && m.n == 0)
        ok = err_set(err, ERR_USAGE, "no frame of burst %" PRId64 " stands for a pass %" PRId64, burst, pass);
    ok = ok && catalogue_accept_frames(c, m.frame, m.n, accepted, d->who, err);
    free(m.frame);
    return ok;
}

void do_accept(struct desk *d, const struct asked *asked, struct answer *a)
{
    int64_t burst, pass = 0;
    bool accepted;
    struct err err = ERR_INIT;
    cJSON *body = read_act(d, asked, a);
    bool has_pass = cJSON_GetObjectItemCaseSensitive(body, "pass") != NULL;
    if (body != NULL && get_id(body, "burst", &burst, a) && get_bool(body, "accepted", &accepted, a) &&
        (!has_pass || get_id(body, "pass", &pass, a))) {
        const struct touched touched = {.burst = {burst}, .n = 1};
        bool ok = has_pass ? accept_pass(d, burst, pass, accepted, &err)
                           : catalogue_accept(d->session.catalogue, burst, accepted, d->who, &err);
        finish(d, ok, &touched, &err, a);
    }
    cJSON_Delete(body);
}

/* ---- taking back ---------------------------------------------------------- */

static void add_id_or_null(struct str *s, const char *key, int64_t id)
{
    if (id > 0)
        json_add_int(s, key, id);
    else {
        json_key(s, key);
        str_append(s, "null");
    }
}

static void tell_undone(const struct desk *d, const struct catalogue_act *act, const struct touched *t,
                        struct answer *a)
{
    answer_version(d, a);
    json_key(&a->body, "undone");
    if (act->word[0] != '\0')
        json_text(&a->body, act->word);
    else
        str_append(&a->body, "null");
    json_add_int(&a->body, "frames", (long long)act->n);
    json_key(&a->body, "bursts");
    str_append_char(&a->body, '[');
    for (size_t i = 0; i < t->n; i++)
        str_printf(&a->body, "%s%" PRId64, i > 0 ? "," : "", t->burst[i]);
    str_append_char(&a->body, ']');
    add_id_or_null(&a->body, "burst", t->n > 0 ? t->burst[0] : 0);
    add_id_or_null(&a->body, "pass", t->pass);
    add_id_or_null(&a->body, "frame", t->frame);
    str_append(&a->body, "}\n");
}

void do_undo(struct desk *d, const struct asked *asked, struct answer *a)
{
    struct catalogue_act act;
    struct touched touched = {.catalogue = d->session.catalogue};
    struct err err = ERR_INIT;
    cJSON *body = read_act(d, asked, a);
    if (body != NULL) {
        bool ok = catalogue_undo(d->session.catalogue, d->who, &act, &err) &&
                  catalogue_each_undone(d->session.catalogue, &act, note_frame, &touched, &err) &&
                  (act.n == 0 || tell_model(d, &touched, &err));
        if (ok)
            tell_undone(d, &act, &touched, a);
        else
            answer_err(a, &err);
    }
    cJSON_Delete(body);
}

/* ---- shortlist, recall, areas --------------------------------------------- */

void do_shortlist(struct desk *d, const struct asked *asked, struct answer *a)
{
    int64_t frame;
    bool on;
    struct touched touched = {.catalogue = d->session.catalogue};
    struct err err = ERR_INIT;
    cJSON *body = read_act(d, asked, a);
    if (body != NULL && get_id(body, "frame", &frame, a) && get_bool(body, "on", &on, a))
        finish(d,
               catalogue_shortlist(d->session.catalogue, frame, on, d->who, &err) &&
                   note_frame(&touched, frame, &err),
               &touched, &err, a);
    cJSON_Delete(body);
}

void do_recall(struct desk *d, const struct asked *asked, struct answer *a)
{
    int64_t burst;
    bool on;
    struct err err = ERR_INIT;
    cJSON *body = read_act(d, asked, a);
    if (body != NULL && get_id(body, "burst", &burst, a) && get_bool(body, "on", &on, a)) {
        const struct touched touched = {.burst = {burst}, .n = 1};
        finish(d, catalogue_recall(d->session.catalogue, burst, on, d->who, &err), &touched, &err, a);
    }
    cJSON_Delete(body);
}

static bool read_kind(const cJSON *body, bool *keep_out, struct answer *a)
{
    const char *kind = cJSON_GetStringValue(cJSON_GetObjectItemCaseSensitive(body, "kind"));
    *keep_out = kind != NULL && strcmp(kind, "keep-out") == 0;
    if (*keep_out || (kind != NULL && strcmp(kind, "ignore") == 0))
        return true;
    answer_error(a, 400, "\"kind\" must be \"ignore\" or \"keep-out\"");
    return false;
}

void do_area(struct desk *d, const struct asked *asked, struct answer *a)
{
    struct catalogue_area area = {0};
    const struct touched session = {.n = 0};
    struct err err = ERR_INIT;
    int64_t id = 0;
    cJSON *body = read_act(d, asked, a);
    if (body != NULL && get_id(body, "setup", &area.setup, a) && read_kind(body, &area.keep_out, a) &&
        get_share(body, "x", &area.x, a) && get_share(body, "y", &area.y, a) &&
        get_share(body, "w", &area.w, a) && get_share(body, "h", &area.h, a)) {
        bool ok = catalogue_add_area(d->session.catalogue, &area, d->who, &id, &err) &&
                  tell_model(d, &session, &err);
        if (ok) {
            answer_version(d, a);
            json_add_int(&a->body, "id", id);
            str_append(&a->body, "}\n");
        } else
            answer_err(a, &err);
    }
    cJSON_Delete(body);
}

void do_remove_area(struct desk *d, const struct asked *asked, struct answer *a)
{
    const struct touched session = {.n = 0};
    struct err err = ERR_INIT;
    int64_t id;
    cJSON *body = read_act(d, asked, a);
    if (body != NULL && get_id(body, "id", &id, a))
        finish(d, catalogue_remove_area(d->session.catalogue, id, d->who, &err), &session, &err, a);
    cJSON_Delete(body);
}

/* ---- what is no act of judging -------------------------------------------- */

static void store(struct desk *d, const char *key, const char *value, struct answer *a)
{
    struct err err = ERR_INIT;
    if (!catalogue_set_setting(d->session.catalogue, key, value, &err)) {
        answer_err(a, &err);
        return;
    }
    answer_version(d, a);
    str_append(&a->body, "}\n");
}

void do_place(struct desk *d, const struct asked *asked, struct answer *a)
{
    int64_t burst, pass = 0;
    char text[48];
    cJSON *body = read_act(d, asked, a);
    bool has_pass = is_id(cJSON_GetObjectItemCaseSensitive(body, "pass")); /* a burst may have none */
    if (body != NULL && get_id(body, "burst", &burst, a) && (!has_pass || get_id(body, "pass", &pass, a))) {
        (void)snprintf(text, sizeof text, "%" PRId64 " %" PRId64, burst, pass);
        store(d, "review_place", text, a);
    }
    cJSON_Delete(body);
}

void do_settings(struct desk *d, const struct asked *asked, struct answer *a)
{
    cJSON *body = read_act(d, asked, a);
    cJSON *settings = cJSON_GetObjectItemCaseSensitive(body, "settings");
    char *text = cJSON_IsObject(settings) ? cJSON_PrintUnformatted(settings) : NULL;
    if (text != NULL && strlen(text) <= SETTINGS_MAX)
        store(d, "review_page", text, a);
    else if (body != NULL)
        answer_error(a, 400, "\"settings\" must be an object of at most 8 KiB");
    cJSON_free(text);
    cJSON_Delete(body);
}

/* Pictures that the page will want next, first things first: {"pictures":["12/small","12/crop/0,0,9,9"]}. */
void do_prepare(struct desk *d, const struct asked *asked, struct answer *a)
{
    struct session_picture *wanted = calloc(PREPARE_MAX, sizeof *wanted);
    size_t n = 0;
    cJSON *body = read_body(asked, a);
    const cJSON *list = cJSON_GetObjectItemCaseSensitive(body, "pictures"), *value;
    bool ok = wanted != NULL && cJSON_IsArray(list);
    if (ok)
        cJSON_ArrayForEach(value, list)
        {
            const char *path = cJSON_GetStringValue(value);
            ok = ok && path != NULL && n < PREPARE_MAX && pictures_parse(path, &wanted[n++]);
        }
    if (ok) {
        pictures_prepare(d, wanted, n);
        answer_version(d, a);
        str_append(&a->body, "}\n");
    } else if (body != NULL)
        answer_error(a, 400, "\"pictures\" must be a list of at most %d pictures", PREPARE_MAX);
    cJSON_Delete(body);
    free(wanted);
}
