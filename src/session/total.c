#include "total.h"

#include <math.h>
#include <stdlib.h>

/* What was settled counts as it stands. */
bool total_add(struct total *total, const struct members *members, const struct rank_frame *frames,
               const struct rank_item *items, struct err *err)
{
    for (size_t i = 0; i < members->n; i++) {
        const struct member_frame *m = &members->frame[i];
        if (m->gone || (m->settled ? m->proposal : frames[i].proposal) != RANK_KEEP)
            continue;
        if (total->n == total->room) {
            size_t room = total->room > 0 ? total->room * 2 : 64;
            struct total_frame *grown = realloc(total->kept, room * sizeof *grown);
            if (grown == NULL)
                return err_nomem(err);
            total->kept = grown;
            total->room = room;
        }
        total->kept[total->n++] = (struct total_frame){
            .frame = m->id,
            .nth = frames[i].nth,
            .blur_px = frames[i].item < UINT32_MAX ? items[frames[i].item].blur_px : (double)NAN,
            .settled = m->settled};
    }
    return true;
}

/* Settled ones first, then the best of every pass, the least blurred first. */
static int by_promise(const void *a, const void *b)
{
    const struct total_frame *x = a, *y = b;
    double bx = isnan(x->blur_px) ? INFINITY : x->blur_px, by = isnan(y->blur_px) ? INFINITY : y->blur_px;
    if (x->settled != y->settled)
        return x->settled ? -1 : 1;
    if (x->nth != y->nth)
        return x->nth < y->nth ? -1 : 1;
    if (bx < by || bx > by)
        return bx < by ? -1 : 1;
    return (x->frame > y->frame) - (x->frame < y->frame);
}

static int by_id(const void *a, const void *b)
{
    int64_t x = *(const int64_t *)a, y = *(const int64_t *)b;
    return (x > y) - (x < y);
}

bool total_close(struct total *total, uint64_t most, struct err *err)
{
    total->closed = true;
    total->beyond = malloc((total->n + 1) * sizeof *total->beyond);
    if (total->beyond == NULL)
        return err_nomem(err);
    if (total->n > 0)
        qsort(total->kept, total->n, sizeof *total->kept, by_promise);
    for (size_t i = most; i < total->n; i++)
        if (!total->kept[i].settled)
            total->beyond[total->n_beyond++] = total->kept[i].frame;
    qsort(total->beyond, total->n_beyond, sizeof *total->beyond, by_id);
    return true;
}

bool total_leaves_out(const struct total *total, int64_t frame)
{
    return total != NULL && total->n_beyond > 0 &&
           bsearch(&frame, total->beyond, total->n_beyond, sizeof frame, by_id) != NULL;
}

void total_release(struct total *total)
{
    free(total->kept);
    free(total->beyond);
    *total = (struct total){0};
}
