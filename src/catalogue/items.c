#include "chaffinch/catalogue.h"

#include <stdlib.h>

static bool add_item(void *context, const struct catalogue_item *item, struct err *err)
{
    struct catalogue_items *items = context;
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

bool catalogue_items_load(struct catalogue_items *items, struct catalogue *c, int64_t burst, struct err *err)
{
    if (items->burst == burst)
        return true;
    items->n = 0;
    items->burst = burst;
    return burst == 0 || catalogue_each_item(c, burst, add_item, items, err);
}

void catalogue_items_release(struct catalogue_items *items)
{
    free(items->item);
    *items = (struct catalogue_items){0};
}
