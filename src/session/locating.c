#include "locating.h"

#include <fcntl.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "pump.h"

struct thumb {
    struct job_thumb head;
    uint8_t *luma;
};

/* Frames first .. first + n - 1 are looked at together. */
struct window {
    size_t first, n, waiting;
};

struct locating {
    struct session *s;
    struct locating_frame *frame;
    size_t n, keys;
    struct thumb *thumb; /* n; luma is freed as soon as its window is done */
    struct window *window;
    size_t windows;
    uint32_t *window_of; /* n */
    struct locating_told *told;
    locating_path *path;
    void *context;
};

static void make_windows(struct locating *l)
{
    for (size_t first = 0; first < l->n;) {
        size_t end = first;
        while (end < l->n && l->frame[end].burst == l->frame[first].burst)
            end++;
        /* A long burst in windows of equal length. */
        size_t parts = (end - first + LOCATE_FRAMES - 1) / LOCATE_FRAMES, n = end - first;
        for (size_t k = 0; k < parts; k++) {
            size_t from = first + k * n / parts, to = first + (k + 1) * n / parts;
            l->window[l->windows] = (struct window){from, to - from, to - from};
            for (size_t i = from; i < to; i++)
                l->window_of[i] = (uint32_t)l->windows;
            l->windows++;
        }
        first = end;
    }
}

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

static void plan_frame(struct locating *l, size_t i, const struct locate_frame *where)
{
    struct job_part *part = &l->frame[i].part;
    const struct job_thumb *head = &l->thumb[i].head;
    const struct locate_box everything = {0, 0, 1, 1};
    *part = (struct job_part){
        .wanted = true, .width_px = head->width_px, .height_px = head->height_px, .gain = where->gain};
    part->window = cells_around(where->whole ? &everything : &where->part, part);
    part->subject = cells_around(&where->subject, part);
    l->frame[i].optional = !where->whole && part->window.cols > 0;
    l->frame[i].complete = where->complete;
    l->frame[i].way = where->way;
}

/* Thumbnails and frames of one size, or none. */
static bool alike(const struct locating *l, const struct window *w)
{
    const struct job_thumb *first = &l->thumb[w->first].head;
    for (size_t i = w->first; i < w->first + w->n; i++)
        if (l->thumb[i].luma == NULL || memcmp(&l->thumb[i].head, first, sizeof *first) != 0)
            return false;
    return true;
}

static bool finish_window(struct locating *l, const struct window *w, struct err *err)
{
    struct locate_frame *where = calloc(w->n, sizeof *where);
    const uint8_t **luma = calloc(w->n, sizeof *luma);
    enum locate_answer answer = LOCATE_NO_THUMBNAIL;
    bool ok = (where != NULL && luma != NULL) || err_nomem(err);
    const struct job_thumb *head = &l->thumb[w->first].head;
    if (ok && alike(l, w)) {
        for (size_t i = 0; i < w->n; i++)
            luma[i] = l->thumb[w->first + i].luma;
        const struct locate_input input = {
            w->n, luma, head->cols, head->rows, head->width_px, head->height_px, l->keys};
        ok = locate_subjects(&input, where, &answer, err);
    }
    if (ok && answer == LOCATE_PARTS)
        for (size_t i = 0; i < w->n; i++)
            plan_frame(l, w->first + i, &where[i]);
    for (size_t i = w->first; i < w->first + w->n; i++)
        l->frame[i].window = (uint32_t)(w - l->window);
    l->told->answer[answer]++;
    for (size_t i = w->first; i < w->first + w->n; i++) {
        free(l->thumb[i].luma);
        l->thumb[i].luma = NULL;
    }
    free(where);
    free(luma);
    return ok;
}

static bool settle(struct locating *l, size_t i, struct err *err)
{
    struct window *w = &l->window[l->window_of[i]];
    log_progress_step(l->s->log, 1, 0);
    return --w->waiting > 0 || finish_window(l, w, err);
}

static bool submit_thumb(void *context, struct worker_pool *workers, size_t i, struct err *err)
{
    struct locating *l = context;
    const struct files *fs = l->s->root.fs;
    struct err trouble = ERR_INIT;
    char *path = l->path(l->context, i, &trouble);
    int fd = path != NULL ? pump_open(l->s, path, &trouble) : -1;
    free(path);
    if (fd < 0)
        return settle(l, i, err);
    /* Only the head of the file is wanted: reading ahead would fetch four times as much. */
    (void)fs->fadvise(fs->context, fd, 0, 0, POSIX_FADV_RANDOM);
    const struct worker_job job = {.tag = i, .kind = JOB_THUMB, .fds = {fd}, .n_fds = 1};
    bool ok = worker_submit(workers, &job, err);
    files_drop(fs, fd);
    return ok;
}

static bool take_thumb(void *context, const struct worker_result *result, struct err *err)
{
    struct locating *l = context;
    struct thumb *t = &l->thumb[result->tag];
    if (result->ok && result->size > sizeof t->head) {
        memcpy(&t->head, result->bytes, sizeof t->head);
        size_t size = result->size - sizeof t->head;
        if (size == (size_t)t->head.cols * t->head.rows) {
            t->luma = malloc(size);
            if (t->luma == NULL)
                return err_nomem(err);
            memcpy(t->luma, result->bytes + sizeof t->head, size);
        }
    }
    return settle(l, (size_t)result->tag, err);
}

bool locating_run(struct session *s, struct worker_pool *workers, struct locating_frame *frame, size_t n,
                  size_t keys, locating_path *path, void *context, struct locating_told *told,
                  struct err *err)
{
    struct locating l = {
        .s = s, .frame = frame, .n = n, .keys = keys, .told = told, .path = path, .context = context};
    const struct pump pump = {s, workers, &l, submit_thumb, take_thumb};
    *told = (struct locating_told){0};
    l.thumb = calloc(n + 1, sizeof *l.thumb);
    l.window = calloc(n + 1, sizeof *l.window);
    l.window_of = calloc(n + 1, sizeof *l.window_of);
    bool ok = (l.thumb != NULL && l.window != NULL && l.window_of != NULL) || err_nomem(err);
    if (ok) {
        make_windows(&l);
        log_progress_start(s->log, "looking at thumbnails", n, "frames", 0);
        ok = pump_run(&pump, n, err);
        log_progress_end(s->log);
    }
    for (size_t i = 0; l.thumb != NULL && i < n; i++)
        free(l.thumb[i].luma);
    free(l.thumb);
    free(l.window);
    free(l.window_of);
    return ok;
}
