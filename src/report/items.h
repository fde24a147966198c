/* items.h - the subjects of one burst, read once for all of its frames. */
#ifndef CHAFFINCH_REPORT_ITEMS_H
#define CHAFFINCH_REPORT_ITEMS_H

#include "chaffinch/catalogue.h"

struct items {
    int64_t burst; /* whose they are; 0 = none read yet */
    struct catalogue_item *item;
    size_t n, room;
};
/* Reads the items of `burst` unless they are there already. */
bool items_load(struct items *items, struct catalogue *c, int64_t burst, struct err *err);
void items_release(struct items *items);

#endif
