#include "burst_grids.h"

#include <stdlib.h>
#include <string.h>

#include "chaffinch/hash.h"
#include "packs.h"

/* Goes up when the recipe of subjects or scores changes, so that stored summaries are made anew. */
#define RECIPE "chaffinch recipe 15"

static bool add_member(void *context, const struct catalogue_row *row, struct err *err)
{
    struct members *m = context;
    const struct catalogue_frame *f = &row->frame;
    if (m->n == m->room) {
        size_t room = m->room > 0 ? m->room * 2 : 64;
        struct member_frame *grown = realloc(m->frame, room * sizeof *grown);
        if (grown == NULL)
            return err_nomem(err);
        m->frame = grown;
        m->room = room;
    }
    struct member_frame *out = &m->frame[m->n++];
    *out = (struct member_frame){.id = f->id,
                                 .time_ns = f->estimated_ns,
                                 .state = MEMBER_NOT_SCORED,
                                 .gone = f->missing,
                                 .camera_mark = f->is_protected || f->rating >= 1,
                                 .pass = row->choice.pass,
                                 .rank = row->choice.rank,
                                 .proposal = rank_proposal_of_token(row->choice.proposal),
                                 .reason = rank_reason_of_token(row->choice.reason),
                                 .settled = row->accepted && row->choice.proposal[0] != '\0',
                                 .pack = f->pack,
                                 .offset = f->pack_offset,
                                 .size = f->pack_size,
                                 .full_width_px = f->width_px,
                                 .judged_width_px = f->judged_width_px,
                                 .focal_mm = f->focal_mm,
                                 .exposure_s = f->exposure_s,
                                 .decoded = f->decoded};
    if (strcmp(f->state, "measured") == 0)
        out->state = MEMBER_MEASURED;
    else if (strcmp(f->state, "unreadable") == 0)
        out->state = MEMBER_UNREADABLE;
    else if (strcmp(f->state, "format") == 0)
        out->state = MEMBER_FORMAT;
    return true;
}

bool members_load(struct session *s, int64_t burst, struct members *members, struct err *err)
{
    const struct catalogue_filter filter = {.burst = burst, .with_missing = true};
    *members = (struct members){0};
    return catalogue_each_row(s->catalogue, &filter, add_member, members, err);
}

bool members_settled(const struct members *members)
{
    size_t settled = 0, there = 0;
    for (size_t i = 0; i < members->n; i++) {
        there += !members->frame[i].gone;
        settled += !members->frame[i].gone && members->frame[i].settled;
    }
    return there > 0 && settled == there;
}

bool members_thinned(struct session *s, const struct members *members)
{
    for (size_t i = 0; i < members->n; i++)
        if (members->frame[i].gone && members->frame[i].state == MEMBER_MEASURED &&
            !pack_exists(s, members->frame[i].pack))
            return true;
    return false;
}

void members_release(struct members *members)
{
    free(members->frame);
    *members = (struct members){0};
}

void members_stamp(const struct members *members, const struct ignored *ignored, int64_t setup, char out[33])
{
    struct hash_digest digest = hash_of(RECIPE, sizeof RECIPE);
    for (size_t i = 0; i < members->n; i++) {
        const struct member_frame *f = &members->frame[i];
        int64_t fields[8] = {f->id, f->time_ns, (int64_t)f->state, f->pack, f->offset, f->size, 0, 0};
        memcpy(&fields[6], digest.bytes, sizeof digest.bytes);
        digest = hash_of(fields, sizeof fields);
    }
    ignored_stamp(ignored, setup, &digest);
    (void)hash_text(&digest, out);
}

/* Frames of another size than most cannot be compared with the others. */
static void keep_the_common_size(struct burst_grids *g)
{
    size_t best = 0, best_count = 0;
    for (size_t i = 0; i < g->n; i++) {
        size_t count = 0;
        for (size_t k = 0; k < g->n && g->view[i] != NULL; k++)
            count += g->view[k] != NULL && g->view[k]->width_px == g->view[i]->width_px &&
                     g->view[k]->height_px == g->view[i]->height_px;
        if (count > best_count) {
            best = i;
            best_count = count;
        }
        if (count * 2 > g->n)
            break;
    }
    if (best_count == 0)
        return;
    uint32_t width = g->view[best]->width_px, height = g->view[best]->height_px;
    for (size_t i = 0; i < g->n; i++)
        if (g->view[i] != NULL && (g->view[i]->width_px != width || g->view[i]->height_px != height))
            g->view[i] = NULL;
}

bool burst_grids_open(struct burst_grids *g, size_t n, struct err *err)
{
    *g = (struct burst_grids){.n = n};
    g->view = calloc(n + 1, sizeof *g->view);
    g->grid = calloc(n + 1, sizeof *g->grid);
    g->bytes = calloc(n + 1, sizeof *g->bytes);
    g->time_ns = calloc(n + 1, sizeof *g->time_ns);
    g->part = calloc(n + 1, sizeof *g->part);
    g->whole = calloc(n + 1, sizeof *g->whole);
    g->parts = calloc(n + 1, sizeof *g->parts);
    g->subject = calloc(n + 1, sizeof *g->subject);
    g->gain = calloc(n + 1, sizeof *g->gain);
    bool ok = g->view != NULL && g->grid != NULL && g->bytes != NULL && g->time_ns != NULL &&
              g->part != NULL && g->whole != NULL && g->parts != NULL && g->subject != NULL &&
              g->gain != NULL;
    for (size_t i = 0; ok && i < n; i++)
        g->gain[i] = 1;
    return ok || err_nomem(err);
}

/* A whole grid, a part, or a part that covers the frame: then a whole grid that knows its exposure. */
static bool view_bytes(struct burst_grids *g, size_t i, size_t size, struct err *err)
{
    struct grid_part *part = &g->part[i];
    if (!grid_is_part(g->bytes[i], size))
        return grid_view(&g->grid[i], g->bytes[i], size, err);
    if (!grid_part_view(part, g->bytes[i], size, err))
        return false;
    g->grid[i] = (struct grid){part->width_px, part->height_px, part->cell_px, part->cols,
                               part->rows,     part->luma,      {NULL},        NULL};
    memcpy(g->grid[i].plane, part->plane, sizeof g->grid[i].plane);
    g->gain[i] = part->gain;
    g->subject[i] = part->subject;
    if (part->window.cols != part->cols || part->window.rows != part->rows)
        g->parts[i] = part;
    return true;
}

bool burst_grids_take(struct burst_grids *g, size_t i, uint8_t *bytes, size_t size, struct err *err)
{
    g->bytes[i] = bytes;
    if (!view_bytes(g, i, size, err))
        return false;
    g->view[i] = &g->grid[i];
    return true;
}

void burst_grids_settle(struct burst_grids *g)
{
    keep_the_common_size(g);
    for (size_t i = 0; i < g->n; i++) {
        if (g->view[i] == NULL)
            g->parts[i] = NULL;
        g->whole[i] = g->parts[i] == NULL ? g->view[i] : NULL;
        g->n_parts += g->parts[i] != NULL;
    }
}

bool burst_grids_complete(struct burst_grids *g, struct err *err)
{
    const struct fill_input input = burst_grids_fill_input(g);
    grids_filled_free(g->filled);
    g->filled = grids_fill_thin(&input, g->grid, err);
    return g->filled != NULL;
}

bool burst_grids_read(struct session *s, const struct members *members, size_t first, size_t n,
                      struct burst_grids *grids, struct err *err)
{
    if (!burst_grids_open(grids, n, err))
        return false;
    for (size_t i = 0; i < n; i++) {
        const struct member_frame *f = &members->frame[first + i];
        struct err trouble = ERR_INIT;
        grids->time_ns[i] = f->time_ns;
        if (f->state != MEMBER_MEASURED)
            continue;
        uint8_t *bytes = NULL;
        bool ok = pack_read(s, f->pack, f->offset, f->size, &bytes, &trouble) &&
                  burst_grids_take(grids, i, bytes, (size_t)f->size, &trouble);
        if (!ok && !f->gone)
            return err_set(err, ERR_USAGE,
                           "the stored cells cannot be read (%.200s): type 'chaffinch measure %s'%s first",
                           trouble.message, s->root.path, trouble.code == ERR_DAMAGED ? " with --all" : "");
    }
    burst_grids_settle(grids);
    return true;
}

struct fill_input burst_grids_fill_input(const struct burst_grids *g)
{
    return (struct fill_input){g->n, g->whole, g->subject, g->gain, g->parts};
}

bool burst_grids_fill(struct session *s, struct burst_grids *grids, struct err *err)
{
    struct err trouble = ERR_INIT;
    if (burst_grids_complete(grids, &trouble))
        return true;
    if (trouble.code == ERR_NOT_FOUND)
        return err_set(err, ERR_USAGE, "%s: type 'chaffinch measure %s' first", trouble.message,
                       s->root.path);
    return err_nomem(err);
}

void burst_grids_release(struct burst_grids *grids)
{
    for (size_t i = 0; grids->bytes != NULL && i < grids->n; i++)
        free(grids->bytes[i]);
    free(grids->bytes);
    grids_filled_free(grids->filled);
    free(grids->view);
    free(grids->grid);
    free(grids->time_ns);
    free(grids->part);
    free(grids->whole);
    free(grids->parts);
    free(grids->subject);
    free(grids->gain);
    *grids = (struct burst_grids){0};
}
