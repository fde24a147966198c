#include "locating.h"

#include <fcntl.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "pump.h"

/* Whole cells around a box given in shares of the frame. */
static struct grid_window cells_around(const struct locate_box *box, const struct job_part *part)
{
    float cell = (float)measure_cell_px(part->width_px);
    if (!(box->x1 > box->x0))
        return (struct grid_window){0};
    uint32_t cols = (uint32_t)ceilf((float)part->width_px / cell),
             rows = (uint32_t)ceilf((float)part->height_px / cell);
    uint32_t col0 = (uint32_t)floorf(box->x0 * (float)part->width_px / cell),
             row0 = (uint32_t)floorf(box->y0 * (float)part->height_px / cell),
             col1 = (uint32_t)ceilf(box->x1 * (float)part->width_px / cell),
             row1 = (uint32_t)ceilf(box->y1 * (float)part->height_px / cell);
    col1 = col1 < cols ? col1 : cols;
    row1 = row1 < rows ? row1 : rows;
    return (struct grid_window){col0, row0, col1 - col0, row1 - row0};
}

/* Of frame k of the window. */
static void plan_frame(struct locating *l, size_t k, const struct locate_frame *where)
{
    struct job_part *part = &l->frame[k].part;
    const struct job_thumb *head = &l->thumb[k].head;
    const struct locate_box everything = {0, 0, 1, 1};
    *part = (struct job_part){
        .wanted = true, .width_px = head->width_px, .height_px = head->height_px, .gain = where->gain};
    part->window = cells_around(where->whole ? &everything : &where->part, part);
    part->subject = cells_around(&where->subject, part);
    l->frame[k].optional = !where->whole && part->window.cols > 0;
    l->frame[k].complete = where->complete;
    l->frame[k].way = where->way;
}

/* Thumbnails and frames of one size, or none. */
static bool alike(const struct locating *l)
{
    for (size_t k = 0; k < l->n; k++)
        if (l->thumb[k].luma == NULL ||
            memcmp(&l->thumb[k].head, &l->thumb[0].head, sizeof l->thumb[0].head) != 0)
            return false;
    return true;
}

static void forget_thumbs(struct locating *l)
{
    for (size_t k = 0; l->thumb != NULL && k < l->n; k++)
        free(l->thumb[k].luma);
    l->n = 0;
}

bool locating_open(struct locating *l, struct session *s, size_t n, size_t keys, locating_burst *burst,
                   locating_path *path, void *context, struct err *err)
{
    *l = (struct locating){.s = s,
                           .all = n,
                           .keys = keys,
                           .burst = burst,
                           .path = path,
                           .context = context,
                           .window = UINT32_MAX};
    l->thumb = calloc(LOCATE_FRAMES, sizeof *l->thumb);
    l->frame = calloc(LOCATE_FRAMES, sizeof *l->frame);
    return (l->thumb != NULL && l->frame != NULL) || err_nomem(err);
}

void locating_release(struct locating *l)
{
    forget_thumbs(l);
    free(l->thumb);
    free(l->frame);
    *l = (struct locating){0};
}

/* A long burst in windows of equal length. */
bool locating_begin(struct locating *l)
{
    forget_thumbs(l);
    if (++l->part >= l->parts) {
        size_t first = l->burst_first + l->burst_n, end = first;
        while (end < l->all && l->burst(l->context, end) == l->burst(l->context, first))
            end++;
        l->burst_first = first;
        l->burst_n = end - first;
        l->part = 0;
        l->parts = (l->burst_n + LOCATE_FRAMES - 1) / LOCATE_FRAMES;
    }
    if (l->burst_n == 0)
        return false;
    size_t from = l->part * l->burst_n / l->parts, to = (l->part + 1) * l->burst_n / l->parts;
    l->first = l->burst_first + from;
    l->n = l->waiting = to - from;
    l->window++;
    memset(l->thumb, 0, l->n * sizeof *l->thumb);
    for (size_t k = 0; k < l->n; k++)
        l->frame[k] = (struct locating_frame){.burst = l->burst(l->context, l->first), .window = l->window};
    return true;
}

bool locating_finish(struct locating *l, struct err *err)
{
    struct locate_frame *where = calloc(l->n, sizeof *where);
    const uint8_t **luma = calloc(l->n, sizeof *luma);
    enum locate_answer answer = LOCATE_NO_THUMBNAIL;
    bool ok = (where != NULL && luma != NULL) || err_nomem(err);
    const struct job_thumb *head = &l->thumb[0].head;
    if (ok && alike(l)) {
        for (size_t k = 0; k < l->n; k++)
            luma[k] = l->thumb[k].luma;
        const struct locate_input input = {
            l->n, luma, head->cols, head->rows, head->width_px, head->height_px, l->keys};
        ok = locate_subjects(&input, where, &answer, err);
    }
    for (size_t k = 0; ok && answer == LOCATE_PARTS && k < l->n; k++)
        plan_frame(l, k, &where[k]);
    l->told.answer[answer]++;
    free(where);
    free(luma);
    return ok;
}

bool locating_submit(struct locating *l, struct worker_pool *workers, size_t i, uint64_t tag, struct err *err)
{
    const struct files *fs = l->s->root.fs;
    struct err trouble = ERR_INIT;
    char *path = l->path(l->context, i, &trouble);
    int fd = path != NULL ? pump_open(l->s, path, &trouble) : -1;
    free(path);
    if (fd < 0) {
        l->waiting--;
        return true;
    }
    /* Only the head of the file is wanted: reading ahead would fetch four times as much. */
    (void)fs->fadvise(fs->context, fd, 0, 0, POSIX_FADV_RANDOM);
    const struct worker_job job = {.tag = tag, .kind = JOB_THUMB, .fds = {fd}, .n_fds = 1};
    bool ok = worker_submit(workers, &job, err);
    files_drop(fs, fd);
    return ok;
}

bool locating_take(struct locating *l, size_t i, const struct worker_result *result, struct err *err)
{
    struct locating_thumb *t = &l->thumb[i - l->first];
    l->waiting--;
    if (!result->ok || result->size <= sizeof t->head)
        return true;
    memcpy(&t->head, result->bytes, sizeof t->head);
    size_t size = result->size - sizeof t->head;
    if (size != (size_t)t->head.cols * t->head.rows)
        return true;
    t->luma = malloc(size);
    if (t->luma == NULL)
        return err_nomem(err);
    memcpy(t->luma, result->bytes + sizeof t->head, size);
    return true;
}

/* ---- all windows at once ---------------------------------------------------------- */

struct run {
    struct locating l;
    struct locating_frame *frame;
    locating_path *path;
    void *context;
};

static int64_t burst_of(void *context, size_t i)
{
    const struct run *run = context;
    return run->frame[i].burst;
}

static char *path_of(void *context, size_t i, struct err *err)
{
    const struct run *run = context;
    return run->path(run->context, i, err);
}

static bool submit_thumb(void *context, struct worker_pool *workers, size_t k, struct err *err)
{
    struct run *run = context;
    log_progress_step(run->l.s->log, 1, 0);
    return locating_submit(&run->l, workers, run->l.first + k, k, err);
}

static bool take_thumb(void *context, const struct worker_result *result, struct err *err)
{
    struct run *run = context;
    return locating_take(&run->l, run->l.first + (size_t)result->tag, result, err);
}

bool locating_run(struct session *s, struct worker_pool *workers, struct locating_frame *frame, size_t n,
                  size_t keys, locating_path *path, void *context, struct locating_told *told,
                  struct err *err)
{
    struct run run = {.frame = frame, .path = path, .context = context};
    const struct pump pump = {s, workers, &run, submit_thumb, take_thumb};
    bool ok = locating_open(&run.l, s, n, keys, burst_of, path_of, &run, err);
    log_progress_start(s->log, "looking at thumbnails", n, "frames", 0);
    while (ok && locating_begin(&run.l)) {
        ok = pump_run(&pump, run.l.n, err) && locating_finish(&run.l, err);
        if (ok)
            memcpy(frame + run.l.first, run.l.frame, run.l.n * sizeof *frame);
    }
    log_progress_end(s->log);
    *told = run.l.told;
    locating_release(&run.l);
    return ok;
}
