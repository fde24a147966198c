#include "parts.h"

#include <stdlib.h>

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

void parts_again_release(struct parts_again *again)
{
    free(again->item);
    *again = (struct parts_again){0};
}

bool parts_again_add(struct parts_again *again, const struct part_again *item, struct err *err)
{
    if (again->n == again->room) {
        size_t room = again->room > 0 ? again->room * 2 : 64;
        struct part_again *grown = realloc(again->item, room * sizeof *grown);
        if (grown == NULL)
            return err_nomem(err);
        again->item = grown;
        again->room = room;
    }
    again->item[again->n++] = *item;
    return true;
}

/* In the window before, which overlaps. */
static bool is_listed(const struct parts_again *again, int64_t frame)
{
    for (size_t i = again->n; i-- > 0 && again->n - i <= PARTS_WINDOW;)
        if (again->item[i].frame == frame)
            return true;
    return false;
}

static bool matters(const struct parts_again *again, int64_t frame)
{
    for (size_t i = 0; again->among != NULL && i < again->among->n; i++)
        if (again->among->id[i] == frame)
            return true;
    return again->among == NULL;
}

struct job_part parts_larger(const struct grid_part *part, unsigned sides)
{
    return (struct job_part){.wanted = true,
                             .width_px = part->width_px,
                             .height_px = part->height_px,
                             .window = grid_part_grown(part, sides),
                             .subject = part->subject,
                             .gain = part->gain};
}

bool parts_check_grids(const struct burst_grids *grids, const struct members *members, size_t first,
                       bool as_whole, struct parts_again *again, struct err *err)
{
    if (grids->n_parts == 0)
        return true;
    struct err trouble = ERR_INIT;
    uint8_t *sides = calloc(grids->n + 1, sizeof *sides);
    if (sides == NULL)
        return err_nomem(err);
    const struct fill_input input = burst_grids_fill_input(grids);
    bool known = grids_edges(&input, sides, &trouble);
    bool ok = known || trouble.code == ERR_NOT_FOUND || err_nomem(err);
    for (size_t i = 0; ok && i < grids->n; i++) {
        struct part_again item = {.frame = members->frame[first + i].id};
        if (grids->parts[i] == NULL || (known && (sides[i] == 0 || !matters(again, item.frame))) ||
            is_listed(again, item.frame))
            continue;
        if (known && !as_whole)
            item.part = parts_larger(grids->parts[i], sides[i]);
        ok = parts_again_add(again, &item, err);
    }
    free(sides);
    return ok;
}

bool parts_check(struct session *s, const struct members *members, bool as_whole, struct parts_again *again,
                 struct err *err)
{
    bool ok = true;
    for (size_t first = 0; ok && first < members->n; first += PARTS_WINDOW - PARTS_OVERLAP) {
        size_t n = members->n - first < PARTS_WINDOW ? members->n - first : PARTS_WINDOW;
        struct burst_grids grids = {0};
        ok = burst_grids_read(s, members, first, n, &grids, err) &&
             parts_check_grids(&grids, members, first, as_whole, again, err);
        burst_grids_release(&grids);
        if (first + n == members->n)
            break;
    }
    return ok;
}
