#include "grouping.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/burst.h"

/* A body, folder or prefix: the same in many frames, and kept once. */
struct text {
    struct text *next;
    char bytes[];
};

/* Cameras write late when their memory is full, yet one after another: what is written a minute apart from
   all frames of a burst was not shot within seconds of one of them. */
#define BURST_WRITTEN_NS INT64_C(60000000000)

struct gather {
    struct burst_frame *frame;
    int64_t *id, *number; /* of frame and burst */
    bool *gone, any_gone;
    struct text *texts;
    size_t n, room;
    char **name; /* NULL until they are asked for: most sessions have no frame that is gone */
    size_t n_names;
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
    int64_t *number = realloc(g->number, room * sizeof *number);
    if (number != NULL)
        g->number = number;
    bool *gone = realloc(g->gone, room * sizeof *gone);
    if (gone != NULL)
        g->gone = gone;
    if (frame == NULL || id == NULL || number == NULL || gone == NULL)
        return err_nomem(err);
    g->room = room;
    return true;
}

static const char *keep_text(struct gather *g, const char *bytes)
{
    for (struct text *t = g->texts; t != NULL; t = t->next)
        if (strcmp(t->bytes, bytes) == 0)
            return t->bytes;
    size_t size = strlen(bytes) + 1;
    struct text *t = malloc(sizeof *t + size);
    if (t == NULL)
        return NULL;
    memcpy(t->bytes, bytes, size);
    t->next = g->texts;
    g->texts = t;
    return t->bytes;
}

/* A frame that is gone stays a part of its burst once that was judged: without it the burst would fall apart
   into shorter ones, or be too short to judge. */
static bool takes_part(const struct catalogue_row *row)
{
    return !row->frame.missing ||
           (row->choice.proposal[0] != '\0' && strcmp(row->frame.state, "measured") == 0);
}

static bool gather_row(void *context, const struct catalogue_row *row, struct err *err)
{
    struct gather *g = context;
    const struct catalogue_frame *f = &row->frame;
    if (!takes_part(row))
        return true;
    if (!make_room(g, err))
        return false;
    const char *body = keep_text(g, f->body), *where = keep_text(g, f->folder),
               *prefix = keep_text(g, f->prefix);
    g->gone[g->n] = f->missing;
    g->any_gone = g->any_gone || f->missing;
    g->id[g->n] = f->id;
    g->number[g->n] = f->burst;
    g->frame[g->n] = (struct burst_frame){.body = body,
                                          .folder = where,
                                          .prefix = prefix,
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
    return body != NULL && where != NULL && prefix != NULL ? true : err_nomem(err);
}

/* The names of the gathered frames, which come in the same order again. */
static bool gather_name(void *context, const struct catalogue_row *row, struct err *err)
{
    struct gather *g = context;
    if (!takes_part(row) || g->n_names == g->n)
        return true;
    char *name = strdup(row->frame.name);
    g->name[g->n_names] = name;
    g->n_names += name != NULL;
    return name != NULL || err_nomem(err);
}

static bool gather_names(struct session *s, struct gather *g, struct err *err)
{
    const struct catalogue_filter all = {.with_missing = true};
    g->name = calloc(g->n + 1, sizeof *g->name);
    return (g->name != NULL || err_nomem(err)) &&
           catalogue_each_row(s->catalogue, &all, gather_name, g, err) &&
           (g->n_names == g->n || err_set(err, ERR_DAMAGED, "the catalogue changed while it was read"));
}

static void gather_release(struct gather *g)
{
    for (size_t i = 0; i < g->n_names; i++)
        free(g->name[i]);
    free(g->name);
    for (struct text *t = g->texts, *next; t != NULL; t = next) {
        next = t->next;
        free(t);
    }
    free(g->frame);
    free(g->id);
    free(g->number);
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
    free(g->name[i]);
    g->n--;
    g->n_names--;
    g->frame[i] = g->frame[g->n];
    g->id[i] = g->id[g->n];
    g->number[i] = g->number[g->n];
    g->gone[i] = g->gone[g->n];
    g->name[i] = g->name[g->n];
}

/* A picture whose content changed is a new frame in the place of one that is gone: the old one steps aside.
 */
static bool drop_replaced(struct session *s, struct gather *g, struct err *err)
{
    if (!g->any_gone)
        return true;
    if (!gather_names(s, g, err))
        return false;
    struct named *named = malloc((g->n + 1) * sizeof *named);
    bool *replaced = calloc(g->n + 1, sizeof *replaced);
    bool ok = named != NULL && replaced != NULL;
    for (size_t i = 0; ok && i < g->n; i++)
        named[i] = (struct named){g->frame[i].folder, g->name[i], i, g->gone[i]};
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
    bool ok = catalogue_each_row(s->catalogue, &all, gather_row, &g, err) && drop_replaced(s, &g, err) &&
              burst_group(g.frame, g.n, &options, &result, err);
    ok = ok && store_bursts(s, &g, &result, &n, err);
    if (ok && n_bursts != NULL)
        *n_bursts = n;
    burst_result_release(&result);
    gather_release(&g);
    return ok;
}

/* ---- bursts that stand ------------------------------------------------------------ */

struct closed {
    struct session *s;
    const struct card_coming *coming;
    struct gather g;
    bool *open; /* by burst number */
    int64_t highest;
};

static bool by_size(struct closed *c, struct err *err)
{
    const struct burst_options narrow = {.gap_ns = BURST_GAP_FLOOR_MS * INT64_C(1000000)},
                               wide = {.gap_ns = BURST_GAP_CEILING_MS * INT64_C(1000000)};
    struct gather *g = &c->g;
    struct burst_result a = {0}, b = {0};
    uint32_t *size = calloc(g->n + 1, sizeof *size);
    bool ok = (size != NULL || err_nomem(err)) && burst_group(g->frame, g->n, &narrow, &a, err);
    for (size_t i = 0; ok && i < g->n; i++)
        size[i] = a.bursts[g->frame[i].burst].count;
    ok = ok && burst_group(g->frame, g->n, &wide, &b, err);
    /* The narrow bursts make up the wide ones: of equal size is the same. */
    for (size_t i = 0; ok && i < g->n; i++)
        if (size[i] != b.bursts[g->frame[i].burst].count)
            c->open[g->number[i]] = true;
    burst_result_release(&a);
    burst_result_release(&b);
    free(size);
    return ok;
}

struct sought {
    int64_t id, number;
};

static int by_id(const void *a, const void *b)
{
    const struct sought *x = a, *y = b;
    return x->id < y->id ? -1 : x->id > y->id;
}

struct written {
    struct closed *c;
    struct sought *frame;
};

static bool note_written(void *context, const struct catalogue_file *file, struct err *err)
{
    struct written *w = context;
    const struct sought key = {.id = file->frame};
    (void)err;
    const struct sought *found = file->missing ? NULL : bsearch(&key, w->frame, w->c->g.n, sizeof key, by_id);
    if (found != NULL && card_coming_near(w->c->coming, file->mtime_ns, BURST_WRITTEN_NS))
        w->c->open[found->number] = true;
    return true;
}

static bool by_time_written(struct closed *c, struct err *err)
{
    struct written w = {.c = c, .frame = calloc(c->g.n + 1, sizeof *w.frame)};
    if (w.frame == NULL)
        return err_nomem(err);
    for (size_t i = 0; i < c->g.n; i++)
        w.frame[i] = (struct sought){c->g.id[i], c->g.number[i]};
    qsort(w.frame, c->g.n, sizeof *w.frame, by_id);
    bool ok = catalogue_each_file(c->s->catalogue, 0, note_written, &w, err);
    free(w.frame);
    return ok;
}

bool grouping_closed(struct session *s, const struct card_coming *coming, struct frame_ids *bursts,
                     struct err *err)
{
    struct closed c = {.s = s, .coming = coming};
    const struct catalogue_filter all = {.with_missing = true};
    bool ok = catalogue_each_row(s->catalogue, &all, gather_row, &c.g, err) && drop_replaced(s, &c.g, err);
    for (size_t i = 0; ok && i < c.g.n; i++)
        c.highest = c.g.number[i] > c.highest ? c.g.number[i] : c.highest;
    if (ok && (c.open = calloc((size_t)c.highest + 1, sizeof *c.open)) == NULL)
        ok = err_nomem(err);
    ok = ok && (c.g.n == 0 || (by_size(&c, err) && by_time_written(&c, err)));
    for (int64_t b = 1; ok && b <= c.highest; b++)
        ok = c.open[b] || frame_ids_add(bursts, b, err);
    free(c.open);
    gather_release(&c.g);
    return ok;
}
