#include "sheet.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "text.h"

/* Makes room for one more of `size` bytes. */
static bool grow(void **list, size_t n, size_t *room, size_t size, struct err *err)
{
    if (n < *room)
        return true;
    size_t more = *room > 0 ? *room * 2 : 64;
    void *grown = realloc(*list, more * size);
    if (grown == NULL)
        return err_nomem(err);
    *list = grown;
    *room = more;
    return true;
}

/* "100DEMO/DSC_0012.JPG": enough to find it, and nothing about the disk it lies on. */
static char *short_name(const char *path)
{
    const char *leaf = text_leaf(path);
    const char *from = leaf;
    if (path[0] != '/' && leaf > path + 1)
        for (from = leaf - 1; from > path && from[-1] != '/';)
            from--;
    return strdup(from);
}

static enum sheet_outcome outcome_of(const char *word)
{
    return strcmp(word, "keep") == 0 ? SHEET_KEEP : strcmp(word, "reject") == 0 ? SHEET_REJECT : SHEET_NONE;
}

static void take_item(struct sheet_frame *f, const struct catalogue_row *row)
{
    bool known = row->has_item && text_blur_known(&row->item);
    f->blur_px = known ? row->item.blur_px : NAN;
    f->blur_low_px = known ? row->item.blur_low_px : NAN;
    f->blur_high_px = known ? row->item.blur_high_px : NAN;
    f->has_box = text_has_subject(row);
    if (f->has_box)
        f->box = (struct sheet_box){row->item.x_px, row->item.y_px, row->item.w_px, row->item.h_px};
}

static void count_frame(struct sheet_model *m, const struct sheet_frame *f)
{
    m->keep += f->outcome == SHEET_KEEP;
    m->reject += f->outcome == SHEET_REJECT;
    m->none += f->outcome == SHEET_NONE;
    m->unreadable += f->cause != NULL;
}

static bool add_frame(void *context, const struct catalogue_row *row, struct err *err)
{
    struct sheet_model *m = context;
    bool unreadable = strcmp(row->frame.state, "unreadable") == 0;
    if (!grow((void **)&m->frame, m->n_frames, &m->frame_room, sizeof *m->frame, err))
        return false;
    struct sheet_frame *f = &m->frame[m->n_frames];
    *f = (struct sheet_frame){.id = row->frame.id,
                              .burst = row->frame.burst,
                              .pass = row->choice.pass,
                              .rank = row->choice.rank,
                              .has_time = row->frame.has_time,
                              .time_ns = row->frame.time_ns,
                              .estimated_ns = row->frame.estimated_ns,
                              .subsec_digits = row->frame.subsec_digits,
                              .outcome = outcome_of(row->outcome),
                              .decided = row->decision != CATALOGUE_UNDECIDED,
                              .decided_in_camera = row->decided_in_camera,
                              .reason = text_reason(row),
                              .width_px = row->frame.width_px,
                              .height_px = row->frame.height_px,
                              .orientation = row->frame.orientation};
    f->name = short_name(text_path(row));
    f->cause = unreadable ? strdup(row->frame.cause) : NULL;
    m->n_frames++;
    if (f->name == NULL || (unreadable && f->cause == NULL))
        return err_nomem(err);
    take_item(f, row);
    count_frame(m, f);
    return true;
}

static bool add_burst(void *context, const struct catalogue_burst *row, struct err *err)
{
    struct sheet_model *m = context;
    if (!grow((void **)&m->burst, m->n_bursts, &m->burst_room, sizeof *m->burst, err))
        return false;
    m->burst[m->n_bursts++] = (struct sheet_burst){.number = row->number,
                                                   .setup = row->setup,
                                                   .passes = row->n_passes,
                                                   .perch = row->perch,
                                                   .nothing_sharp = row->nothing_sharp};
    m->passes += row->n_passes;
    return true;
}

/* Rows come in order of burst, so each burst owns a run of frames. */
static void assign_frames(struct sheet_model *m)
{
    size_t f = 0;
    for (size_t b = 0; b < m->n_bursts; b++) {
        while (f < m->n_frames && m->frame[f].burst < m->burst[b].number)
            f++;
        m->burst[b].first = f;
        while (f < m->n_frames && m->frame[f].burst == m->burst[b].number)
            f++;
        m->burst[b].n = f - m->burst[b].first;
    }
}

struct pointing {
    struct sheet_model *m;
    size_t at, end; /* items come in the order of their frames */
};

static bool add_point(void *context, const struct catalogue_item *item, struct err *err)
{
    struct pointing *p = context;
    struct sheet_model *m = p->m;
    size_t f = p->at;
    while (f < p->end && m->frame[f].id != item->frame)
        f++;
    if (f == p->end)
        return true;
    p->at = f;
    if (!grow((void **)&m->point, m->n_points, &m->point_room, sizeof *m->point, err))
        return false;
    m->point[m->n_points++] =
        (struct sheet_point){.frame = f,
                             .pass = item->pass,
                             .blur_px = text_blur_known(item) ? item->blur_px : NAN,
                             .box = {item->x_px, item->y_px, item->w_px, item->h_px},
                             .complete = (item->flags & (RANK_F_CUT | RANK_F_HIDDEN | RANK_F_UNSURE)) == 0};
    return true;
}

static bool load_points(struct sheet_model *m, struct catalogue *c, struct err *err)
{
    bool ok = true;
    for (size_t b = 0; ok && b < m->n_bursts; b++) {
        struct sheet_burst *burst = &m->burst[b];
        struct pointing pointing = {m, burst->first, burst->first + burst->n};
        burst->first_point = m->n_points;
        ok = catalogue_each_item(c, burst->number, add_point, &pointing, err);
        burst->n_points = m->n_points - burst->first_point;
    }
    return ok;
}

bool sheet_model_load(struct sheet_model *m, struct catalogue *c, struct err *err)
{
    const struct catalogue_filter every = {.burst = 0};
    if (!catalogue_each_burst(c, add_burst, m, err) || !catalogue_each_row(c, &every, add_frame, m, err))
        return false;
    assign_frames(m);
    return load_points(m, c, err);
}

void sheet_model_release(struct sheet_model *m)
{
    for (size_t i = 0; i < m->n_frames; i++) {
        free(m->frame[i].name);
        free(m->frame[i].cause);
    }
    for (size_t i = 0; i < m->n_pictures; i++)
        free(m->picture[i].jpeg);
    free(m->frame);
    free(m->burst);
    free(m->point);
    free(m->picture);
    *m = (struct sheet_model){0};
}

bool sheet_for_eyes(const struct sheet_frame *f)
{
    if (f->outcome != SHEET_NONE)
        return false;
    return f->pass == 0 || f->reason == RANK_UNREADABLE || f->reason == RANK_FORMAT ||
           f->reason == RANK_TOO_FEW || f->reason == RANK_NOT_SCORED;
}

bool sheet_burst_shown(const struct sheet_model *m, const struct sheet_burst *burst)
{
    for (size_t f = burst->first; f < burst->first + burst->n; f++)
        if (!sheet_for_eyes(&m->frame[f]))
            return true;
    return false;
}

struct ranked {
    size_t frame;
    uint32_t rank;
};

/* By rank, those without one behind, then in time. */
static int by_rank(const void *a, const void *b)
{
    const struct ranked *x = a, *y = b;
    uint32_t rx = x->rank - 1, ry = y->rank - 1; /* 0 wraps round to the end */
    if (rx != ry)
        return rx < ry ? -1 : 1;
    return (x->frame > y->frame) - (x->frame < y->frame);
}

/* The frames of a burst that `wanted` says yes to, best first. */
static bool choose(const struct sheet_model *m, const struct sheet_burst *burst,
                   bool (*wanted)(const struct sheet_frame *, const struct sheet_group *),
                   const struct sheet_group *group, size_t **list, size_t *n, struct err *err)
{
    struct ranked *found = malloc((burst->n + 1) * sizeof *found);
    *list = malloc((burst->n + 1) * sizeof **list);
    *n = 0;
    if (found == NULL || *list == NULL) {
        free(found);
        free(*list);
        *list = NULL;
        return err_nomem(err);
    }
    for (size_t f = burst->first; f < burst->first + burst->n; f++)
        if (wanted(&m->frame[f], group))
            found[(*n)++] = (struct ranked){f, m->frame[f].rank};
    qsort(found, *n, sizeof *found, by_rank);
    for (size_t i = 0; i < *n; i++)
        (*list)[i] = found[i].frame;
    free(found);
    return true;
}

static bool in_group(const struct sheet_frame *f, const struct sheet_group *group)
{
    return f->pass == group->pass && f->outcome == group->outcome && f->reason == group->reason &&
           !sheet_for_eyes(f);
}

static bool kept_in_pass(const struct sheet_frame *f, const struct sheet_group *group)
{
    return f->pass == group->pass && f->outcome == SHEET_KEEP;
}

bool sheet_group_frames(const struct sheet_model *m, const struct sheet_burst *burst,
                        const struct sheet_group *group, size_t **list, size_t *n, struct err *err)
{
    return choose(m, burst, in_group, group, list, n, err);
}

bool sheet_kept_frames(const struct sheet_model *m, const struct sheet_burst *burst, uint32_t pass,
                       size_t **list, size_t *n, struct err *err)
{
    const struct sheet_group group = {.pass = pass};
    return choose(m, burst, kept_in_pass, &group, list, n, err);
}
