/* handlers.h - one function a route. `rest` is what stands behind the route's name in the path. */
#ifndef CHAFFINCH_REVIEW_HANDLERS_H
#define CHAFFINCH_REVIEW_HANDLERS_H

#include "desk.h"

struct asked {
    const struct request *request;
    const char *rest;
    bool late;
};
typedef void handler(struct desk *d, const struct asked *asked, struct answer *a);

handler show_session, show_burst, show_changes, show_areas, show_shortlist, show_apply, show_place,
    show_settings;
handler show_picture, show_background;
handler do_decide, do_accept, do_undo, do_shortlist, do_recall, do_area, do_remove_area, do_place,
    do_settings, do_prepare;

/* A number from 1 to 15 digits that `end` follows; *rest moves behind it. False where there is none. */
bool read_number(const char **rest, char end, int64_t *number);
/* `,"measuring":{...}`: is a run at work on the session, and how far is measuring. */
void add_measuring(const struct desk *d, struct str *s);

#endif
