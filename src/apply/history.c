#include "history.h"

#include <stdlib.h>
#include <string.h>

#include "journal.h"

/* Something that happened to a path: a run put a file there, or took it away. */
struct event {
    struct history_put put; /* put.file NULL: taken away */
    size_t when;
};

struct events {
    struct event *event;
    size_t n, room;
};

/* ---- reading the logs ---------------------------------------------------------------------------------- */

struct numbers {
    uint32_t *number;
    size_t n, room;
};

/* An empty log is a name that was reserved for one and never filled (publish.h). */
static bool note_log(void *context, const char *path, const struct stat *st, bool *descend, struct err *err)
{
    struct numbers *numbers = context;
    char *end;
    *descend = false;
    unsigned long number = strtoul(path, &end, 10);
    if (!S_ISREG(st->st_mode) || st->st_size == 0 || end == path || *path < '0' || *path > '9' ||
        strcmp(end, ".log") != 0 || number == 0 || number >= RUN_NONE)
        return true;
    void *grown = keep_room(numbers->number, numbers->n, &numbers->room, sizeof numbers->number[0], err);
    if (grown == NULL)
        return false;
    numbers->number = grown;
    numbers->number[numbers->n++] = (uint32_t)number;
    return true;
}

static int by_number(const void *a, const void *b)
{
    uint32_t x = *(const uint32_t *)a, y = *(const uint32_t *)b;
    return (x > y) - (x < y);
}

static bool list_logs(const struct root *root, struct numbers *numbers, struct err *err)
{
    const struct files *fs = root->fs;
    const struct files_walk walk = {.context = numbers, .visit = note_log};
    struct err trouble = ERR_INIT;
    if (root->state < 0)
        return true;
    int folder = files_open_folder(fs, root->state, JOURNAL_FOLDER, false, &trouble);
    bool ok = folder >= 0 ? files_walk_tree(fs, folder, &walk, &trouble) ||
                                err_wrap(&trouble, "'" ROOT_STATE "/" JOURNAL_FOLDER "'")
                          : trouble.code == ERR_NOT_FOUND;
    files_drop(fs, folder);
    if (!ok && err != NULL)
        *err = trouble;
    if (numbers->n > 0)
        qsort(numbers->number, numbers->n, sizeof numbers->number[0], by_number);
    return ok;
}

static bool read_logs(const struct root *root, struct history *h, const struct numbers *numbers,
                      struct err *err)
{
    h->runs = calloc(numbers->n + 1, sizeof h->runs[0]);
    if (h->runs == NULL)
        return err_nomem(err);
    for (size_t i = 0; i < numbers->n; i++) {
        run_init(&h->runs[i], RUN_MOVE);
        h->n_runs = i + 1;
        if (!journal_read(root, numbers->number[i], &h->runs[i], err))
            return false;
    }
    return true;
}

/* ---- what follows from them ---------------------------------------------------------------------------- */

static int by_path_then_time(const void *a, const void *b)
{
    const struct event *x = a, *y = b;
    int order = strcmp(x->put.path, y->put.path);
    return order != 0 ? order : (x->when > y->when) - (x->when < y->when);
}

static bool add_event(struct history *h, struct events *events, const struct run *run, uint32_t folder,
                      const char *name, const struct run_file *file, struct err *err)
{
    void *grown = keep_room(events->event, events->n, &events->room, sizeof events->event[0], err);
    if (grown == NULL)
        return false;
    events->event = grown;
    char *shown = run_shown(run, folder, name, err);
    const char *kept = shown != NULL ? keep_text(&h->text, shown, err) : NULL;
    free(shown);
    if (kept == NULL)
        return false;
    events->event[events->n] =
        (struct event){.put = {.path = kept, .run = run, .file = file}, .when = events->n};
    events->n++;
    return true;
}

static bool add_events(struct history *h, struct events *events, const struct run *run, struct err *err)
{
    for (size_t i = 0; i < run->n_files; i++) {
        const struct run_file *file = &run->files[i];
        if (file->where == WHERE_SOURCE)
            continue;
        if (!add_event(h, events, run, file->from_folder, file->from_name, NULL, err) ||
            (file->where == WHERE_TARGET &&
             !add_event(h, events, run, file->to_folder, file->to_name, file, err)))
            return false;
    }
    return true;
}

/* What happened last to a path decides whether a file of ours lies there. */
static bool settle(struct history *h, struct events *events, struct err *err)
{
    if (events->n == 0)
        return true;
    h->puts = calloc(events->n, sizeof h->puts[0]);
    if (h->puts == NULL)
        return err_nomem(err);
    qsort(events->event, events->n, sizeof events->event[0], by_path_then_time);
    for (size_t i = 0; i < events->n; i++) {
        const struct event *e = &events->event[i];
        bool last = i + 1 == events->n || strcmp(e->put.path, events->event[i + 1].put.path) != 0;
        if (last && e->put.file != NULL)
            h->puts[h->n_puts++] = e->put;
    }
    return true;
}

static int by_bytes(const void *a, const void *b)
{
    return strcmp(*(const char *const *)a, *(const char *const *)b);
}

static bool collect_ours(struct history *h, struct err *err)
{
    size_t n = 0;
    for (size_t i = 0; i < h->n_runs; i++)
        n += h->runs[i].n_folders;
    h->ours = calloc(n + 1, sizeof h->ours[0]);
    if (h->ours == NULL)
        return err_nomem(err);
    for (size_t i = 0; i < h->n_runs; i++) {
        for (size_t k = 0; k < h->runs[i].n_folders; k++) {
            if (!h->runs[i].folders[k].made)
                continue;
            char *shown = run_shown(&h->runs[i], (uint32_t)k, "", err);
            const char *kept = shown != NULL ? keep_text(&h->text, shown, err) : NULL;
            free(shown);
            if (kept == NULL)
                return false;
            h->ours[h->n_ours++] = kept;
        }
    }
    qsort(h->ours, h->n_ours, sizeof h->ours[0], by_bytes);
    return true;
}

bool history_read(const struct root *root, struct history *history, struct err *err)
{
    struct numbers numbers = {0};
    struct events events = {0};
    *history = (struct history){0};
    bool ok = list_logs(root, &numbers, err) && read_logs(root, history, &numbers, err);
    for (size_t i = 0; ok && i < history->n_runs; i++)
        ok = add_events(history, &events, &history->runs[i], err);
    ok = ok && settle(history, &events, err) && collect_ours(history, err);
    free(numbers.number);
    free(events.event);
    if (!ok)
        history_release(history);
    return ok;
}

void history_release(struct history *history)
{
    for (size_t i = 0; i < history->n_runs; i++)
        run_release(&history->runs[i]);
    free(history->runs);
    free(history->puts);
    free(history->ours);
    keep_release(&history->text);
    *history = (struct history){0};
}

uint32_t history_next_number(const struct history *history)
{
    return history->n_runs > 0 ? history->runs[history->n_runs - 1].number + 1 : 1;
}

struct run *history_interrupted(struct history *history)
{
    for (size_t i = 0; i < history->n_runs; i++)
        if (!history->runs[i].ended)
            return &history->runs[i];
    return NULL;
}

static bool taken_back(const struct history *history, uint32_t number)
{
    for (size_t i = 0; i < history->n_runs; i++) {
        const struct run *run = &history->runs[i];
        if (run->kind == RUN_UNDO && run->undoes == number && run->ended && run->left == 0)
            return true;
    }
    return false;
}

static bool changed_something(const struct history *history, const struct run *run)
{
    bool changed = false;
    for (size_t i = 0; i < run->n_files && !changed; i++) {
        if (run->files[i].where == WHERE_GONE)
            changed = true;
        else if (run->files[i].where == WHERE_TARGET) {
            char *to = run_shown(run, run->files[i].to_folder, run->files[i].to_name, NULL);
            /* Out of memory counts as changed: the undo itself will say so. */
            changed = to == NULL || history_find(history, to) != NULL;
            free(to);
        }
    }
    return changed;
}

const struct run *history_to_undo(const struct history *history)
{
    for (size_t i = history->n_runs; i-- > 0;) {
        const struct run *run = &history->runs[i];
        if (run->kind != RUN_UNDO && !taken_back(history, run->number) && changed_something(history, run))
            return run;
    }
    return NULL;
}

static int put_against_path(const void *key, const void *item)
{
    return strcmp(key, ((const struct history_put *)item)->path);
}

const struct history_put *history_find(const struct history *history, const char *path)
{
    return history->n_puts == 0
               ? NULL
               : bsearch(path, history->puts, history->n_puts, sizeof history->puts[0], put_against_path);
}

static int path_against_ours(const void *key, const void *item)
{
    return strcmp(key, *(const char *const *)item);
}

bool history_made_folder(const struct history *history, const char *path)
{
    return history->n_ours > 0 &&
           bsearch(path, history->ours, history->n_ours, sizeof history->ours[0], path_against_ours) != NULL;
}

const char *history_place_of(const struct history *history, const char *path)
{
    const char *best = NULL;
    for (size_t i = 0; i < history->n_runs; i++) {
        for (size_t k = 1; k < history->runs[i].n_places; k++) {
            const char *place = history->runs[i].places[k].path;
            size_t n = strcmp(place, "/") == 0 ? 0 : strlen(place);
            if (strncmp(path, place, n) == 0 && path[n] == '/' &&
                (best == NULL || strlen(place) > strlen(best)))
                best = place;
        }
    }
    return best;
}
