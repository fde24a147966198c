#include "choosing.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { KEEP_DEFAULT = 3, KEEP_MAX = 1000, TOTAL_MAX = 1000000 };

_Static_assert((int)RANK_PARTS == (int)CATALOGUE_PARTS, "parts of a score are stored as they are");

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

/* Stores *value where it was asked for, else reads it; what is stored but out of range is not there. */
static bool setting(struct session *s, const char *key, bool asked, double low, double high, double *value,
                    struct err *err)
{
    char *stored = NULL, *end;
    char text[32];
    if (asked) {
        (void)snprintf(text, sizeof text, "%.15g", *value);
        return catalogue_set_setting(s->catalogue, key, text, err);
    }
    if (!catalogue_get_setting(s->catalogue, key, &stored, err))
        return false;
    double found = stored != NULL ? strtod(stored, &end) : NAN;
    if (found >= low && found <= high)
        *value = found;
    free(stored);
    return true;
}

bool choosing_how(struct session *s, const struct session_rank_options *asked, struct choosing_how *how,
                  struct err *err)
{
    double keep = asked->keep > 0 ? asked->keep : KEEP_DEFAULT;
    double total = asked->keep_total < UINT32_MAX ? asked->keep_total : 0;
    double blur = asked->max_blur_px >= 0 ? asked->max_blur_px : 0;
    double gap = asked->min_gap_ns >= 0 ? (double)asked->min_gap_ns : -1;
    if (!setting(s, "keep", asked->keep > 0, 1, KEEP_MAX, &keep, err) ||
        !setting(s, "keep_total", asked->keep_total < UINT32_MAX, 0, TOTAL_MAX, &total, err) ||
        !setting(s, "max_blur_px", asked->max_blur_px >= 0, 0, 1000, &blur, err) ||
        !setting(s, "min_gap_ns", asked->min_gap_ns >= 0, 0, 3.6e12, &gap, err))
        return false;
    *how = (struct choosing_how){.rank = {.keep = (uint32_t)keep, .max_blur_px = blur},
                                 .keep_total = (uint32_t)total};
    /* No gap at all is the shortest there is: 0 stands for the engine's own. */
    if (gap >= 0)
        how->rank.min_gap_ns = gap < 1 ? 1 : (int64_t)gap;
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
    memcpy(row->part, item->part, sizeof row->part);
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
    memcpy(item->part, row->part, sizeof item->part);
    return true;
}

bool choosing_load_items(struct session *s, int64_t burst, const struct members *members,
                         struct rank_item **items, size_t *n, struct err *err)
{
    struct loading l = {.members = members};
    if (!catalogue_each_item_ever(s->catalogue, burst, load_item, &l, err)) {
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
                                        .gone = m->gone,
                                        .camera_mark = m->camera_mark,
                                        .item = UINT32_MAX};
    }
    return frames;
}

/* What has no room in the total is an equal of the kept ones that nobody should lose to a count. */
static void make_room(struct rank_frame *frame, int64_t id, const struct total *total)
{
    if (frame->proposal != RANK_KEEP || !total_leaves_out(total, id))
        return;
    frame->proposal = RANK_NONE;
    if (!frame->camera_mark)
        frame->reason = RANK_SHARP_SET;
}

static bool put_choice(struct session *s, const struct member_frame *member, const struct rank_frame *f,
                       struct err *err)
{
    const struct catalogue_choice choice = {.frame = member->id,
                                            .pass = f->pass,
                                            .rank = f->rank,
                                            .proposal = rank_proposal_token(f->proposal),
                                            .reason = rank_reason_token(f->reason)};
    bool same = member->pass == f->pass && member->rank == f->rank && member->proposal == f->proposal &&
                member->reason == f->reason;
    return member->gone || member->settled || same || catalogue_put_choice(s->catalogue, &choice, err);
}

/* Not all of its frames were scored: a subject is followed over gaps, and may be lost in them. */
static bool has_gaps(const struct members *members)
{
    for (size_t i = 0; i < members->n; i++)
        if (members->frame[i].state == MEMBER_NOT_SCORED && !members->frame[i].gone)
            return true;
    return false;
}

/* Where its thumbnail shows something and nothing was found in a burst with gaps, nobody knows. */
static void doubt(struct rank_frame *frame, const struct member_frame *member)
{
    if (frame->reason != RANK_NO_SUBJECT || !(member->decoded > 0 && member->decoded < 1))
        return;
    frame->proposal = RANK_NONE;
    frame->reason = RANK_NOT_SURE;
}

bool choosing_run(struct session *s, const struct members *members, const struct rank_burst *burst,
                  const struct rank_item *items, size_t n_items, const struct choosing_how *how,
                  struct total *total, struct session_ranked *totals, bool *nothing_sharp, struct err *err)
{
    struct rank_frame *frames = frames_of(members, err);
    bool open = total != NULL && !total->closed, kept = false, gaps = has_gaps(members);
    bool ok = frames != NULL && rank_choose(burst, items, n_items, frames, members->n, &how->rank, err);
    *nothing_sharp = false;
    if (ok && open)
        ok = total_add(total, members, frames, items, err);
    for (size_t i = 0; ok && !open && i < members->n; i++) {
        struct rank_frame *f = &frames[i];
        if (f->gone)
            continue;
        if (gaps)
            doubt(f, &members->frame[i]);
        kept = kept || f->proposal == RANK_KEEP;
        make_room(f, members->frame[i].id, total);
        ok = put_choice(s, &members->frame[i], f, err);
        totals->kept += f->proposal == RANK_KEEP;
        totals->rejected += f->proposal == RANK_REJECT;
        totals->none += f->proposal == RANK_NONE;
        *nothing_sharp = *nothing_sharp || f->reason == RANK_NOTHING_SHARP;
    }
    *nothing_sharp = *nothing_sharp && !kept;
    totals->nothing_sharp += *nothing_sharp;
    free(frames);
    return ok;
}
