/*
 * Copies for other eyes: JPEGs with their marks inside, named DATE_LABEL_CAMERANUMBER, the coded picture
 * untouched. A raw file can neither take marks nor lose what tells a place, so it goes along only when that
 * is asked for, with its sidecar.
 */
#include "hand_on.h"

#include <ctype.h>
#include <stdlib.h>
#include <string.h>

#include "copies.h"
#include "text.h"

enum { RAW_BYTES_MAX = 1 << 29 };

struct delivery {
    struct session *s;
    const struct report_deliver_options *options;
    struct report_delivered *delivered;
    struct hand_on_items items;
    struct copies copies;
    char *label;
    struct session_errand *errand;
    const struct hand_on_item **of;
    size_t n;
    struct sidecars *sidecars; /* of each item */
};

static void name_failed(struct delivery *d, const char *path, const char *cause)
{
    char safe[400];
    d->delivered->failed++;
    log_line(d->s->log, "left '%s': %s", err_escape(safe, sizeof safe, path), cause);
}

/* A label becomes part of a file name. */
static char *tidy_label(const char *label, struct err *err)
{
    char *tidy = str_make(err, "%s", label);
    for (char *p = tidy; p != NULL && *p != '\0'; p++)
        if (*p == '/' || isspace((unsigned char)*p) || iscntrl((unsigned char)*p))
            *p = '-';
    return tidy;
}

static char *choose_label(struct delivery *d, struct err *err)
{
    char *stored = NULL, *real = NULL, *label = NULL;
    if (d->options->label != NULL)
        return tidy_label(d->options->label, err);
    if (!catalogue_get_setting(d->s->catalogue, "session_label", &stored, err))
        return NULL;
    real = realpath(d->s->root.path, NULL);
    const char *leaf = real != NULL ? text_leaf(real) : "session";
    label = tidy_label(stored != NULL && *stored != '\0' ? stored : *leaf != '\0' ? leaf : "session", err);
    free(stored);
    free(real);
    return label;
}

static char *stem_of(const struct delivery *d, const struct hand_on_item *item, struct err *err)
{
    char date[TEXT_TIME_SIZE] = "undated";
    if (item->has_time)
        (void)text_date(date, item->time_ns);
    return str_make(err, "%s_%s_%s", date, d->label, item->name);
}

/* What is one file's fault does not stop the others. */
static bool stops(const struct err *trouble)
{
    return trouble->code == ERR_NO_SPACE || trouble->code == ERR_NOMEM || trouble->code == ERR_INTERRUPTED;
}

static bool write_copy(struct delivery *d, const struct hand_on_item *item, const char *ending,
                       const void *bytes, size_t size, struct err *err)
{
    struct err trouble = ERR_INIT;
    bool there;
    char *path = NULL, *stem = stem_of(d, item, err);
    if (stem == NULL)
        return false;
    bool ok = copies_write(&d->copies, stem, ending, bytes, size, &there, &path, &trouble);
    free(stem);
    free(path);
    if (ok) {
        d->delivered->written += !there;
        d->delivered->there += there;
        return true;
    }
    if (stops(&trouble)) {
        if (err != NULL)
            *err = trouble;
        return false;
    }
    name_failed(d, item->jpeg != NULL ? item->jpeg : item->raw, trouble.message);
    return true;
}

static const char *ending_of(const char *path)
{
    const char *dot = strrchr(text_leaf(path), '.');
    return dot != NULL ? dot : "";
}

static bool deliver_raw(struct delivery *d, const struct hand_on_item *item, struct err *err)
{
    const struct files *fs = d->s->root.fs;
    struct err trouble = ERR_INIT;
    char *bytes = NULL;
    size_t size;
    if (!files_read_all(fs, d->s->root.fd, item->raw, RAW_BYTES_MAX, &bytes, &size, &trouble)) {
        name_failed(d, item->raw, trouble.message);
        return true;
    }
    bool ok = write_copy(d, item, ending_of(item->raw), bytes, size, err);
    free(bytes);
    return ok;
}

static bool take_made(void *context, size_t index, const struct session_made *made, struct err *err)
{
    struct delivery *d = context;
    const struct session_errand *e = &d->errand[index];
    const struct hand_on_item *item = d->of[index];
    if (made->bytes == NULL) {
        name_failed(d, e->picture != NULL ? e->picture : item->raw, made->cause);
        return true;
    }
    return write_copy(d, item, e->picture != NULL ? ending_of(e->picture) : ".xmp", made->bytes, made->size,
                      err);
}

static void add_errand(struct delivery *d, const struct hand_on_item *item, const struct sidecars *sidecars,
                       bool jpeg)
{
    const char *sidecar = sidecars->n > 0 && sidecars->sidecar[0].exists ? sidecars->sidecar[0].path : NULL;
    d->of[d->n] = item;
    d->errand[d->n++] = (struct session_errand){.kind = jpeg ? SESSION_DRESS : SESSION_MARK,
                                                .picture = jpeg ? item->jpeg : NULL,
                                                .sidecar = sidecar,
                                                .rating = item->camera_rating != 0 ? 0 : item->rating,
                                                .keywords = (const char *const *)item->keyword,
                                                .n_keywords = item->n_keywords,
                                                .without_place = !d->options->with_place};
}

static bool add_item(struct delivery *d, size_t i, struct err *err)
{
    const struct hand_on_item *item = &d->items.item[i];
    bool raw = item->raw != NULL && d->options->with_place;
    if (item->jpeg == NULL && !raw) {
        d->delivered->withheld++;
        return true;
    }
    if (!sidecars_find(&d->s->root, item, REPORT_SIDECAR_BASE, &d->sidecars[i], err))
        return false;
    if (item->jpeg != NULL)
        add_errand(d, item, &d->sidecars[i], true);
    if (raw)
        add_errand(d, item, &d->sidecars[i], false);
    return !raw || deliver_raw(d, item, err);
}

static bool deliver_all(struct delivery *d, struct worker_pool *workers, struct err *err)
{
    bool ok = true;
    d->errand = calloc(d->items.n * 2 + 1, sizeof d->errand[0]);
    d->of = calloc(d->items.n * 2 + 1, sizeof d->of[0]);
    d->sidecars = calloc(d->items.n + 1, sizeof d->sidecars[0]);
    if (d->errand == NULL || d->of == NULL || d->sidecars == NULL)
        return err_nomem(err);
    for (size_t i = 0; ok && i < d->items.n; i++)
        ok = add_item(d, i, err);
    return ok && session_errands(d->s, workers, d->errand, d->n, take_made, d, err);
}

bool report_deliver(struct session *s, struct worker_pool *workers,
                    const struct report_hand_on_options *marks, const struct report_deliver_options *options,
                    struct report_delivered *delivered, struct err *err)
{
    struct delivery d = {.s = s, .options = options, .delivered = delivered};
    *delivered = (struct report_delivered){0};
    struct report_hand_on_options only_keepers = *marks;
    only_keepers.mark_rejects = false;
    d.label = choose_label(&d, err);
    bool ok = d.label != NULL && copies_open(&d.copies, s, options->folder, "delivery", err) &&
              hand_on_collect(s->catalogue, &only_keepers, false, &d.items, err) &&
              deliver_all(&d, workers, err);
    delivered->unseen = d.items.unseen;
    for (size_t i = 0; d.sidecars != NULL && i < d.items.n; i++)
        sidecars_release(&d.sidecars[i]);
    free(d.sidecars);
    free(d.errand);
    free(d.of);
    free(d.label);
    copies_close(&d.copies);
    hand_on_items_release(&d.items);
    return ok;
}
