/* The ingest stage: scan, group, then decode and measure each new frame once. */
#include "chaffinch/session.h"

#include <malloc.h>
#include <stdlib.h>
#include <string.h>

#include "along.h"
#include "chaffinch/frame.h"
#include "chaffinch/str.h"
#include "grouping.h"
#include "jobs.h"
#include "locating.h"
#include "packs.h"
#include "parts.h"
#include "pump.h"
#include "scan.h"

enum {
    COMMIT_FRAMES = 64,
    AHEAD = 8 /* frames to be decoded that are left when the next thumbnails are looked at */
};
/* Beside the number of a frame: the job looks at its thumbnail. */
#define THUMB ((size_t)1 << (sizeof(size_t) * 8 - 1))
#define PACK_LIMIT_BYTES ((uint64_t)1 << 30)

struct todo {
    int64_t frame, burst;
    struct job_part part;     /* what is decoded of it */
    char *path[JOB_PICTURES]; /* while it is under way */
    uint64_t bytes;
    char *cause; /* a warning found while peeking; stays when all goes well */
    uint8_t kind[JOB_PICTURES], n;
    bool whole;            /* asked for: every frame of its burst is looked at in full */
    bool known_unreadable; /* an earlier run said so: no news, no failure of this run */
    bool here;             /* nothing to do: it only helps to say where to look in the others of its burst */
    bool again;            /* asked for by what was found in its burst */
    bool larger;           /* measured in this run before */
};

/* A measured frame that waits for the pack to be synced. */
struct done {
    int64_t frame;
    size_t todo;
    bool ok, left_out;
    bool last; /* that its burst waited for */
    struct job_measured head;
    int64_t pack, offset, size;
    char cause[256];
};

struct stage {
    struct session *s;
    struct session_measured *totals;
    bool all;
    /* First what there is to do, in order; behind that, from n_first on, what is asked for on the way. */
    struct todo *todo;
    size_t n_todo, room_todo, n_first, n_needed;
    size_t next_first, next_again; /* to be submitted */
    /* Thumbnails are looked at burst by burst, shortly before what they are for. */
    struct locating where;
    bool locates;
    size_t located, next_thumb; /* frames whose part is known; whose thumbnail comes next */
    int64_t last_pack_seen;
    bool last_pack_there;
    struct pack_writer *pack;
    int64_t pack_number;
    struct done done[COMMIT_FRAMES];
    size_t n_done;
    bool burst_done; /* one of them is the last of its burst */
    struct along *along;
    const struct frame_ids *closed; /* numbers of the bursts to be measured, sorted; NULL = all */
    struct fast_plan plan;
    bool fast; /* only the frames of the plan are measured */
};

static bool needs_measuring(struct stage *st, const struct catalogue_frame *f, bool recalled)
{
    if (strcmp(f->state, "format") == 0)
        return false;
    if (st->all || strcmp(f->state, "new") == 0 || strcmp(f->state, "not-scored") == 0)
        return true;
    if (strcmp(f->state, "measured") != 0)
        return false;
    if (recalled && f->decoded < 1)
        return true;
    if (f->pack != st->last_pack_seen) {
        st->last_pack_seen = f->pack;
        st->last_pack_there = pack_exists(st->s, f->pack);
    }
    return !st->last_pack_there;
}

static bool takes_burst(const struct stage *st, int64_t burst)
{
    if (st->closed == NULL)
        return true;
    size_t low = 0, high = st->closed->n;
    while (low < high) {
        size_t mid = low + (high - low) / 2;
        if (st->closed->id[mid] < burst)
            low = mid + 1;
        else
            high = mid;
    }
    return low < st->closed->n && st->closed->id[low] == burst;
}

static struct todo *new_todo(struct stage *st, struct err *err)
{
    if (st->n_todo == st->room_todo) {
        size_t room = st->room_todo > 0 ? st->room_todo * 2 : 256;
        struct todo *grown = realloc(st->todo, room * sizeof *grown);
        if (grown == NULL) {
            err_nomem(err);
            return NULL;
        }
        st->todo = grown;
        st->room_todo = room;
    }
    return &st->todo[st->n_todo++];
}

static bool add_todo(void *context, const struct catalogue_row *row, struct err *err)
{
    struct stage *st = context;
    const struct catalogue_frame *f = &row->frame;
    if (!takes_burst(st, f->burst)) {
        along_wait(st->along, f->burst); /* in vain: it is not to be ranked */
        return true;
    }
    bool needed = needs_measuring(st, f, row->recalled);
    if (!needed) {
        st->totals->skipped += strcmp(f->state, "measured") == 0;
        st->totals->unreadable += strcmp(f->state, "unreadable") == 0;
        st->totals->format += strcmp(f->state, "format") == 0;
        if (strcmp(f->state, "format") == 0 || st->all)
            return true;
    } else
        along_wait(st->along, f->burst);
    struct todo *t = new_todo(st, err);
    if (t == NULL)
        return false;
    *t = (struct todo){.frame = f->id,
                       .burst = f->burst,
                       .whole = row->recalled,
                       .known_unreadable = strcmp(f->state, "unreadable") == 0,
                       .here = !needed};
    st->n_needed += needed;
    if (needed && f->cause != NULL && *f->cause != '\0' && !t->known_unreadable)
        t->cause = strdup(f->cause);
    return true;
}

/* Bursts in which there is nothing to measure need no look at their thumbnails. A burst with something to
   measure is looked at as a whole, so that a run that was cut off in it ends as one that was not. */
static void drop_done_bursts(struct stage *st)
{
    size_t kept = 0;
    for (size_t i = 0, end; i < st->n_todo; i = end) {
        bool needed = false;
        for (end = i; end < st->n_todo && st->todo[end].burst == st->todo[i].burst; end++)
            needed = needed || !st->todo[end].here;
        for (size_t k = i; needed && k < end; k++)
            st->todo[kept++] = st->todo[k];
    }
    st->n_todo = kept;
}

static bool add_picture(void *context, const struct catalogue_file *file, struct err *err)
{
    struct todo *t = context;
    bool jpeg = strcmp(file->kind, "jpeg") == 0, raw = strcmp(file->kind, "raw") == 0;
    if ((!jpeg && !raw) || t->n == JOB_PICTURES || file->missing)
        return true;
    char *path = strdup(file->path);
    if (path == NULL)
        return err_nomem(err);
    /* JPEG first, whatever the order of rows. */
    size_t at = jpeg ? 0 : t->n;
    if (at < t->n) {
        t->path[1] = t->path[0];
        t->kind[1] = t->kind[0];
    }
    t->path[at] = path;
    t->kind[at] = jpeg ? FRAME_JPEG : FRAME_RAW;
    t->n++;
    t->bytes += at == 0 ? file->size : 0;
    return true;
}

static bool flush_done(struct stage *st, struct err *err)
{
    struct catalogue *c = st->s->catalogue;
    if (st->n_done == 0)
        return true;
    if ((st->pack != NULL && !pack_sync(st->pack, err)) || !catalogue_begin(c, err))
        return false;
    bool ok = true;
    for (size_t i = 0; ok && i < st->n_done; i++) {
        const struct done *d = &st->done[i];
        static const char *const from[] = {"full", "preview", "half"};
        if (d->left_out) {
            ok = catalogue_set_state(c, d->frame, "not-scored", "", err);
            continue;
        }
        if (!d->ok) {
            ok = catalogue_set_state(c, d->frame, "unreadable", d->cause, err);
            continue;
        }
        st->totals->decoded += (double)d->head.decoded;
        st->totals->not_decoded += d->head.decoded <= 0;
        const char *warning = d->head.warning[0] != '\0' ? d->head.warning : st->todo[d->todo].cause;
        ok =
            catalogue_set_state(c, d->frame, "measured", warning != NULL ? warning : "", err) &&
            catalogue_set_measured(c, d->frame, from[d->head.source.from], d->head.source.width_px,
                                   d->head.source.height_px, d->pack, d->offset, d->size, err) &&
            catalogue_set_decoded(c, d->frame, (double)d->head.decoded, err) &&
            catalogue_set_size(c, d->frame, d->head.source.full_width_px, d->head.source.full_height_px, err);
    }
    ok = ok && catalogue_commit(c, err);
    if (!ok)
        catalogue_rollback(c);
    for (size_t i = 0; ok && i < st->n_done; i++)
        if (st->done[i].last)
            along_queue(st->along, st->todo[st->done[i].todo].burst);
    st->n_done = 0;
    st->burst_done = false;
    return ok;
}

/* A burst that is complete is written and ranked at once, unless others are being ranked anyway. */
static bool after_frame(struct stage *st, struct err *err)
{
    struct done *d = &st->done[st->n_done++];
    d->last = along_measured(st->along, st->todo[d->todo].burst);
    st->burst_done = st->burst_done || d->last;
    if (!along_turn(st->along, false, err))
        return false;
    bool full = st->n_done == COMMIT_FRAMES, flush = full || (st->burst_done && along_is_idle(st->along));
    return !flush || (flush_done(st, err) && along_turn(st->along, false, err));
}

static bool next_pack(struct stage *st, struct err *err)
{
    if (st->pack != NULL && pack_size(st->pack) < PACK_LIMIT_BYTES)
        return true;
    if (st->pack != NULL && !flush_done(st, err))
        return false;
    pack_close(st->pack);
    st->pack = pack_start(st->s, &st->pack_number, err);
    return st->pack != NULL;
}

static void note_unreadable(struct stage *st, const struct todo *t, struct done *d, const char *cause)
{
    char safe[400];
    d->ok = false;
    (void)snprintf(d->cause, sizeof d->cause, "%.250s", cause);
    st->totals->unreadable++;
    if (t->known_unreadable)
        return;
    st->totals->failed++;
    st->totals->found_unreadable++;
    log_line(st->s->log, "'%s' is unreadable: %s", t->n > 0 ? err_escape(safe, sizeof safe, t->path[0]) : "?",
             cause);
}

static void forget_paths(struct todo *t)
{
    for (size_t k = 0; k < JOB_PICTURES; k++) {
        free(t->path[k]);
        t->path[k] = NULL;
    }
    t->n = 0;
}

static bool take_measure(struct stage *st, const struct worker_result *result, struct err *err)
{
    struct todo *t = &st->todo[result->tag];
    struct done *d = &st->done[st->n_done];
    *d = (struct done){.frame = t->frame, .todo = result->tag};
    log_progress_step(st->s->log, t->larger ? 0 : 1, t->bytes);
    if (result->ok && result->size > sizeof d->head) {
        if (!next_pack(st, err))
            return false;
        d = &st->done[st->n_done];
        *d = (struct done){.frame = t->frame, .todo = result->tag, .ok = true, .pack = st->pack_number};
        memcpy(&d->head, result->bytes, sizeof d->head);
        d->size = (int64_t)(result->size - sizeof d->head);
        if (!pack_add(st->pack, result->bytes + sizeof d->head, (size_t)d->size, &d->offset, err))
            return false;
        st->totals->measured++;
    } else
        note_unreadable(st, t, d, result->cause);
    forget_paths(t);
    return after_frame(st, err);
}

/* Nobody needs it to find the sharpest frame. */
static bool leave_out(struct stage *st, size_t i, struct err *err)
{
    st->done[st->n_done] = (struct done){.frame = st->todo[i].frame, .todo = i, .left_out = true};
    return after_frame(st, err);
}

/* What was asked for on the way comes first: its burst waits for it. Thumbnails are looked at in good time.
 */
static bool next_job(void *context, size_t *i)
{
    struct stage *st = context;
    bool thumbs = st->locates && st->next_thumb < st->where.first + st->where.n;
    if (st->next_again < st->n_todo)
        *i = st->next_again++;
    else if (thumbs && st->located - st->next_first < AHEAD)
        *i = THUMB | st->next_thumb++;
    else if (st->next_first < st->located)
        *i = st->next_first++;
    else if (thumbs)
        *i = THUMB | st->next_thumb++;
    else
        return false;
    return true;
}

static bool submit_measure(struct stage *st, struct worker_pool *workers, size_t i, struct err *err)
{
    struct todo *t = &st->todo[i];
    const struct job_part whole = {.wanted = false};
    if (t->here)
        return true;
    if (st->fast && !t->again && !fast_wants(&st->plan, i))
        return leave_out(st, i, err);
    if (!catalogue_each_file(st->s->catalogue, t->frame, add_picture, t, err))
        return false;
    struct pump_picture pictures[JOB_PICTURES];
    for (size_t k = 0; k < t->n; k++)
        pictures[k] = (struct pump_picture){t->path[k], t->kind[k]};
    return pump_measure(st->s, workers, i, t->whole ? &whole : &t->part, pictures, t->n, &st->totals->failed,
                        err);
}

/* The JPEG of frame i, where it is the picture that will be measured. */
static char *jpeg_of(void *context, size_t i, struct err *err)
{
    struct stage *st = context;
    struct todo look = {.frame = st->todo[i].frame};
    char *path = NULL;
    if (catalogue_each_file(st->s->catalogue, look.frame, add_picture, &look, err) && look.n > 0 &&
        look.kind[0] == FRAME_JPEG) {
        path = look.path[0];
        look.path[0] = NULL;
    }
    for (size_t k = 0; k < JOB_PICTURES; k++)
        free(look.path[k]);
    return path;
}

/* Why bursts are decoded as a whole, since that is what takes the time. */
static void tell_located(struct stage *st, const struct locating_told *told)
{
    struct str text = STR_INIT;
    for (int a = LOCATE_PARTS + 1; a < LOCATE_ANSWERS; a++)
        if (told->answer[a] > 0)
            str_printf(&text, "%s%s (%lu)", text.size > 0 ? ", " : "",
                       locate_answer_words((enum locate_answer)a), (unsigned long)told->answer[a]);
    if (text.size > 0 && str_ok(&text, NULL))
        log_line(st->s->log, "bursts of which every frame is decoded as a whole: %s", text.bytes);
    str_release(&text);
}

static int64_t burst_of(void *context, size_t i)
{
    const struct stage *st = context;
    return st->todo[i].burst;
}

/* The parts of the frames of a window, as soon as all of its thumbnails were looked at, and in a fast run
   which of these frames are measured. */
static bool end_window(struct stage *st, struct err *err)
{
    struct locating *l = &st->where;
    if (!locating_is_ready(l))
        return true;
    bool ok = locating_finish(l, err);
    for (size_t k = 0; ok && k < l->n; k++) {
        struct todo *t = &st->todo[l->first + k];
        t->part = l->frame[k].part;
        if (st->fast)
            fast_located(&st->plan, l->first + k, &l->frame[k], t->here || t->whole);
    }
    ok = ok && (!st->fast || fast_begin(st->s, &st->plan, l->first, l->n, err));
    st->located = l->first + l->n;
    st->locates = ok && locating_begin(l);
    st->next_thumb = l->first;
    if (ok && !st->locates && st->closed == NULL)
        tell_located(st, &l->told);
    return ok;
}

/* Which part of each frame is decoded is said by the thumbnails of its burst. */
static bool begin_locating(struct stage *st, struct err *err)
{
    size_t keys = st->fast ? LOCATE_KEYS_FAST : 0;
    if (!locating_open(&st->where, st->s, st->n_first, keys, burst_of, jpeg_of, st, err) ||
        (st->fast && !fast_open(&st->plan, st->n_first, err)))
        return false;
    for (size_t i = 0; st->fast && i < st->n_first; i++)
        fast_set(&st->plan, i, st->todo[i].frame, st->todo[i].burst);
    st->locates = locating_begin(&st->where);
    st->next_thumb = st->where.first;
    return true;
}

static bool submit_job(void *context, struct worker_pool *workers, size_t i, struct err *err)
{
    struct stage *st = context;
    if ((i & THUMB) == 0)
        return submit_measure(st, workers, i, err);
    return locating_submit(&st->where, workers, i & ~THUMB, i, err) && end_window(st, err);
}

static bool take_job(void *context, const struct worker_result *result, struct err *err)
{
    struct stage *st = context;
    if ((result->tag & THUMB) == 0)
        return take_measure(st, result, err);
    return locating_take(&st->where, (size_t)result->tag & ~THUMB, result, err) && end_window(st, err);
}

/* Nothing is under way any more: waits for what is being ranked, which may ask for more. */
static bool settle_measure(void *context, bool *more, struct err *err)
{
    struct stage *st = context;
    bool ok = flush_done(st, err) && along_turn(st->along, true, err);
    *more = !along_is_idle(st->along) || st->next_again < st->n_todo;
    return ok;
}

static void stage_release(struct stage *st)
{
    along_end(st->along);
    locating_release(&st->where);
    for (size_t i = 0; i < st->n_todo; i++) {
        forget_paths(&st->todo[i]);
        free(st->todo[i].cause);
    }
    free(st->todo);
    fast_release(&st->plan);
    pack_close(st->pack);
}

static bool fill_todo(struct stage *st, struct err *err)
{
    const struct catalogue_filter present = {0};
    if (!catalogue_each_row(st->s->catalogue, &present, add_todo, st, err))
        return false;
    drop_done_bursts(st);
    st->n_first = st->next_again = st->located = st->n_todo;
    if (st->all || st->n_todo == 0)
        return true;
    st->located = 0;
    return begin_locating(st, err);
}

/* Frames that a burst needs before it can be ranked: with the parts that are said, or as a whole. */
static bool measure_again(void *context, const struct parts_again *again, bool larger, struct err *err)
{
    struct stage *st = context;
    bool all = st->all, ok = true;
    st->all = true;
    for (size_t i = 0; ok && i < again->n; i++) {
        const struct catalogue_filter one = {.frame = again->item[i].frame};
        size_t at = st->n_todo;
        ok = catalogue_each_row(st->s->catalogue, &one, add_todo, st, err);
        if (!ok || st->n_todo == at)
            continue;
        st->todo[at].part = again->item[i].part;
        st->todo[at].again = true;
        st->todo[at].larger = larger;
        st->totals->decoded_again += larger;
    }
    st->all = all;
    return ok;
}

/* Many small things were freed, such as the path of every file, or what SQLite sorts rows in: without this
   their pages stay with the process, beside what is needed next. */
static void give_back_memory(void)
{
#ifdef __GLIBC__
    (void)malloc_trim(0);
#endif
}

static bool run_stage(struct stage *st, struct worker_pool *workers, struct err *err)
{
    const struct along_check check = {!st->all, st->fast ? &st->plan : NULL, st, measure_again};
    const struct pump pump = {st->s, workers, st, submit_job, take_job};
    const struct pump_source source = {next_job, settle_measure};
    st->along = along_start(st->s, &check, worker_count(workers) > 1, err);
    if (st->along == NULL || !fill_todo(st, err))
        return false;
    give_back_memory();
    along_begin(st->along);
    log_progress_start(st->s->log, "measuring", st->n_needed, "frames", 0);
    bool ok = pump_run_from(&pump, &source, err);
    log_progress_end(st->s->log);
    /* Keep what is done even when the run was interrupted. */
    return flush_done(st, ok ? err : NULL) && ok;
}

/* In part where thumbnails say where; once more, larger, where a subject reaches the edge of its part; and as
   a whole where that was not enough either. With options->fast in rounds, each around the best so far.
   `closed` as in struct stage. */
static bool measure_frames(struct session *s, struct worker_pool *workers,
                           const struct session_measure_options *options, const struct frame_ids *closed,
                           struct session_measured *totals, struct err *err)
{
    struct stage *st = calloc(1, sizeof *st);
    if (st == NULL)
        return err_nomem(err);
    *st = (struct stage){.s = s,
                         .totals = totals,
                         .all = options->all,
                         .last_pack_seen = -1,
                         .closed = closed,
                         .fast = options->fast && !options->all};
    bool ok = run_stage(st, workers, err);
    totals->not_ranked += st->along != NULL ? along_left(st->along) : 0;
    along_end(st->along); /* which looks at the plan */
    st->along = NULL;
    totals->measured -= totals->decoded_again < totals->measured ? totals->decoded_again : totals->measured;
    totals->left_out = fast_left_out(&st->plan);
    stage_release(st);
    free(st);
    return ok;
}

/* What is there of a session into which a card is still being copied. */
static bool measure_closed(struct session *s, struct worker_pool *workers,
                           const struct session_measure_options *options, struct session_measured *totals,
                           struct err *err)
{
    struct frame_ids closed = {0};
    bool ok = grouping_closed(s, options->coming, &closed, err) &&
              (closed.n == 0 || measure_frames(s, workers, options, &closed, totals, err));
    frame_ids_release(&closed);
    return ok;
}

static bool check_any(struct session *s, const struct scan *scan, struct err *err)
{
    struct catalogue_counts counts;
    if (scan->n_frames > 0 || scan->partial)
        return true;
    return catalogue_count(s->catalogue, &counts, err) &&
           (counts.frames > 0 || err_set(err, ERR_USAGE,
                                         "no pictures in '%s': name the folder that holds them, or "
                                         "copy a card first with 'chaffinch copy CARD %s'",
                                         s->root.path, s->root.path));
}

bool session_measure(struct session *s, struct worker_pool *workers,
                     const struct session_measure_options *options, struct session_measured *totals,
                     struct err *err)
{
    struct scan scan;
    *totals = (struct session_measured){0};
    bool ok = scan_session(s, &scan, err);
    if (ok && options->coming != NULL)
        scan_leave_out(&scan, options->coming);
    totals->failed += scan.failed;
    totals->frames = scan.n_frames;
    ok = ok && check_any(s, &scan, err);
    if (ok && scan.links > 0 && !scan.partial)
        log_line(s->log, "%lu symbolic links were left alone", (unsigned long)scan.links);
    ok = ok && scan_store(s, workers, &scan, totals, err);
    scan_release(&scan);
    give_back_memory();
    ok = ok && grouping_store(s, options->gap_ns, &totals->bursts, err);
    give_back_memory();
    if (ok && options->coming != NULL)
        return measure_closed(s, workers, options, totals, err);
    return ok && measure_frames(s, workers, options, NULL, totals, err);
}
