#include "lesson.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "sheet.h"
#include "text.h"

enum { EDGE_SHARE = 200 }; /* a subject within 1/200 of the width of an edge touches it */

struct loading {
    struct catalogue *c;
    struct lesson *lesson;
    struct catalogue_items items;
    struct lesson_burst *burst;
    /* of the burst that is being read */
    struct frame_place {
        int64_t id, time_ns;
        int orientation;
        uint32_t width, height; /* stored */
    } * place;
    size_t n_places, place_room;
    uint64_t bytes;
};

static bool make_room(void **array, size_t n, size_t *room, size_t size, struct err *err)
{
    if (n < *room)
        return true;
    size_t more = *room * 2 + 64;
    void *grown = realloc(*array, more * size);
    if (grown == NULL)
        return err_nomem(err);
    *array = grown;
    *room = more;
    return true;
}

#define ROOM(array, n, room, err) make_room((void **)&(array), (n), &(room), sizeof *(array), (err))

static bool take_burst(void *context, const struct catalogue_burst *burst, struct err *err)
{
    struct lesson *l = context;
    if (!ROOM(l->burst, l->n_bursts, l->burst_room, err))
        return false;
    l->burst[l->n_bursts++] = (struct lesson_burst){.number = burst->number,
                                                    .setup = burst->setup,
                                                    .n_passes = burst->n_passes,
                                                    .perch = burst->perch,
                                                    .timed = burst->has_time,
                                                    .fps = NAN};
    return true;
}

static bool add_bytes(void *context, const struct catalogue_file *file, struct err *err)
{
    uint64_t *bytes = context;
    (void)err;
    *bytes += file->size;
    return true;
}

/* 0 = not known, or not the same in all frames. */
static void note_same(double *value, double now, bool first)
{
    if (first)
        *value = now;
    else if (*value != now)
        *value = 0;
}

static void note_frame(struct lesson_burst *b, const struct catalogue_row *row)
{
    const struct catalogue_frame *f = &row->frame;
    bool first = b->n_frames == 0, turned = f->orientation >= 5;
    if (first) {
        b->width = turned ? f->height_px : f->width_px;
        b->height = turned ? f->width_px : f->height_px;
        b->orientation = f->orientation;
        b->any_frame = f->id;
        b->has_hour = f->has_time;
        b->hour = f->has_time ? (int)(((f->time_ns / 1000000000) % 86400 + 86400) % 86400 / 3600) : 0;
    }
    note_same(&b->exposure_s, f->exposure_s, first);
    note_same(&b->iso, f->iso, first);
    note_same(&b->f_number, f->f_number, first);
    note_same(&b->focal_mm, f->focal_mm, first);
    note_same(&b->focus_m, f->focus_m, first);
    b->n_frames++;
    b->kept += strcmp(row->outcome, "keep") == 0;
    b->with_subject += row->n_items > 0;
    if (row->n_items == 0 && b->empty_frame == 0 && strcmp(f->state, "measured") == 0)
        b->empty_frame = f->id;
}

static bool take_row(void *context, const struct catalogue_row *row, struct err *err)
{
    struct loading *l = context;
    const struct catalogue_frame *f = &row->frame;
    if (!ROOM(l->place, l->n_places, l->place_room, err))
        return false;
    l->place[l->n_places++] = (struct frame_place){f->id, f->has_time ? f->estimated_ns : 0, f->orientation,
                                                   f->width_px, f->height_px};
    note_frame(l->burst, row);
    return catalogue_each_file(l->c, f->id, add_bytes, &l->burst->bytes, err);
}

static size_t place_of(const struct loading *l, int64_t frame)
{
    for (size_t i = 0; i < l->n_places; i++)
        if (l->place[i].id == frame)
            return i;
    return l->n_places;
}

static struct sheet_box box_of(const struct frame_place *p, const struct catalogue_item *item)
{
    const struct sheet_box stored = {item->x_px, item->y_px, item->w_px, item->h_px};
    return sheet_upright(stored, p->width, p->height, p->orientation);
}

static void note_sides(struct lesson_pass *p, const struct lesson_burst *b, const struct sheet_box *box)
{
    uint32_t near = b->width / EDGE_SHARE + 1;
    p->cut++;
    p->side[LESSON_LEFT] += box->x <= near;
    p->side[LESSON_TOP] += box->y <= near;
    p->side[LESSON_RIGHT] += box->x + box->w + near >= b->width;
    p->side[LESSON_BOTTOM] += box->y + box->h + near >= b->height;
}

static bool add_sample(struct loading *l, const struct catalogue_item *item, const struct sheet_box *box,
                       int64_t start_ns, struct lesson_pass *pass, struct err *err)
{
    struct lesson *lesson = l->lesson;
    bool known = (item->flags & RANK_F_NO_BLUR) == 0 && !isnan(item->blur_px);
    bool whole = (item->flags & (RANK_F_CUT | RANK_F_HIDDEN | RANK_F_AT_REST)) == 0;
    if (!ROOM(lesson->sample, lesson->n_samples, lesson->sample_room, err))
        return false;
    lesson->sample[lesson->n_samples++] =
        (struct lesson_sample){.t_s = (double)(item->time_ns - start_ns) / 1e9,
                               .x = box->x + box->w / 2.0,
                               .y = box->y + box->h / 2.0,
                               .blur_px = known ? item->blur_px : NAN,
                               .sd_px = known ? (item->blur_high_px - item->blur_low_px) / 2 : NAN,
                               .whole = whole};
    pass->n++;
    pass->whole += whole;
    pass->sharp += whole && known && item->blur_px <= LESSON_SHARP_PX;
    return true;
}

/* Since its middle came over the edge that it flew in at, if it always flew as it did. */
static double missed_of(const struct lesson_sample *first, const struct lesson_fit *fit,
                        const struct lesson_burst *b)
{
    double in_x = fit->vx > 0 ? first->x / fit->vx : fit->vx < 0 ? (first->x - b->width) / fit->vx : INFINITY;
    double in_y = fit->vy > 0   ? first->y / fit->vy
                  : fit->vy < 0 ? (first->y - b->height) / fit->vy
                                : INFINITY;
    double missed = fmin(in_x, in_y);
    return fit->has_speed && isfinite(missed) ? fmax(missed, 0) : NAN;
}

/* Where the subject was half-way of its time in the picture. */
static void finish_pass(struct lesson *lesson, struct lesson_pass *pass, const struct lesson_burst *b)
{
    const struct lesson_sample *s = lesson->sample + pass->first;
    if (pass->n == 0)
        return;
    pass->middle_x = (s[0].x + s[pass->n - 1].x) / 2;
    pass->middle_y = (s[0].y + s[pass->n - 1].y) / 2;
    lesson_fit_pass(s, pass->n, &pass->fit);
    pass->trusted = lesson_trusts(&pass->fit, pass->whole);
    pass->fit.has_speed = pass->fit.has_speed && b->timed;
    pass->missed_s = pass->at_start ? missed_of(s, &pass->fit, b) : (double)NAN;
    pass->cause = lesson_cause_of(s, pass->n, &pass->fit, pass->exposure_s);
}

static bool take_pass(struct loading *l, uint32_t number, struct err *err)
{
    struct lesson *lesson = l->lesson;
    struct lesson_pass pass = {.burst = l->burst->number,
                               .pass = number,
                               .first = lesson->n_samples,
                               .exposure_s = l->burst->exposure_s,
                               .entered = UINT32_MAX};
    int64_t start_ns = l->items.n > 0 ? l->items.item[0].time_ns : 0;
    for (size_t i = 0; i < l->items.n; i++) {
        const struct catalogue_item *item = &l->items.item[i];
        size_t at = item->pass == number ? place_of(l, item->frame) : l->n_places;
        if (at == l->n_places)
            continue;
        struct sheet_box box = box_of(&l->place[at], item);
        if (!add_sample(l, item, &box, start_ns, &pass, err))
            return false;
        if ((item->flags & RANK_F_CUT) != 0)
            note_sides(&pass, l->burst, &box);
        pass.entered = at < pass.entered ? (uint32_t)at : pass.entered;
        pass.at_start = pass.at_start || at == 0;
        pass.at_end = pass.at_end || at + 1 == l->n_places;
    }
    if (pass.n == 0)
        return true;
    finish_pass(lesson, &pass, l->burst);
    if (!ROOM(lesson->pass, lesson->n_passes, lesson->pass_room, err))
        return false;
    lesson->pass[lesson->n_passes++] = pass;
    return true;
}

static bool load_burst(struct loading *l, struct err *err)
{
    const struct catalogue_filter one = {.burst = l->burst->number};
    l->n_places = 0;
    if (!catalogue_each_row(l->c, &one, take_row, l, err) ||
        !catalogue_items_load(&l->items, l->c, l->burst->number, err))
        return false;
    if (l->n_places > 1 && l->burst->timed) {
        double lasts = (double)(l->place[l->n_places - 1].time_ns - l->place[0].time_ns) / 1e9;
        l->burst->fps = lasts > 0 ? (double)(l->n_places - 1) / lasts : NAN;
    }
    uint32_t most = 0;
    for (size_t i = 0; i < l->items.n; i++)
        most = l->items.item[i].pass > most ? l->items.item[i].pass : most;
    for (uint32_t pass = 1; !l->burst->perch && pass <= most; pass++)
        if (!take_pass(l, pass, err))
            return false;
    return true;
}

bool lesson_load(struct catalogue *c, struct lesson *lesson, struct err *err)
{
    struct loading l = {.c = c, .lesson = lesson};
    *lesson = (struct lesson){.n_samples = 0};
    bool ok = catalogue_each_burst(c, take_burst, lesson, err);
    for (size_t i = 0; ok && i < lesson->n_bursts; i++) {
        l.burst = &lesson->burst[i];
        ok = load_burst(&l, err);
    }
    catalogue_items_release(&l.items);
    free(l.place);
    if (!ok)
        lesson_release(lesson);
    return ok;
}

void lesson_release(struct lesson *lesson)
{
    free(lesson->sample);
    free(lesson->pass);
    free(lesson->burst);
    free(lesson->aid);
    free(lesson->sensor);
    *lesson = (struct lesson){.n_samples = 0};
}
