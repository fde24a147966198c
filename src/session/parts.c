#include "parts.h"

#include <stdlib.h>

#include "burst_grids.h"

enum { WINDOW = 200, OVERLAP = 50 }; /* as scoring does it */

void frame_ids_release(struct frame_ids *ids)
{
    free(ids->id);
    *ids = (struct frame_ids){0};
}

bool frame_ids_add(struct frame_ids *ids, int64_t id, struct err *err)
{
    if (ids->n == ids->room) {
        size_t room = ids->room > 0 ? ids->room * 2 : 64;
        int64_t *grown = realloc(ids->id, room * sizeof *grown);
        if (grown == NULL)
            return err_nomem(err);
        ids->id = grown;
        ids->room = room;
    }
    ids->id[ids->n++] = id;
    return true;
}

/* In the window before, which overlaps. */
static bool is_listed(const struct frame_ids *ids, int64_t id)
{
    for (size_t i = ids->n; i-- > 0 && ids->n - i <= WINDOW;)
        if (ids->id[i] == id)
            return true;
    return false;
}

static bool check_window(struct session *s, const struct members *members, size_t first, size_t n,
                         struct frame_ids *again, struct err *err)
{
    struct burst_grids grids = {0};
    struct err trouble = ERR_INIT;
    bool *touched = calloc(n + 1, sizeof *touched);
    bool ok = touched != NULL || err_nomem(err);
    ok = ok && burst_grids_read(s, members, first, n, &grids, err);
    if (ok && grids.n_parts > 0) {
        const struct fill_input input = burst_grids_fill_input(&grids);
        bool known = grids_edges(&input, touched, &trouble);
        if (!known && trouble.code != ERR_NOT_FOUND)
            ok = err_nomem(err);
        for (size_t i = 0; ok && i < n; i++)
            if (grids.parts[i] != NULL && (touched[i] || !known) &&
                !is_listed(again, members->frame[first + i].id))
                ok = frame_ids_add(again, members->frame[first + i].id, err);
    }
    burst_grids_release(&grids);
    free(touched);
    return ok;
}

bool parts_check(struct session *s, int64_t burst, struct frame_ids *again, struct err *err)
{
    struct members members;
    bool ok = members_load(s, burst, &members, err);
    for (size_t first = 0; ok && first < members.n; first += WINDOW - OVERLAP) {
        size_t n = members.n - first < WINDOW ? members.n - first : WINDOW;
        ok = check_window(s, &members, first, n, again, err);
        if (first + n == members.n)
            break;
    }
    members_release(&members);
    return ok;
}
