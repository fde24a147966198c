/* From scanned files to catalogue rows: peek at what is new, put frames and files, mark what is gone. */
#include "scan.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/hash.h"
#include "chaffinch/str.h"
#include "jobs.h"
#include "pump.h"

/* What was peeked at waits for its transaction in memory: so many frames at most, however large the session.
 */
enum { BATCH_FRAMES = 256 };

struct store {
    struct session *s;
    struct scan *scan;
    struct session_measured *totals;
    size_t *todo; /* indices of frames to peek at */
    size_t n_todo;
    size_t first; /* of todo, in this batch */
    struct job_peeked peeked[BATCH_FRAMES];
    bool done[BATCH_FRAMES];
    int64_t *seen; /* ids of the frames that are there */
    size_t n_seen;
    int64_t highest_seen;
};

static const char *kind_token(enum frame_file_kind kind)
{
    switch (kind) {
    case FRAME_JPEG:
        return "jpeg";
    case FRAME_RAW:
        return "raw";
    case FRAME_HEIF:
        return "heif";
    case FRAME_CONTAINER:
        return "container";
    case FRAME_SIDECAR:
        return "sidecar";
    case FRAME_SOUND:
        return "sound";
    case FRAME_THUMB:
        return "thumb";
    default:
        return "companion";
    }
}

/* Pictures that a worker can look into: at most a JPEG and a raw. */
static size_t readable_pictures(const struct store *st, const struct scan_frame *frame,
                                struct pump_picture out[JOB_PICTURES], size_t index[JOB_PICTURES])
{
    size_t n = 0;
    for (size_t k = 0; k < frame->n_pictures && n < JOB_PICTURES; k++) {
        const struct scan_file *f = &st->scan->file[frame->first + k];
        out[n] = (struct pump_picture){f->path, (uint32_t)f->kind};
        index[n++] = k;
    }
    return n;
}

static bool submit_peek(void *context, struct worker_pool *workers, size_t i, struct err *err)
{
    struct store *st = context;
    struct pump_picture pictures[JOB_PICTURES];
    size_t index[JOB_PICTURES];
    size_t n = readable_pictures(st, &st->scan->frame[st->todo[st->first + i]], pictures, index);
    return pump_pictures(st->s, workers, JOB_PEEK, i, pictures, n, &st->totals->failed, err);
}

static bool take_peek(void *context, const struct worker_result *result, struct err *err)
{
    struct store *st = context;
    struct job_peeked *peeked = &st->peeked[result->tag];
    (void)err;
    st->done[result->tag] = true;
    log_progress_step(st->s->log, 1, 0);
    if (result->ok && result->size == sizeof *peeked)
        memcpy(peeked, result->bytes, sizeof *peeked);
    else {
        /* The worker died on it: known by name only, found unreadable or not when it is decoded. */
        memset(peeked, 0, sizeof *peeked);
        peeked->meta.orientation = 1;
        for (int i = 0; i < JOB_PICTURES; i++)
            (void)snprintf(peeked->cause[i], sizeof peeked->cause[i], "%.150s", result->cause);
    }
    return true;
}

/* Serial, else maker, model and the folder run (the folder above NNNAAAAA, so that a folder change stays one
 * body). */
static char *body_key(const struct frame_meta *meta, const char *path, struct err *err)
{
    if (meta->serial[0] != '\0')
        return str_make(err, "%s", meta->serial);
    const char *slash = strrchr(path, '/');
    size_t n = slash != NULL ? (size_t)(slash - path) : 0;
    while (n > 0 && path[n - 1] != '/')
        n--;
    return str_make(err, "%s|%s|%.*s", meta->maker, meta->model, (int)n, path);
}

static void fill_frame(struct catalogue_frame *row, const struct frame_meta *m, const struct frame_name *name)
{
    row->prefix = name->prefix;
    row->number = name->number;
    row->folder_number = name->folder;
    row->maker = m->maker;
    row->model = m->model;
    row->serial = m->serial;
    row->lens = m->lens;
    row->has_time = m->has_time;
    row->time_ns = m->time_ns;
    row->subsec_digits = m->subsec_digits;
    row->has_offset = m->has_offset;
    row->offset_min = m->offset_min;
    row->exposure_s = m->exposure_s;
    row->f_number = m->f_number;
    row->focal_mm = m->focal_mm;
    row->iso = m->iso;
    row->focus_m = m->focus_m;
    row->orientation = m->orientation;
    row->width_px = m->width_px;
    row->height_px = m->height_px;
    row->rating = m->rating;
    row->sequence = m->sequence;
    row->burst_group = m->burst_group;
}

static bool seen_before(struct store *st, int64_t id)
{
    if (id > st->highest_seen) {
        st->highest_seen = id;
        return false; /* ids grow, so a fresh row needs no search */
    }
    for (size_t i = 0; i < st->n_seen; i++)
        if (st->seen[i] == id)
            return true;
    return false;
}

/* Puts the row. Two equal pictures in one session get identities of their own: the second one counts. */
static bool put_row(struct store *st, struct catalogue_frame *row, const char *body, const char *digest,
                    int64_t *id, struct err *err)
{
    for (unsigned copy = 1; copy < 10000; copy++) {
        char *identity =
            copy == 1 ? str_make(err, "%s %s", body, digest) : str_make(err, "%s %s %u", body, digest, copy);
        if (identity == NULL)
            return false;
        row->identity = identity;
        bool ok = catalogue_put_frame(st->s->catalogue, row, id, err);
        free(identity);
        if (!ok)
            return false;
        if (!seen_before(st, *id)) {
            st->seen[st->n_seen++] = *id;
            return true;
        }
    }
    return err_set(err, ERR_FILE, "too many equal copies of '%s'", row->name);
}

static bool put_files(struct store *st, const struct scan_frame *frame, const struct job_peeked *peeked,
                      int64_t id, struct err *err)
{
    struct catalogue_file *rows = calloc(frame->n, sizeof *rows);
    if (rows == NULL)
        return err_nomem(err);
    struct pump_picture pictures[JOB_PICTURES];
    size_t index[JOB_PICTURES];
    size_t n_pictures = readable_pictures(st, frame, pictures, index);
    for (size_t k = 0; k < frame->n; k++) {
        const struct scan_file *f = &st->scan->file[frame->first + k];
        rows[k] = (struct catalogue_file){.frame = id,
                                          .path = f->path,
                                          .kind = kind_token(f->kind),
                                          .size = f->size,
                                          .mtime_ns = f->mtime_ns};
    }
    for (size_t p = 0; p < n_pictures; p++) {
        rows[index[p]].has_fingerprint = true;
        rows[index[p]].fingerprint = peeked->fingerprint[p];
    }
    bool ok = catalogue_put_files(st->s->catalogue, id, rows, frame->n, err);
    free(rows);
    return ok;
}

/* State and warning of a frame that was just looked at; measuring refines it. */
static bool put_state(struct store *st, const struct scan_frame *frame, const struct job_peeked *peeked,
                      int64_t id, struct err *err)
{
    enum frame_file_kind first = st->scan->file[frame->first].kind;
    if (first == FRAME_HEIF || first == FRAME_CONTAINER)
        return catalogue_set_state(st->s->catalogue, id, "format",
                                   first == FRAME_HEIF
                                       ? "HEIF pictures are not scored"
                                       : "raw bursts in one file are not scored: unpack it first",
                                   err);
    if (frame->n_pictures > 1 && st->scan->file[frame->first + 1].kind == FRAME_RAW && !peeked->readable[1]) {
        char *cause = str_make(err, "the raw beside the JPEG cannot be read: %s", peeked->cause[1]);
        bool ok = cause != NULL && catalogue_set_state(st->s->catalogue, id, "new", cause, err);
        free(cause);
        return ok;
    }
    return true;
}

static bool store_frame(struct store *st, size_t i, struct err *err)
{
    const struct scan_frame *frame = &st->scan->frame[st->todo[st->first + i]];
    const struct scan_file *first = &st->scan->file[frame->first];
    const struct job_peeked *peeked = &st->peeked[i];
    const char *slash = strrchr(first->path, '/');
    struct catalogue_frame row = {0};
    struct frame_name name;
    char digest[HASH_TEXT_SIZE];
    int64_t id = 0;
    frame_name_parse(first->path, &name);
    fill_frame(&row, &peeked->meta, &name);
    for (size_t k = 0; k < frame->n_pictures; k++)
        row.is_protected = row.is_protected || st->scan->file[frame->first + k].read_only;
    const char *leaf = slash != NULL ? slash + 1 : first->path;
    char *body = body_key(&peeked->meta, first->path, err);
    char *folder = str_make(err, "%.*s", slash != NULL ? (int)(slash - first->path) : 0, first->path);
    char *base = str_make(err, "%.*s", (int)strcspn(leaf + (*leaf == '.'), ".") + (*leaf == '.'), leaf);
    row.body = body;
    row.folder = folder;
    row.name = base;
    bool ok = body != NULL && folder != NULL && base != NULL &&
              put_row(st, &row, body, hash_text(&peeked->fingerprint[0], digest), &id, err) &&
              put_files(st, frame, peeked, id, err) && put_state(st, frame, peeked, id, err);
    free(body);
    free(folder);
    free(base);
    return ok;
}

static bool store_batch(struct store *st, size_t n, struct err *err)
{
    struct catalogue *c = st->s->catalogue;
    if (!catalogue_begin(c, err))
        return false;
    for (size_t i = 0; i < n; i++) {
        if (st->done[i] && !store_frame(st, i, err)) {
            catalogue_rollback(c);
            return false;
        }
    }
    return catalogue_commit(c, err);
}

static bool peek_and_store(struct store *st, struct worker_pool *workers, struct err *err)
{
    const struct pump pump = {st->s, workers, st, submit_peek, take_peek};
    bool ok = true;
    log_progress_start(st->s->log, "looking at", st->n_todo, "frames", 0);
    for (st->first = 0; ok && st->first < st->n_todo; st->first += BATCH_FRAMES) {
        size_t n = st->n_todo - st->first < BATCH_FRAMES ? st->n_todo - st->first : BATCH_FRAMES;
        memset(st->done, 0, sizeof st->done);
        ok = pump_run(&pump, n, err);
        /* What was looked at before an interrupt is kept. */
        ok = store_batch(st, n, ok ? err : NULL) && ok;
    }
    log_progress_end(st->s->log);
    return ok;
}

static int by_id(const void *a, const void *b)
{
    int64_t x = *(const int64_t *)a, y = *(const int64_t *)b;
    return x < y ? -1 : x > y;
}

struct gone {
    struct store *st;
    int64_t *id;
    size_t n, room;
    int64_t *back;
    size_t n_back, room_back;
};

static bool push_id(int64_t **list, size_t *n, size_t *room, int64_t id, struct err *err)
{
    if (*n == *room) {
        size_t more = *room > 0 ? *room * 2 : 64;
        int64_t *grown = realloc(*list, more * sizeof *grown);
        if (grown == NULL)
            return err_nomem(err);
        *list = grown;
        *room = more;
    }
    (*list)[(*n)++] = id;
    return true;
}

/* A frame is gone when none of its files is where the catalogue says; frames that apply moved are where apply
 * put them. */
static bool note_gone(void *context, const struct catalogue_row *row, struct err *err)
{
    struct gone *gone = context;
    struct store *st = gone->st;
    bool here = bsearch(&row->frame.id, st->seen, st->n_seen, sizeof *st->seen, by_id) != NULL;
    bool moved = row->path != NULL && (row->path[0] == '/' || strncmp(row->path, ROOT_REJECTS "/", 8) == 0);
    if (here && row->frame.missing)
        return push_id(&gone->back, &gone->n_back, &gone->room_back, row->frame.id, err);
    if (!here && !moved && !row->frame.missing)
        return push_id(&gone->id, &gone->n, &gone->room, row->frame.id, err);
    return true;
}

static bool mark_gone(struct store *st, struct err *err)
{
    struct gone gone = {.st = st};
    const struct catalogue_filter all = {.with_missing = true};
    struct catalogue *c = st->s->catalogue;
    qsort(st->seen, st->n_seen, sizeof *st->seen, by_id);
    bool ok = catalogue_each_row(c, &all, note_gone, &gone, err) && catalogue_begin(c, err);
    for (size_t i = 0; ok && i < gone.n; i++)
        ok = catalogue_set_missing(c, gone.id[i], true, err);
    for (size_t i = 0; ok && i < gone.n_back; i++)
        ok = catalogue_set_missing(c, gone.back[i], false, err);
    ok = ok && catalogue_commit(c, err);
    if (ok && gone.n > 0)
        log_line(st->s->log,
                 "%zu frames that were here before are missing now; their rows and decisions are kept",
                 gone.n);
    free(gone.id);
    free(gone.back);
    return ok;
}

bool scan_store(struct session *s, struct worker_pool *workers, struct scan *scan,
                struct session_measured *totals, struct err *err)
{
    bool ok = false;
    struct store *st = calloc(1, sizeof *st);
    if (st == NULL)
        return err_nomem(err);
    st->s = s;
    st->scan = scan;
    st->totals = totals;
    st->todo = calloc(scan->n_frames + 1, sizeof *st->todo);
    st->seen = calloc(scan->n_frames + 1, sizeof *st->seen);
    if (st->todo == NULL || st->seen == NULL) {
        err_nomem(err);
        goto out;
    }
    for (size_t i = 0; i < scan->n_frames; i++) {
        if (scan->frame[i].unchanged)
            (void)seen_before(st, st->seen[st->n_seen++] = scan->frame[i].id);
        else
            st->todo[st->n_todo++] = i;
    }
    ok = peek_and_store(st, workers, err) && (scan->partial || mark_gone(st, err));
out:
    free(st->todo);
    free(st->seen);
    free(st);
    return ok;
}
