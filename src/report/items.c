#include "items.h"

#include <stdlib.h>

static bool add_item(void *context, const struct catalogue_item *item, struct err *err)
{
    struct items *items = context;
    if (items->n == items->room) {
        size_t room = items->room > 0 ? items->room * 2 : 128;
        struct catalogue_item *grown = realloc(items->item, room * sizeof *grown);
        if (grown == NULL)
            return err_nomem(err);
        items->item = grown;
        items->room = room;
    }
    items->item[items->n++] = *item;
    return true;
}

bool items_load(struct items *items, struct catalogue *c, int64_t burst, struct err *err)
{
    if (items->burst == burst)
        return true;
    items->n = 0;
    items->burst = burst;
    return burst == 0 || catalogue_each_item(c, burst, add_item, items, err);
}

void items_release(struct items *items)
{
    free(items->item);
    *items = (struct items){0};
}
