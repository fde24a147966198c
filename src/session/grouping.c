#include "grouping.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/burst.h"

struct gather {
    struct burst_frame *frame;
    int64_t *id;
    char **text; /* the strings the frames point to: body, folder, prefix of each */
    size_t n, room;
};

static bool make_room(struct gather *g, struct err *err)
{
    if (g->n < g->room)
        return true;
    size_t room = g->room > 0 ? g->room * 2 : 256;
    struct burst_frame *frame = realloc(g->frame, room * sizeof *frame);
    if (frame != NULL)
        g->frame = frame;
    int64_t *id = realloc(g->id, room * sizeof *id);
    if (id != NULL)
        g->id = id;
    char **text = realloc(g->text, room * 3 * sizeof *text);
    if (text != NULL)
        g->text = text;
    if (frame == NULL || id == NULL || text == NULL)
        return err_nomem(err);
    g->room = room;
    return true;
}

static bool gather_row(void *context, const struct catalogue_row *row, struct err *err)
{
    struct gather *g = context;
    const struct catalogue_frame *f = &row->frame;
    if (!make_room(g, err))
        return false;
    char **text = &g->text[g->n * 3];
    text[0] = strdup(f->body);
    text[1] = strdup(f->folder);
    text[2] = strdup(f->prefix);
    g->id[g->n] = f->id;
    g->frame[g->n] = (struct burst_frame){.body = text[0],
                                          .folder = text[1],
                                          .prefix = text[2],
                                          .number = f->number,
                                          .folder_number = f->folder_number,
                                          .has_time = f->has_time,
                                          .time_ns = f->time_ns,
                                          .subsec_digits = f->subsec_digits,
                                          .has_offset = f->has_offset,
                                          .offset_min = f->offset_min,
                                          .sequence = f->sequence,
                                          .burst_group = f->burst_group,
                                          .focal_mm = f->focal_mm,
                                          .width_px = f->width_px,
                                          .height_px = f->height_px,
                                          .orientation = f->orientation};
    g->n++;
    return text[0] != NULL && text[1] != NULL && text[2] != NULL ? true : err_nomem(err);
}

static void gather_release(struct gather *g)
{
    for (size_t i = 0; i < g->n * 3; i++)
        free(g->text[i]);
    free(g->text);
    free(g->frame);
    free(g->id);
}

static bool store_bursts(struct session *s, const struct gather *g, const struct burst_result *r,
                         struct err *err)
{
    bool ok = false;
    struct catalogue *c = s->catalogue;
    struct catalogue_burst *rows = calloc(r->n_bursts + 1, sizeof *rows);
    if (rows == NULL)
        return err_nomem(err);
    for (size_t b = 0; b < r->n_bursts; b++)
        rows[b] = (struct catalogue_burst){.number = (int64_t)b + 1,
                                           .body = r->bursts[b].body,
                                           .start_ns = r->bursts[b].start_ns,
                                           .has_time = r->bursts[b].has_time,
                                           .n_frames = r->bursts[b].count,
                                           .mode = "",
                                           .stamp = ""};
    if (!catalogue_begin(c, err))
        goto out;
    ok = catalogue_put_bursts(c, rows, r->n_bursts, err);
    for (size_t i = 0; ok && i < g->n; i++)
        ok = catalogue_set_place(c, g->id[i], (int64_t)g->frame[i].burst + 1, g->frame[i].position,
                                 g->frame[i].estimated_ns, err);
    char gap[32];
    (void)snprintf(gap, sizeof gap, "%" PRId64, r->gap_ns);
    ok = ok && catalogue_set_setting(c, "gap_ns", gap, err) && catalogue_commit(c, err);
    if (!ok)
        catalogue_rollback(c);
out:
    free(rows);
    return ok;
}

bool grouping_store(struct session *s, int64_t gap_ns, uint64_t *n_bursts, struct err *err)
{
    struct gather g = {0};
    struct burst_result result = {0};
    const struct burst_options options = {.gap_ns = gap_ns};
    const struct catalogue_filter present = {0};
    bool ok = catalogue_each_row(s->catalogue, &present, gather_row, &g, err) &&
              burst_group(g.frame, g.n, &options, &result, err);
    ok = ok && store_bursts(s, &g, &result, err);
    if (ok && n_bursts != NULL)
        *n_bursts = result.n_bursts;
    burst_result_release(&result);
    gather_release(&g);
    return ok;
}
