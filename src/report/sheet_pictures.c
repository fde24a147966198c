/*
 * Which pictures are worth their bytes. Kept frames are shown large, at 1:1 where the subject fits, and all
 * kept frames of a pass at one scale, so that they can be judged beside each other. Of the others each group
 * shows its best few. Every number is bounded, and bytes are counted as they come: base64 makes 20 MB of 15,
 * and the drawings and words of 10,000 frames take less than 10 MB, so that their page stays below 30 MB.
 */
#include "sheet.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum {
    LARGE_PER_PASS = 8,
    LARGE_MAX = 1000,
    SMALL_TOTAL = 600,
    SMALL_PER_GROUP = 6,
    EMPTY_PER_GROUP = 2,
    EYES_MAX = 60,
    SMALL_EDGE = 200,
    LARGE_QUALITY = 86,
    SMALL_QUALITY = 76
};
static const size_t LARGE_BYTES = 11000000, SMALL_BYTES = 4000000;

struct planning {
    struct sheet_model *m;
    uint32_t large_edge_px;
    size_t small_per_group;
    size_t large_per_pass;
    size_t n_large, n_small_kept;
    struct err *err;
};

static uint32_t min_px(uint32_t a, uint32_t b)
{
    return a < b ? a : b;
}

static uint32_t max_px(uint32_t a, uint32_t b)
{
    return a > b ? a : b;
}

/* Two pictures of the first size stand beside each other on a usual screen. Many kept frames are shown
   smaller. */
static uint32_t large_edge_for(size_t kept)
{
    return kept <= 120 ? 620 : kept <= 300 ? 480 : 360;
}

/* w x h around the middle of the subject, pushed back into the frame. */
static struct sheet_box around(const struct sheet_frame *f, uint32_t w, uint32_t h)
{
    struct sheet_box crop = {0, 0, min_px(w, f->width_px), min_px(h, f->height_px)};
    int64_t x = (int64_t)f->box.x + f->box.w / 2 - crop.w / 2;
    int64_t y = (int64_t)f->box.y + f->box.h / 2 - crop.h / 2;
    int64_t right = (int64_t)f->width_px - crop.w, low = (int64_t)f->height_px - crop.h;
    crop.x = (uint32_t)(x < 0 ? 0 : x > right ? right : x);
    crop.y = (uint32_t)(y < 0 ? 0 : y > low ? low : y);
    return crop;
}

/* The subject with some air around it; the air goes first where 1:1 is at stake. */
static uint32_t with_air(uint32_t subject_px, uint32_t edge_px)
{
    uint32_t wanted = max_px(subject_px + subject_px * 2 / 5, edge_px / 2);
    return subject_px <= edge_px ? min_px(wanted, edge_px) : wanted;
}

static bool add_picture(struct planning *p, size_t frame, bool large, struct sheet_box crop)
{
    struct sheet_model *m = p->m;
    if (m->n_pictures == m->picture_room) {
        size_t room = m->picture_room > 0 ? m->picture_room * 2 : 64;
        struct sheet_picture *grown = realloc(m->picture, room * sizeof *grown);
        if (grown == NULL)
            return err_nomem(p->err);
        m->picture = grown;
        m->picture_room = room;
    }
    m->picture[m->n_pictures++] = (struct sheet_picture){
        .frame = frame, .large = large, .crop = crop, .max_edge_px = large ? p->large_edge_px : SMALL_EDGE};
    m->frame[frame].picture = m->n_pictures;
    p->n_large += large;
    return true;
}

static bool add_small(struct planning *p, size_t frame)
{
    const struct sheet_frame *f = &p->m->frame[frame];
    struct sheet_box crop = {0, 0, 0, 0};
    uint32_t side = max_px(max_px(f->box.w, f->box.h) * 7 / 5, SMALL_EDGE);
    if (f->has_box)
        crop = around(f, side, side * 3 / 4 > f->box.h ? side * 3 / 4 : side);
    return add_picture(p, frame, false, crop);
}

static bool plan_kept(struct planning *p, const struct sheet_burst *burst, uint32_t pass)
{
    size_t *list, n;
    uint32_t w = 0, h = 0;
    if (!sheet_kept_frames(p->m, burst, pass, &list, &n, p->err))
        return false;
    bool ok = true;
    for (size_t i = 0; i < n && i < p->large_per_pass; i++) {
        w = max_px(w, p->m->frame[list[i]].box.w);
        h = max_px(h, p->m->frame[list[i]].box.h);
    }
    for (size_t i = 0; ok && i < n; i++) {
        const struct sheet_frame *f = &p->m->frame[list[i]];
        struct sheet_box crop = {0, 0, 0, 0};
        if (f->has_box)
            crop = around(f, with_air(w, p->large_edge_px), with_air(h, p->large_edge_px));
        if (i < p->large_per_pass && p->n_large < LARGE_MAX)
            ok = add_picture(p, list[i], true, crop);
        else if (i < p->large_per_pass + p->small_per_group && p->n_small_kept++ < SMALL_TOTAL)
            ok = add_small(p, list[i]);
    }
    free(list);
    return ok;
}

/* Visits every group of a burst that holds frames. */
static bool each_group(struct planning *p, const struct sheet_burst *burst,
                       bool (*visit)(struct planning *, const size_t *, size_t, size_t *), size_t *count)
{
    for (uint32_t pass = 0; pass <= burst->passes; pass++)
        for (int side = 0; side < 2; side++)
            for (int reason = 1; reason < RANK_REASONS; reason++) {
                const struct sheet_group group = {pass, side == 0 ? SHEET_NONE : SHEET_REJECT,
                                                  (enum rank_reason)reason};
                size_t *list, n;
                if (!sheet_group_frames(p->m, burst, &group, &list, &n, p->err))
                    return false;
                bool ok = n == 0 || visit(p, list, n, count);
                free(list);
                if (!ok)
                    return false;
            }
    return true;
}

static bool count_group(struct planning *p, const size_t *list, size_t n, size_t *count)
{
    (void)p;
    (void)list;
    (void)n;
    ++*count;
    return true;
}

static bool plan_group(struct planning *p, const size_t *list, size_t n, size_t *count)
{
    bool empty = p->m->frame[list[0]].reason == RANK_NO_SUBJECT;
    size_t most = empty && p->small_per_group > EMPTY_PER_GROUP ? EMPTY_PER_GROUP : p->small_per_group;
    for (size_t i = 0; i < n && i < most && *count < SMALL_TOTAL; i++, ++*count)
        if (!add_small(p, list[i]))
            return false;
    return true;
}

static bool plan_eyes(struct planning *p)
{
    size_t n = 0;
    for (size_t f = 0; f < p->m->n_frames && n < EYES_MAX; f++) {
        const struct sheet_frame *frame = &p->m->frame[f];
        if (!sheet_for_eyes(frame) || frame->reason == RANK_UNREADABLE || frame->reason == RANK_FORMAT)
            continue;
        if (!add_picture(p, f, false, (struct sheet_box){0, 0, 0, 0}))
            return false;
        n++;
    }
    return true;
}

static size_t within(size_t n, size_t low, size_t high)
{
    return n < low ? low : n > high ? high : n;
}

static bool plan(struct planning *p)
{
    struct sheet_model *m = p->m;
    size_t groups = 0, small = 0;
    bool ok = true;
    p->large_edge_px = large_edge_for(m->keep);
    /* Where not all can be large, the best of every pass comes before the second best of any. */
    p->large_per_pass =
        m->keep <= LARGE_MAX ? LARGE_PER_PASS : within(LARGE_MAX / (m->passes + 1), 1, LARGE_PER_PASS);
    for (size_t b = 0; ok && b < m->n_bursts; b++)
        ok = each_group(p, &m->burst[b], count_group, &groups);
    p->small_per_group = within(SMALL_TOTAL / (groups + 1), 1, SMALL_PER_GROUP);
    /* The large ones first: they come first in the list and are asked for first. */
    for (size_t b = 0; ok && b < m->n_bursts; b++)
        for (uint32_t pass = 0; ok && pass <= m->burst[b].passes; pass++)
            ok = plan_kept(p, &m->burst[b], pass);
    for (size_t b = 0; ok && b < m->n_bursts; b++)
        ok = each_group(p, &m->burst[b], plan_group, &small);
    return ok && plan_eyes(p);
}

struct taking {
    struct sheet_model *m;
    size_t large_bytes, small_bytes;
};

static bool take_picture(void *context, size_t index, const uint8_t *jpeg, size_t size, uint32_t width_px,
                         uint32_t height_px, const char *cause, struct err *err)
{
    struct taking *t = context;
    struct sheet_picture *picture = &t->m->picture[index];
    size_t *sum = picture->large ? &t->large_bytes : &t->small_bytes;
    (void)cause;
    if (jpeg == NULL)
        return true;
    if (*sum + size > (picture->large ? LARGE_BYTES : SMALL_BYTES)) {
        t->m->left_out = true;
        return true;
    }
    picture->jpeg = malloc(size);
    if (picture->jpeg == NULL)
        return err_nomem(err);
    memcpy(picture->jpeg, jpeg, size);
    picture->size = size;
    picture->width_px = width_px;
    picture->height_px = height_px;
    *sum += size;
    return true;
}

bool sheet_pictures_load(struct sheet_model *m, const struct report_crops *crops, struct err *err)
{
    struct planning p = {.m = m, .err = err};
    struct taking taking = {.m = m};
    if (!plan(&p))
        return false;
    struct session_crop *asked = calloc(m->n_pictures + 1, sizeof *asked);
    if (asked == NULL)
        return err_nomem(err);
    for (size_t i = 0; i < m->n_pictures; i++) {
        const struct sheet_picture *picture = &m->picture[i];
        asked[i] =
            (struct session_crop){.frame = m->frame[picture->frame].id,
                                  .box = {picture->crop.x, picture->crop.y, picture->crop.w, picture->crop.h},
                                  .max_edge_px = picture->max_edge_px,
                                  .quality = picture->large ? LARGE_QUALITY : SMALL_QUALITY};
    }
    bool ok =
        m->n_pictures == 0 || crops->get(crops->context, asked, m->n_pictures, take_picture, &taking, err);
    free(asked);
    return ok;
}

/* Exif orientation: 0th row and 0th column of the stored picture, CIPA DC-008 section 4.6.4 A. */
struct sheet_box sheet_upright(struct sheet_box b, uint32_t w, uint32_t h, int orientation)
{
    uint32_t right = w - b.x - b.w, low = h - b.y - b.h;
    switch (orientation) {
    case 2:
        return (struct sheet_box){right, b.y, b.w, b.h};
    case 3:
        return (struct sheet_box){right, low, b.w, b.h};
    case 4:
        return (struct sheet_box){b.x, low, b.w, b.h};
    case 5:
        return (struct sheet_box){b.y, b.x, b.h, b.w};
    case 6:
        return (struct sheet_box){low, b.x, b.h, b.w};
    case 7:
        return (struct sheet_box){low, right, b.h, b.w};
    case 8:
        return (struct sheet_box){b.y, right, b.h, b.w};
    default:
        return b;
    }
}
