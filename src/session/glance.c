/*
 * The last bursts of a card, in memory: nothing is copied and nothing is written, not on the card and not
 * elsewhere. Only the newest files are looked at; a burst that they cut off is left out.
 */
#include "chaffinch/session.h"

#include <fcntl.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/burst.h"
#include "chaffinch/measure.h"
#include "jobs.h"
#include "pump.h"

enum { FILES_EACH = 400, LEAST_FRAMES = 5 };

struct found {
    char *path;
    int64_t mtime_ns;
    struct frame_meta meta;
    struct frame_name name;
    bool readable;
    uint8_t *bytes; /* packed cells */
    size_t size;
};

struct look {
    struct session s; /* the card; it has no catalogue */
    struct found *file;
    size_t n, room;
    uint32_t job;
    const size_t *which; /* files of the jobs under way */
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

static struct burst_frame *frames_of(struct look *l, struct err *err)
{
    struct burst_frame *frame = calloc(l->n + 1, sizeof *frame);
    if (frame == NULL)
        err_nomem(err);
    for (size_t i = 0; frame != NULL && i < l->n; i++) {
        struct found *f = &l->file[i];
        frame_name_parse(f->path, &f->name);
        frame[i] = (struct burst_frame){.body = f->meta.serial[0] != '\0' ? f->meta.serial : f->meta.model,
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
    return frame;
}

static void add_clipped(const struct grid *g, double *share, size_t *cells)
{
    for (size_t i = 0; i < (size_t)g->cols * g->rows; i++)
        *share += grid_value(g, GRID_CLIP, i);
    *cells += (size_t)g->cols * g->rows;
}

/* Grids of the frames that were measured, in order; a frame of another size than the first is left out. */
static bool score_burst(struct look *l, const struct burst_frame *frame, const uint32_t *order, size_t n,
                        struct session_glimpse *out, struct err *err)
{
    struct grid *grid = calloc(n, sizeof *grid);
    const struct grid **view = calloc(n, sizeof *view);
    int64_t *time_ns = calloc(n, sizeof *time_ns);
    struct subject_burst *found = NULL;
    size_t cells = 0;
    double clipped = 0;
    const struct grid *first = NULL;
    bool ok = (grid != NULL && view != NULL && time_ns != NULL) || err_nomem(err);
    for (size_t i = 0; ok && i < n; i++) {
        const struct found *f = &l->file[order[i]];
        time_ns[i] = frame[order[i]].estimated_ns;
        if (f->bytes == NULL || !grid_view(&grid[i], f->bytes, f->size, NULL))
            continue;
        first = first != NULL ? first : &grid[i];
        if (grid[i].width_px == first->width_px && grid[i].height_px == first->height_px)
            view[i] = &grid[i];
        add_clipped(&grid[i], &clipped, &cells);
    }
    const struct subject_input input = {.grid = view,
                                        .time_ns = time_ns,
                                        .n = n,
                                        .exposure_s = n > 0 ? l->file[order[0]].meta.exposure_s : 0};
    if (ok) {
        found = subject_find(&input, err);
        ok = found != NULL && rank_score(&input, found, &out->scores, err);
    }
    if (ok) {
        const struct frame_meta *meta = &l->file[order[0]].meta;
        out->n_frames = n;
        out->rests = found->perch;
        out->n_passes = found->n_passes;
        out->clipped = cells > 0 ? clipped / (double)cells : 0;
        out->exposure_s = meta->exposure_s;
        out->has_time = meta->has_time;
        out->orientation = meta->orientation;
        out->width_px = first != NULL ? first->width_px : 0;
        out->height_px = first != NULL ? first->height_px : 0;
    }
    subject_free(found);
    free(grid);
    free(view);
    free(time_ns);
    return ok;
}

/* The first burst may begin before the newest files: it only counts where all files were looked at. */
static bool score_last(struct look *l, struct worker_pool *workers, size_t last, bool all,
                       const struct burst_frame *frame, const struct burst_result *r,
                       struct session_glance *glance, struct err *err)
{
    size_t *which = calloc(l->n + 1, sizeof *which), n = 0;
    glance->burst = calloc(last + 1, sizeof glance->burst[0]);
    bool ok = (which != NULL && glance->burst != NULL) || err_nomem(err);
    size_t from = r->n_bursts;
    for (size_t taken = 0; from > (all ? 0 : 1) && taken < last; from--)
        taken += r->bursts[from - 1].count >= LEAST_FRAMES;
    for (size_t b = from; ok && b < r->n_bursts; b++)
        for (uint32_t i = 0; r->bursts[b].count >= LEAST_FRAMES && i < r->bursts[b].count; i++)
            if (l->file[r->order[r->bursts[b].first + i]].readable)
                which[n++] = r->order[r->bursts[b].first + i];
    ok = ok && run_jobs(l, workers, JOB_MEASURE, which, n, err);
    for (size_t b = from; ok && b < r->n_bursts; b++) {
        const struct burst_info *info = &r->bursts[b];
        if (info->count < LEAST_FRAMES)
            continue;
        ok = score_burst(l, frame, r->order + info->first, info->count, &glance->burst[glance->n], err);
        glance->n += ok;
    }
    free(which);
    return ok;
}

static bool look_at(struct look *l, struct worker_pool *workers, size_t last, struct session_glance *glance,
                    struct err *err)
{
    const struct burst_options options = {.gap_ns = 0};
    struct burst_result result = {0};
    size_t most = last * FILES_EACH;
    if (!find_newest(l, most, err))
        return false;
    bool all = l->n < most, ok = true;
    size_t *which = calloc(l->n, sizeof *which);
    for (size_t i = 0; which != NULL && i < l->n; i++)
        which[i] = i;
    ok = (which != NULL || err_nomem(err)) && run_jobs(l, workers, JOB_PEEK, which, l->n, err);
    free(which);
    struct burst_frame *frame = ok ? frames_of(l, err) : NULL;
    ok = frame != NULL && burst_group(frame, l->n, &options, &result, err);
    if (ok) {
        ok = score_last(l, workers, last, all, frame, &result, glance, err);
        burst_result_release(&result);
    }
    free(frame);
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
