#include "choosing.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { KEEP_DEFAULT = 3, KEEP_MAX = 1000 };

static const char *const mode_tokens[] = {[SUBJECT_MOVING] = "moving",
                                          [SUBJECT_IN_PLACE] = "in-place",
                                          [SUBJECT_FOLLOWED] = "followed",
                                          [SUBJECT_UNKNOWN] = "unknown"};

const char *choosing_mode_token(enum subject_mode mode)
{
    return mode_tokens[mode];
}

enum subject_mode choosing_mode_of_token(const char *token)
{
    for (int i = 0; i <= SUBJECT_UNKNOWN; i++)
        if (strcmp(mode_tokens[i], token) == 0)
            return (enum subject_mode)i;
    return SUBJECT_UNKNOWN;
}

bool choosing_keep(struct session *s, uint32_t asked, uint32_t *keep, struct err *err)
{
    char *stored = NULL;
    char text[16];
    *keep = asked;
    if (asked > 0) {
        (void)snprintf(text, sizeof text, "%u", asked);
        return catalogue_set_setting(s->catalogue, "keep", text, err);
    }
    if (!catalogue_get_setting(s->catalogue, "keep", &stored, err))
        return false;
    long value = stored != NULL ? strtol(stored, NULL, 10) : 0;
    *keep = value >= 1 && value <= KEEP_MAX ? (uint32_t)value : KEEP_DEFAULT;
    free(stored);
    return true;
}

void choosing_item_to_row(const struct rank_item *item, const struct members *members,
                          struct catalogue_item *row)
{
    *row = (struct catalogue_item){.frame = members->frame[item->frame].id,
                                   .pass = item->pass,
                                   .time_ns = item->time_ns,
                                   .x_px = item->x_px,
                                   .y_px = item->y_px,
                                   .w_px = item->w_px,
                                   .h_px = item->h_px,
                                   .flags = item->flags,
                                   .score = item->score,
                                   .blur_px = item->blur_px,
                                   .blur_low_px = item->blur_low_px,
                                   .blur_high_px = item->blur_high_px,
                                   .p_sharp = item->p_sharp,
                                   .laplacian_variance = item->laplacian_variance,
                                   .tenengrad = item->tenengrad,
                                   .area_cells = item->area_cells};
    memcpy(row->outline, item->outline, sizeof row->outline);
}

struct loading {
    const struct members *members;
    size_t at; /* rows come in order of position, so members are walked once */
    struct rank_item *item;
    size_t n, room;
};

static bool load_item(void *context, const struct catalogue_item *row, struct err *err)
{
    struct loading *l = context;
    if (l->n == l->room) {
        size_t room = l->room > 0 ? l->room * 2 : 128;
        struct rank_item *grown = realloc(l->item, room * sizeof *grown);
        if (grown == NULL)
            return err_nomem(err);
        l->item = grown;
        l->room = room;
    }
    size_t at = l->at;
    while (at < l->members->n && l->members->frame[at].id != row->frame)
        at++;
    if (at == l->members->n)
        return true; /* of a frame that is missing now */
    l->at = at;
    struct rank_item *item = &l->item[l->n++];
    *item = (struct rank_item){.frame = (uint32_t)at,
                               .pass = row->pass,
                               .time_ns = row->time_ns,
                               .x_px = row->x_px,
                               .y_px = row->y_px,
                               .w_px = row->w_px,
                               .h_px = row->h_px,
                               .flags = row->flags,
                               .score = row->score,
                               .blur_px = row->blur_px,
                               .blur_low_px = row->blur_low_px,
                               .blur_high_px = row->blur_high_px,
                               .p_sharp = row->p_sharp,
                               .laplacian_variance = row->laplacian_variance,
                               .tenengrad = row->tenengrad,
                               .area_cells = row->area_cells};
    memcpy(item->outline, row->outline, sizeof item->outline);
    return true;
}

bool choosing_load_items(struct session *s, int64_t burst, const struct members *members,
                         struct rank_item **items, size_t *n, struct err *err)
{
    struct loading l = {.members = members};
    if (!catalogue_each_item(s->catalogue, burst, load_item, &l, err)) {
        free(l.item);
        return false;
    }
    *items = l.item;
    *n = l.n;
    return true;
}

static struct rank_frame *frames_of(const struct members *members, struct err *err)
{
    struct rank_frame *frames = calloc(members->n + 1, sizeof *frames);
    if (frames == NULL) {
        err_nomem(err);
        return NULL;
    }
    for (size_t i = 0; i < members->n; i++) {
        const struct member_frame *m = &members->frame[i];
        frames[i] = (struct rank_frame){.time_ns = m->time_ns,
                                        .measured = m->state == MEMBER_MEASURED,
                                        .why_not = m->state == MEMBER_UNREADABLE ? RANK_UNREADABLE
                                                   : m->state == MEMBER_FORMAT   ? RANK_FORMAT
                                                                                 : RANK_NOT_SCORED,
                                        .camera_mark = m->camera_mark,
                                        .item = UINT32_MAX};
    }
    return frames;
}

bool choosing_run(struct session *s, const struct members *members, const struct rank_burst *burst,
                  const struct rank_item *items, size_t n_items, uint32_t keep, struct session_ranked *totals,
                  bool *nothing_sharp, struct err *err)
{
    const struct rank_options options = {.keep = keep};
    struct rank_frame *frames = frames_of(members, err);
    bool ok = frames != NULL && rank_choose(burst, items, n_items, frames, members->n, &options, err);
    bool kept = false;
    *nothing_sharp = false;
    for (size_t i = 0; ok && i < members->n; i++) {
        const struct rank_frame *f = &frames[i];
        const struct catalogue_choice choice = {.frame = members->frame[i].id,
                                                .pass = f->pass,
                                                .rank = f->rank,
                                                .proposal = rank_proposal_token(f->proposal),
                                                .reason = rank_reason_token(f->reason)};
        ok = members->frame[i].settled || catalogue_put_choice(s->catalogue, &choice, err);
        totals->kept += f->proposal == RANK_KEEP;
        totals->rejected += f->proposal == RANK_REJECT;
        totals->none += f->proposal == RANK_NONE;
        kept = kept || f->proposal == RANK_KEEP;
        *nothing_sharp = *nothing_sharp || f->reason == RANK_NOTHING_SHARP;
    }
    *nothing_sharp = *nothing_sharp && !kept;
    totals->nothing_sharp += *nothing_sharp;
    free(frames);
    return ok;
}
