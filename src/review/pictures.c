#include "pictures.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "handlers.h"

enum { FAILED_S = 5 }; /* a failure is tried again after that: the file may have come back */

enum state { WANTED, RUNNING, READY, FAILED };

struct entry {
    struct session_picture key;
    enum state state;
    bool prepared;  /* nobody waits for it */
    uint64_t order; /* of the last wish; a job's tag while it runs */
    uint64_t tag;
    int64_t failed_s;
    uint8_t *block; /* the worker's answer, in which the JPEG lies */
    const uint8_t *jpeg;
    size_t size;
    char cause[256];
};

struct pictures {
    struct entry *entry;
    size_t n;
    size_t bytes;
    uint64_t clock;
    unsigned running, preparing;
};

static int64_t seconds(void)
{
    struct timespec t = {0};
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec;
}

struct pictures *pictures_new(struct err *err)
{
    struct pictures *p = calloc(1, sizeof *p);
    if (p != NULL)
        p->entry = calloc(PICTURES_MAX, sizeof *p->entry);
    if (p == NULL || p->entry == NULL) {
        free(p);
        err_nomem(err);
        return NULL;
    }
    return p;
}

static void drop(struct pictures *p, size_t i)
{
    p->bytes -= p->entry[i].size;
    free(p->entry[i].block);
    p->entry[i] = p->entry[--p->n];
}

void pictures_free(struct pictures *p)
{
    if (p == NULL)
        return;
    while (p->n > 0)
        drop(p, p->n - 1);
    free(p->entry);
    free(p);
}

/* ---- what is asked for ---------------------------------------------------- */

static bool parse_box(const char *text, uint32_t box[4])
{
    int64_t number;
    for (int i = 0; i < 4; i++) {
        if (!read_number(&text, i < 3 ? ',' : '\0', &number) || number > UINT32_MAX)
            return false;
        box[i] = (uint32_t)number;
    }
    return box[2] > 0 && box[3] > 0 && box[2] <= PART_MAX_PX && box[3] <= PART_MAX_PX;
}

bool pictures_parse(const char *path, struct session_picture *picture)
{
    static const char crop[] = "crop/";
    *picture = (struct session_picture){0};
    if (!read_number(&path, '/', &picture->frame))
        return false;
    if (strcmp(path, "small") == 0)
        picture->size = SESSION_SMALL;
    else if (strcmp(path, "whole") == 0)
        picture->size = SESSION_WHOLE;
    else if (strncmp(path, crop, sizeof crop - 1) == 0 && parse_box(path + sizeof crop - 1, picture->box))
        picture->size = SESSION_PART;
    else
        return false;
    return true;
}

static bool same(const struct session_picture *a, const struct session_picture *b)
{
    return a->frame == b->frame && a->size == b->size && memcmp(a->box, b->box, sizeof a->box) == 0;
}

static struct entry *find(struct pictures *p, const struct session_picture *key)
{
    for (size_t i = 0; i < p->n; i++)
        if (same(&p->entry[i].key, key))
            return &p->entry[i];
    return NULL;
}

/* Makes room by dropping what was asked for longest ago and is not in work. */
static void make_room(struct pictures *p, const struct entry *spare)
{
    while (p->n >= PICTURES_MAX || p->bytes > PICTURES_BYTES_MAX) {
        size_t oldest = p->n;
        for (size_t i = 0; i < p->n; i++)
            if (p->entry[i].state != RUNNING && &p->entry[i] != spare &&
                (oldest == p->n || p->entry[i].order < p->entry[oldest].order))
                oldest = i;
        if (oldest == p->n)
            return;
        /* The spared one may be the last, which then takes the place of the dropped. */
        if (spare == &p->entry[p->n - 1])
            spare = &p->entry[oldest];
        drop(p, oldest);
    }
}

static struct entry *add(struct pictures *p, const struct session_picture *key)
{
    make_room(p, NULL);
    if (p->n >= PICTURES_MAX)
        return NULL;
    struct entry *e = &p->entry[p->n++];
    *e = (struct entry){.key = *key, .state = WANTED};
    return e;
}

static void answer_jpeg(const struct entry *e, struct answer *a)
{
    a->status = 200;
    a->type = "image/jpeg";
    a->fixed = e->jpeg;
    a->fixed_size = e->size;
    a->may_be_kept = true;
}

void pictures_get(struct desk *d, const struct session_picture *picture, struct answer *a)
{
    struct pictures *p = d->pictures;
    struct entry *e = find(p, picture);
    if (e == NULL && (e = add(p, picture)) == NULL) {
        answer_error(a, 503, "too many pictures are asked for at once");
        return;
    }
    if (e->state == FAILED && seconds() - e->failed_s >= FAILED_S)
        e->state = WANTED;
    /* A waiting request asks again and again: its place in the queue stays. */
    if (e->order == 0 || e->prepared || e->state == READY)
        e->order = ++p->clock;
    if (e->prepared && e->state == RUNNING)
        p->preparing--;
    e->prepared = false;
    if (e->state == READY)
        answer_jpeg(e, a);
    else if (e->state == FAILED)
        answer_error(a, 404, "%s", e->cause);
    else
        a->state = ANSWER_PICTURE;
}

void pictures_prepare(struct desk *d, const struct session_picture *pictures, size_t n)
{
    struct pictures *p = d->pictures;
    for (size_t i = p->n; i-- > 0;)
        if (p->entry[i].prepared && p->entry[i].state == WANTED)
            drop(p, i);
    p->clock += n; /* the first gets the highest number */
    for (size_t i = 0; i < n; i++) {
        struct entry *e = find(p, &pictures[i]);
        if (e == NULL && (e = add(p, &pictures[i])) != NULL) {
            e->prepared = true;
            e->order = p->clock - i;
        } else if (e != NULL && e->state == READY)
            e->order = p->clock - i;
    }
}

/* ---- work ----------------------------------------------------------------- */

bool pictures_busy(const struct desk *d)
{
    return d->pictures->running > 0;
}

static void fail(struct entry *e, const char *cause)
{
    e->state = FAILED;
    e->failed_s = seconds();
    (void)snprintf(e->cause, sizeof e->cause, "%.255s", cause);
}

static void take_result(struct pictures *p, struct worker_result *result)
{
    struct entry *e = NULL;
    for (size_t i = 0; i < p->n && e == NULL; i++)
        if (p->entry[i].state == RUNNING && p->entry[i].tag == result->tag)
            e = &p->entry[i];
    p->running--;
    if (e == NULL) {
        worker_result_release(result);
        return;
    }
    p->preparing -= e->prepared;
    if (session_picture_bytes(result, &e->jpeg, &e->size)) {
        e->state = READY;
        e->block = result->bytes;
        p->bytes += e->size;
        make_room(p, e);
    } else {
        fail(e, result->ok ? "the decoder gave no picture" : result->cause);
        worker_result_release(result);
    }
}

/* What to make next: what a person waits for, the newest first; then what is to be prepared. NULL = nothing.
 */
static struct entry *next(struct pictures *p, unsigned workers)
{
    struct entry *best = NULL;
    bool may_prepare = p->preparing + 1 < workers || (workers == 1 && p->running == 0);
    for (size_t i = 0; i < p->n; i++) {
        struct entry *e = &p->entry[i];
        if (e->state != WANTED || (e->prepared && !may_prepare))
            continue;
        if (best == NULL || best->prepared > e->prepared ||
            (best->prepared == e->prepared && e->order > best->order))
            best = e;
    }
    return best;
}

/* Concerns the picture: its file is gone, or cannot be opened. Else something is wrong with all of them. */
static bool of_one_picture(const struct err *err)
{
    return err->code == ERR_FORMAT || err->code == ERR_FILE || err->code == ERR_NOT_FOUND ||
           err->code == ERR_REFUSED || err->code == ERR_IO;
}

static bool start_jobs(struct desk *d, bool *news, struct err *err)
{
    struct pictures *p = d->pictures;
    unsigned workers = d->workers != NULL ? worker_count(d->workers) : 0;
    struct entry *e;
    while (p->running < workers && (e = next(p, workers)) != NULL) {
        struct err trouble = ERR_INIT;
        e->tag = ++p->clock;
        if (session_picture_submit(&d->session, d->workers, e->tag, &e->key, &trouble)) {
            e->state = RUNNING;
            p->running++;
            p->preparing += e->prepared;
        } else if (of_one_picture(&trouble)) {
            fail(e, trouble.message);
            *news = true;
        } else
            return err_set(err, trouble.code, "%s", trouble.message);
    }
    return true;
}

bool pictures_work(struct desk *d, bool *news, struct err *err)
{
    struct worker_result result;
    bool have = true;
    *news = false;
    while (d->pictures->running > 0 && have) {
        if (!worker_take(d->workers, &result, &have, err))
            return false;
        if (have)
            take_result(d->pictures, &result);
        *news = *news || have;
    }
    return start_jobs(d, news, err);
}

void show_picture(struct desk *d, const struct asked *asked, struct answer *a)
{
    struct session_picture picture;
    if (pictures_parse(asked->rest, &picture))
        pictures_get(d, &picture, a);
    else
        answer_error(a, 404, "there is no such picture");
}

void show_background(struct desk *d, const struct asked *asked, struct answer *a)
{
    const char *rest = asked->rest;
    int64_t setup;
    uint8_t *jpeg = NULL;
    size_t size = 0;
    struct err err = ERR_INIT;
    if (!read_number(&rest, '\0', &setup))
        answer_error(a, 404, "there is no such set-up");
    else if (!session_background(&d->session, setup, &jpeg, &size, &err))
        answer_err(a, &err);
    else {
        a->status = 200;
        a->type = "image/jpeg";
        str_append_bytes(&a->body, jpeg, size);
    }
    free(jpeg);
}
