#include "setups.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "burst_rows.h"
#include "chaffinch/publish.h"
#include "chaffinch/str.h"

static const char magic[8] = "chfbg 1";

static char *background_name(const char *stamp, struct err *err)
{
    return str_make(err, "cells/%s.background", stamp);
}

bool setups_keep_background(struct session *s, const char *stamp, const struct burst_scores *scores,
                            struct err *err)
{
    struct background_head head = {
        .cols = scores->cols, .rows = scores->rows, .noise_luma = scores->noise_luma};
    struct str bytes = STR_INIT;
    if (scores->background == NULL)
        return true;
    memcpy(head.magic, magic, sizeof magic);
    str_append_bytes(&bytes, &head, sizeof head);
    str_append_bytes(&bytes, scores->background,
                     (size_t)scores->cols * scores->rows * sizeof *scores->background);
    char *name = background_name(stamp, err);
    bool ok =
        name != NULL && str_ok(&bytes, err) && publish_replace(&s->root, name, bytes.bytes, bytes.size, err);
    free(name);
    str_release(&bytes);
    return ok;
}

/* A background that is gone or damaged is simply not there: set-ups then follow body and focal length alone.
 */
void setups_load_background(struct session *s, const char *stamp, struct background *b)
{
    size_t size = 0;
    struct err ignored = ERR_INIT;
    *b = (struct background){0};
    char *name = *stamp != '\0' ? background_name(stamp, &ignored) : NULL;
    if (name == NULL ||
        !files_read_all(s->root.fs, s->root.state, name, (size_t)1 << 26, &b->bytes, &size, &ignored)) {
        free(name);
        return;
    }
    free(name);
    if (size >= sizeof b->head)
        memcpy(&b->head, b->bytes, sizeof b->head);
    if (memcmp(b->head.magic, magic, sizeof magic) == 0 &&
        size == sizeof b->head + (size_t)b->head.cols * b->head.rows * sizeof(float))
        b->luma = (const float *)(const void *)(b->bytes + sizeof b->head);
    else {
        free(b->bytes);
        *b = (struct background){0};
    }
}

static bool note_focal(void *context, const struct catalogue_row *row, struct err *err)
{
    struct burst_rows *rows = context;
    (void)err;
    size_t at = (size_t)(row->frame.burst - 1);
    if (row->frame.burst >= 1 && at < rows->n && rows->row[at].focal_mm <= 0)
        rows->row[at].focal_mm = row->frame.focal_mm;
    return true;
}

static bool same_setup(const struct burst_row *a, const struct burst_row *b, const struct background *before,
                       const struct background *now)
{
    if (a->focal_mm > 0 && b->focal_mm > 0 && fabs(a->focal_mm - b->focal_mm) > .01 * a->focal_mm)
        return false;
    if (before->luma == NULL || now->luma == NULL)
        return true;
    if (before->head.cols != now->head.cols || before->head.rows != now->head.rows)
        return false;
    return subject_same_setup(before->luma, now->luma, now->head.cols, now->head.rows,
                              fmaxf(before->head.noise_luma, now->head.noise_luma));
}

/* Numbers the bursts of one body that start at row `from`; *next is the next free set-up number. */
static void number_body(struct session *s, struct burst_rows *rows, size_t from, int64_t *next)
{
    struct background before = {0};
    const struct burst_row *last = NULL;
    for (size_t i = from; i < rows->n; i++) {
        struct burst_row *r = &rows->row[i];
        if (strcmp(r->body, rows->row[from].body) != 0)
            continue;
        struct background now;
        setups_load_background(s, r->stamp, &now);
        if (last == NULL || !same_setup(last, r, &before, &now))
            ++*next;
        r->burst.setup = *next;
        last = r;
        /* A burst without a background (a single frame) does not make us forget the one before. */
        if (now.luma != NULL || before.luma == NULL) {
            free(before.bytes);
            before = now;
        } else
            free(now.bytes);
    }
    free(before.bytes);
}

bool setups_number(struct session *s, struct err *err)
{
    struct burst_rows rows = {0};
    const struct catalogue_filter present = {0};
    int64_t next = 0;
    bool ok =
        burst_rows_load(s, &rows, err) && catalogue_each_row(s->catalogue, &present, note_focal, &rows, err);
    for (size_t i = 0; ok && i < rows.n; i++)
        rows.row[i].burst.setup = 0;
    for (size_t i = 0; ok && i < rows.n; i++)
        if (rows.row[i].burst.setup == 0)
            number_body(s, &rows, i, &next);
    ok = ok && catalogue_begin(s->catalogue, err);
    for (size_t i = 0; ok && i < rows.n; i++)
        ok = catalogue_set_burst_ranked(s->catalogue, &rows.row[i].burst, err);
    ok = ok && catalogue_commit(s->catalogue, err);
    burst_rows_release(&rows);
    return ok;
}
