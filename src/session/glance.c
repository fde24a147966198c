/*
 * The last bursts of a card, in memory: nothing is copied and nothing is written, not on the card and not
 * elsewhere. Only the newest files are looked at; a burst that they cut off is left out. Thumbnails say which
 * part of a frame to decode, as when a session is measured.
 */
#include "chaffinch/session.h"

#include <fcntl.h>
#include <stdlib.h>
#include <string.h>

#include "burst_grids.h"
#include "chaffinch/burst.h"
#include "chaffinch/measure.h"
#include "jobs.h"
#include "locating.h"
#include "parts.h"
#include "pump.h"

enum { FILES_FIRST = 80, FILES_EACH = 400 /* looked at for each burst, at first and at most */ };
enum { LEAST_FRAMES = 5 };

struct found {
    char *path;
    int64_t mtime_ns;
    struct frame_meta meta;
    struct frame_name name;
    bool peeked, readable;
    uint8_t *bytes; /* packed cells, or a part of them */
    size_t size;
};

struct look {
    struct session s;   /* the card; it has no catalogue */
    struct found *file; /* by time */
    size_t n, room;
    uint32_t job;
    const size_t *which;          /* files of the jobs under way */
    struct locating_frame *where; /* of them, for JOB_MEASURE */
};

/* The newest files as frames, and how they fall into bursts. */
struct newest {
    size_t from; /* file of frame 0 */
    bool all;    /* there are no older ones, so that the first burst is whole */
    struct burst_frame *frame;
    struct burst_result bursts;
};

/* ---- the newest files ---------------------------------------------------------------------------------- */

static bool take_file(void *context, const char *path, const struct stat *st, bool *descend, struct err *err)
{
    struct look *l = context;
    const char *leaf = strrchr(path, '/');
    if (S_ISDIR(st->st_mode)) {
        *descend = !root_is_ours(path);
        return true;
    }
    if (!S_ISREG(st->st_mode) || frame_kind_of_name(leaf != NULL ? leaf + 1 : path) != FRAME_JPEG)
        return true;
    if (l->n == l->room) {
        size_t room = l->room * 2 + 256;
        struct found *grown = realloc(l->file, room * sizeof *grown);
        if (grown == NULL)
            return err_nomem(err);
        l->file = grown;
        l->room = room;
    }
    l->file[l->n] = (struct found){.path = strdup(path), .mtime_ns = files_time_ns(&st->st_mtim)};
    return l->file[l->n++].path != NULL || err_nomem(err);
}

static int newest_last(const void *a, const void *b)
{
    const struct found *x = a, *y = b;
    if (x->mtime_ns != y->mtime_ns)
        return x->mtime_ns > y->mtime_ns ? 1 : -1;
    return strcmp(x->path, y->path);
}

static bool find_newest(struct look *l, size_t most, struct err *err)
{
    const struct files_walk walk = {.context = l, .visit = take_file};
    if (!files_walk_tree(l->s.root.fs, l->s.root.fd, &walk, err))
        return false;
    if (l->n == 0)
        return err_set(err, ERR_USAGE, "there are no JPEGs on the card");
    qsort(l->file, l->n, sizeof l->file[0], newest_last);
    size_t drop = l->n > most ? l->n - most : 0;
    for (size_t i = 0; i < drop; i++)
        free(l->file[i].path);
    memmove(l->file, l->file + drop, (l->n - drop) * sizeof l->file[0]);
    l->n -= drop;
    return true;
}

/* ---- workers ------------------------------------------------------------------------------------------- */

static bool submit(void *context, struct worker_pool *workers, size_t i, struct err *err)
{
    struct look *l = context;
    const struct pump_picture picture = {l->file[l->which[i]].path, FRAME_JPEG};
    uint64_t failed = 0;
    if (l->job == JOB_MEASURE)
        return pump_measure(&l->s, workers, l->which[i], &l->where[i].part, &picture, 1, &failed, err);
    return pump_pictures(&l->s, workers, l->job, l->which[i], &picture, 1, &failed, err);
}

static bool take_result(void *context, const struct worker_result *result, struct err *err)
{
    struct look *l = context;
    struct found *f = &l->file[result->tag];
    struct job_peeked peeked;
    struct job_measured head;
    if (!result->ok)
        return true;
    if (l->job == JOB_PEEK && result->size == sizeof peeked) {
        memcpy(&peeked, result->bytes, sizeof peeked);
        f->readable = peeked.readable[0];
        f->meta = peeked.meta;
    } else if (l->job == JOB_MEASURE && result->size > sizeof head) {
        f->size = result->size - sizeof head;
        free(f->bytes);
        f->bytes = malloc(f->size);
        if (f->bytes == NULL)
            return err_nomem(err);
        memcpy(f->bytes, result->bytes + sizeof head, f->size);
    }
    return true;
}

static bool run_jobs(struct look *l, struct worker_pool *workers, uint32_t job, const size_t *which, size_t n,
                     struct err *err)
{
    const struct pump pump = {&l->s, workers, l, submit, take_result};
    l->job = job;
    l->which = which;
    return pump_run(&pump, n, err);
}

/* ---- bursts -------------------------------------------------------------------------------------------- */

static struct burst_frame frame_of(struct found *f)
{
    frame_name_parse(f->path, &f->name);
    return (struct burst_frame){.body = f->meta.serial[0] != '\0' ? f->meta.serial : f->meta.model,
                                .folder = "",
                                .prefix = f->name.prefix,
                                .number = f->name.number,
                                .folder_number = f->name.folder,
                                .has_time = f->meta.has_time,
                                .time_ns = f->meta.time_ns,
                                .subsec_digits = f->meta.subsec_digits,
                                .has_offset = f->meta.has_offset,
                                .offset_min = f->meta.offset_min,
                                .sequence = f->meta.sequence,
                                .burst_group = f->meta.burst_group,
                                .width_px = f->meta.width_px,
                                .height_px = f->meta.height_px,
                                .orientation = f->meta.orientation};
}

static bool peek_from(struct look *l, struct worker_pool *workers, size_t from, struct err *err)
{
    size_t *which = calloc(l->n + 1, sizeof *which), n = 0;
    if (which == NULL)
        return err_nomem(err);
    for (size_t i = from; i < l->n && !l->file[i].peeked; i++) {
        l->file[i].peeked = true;
        which[n++] = i;
    }
    bool ok = run_jobs(l, workers, JOB_PEEK, which, n, err);
    free(which);
    return ok;
}

static void newest_release(struct newest *newest)
{
    if (newest->frame != NULL)
        burst_result_release(&newest->bursts);
    free(newest->frame);
    *newest = (struct newest){0};
}

static bool group(struct look *l, struct newest *newest, struct err *err)
{
    const struct burst_options options = {.gap_ns = 0};
    size_t n = l->n - newest->from;
    newest->frame = calloc(n + 1, sizeof *newest->frame);
    if (newest->frame == NULL)
        return err_nomem(err);
    for (size_t i = 0; i < n; i++)
        newest->frame[i] = frame_of(&l->file[newest->from + i]);
    if (burst_group(newest->frame, n, &options, &newest->bursts, err))
        return true;
    free(newest->frame);
    newest->frame = NULL;
    return false;
}

/* The first of the last bursts; n_bursts where there is none. *taken: how many there are. */
static size_t first_of(const struct newest *newest, size_t last, size_t *taken)
{
    const struct burst_result *r = &newest->bursts;
    size_t from = r->n_bursts;
    *taken = 0;
    for (; from > (newest->all ? 0 : 1) && *taken < last; from--)
        *taken += r->bursts[from - 1].count >= LEAST_FRAMES;
    return from;
}

/* A card is slow: no more files are opened than it takes to find the bursts. */
static bool find_bursts(struct look *l, struct worker_pool *workers, size_t last, bool more_on_card,
                        struct newest *newest, struct err *err)
{
    size_t most = last * FILES_FIRST, taken = 0;
    for (;;) {
        *newest = (struct newest){.from = l->n > most ? l->n - most : 0};
        newest->all = newest->from == 0 && !more_on_card;
        if (!peek_from(l, workers, newest->from, err) || !group(l, newest, err))
            return false;
        (void)first_of(newest, last, &taken);
        if (taken == last || newest->from == 0)
            return true;
        newest_release(newest);
        most *= 2;
    }
}

/* ---- decoding and scoring ------------------------------------------------------------------------------ */

struct plan {
    size_t *which; /* files, burst by burst */
    struct locating_frame *where;
    size_t n, first_burst;
};

static char *path_of(void *context, size_t i, struct err *err)
{
    const struct look *l = context;
    char *path = strdup(l->file[l->which[i]].path);
    if (path == NULL)
        err_nomem(err);
    return path;
}

static bool make_plan(const struct look *l, const struct newest *newest, size_t last, struct plan *plan,
                      struct err *err)
{
    const struct burst_result *r = &newest->bursts;
    size_t taken;
    *plan = (struct plan){.first_burst = first_of(newest, last, &taken)};
    plan->which = calloc(l->n + 1, sizeof *plan->which);
    plan->where = calloc(l->n + 1, sizeof *plan->where);
    if (plan->which == NULL || plan->where == NULL)
        return err_nomem(err);
    for (size_t b = plan->first_burst; b < r->n_bursts; b++)
        for (uint32_t i = 0; r->bursts[b].count >= LEAST_FRAMES && i < r->bursts[b].count; i++) {
            size_t file = newest->from + r->order[r->bursts[b].first + i];
            if (!l->file[file].readable)
                continue;
            plan->where[plan->n].burst = (int64_t)b;
            plan->which[plan->n++] = file;
        }
    return true;
}

static bool measure(struct look *l, struct worker_pool *workers, const struct plan *plan, struct err *err)
{
    struct locating_told told;
    l->which = plan->which;
    l->where = plan->where;
    return locating_run(&l->s, workers, plan->where, plan->n, 0, path_of, l, &told, err) &&
           run_jobs(l, workers, JOB_MEASURE, plan->which, plan->n, err);
}

/* The cells of one burst; they stay the files' where it is only looked at. */
static bool take_grids(struct look *l, const struct newest *newest, const struct burst_info *info,
                       struct burst_grids *grids, struct err *err)
{
    if (!burst_grids_open(grids, info->count, err))
        return false;
    for (size_t i = 0; i < info->count; i++) {
        uint32_t at = newest->bursts.order[info->first + i];
        struct found *f = &l->file[newest->from + at];
        struct err damaged = ERR_INIT;
        uint8_t *bytes = f->bytes;
        grids->time_ns[i] = newest->frame[at].estimated_ns;
        f->bytes = NULL;
        if (bytes != NULL)
            (void)burst_grids_take(grids, i, bytes, f->size, &damaged);
    }
    burst_grids_settle(grids);
    return true;
}

/* Hands the cells back to their files. Parts that a subject reaches the edge of are decoded once more, grown
   there; where a burst has nothing but parts, all of them as a whole. */
static bool give_back(struct look *l, const struct newest *newest, const struct burst_info *info,
                      struct burst_grids *grids, struct plan *again, struct err *err)
{
    const struct fill_input input = burst_grids_fill_input(grids);
    uint8_t *sides = calloc(info->count + 1, sizeof *sides);
    struct err trouble = ERR_INIT;
    bool known = sides != NULL && grids_edges(&input, sides, &trouble);
    bool ok = sides != NULL ? known || trouble.code == ERR_NOT_FOUND || err_nomem(err) : err_nomem(err);
    for (size_t i = 0; ok && i < info->count; i++) {
        size_t file = newest->from + newest->bursts.order[info->first + i];
        if (grids->parts[i] != NULL && (sides[i] != 0 || !known)) {
            if (known)
                again->where[again->n].part = parts_larger(grids->parts[i], sides[i]);
            again->which[again->n++] = file;
        }
        l->file[file].bytes = grids->bytes[i];
        grids->bytes[i] = NULL;
    }
    free(sides);
    return ok;
}

static bool measure_again(struct look *l, struct worker_pool *workers, const struct newest *newest,
                          const struct plan *plan, struct err *err)
{
    const struct burst_result *r = &newest->bursts;
    struct plan again = {.which = calloc(l->n + 1, sizeof *again.which),
                         .where = calloc(l->n + 1, sizeof *again.where)};
    bool ok = (again.which != NULL && again.where != NULL) || err_nomem(err);
    for (size_t b = plan->first_burst; ok && b < r->n_bursts; b++) {
        struct burst_grids grids = {0};
        if (r->bursts[b].count < LEAST_FRAMES)
            continue;
        ok = take_grids(l, newest, &r->bursts[b], &grids, err) &&
             give_back(l, newest, &r->bursts[b], &grids, &again, err);
        burst_grids_release(&grids);
    }
    l->where = again.where;
    ok = ok && run_jobs(l, workers, JOB_MEASURE, again.which, again.n, err);
    free(again.which);
    free(again.where);
    return ok;
}

static double clipped_of(const struct burst_grids *grids)
{
    double share = 0;
    size_t cells = 0;
    for (size_t i = 0; i < grids->n; i++) {
        const struct grid *g = grids->view[i];
        size_t n = g != NULL ? (size_t)g->cols * g->rows : 0;
        for (size_t k = 0; k < n; k++)
            share += grid_value(g, GRID_CLIP, k);
        cells += n;
    }
    return cells > 0 ? share / (double)cells : 0;
}

static void describe(const struct frame_meta *meta, const struct burst_grids *grids,
                     const struct subject_burst *found, struct session_glimpse *out)
{
    out->n_frames = grids->n;
    out->rests = found->perch;
    out->n_passes = found->n_passes;
    out->clipped = clipped_of(grids);
    out->exposure_s = meta->exposure_s;
    out->has_time = meta->has_time;
    out->orientation = meta->orientation;
    for (size_t i = 0; i < grids->n && out->width_px == 0; i++)
        if (grids->view[i] != NULL) {
            out->width_px = grids->view[i]->width_px;
            out->height_px = grids->view[i]->height_px;
        }
}

static bool score_burst(struct look *l, const struct newest *newest, const struct burst_info *info,
                        struct session_glimpse *out, struct err *err)
{
    struct burst_grids grids = {0};
    struct subject_burst *found = NULL;
    const struct frame_meta *meta = &l->file[newest->from + newest->bursts.order[info->first]].meta;
    bool ok = take_grids(l, newest, info, &grids, err) && burst_grids_complete(&grids, err);
    const struct subject_input input = {
        .grid = grids.view, .time_ns = grids.time_ns, .n = grids.n, .exposure_s = meta->exposure_s};
    if (ok) {
        found = subject_find(&input, err);
        ok = found != NULL && rank_score(&input, found, &out->scores, err);
    }
    if (ok)
        describe(meta, &grids, found, out);
    subject_free(found);
    burst_grids_release(&grids);
    return ok;
}

static bool score_last(struct look *l, const struct newest *newest, const struct plan *plan, size_t last,
                       struct session_glance *glance, struct err *err)
{
    const struct burst_result *r = &newest->bursts;
    bool ok = true;
    glance->burst = calloc(last + 1, sizeof glance->burst[0]);
    if (glance->burst == NULL)
        return err_nomem(err);
    for (size_t b = plan->first_burst; ok && b < r->n_bursts; b++) {
        if (r->bursts[b].count < LEAST_FRAMES)
            continue;
        ok = score_burst(l, newest, &r->bursts[b], &glance->burst[glance->n], err);
        glance->n += ok;
    }
    return ok;
}

static bool look_at(struct look *l, struct worker_pool *workers, size_t last, struct session_glance *glance,
                    struct err *err)
{
    struct newest newest = {0};
    struct plan plan = {0};
    size_t most = last * FILES_EACH;
    bool ok = find_newest(l, most, err) && find_bursts(l, workers, last, l->n == most, &newest, err) &&
              make_plan(l, &newest, last, &plan, err) && measure(l, workers, &plan, err) &&
              measure_again(l, workers, &newest, &plan, err) &&
              score_last(l, &newest, &plan, last, glance, err);
    free(plan.which);
    free(plan.where);
    newest_release(&newest);
    return ok;
}

bool session_look(const struct files *fs, const char *card, struct worker_pool *workers, size_t last,
                  struct log *log, const volatile int *stop, struct session_glance *glance, struct err *err)
{
    struct look l = {.s = {.root = ROOT_INIT, .log = log, .stop = stop}};
    *glance = (struct session_glance){0};
    bool ok = root_open(&l.s.root, fs, card, false, false, err);
    if (ok) {
        ok = look_at(&l, workers, last, glance, err);
        root_close(&l.s.root);
    }
    for (size_t i = 0; i < l.n; i++) {
        free(l.file[i].path);
        free(l.file[i].bytes);
    }
    free(l.file);
    if (!ok)
        session_glance_release(glance);
    return ok;
}

void session_glance_release(struct session_glance *glance)
{
    for (size_t i = 0; i < glance->n; i++)
        rank_scores_release(&glance->burst[i].scores);
    free(glance->burst);
    *glance = (struct session_glance){0};
}
