#include "hand_on.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

struct setups {
    int64_t *setup; /* of burst i */
    size_t n;
};

struct collecting {
    struct catalogue *c;
    const struct report_hand_on_options *options;
    bool with_withdrawn;
    struct hand_on_items *items;
    struct setups setups;
};

static void item_release(struct hand_on_item *item)
{
    free(item->jpeg);
    free(item->raw);
    free(item->name);
    for (size_t i = 0; i < item->n_keywords; i++)
        free(item->keyword[i]);
}

void hand_on_items_release(struct hand_on_items *items)
{
    for (size_t i = 0; i < items->n; i++)
        item_release(&items->item[i]);
    free(items->item);
    *items = (struct hand_on_items){0};
}

static bool note_setup(void *context, const struct catalogue_burst *burst, struct err *err)
{
    struct setups *s = context;
    size_t n = (size_t)burst->number + 1;
    if (n > s->n) {
        int64_t *grown = realloc(s->setup, n * 2 * sizeof *grown);
        if (grown == NULL)
            return err_nomem(err);
        memset(grown + s->n, 0, (n * 2 - s->n) * sizeof *grown);
        s->setup = grown;
        s->n = n * 2;
    }
    s->setup[burst->number] = burst->setup;
    return true;
}

static bool add_keyword(struct hand_on_item *item, char *word)
{
    if (word == NULL)
        return false;
    item->keyword[item->n_keywords++] = word;
    return true;
}

static bool add_keywords(const struct collecting *c, const struct catalogue_row *row,
                         struct hand_on_item *item, struct err *err)
{
    const char *prefix = c->options->prefix != NULL ? c->options->prefix : "";
    int64_t burst = row->frame.burst;
    int64_t setup = burst > 0 && (size_t)burst < c->setups.n ? c->setups.setup[burst] : 0;
    unsigned what = c->options->keywords;
    bool ok = true;
    if ((what & REPORT_KEYWORD_SETUP) != 0 && setup > 0)
        ok = add_keyword(item, str_make(err, "%sset-up %" PRId64, prefix, setup));
    if (ok && (what & REPORT_KEYWORD_BURST) != 0 && burst > 0)
        ok = add_keyword(item, str_make(err, "%sburst %" PRId64, prefix, burst));
    if (ok && (what & REPORT_KEYWORD_PASS) != 0 && burst > 0 && row->choice.pass > 0)
        ok = add_keyword(item, str_make(err, "%spass %" PRId64 ".%" PRIu32, prefix, burst, row->choice.pass));
    return ok;
}

static bool take_file(void *context, const struct catalogue_file *file, struct err *err)
{
    struct hand_on_item *item = context;
    char **slot = strcmp(file->kind, "jpeg") == 0  ? &item->jpeg
                  : strcmp(file->kind, "raw") == 0 ? &item->raw
                                                   : NULL;
    if (slot == NULL || *slot != NULL || file->missing)
        return true;
    *slot = strdup(file->path);
    return *slot != NULL || err_nomem(err);
}

static struct hand_on_item *new_item(struct hand_on_items *items, struct err *err)
{
    if (items->n == items->room) {
        size_t room = items->room * 2 + 64;
        struct hand_on_item *grown = realloc(items->item, room * sizeof *grown);
        if (grown == NULL) {
            err_nomem(err);
            return NULL;
        }
        items->item = grown;
        items->room = room;
    }
    items->item[items->n] = (struct hand_on_item){0};
    return &items->item[items->n++];
}

/* What the marks of this frame are; false: it is not handed on. */
static bool is_wanted(const struct collecting *c, const struct catalogue_row *row, int *rating)
{
    bool seen = row->decision != CATALOGUE_UNDECIDED || row->accepted;
    bool keep = strcmp(row->outcome, "keep") == 0, reject = strcmp(row->outcome, "reject") == 0;
    if (!keep && !(reject && c->options->mark_rejects))
        return false;
    if (!seen && !c->options->unseen) {
        c->items->unseen += keep;
        return false;
    }
    *rating = !keep ? -1 : row->shortlist ? c->options->shortlist_rating : c->options->keep_rating;
    return true;
}

static bool take_row(void *context, const struct catalogue_row *row, struct err *err)
{
    struct collecting *c = context;
    int rating = 0;
    if (row->path == NULL || row->frame.missing)
        return true;
    bool wanted = is_wanted(c, row, &rating);
    if (!wanted && !c->with_withdrawn)
        return true;
    struct hand_on_item *item = new_item(c->items, err);
    if (item == NULL)
        return false;
    item->frame = row->frame.id;
    item->time_ns = row->frame.time_ns;
    item->has_time = row->frame.has_time;
    item->withdrawn = !wanted;
    item->rating = rating;
    item->camera_rating = row->frame.rating;
    item->name = strdup(row->frame.name);
    if (item->name == NULL)
        return err_nomem(err);
    return (!wanted || add_keywords(c, row, item, err)) &&
           catalogue_each_file(c->c, item->frame, take_file, item, err);
}

bool hand_on_collect(struct catalogue *c, const struct report_hand_on_options *options, bool with_withdrawn,
                     struct hand_on_items *items, struct err *err)
{
    struct collecting collecting = {
        .c = c, .options = options, .with_withdrawn = with_withdrawn, .items = items};
    const struct catalogue_filter all = {.burst = 0};
    *items = (struct hand_on_items){0};
    bool ok = catalogue_each_burst(c, note_setup, &collecting.setups, err) &&
              catalogue_each_row(c, &all, take_row, &collecting, err);
    free(collecting.setups.setup);
    if (!ok)
        hand_on_items_release(items);
    return ok;
}
