#include "burst_rows.h"

#include <stdlib.h>
#include <string.h>

static bool add_row(void *context, const struct catalogue_burst *burst, struct err *err)
{
    struct burst_rows *rows = context;
    if (rows->n == rows->room) {
        size_t room = rows->room > 0 ? rows->room * 2 : 64;
        struct burst_row *grown = realloc(rows->row, room * sizeof *grown);
        if (grown == NULL)
            return err_nomem(err);
        rows->row = grown;
        rows->room = room;
    }
    struct burst_row *r = &rows->row[rows->n++];
    *r = (struct burst_row){.burst = *burst,
                            .body = strdup(burst->body),
                            .mode = strdup(burst->mode),
                            .stamp = strdup(burst->stamp)};
    r->burst.body = r->body;
    r->burst.mode = r->mode;
    r->burst.stamp = r->stamp;
    return r->body != NULL && r->mode != NULL && r->stamp != NULL ? true : err_nomem(err);
}

bool burst_rows_load(struct session *s, struct burst_rows *rows, struct err *err)
{
    *rows = (struct burst_rows){0};
    if (catalogue_each_burst(s->catalogue, add_row, rows, err))
        return true;
    burst_rows_release(rows);
    return false;
}

bool burst_row_set_stamp(struct burst_row *row, const char *stamp, struct err *err)
{
    char *copy = strdup(stamp);
    if (copy == NULL)
        return err_nomem(err);
    free(row->stamp);
    row->stamp = copy;
    row->burst.stamp = copy;
    return true;
}

void burst_rows_release(struct burst_rows *rows)
{
    for (size_t i = 0; i < rows->n; i++) {
        free(rows->row[i].body);
        free(rows->row[i].mode);
        free(rows->row[i].stamp);
    }
    free(rows->row);
    *rows = (struct burst_rows){0};
}
