#include "grouping.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/burst.h"

enum { TEXTS = 4 };

struct gather {
    struct burst_frame *frame;
    int64_t *id;
    bool *gone;
    char **text; /* of each frame: body, folder, prefix, to which it points, and its name */
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
    bool *gone = realloc(g->gone, room * sizeof *gone);
    if (gone != NULL)
        g->gone = gone;
    char **text = realloc(g->text, room * TEXTS * sizeof *text);
    if (text != NULL)
        g->text = text;
    if (frame == NULL || id == NULL || gone == NULL || text == NULL)
        return err_nomem(err);
    g->room = room;
    return true;
}

static bool gather_row(void *context, const struct catalogue_row *row, struct err *err)
{
    struct gather *g = context;
    const struct catalogue_frame *f = &row->frame;
    /* A frame that is gone stays a part of its burst once that was judged: without it the burst would fall
       apart into shorter ones, or be too short to judge. */
    if (f->missing && (row->choice.proposal[0] == '\0' || strcmp(f->state, "measured") != 0))
        return true;
    if (!make_room(g, err))
        return false;
    char **text = &g->text[g->n * TEXTS];
    text[0] = strdup(f->body);
    text[1] = strdup(f->folder);
    text[2] = strdup(f->prefix);
    text[3] = strdup(f->name);
    g->gone[g->n] = f->missing;
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
    return text[0] != NULL && text[1] != NULL && text[2] != NULL && text[3] != NULL ? true : err_nomem(err);
}

static void gather_release(struct gather *g)
{
    for (size_t i = 0; i < g->n * TEXTS; i++)
        free(g->text[i]);
    free(g->text);
    free(g->frame);
    free(g->id);
    free(g->gone);
}

struct named {
    const char *folder, *name;
    size_t index;
    bool gone;
};

/* Those that are there first. */
static int by_name(const void *a, const void *b)
{
    const struct named *x = a, *y = b;
    int order = strcmp(x->folder, y->folder);
    if (order == 0)
        order = strcmp(x->name, y->name);
    return order != 0 ? order : (int)x->gone - (int)y->gone;
}

static void drop_frame(struct gather *g, size_t i)
{
    for (int k = 0; k < TEXTS; k++)
        free(g->text[i * TEXTS + (size_t)k]);
    g->n--;
    g->frame[i] = g->frame[g->n];
    g->id[i] = g->id[g->n];
    g->gone[i] = g->gone[g->n];
    memcpy(&g->text[i * TEXTS], &g->text[g->n * TEXTS], TEXTS * sizeof *g->text);
}

/* A picture whose content changed is a new frame in the place of one that is gone: the old one steps aside.
 */
static bool drop_replaced(struct gather *g, struct err *err)
{
    struct named *named = malloc((g->n + 1) * sizeof *named);
    bool *replaced = calloc(g->n + 1, sizeof *replaced);
    bool ok = named != NULL && replaced != NULL;
    for (size_t i = 0; ok && i < g->n; i++)
        named[i] = (struct named){g->text[i * TEXTS + 1], g->text[i * TEXTS + 3], i, g->gone[i]};
    if (ok && g->n > 0)
        qsort(named, g->n, sizeof *named, by_name);
    for (size_t i = 1; ok && i < g->n; i++)
        replaced[named[i].index] = named[i].gone && strcmp(named[i].folder, named[i - 1].folder) == 0 &&
                                   strcmp(named[i].name, named[i - 1].name) == 0;
    for (size_t i = g->n; ok && i-- > 0;)
        if (replaced[i])
            drop_frame(g, i);
    free(named);
    free(replaced);
    return ok || err_nomem(err);
}

/* Numbers from 1 for the bursts that still hold a frame, 0 for those all of whose frames are gone; caller
 * frees. */
static int64_t *number_bursts(const struct gather *g, const struct burst_result *r, size_t *n,
                              struct err *err)
{
    int64_t *number = calloc(r->n_bursts + 1, sizeof *number);
    *n = 0;
    if (number == NULL) {
        err_nomem(err);
        return NULL;
    }
    for (size_t i = 0; i < g->n; i++)
        if (!g->gone[i])
            number[g->frame[i].burst] = 1;
    for (size_t b = 0; b < r->n_bursts; b++)
        if (number[b] > 0)
            number[b] = (int64_t)++ * n;
    return number;
}

static bool store_bursts(struct session *s, const struct gather *g, const struct burst_result *r,
                         uint64_t *n_bursts, struct err *err)
{
    bool ok = false;
    size_t n = 0;
    struct catalogue *c = s->catalogue;
    struct catalogue_burst *rows = calloc(r->n_bursts + 1, sizeof *rows);
    int64_t *number = number_bursts(g, r, &n, err);
    if (rows == NULL || number == NULL) {
        err_nomem(err);
        goto out;
    }
    for (size_t b = 0; b < r->n_bursts; b++)
        if (number[b] > 0)
            rows[number[b] - 1] = (struct catalogue_burst){.number = number[b],
                                                           .body = r->bursts[b].body,
                                                           .start_ns = r->bursts[b].start_ns,
                                                           .has_time = r->bursts[b].has_time,
                                                           .n_frames = r->bursts[b].count,
                                                           .mode = "",
                                                           .stamp = ""};
    if (!catalogue_begin(c, err))
        goto out;
    ok = catalogue_put_bursts(c, rows, n, err);
    for (size_t i = 0; ok && i < g->n; i++)
        if (number[g->frame[i].burst] > 0)
            ok = catalogue_set_place(c, g->id[i], number[g->frame[i].burst], g->frame[i].position,
                                     g->frame[i].estimated_ns, err);
    char gap[32];
    (void)snprintf(gap, sizeof gap, "%" PRId64, r->gap_ns);
    ok = ok && catalogue_set_setting(c, "gap_ns", gap, err) && catalogue_commit(c, err);
    if (!ok)
        catalogue_rollback(c);
    *n_bursts = n;
out:
    free(rows);
    free(number);
    return ok;
}

bool grouping_store(struct session *s, int64_t gap_ns, uint64_t *n_bursts, struct err *err)
{
    struct gather g = {0};
    struct burst_result result = {0};
    const struct burst_options options = {.gap_ns = gap_ns};
    const struct catalogue_filter all = {.with_missing = true};
    uint64_t n = 0;
    bool ok = catalogue_each_row(s->catalogue, &all, gather_row, &g, err) && drop_replaced(&g, err) &&
              burst_group(g.frame, g.n, &options, &result, err);
    ok = ok && store_bursts(s, &g, &result, &n, err);
    if (ok && n_bursts != NULL)
        *n_bursts = n;
    burst_result_release(&result);
    gather_release(&g);
    return ok;
}
