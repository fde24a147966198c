/*
 * companions.h - which files of a folder move with a frame although no catalogue and no log knows them yet.
 *
 * A sidecar written an hour ago belongs to its picture. The rule, on names alone: without its last extension
 * the name equals that of a picture of the frame, whole or without its own extension, case-insensitive as on
 * a card; so NAME.xmp and NAME.EXT.xmp both belong. "pond.2.jpg" does not belong to "pond.1.jpg", nor a case
 * twin to its picture: nobody has looked at those, so they stay. Names that begin with a dot ("._" files of
 * another system) belong to nobody. A file that the claims give to another frame stays with it; where several
 * pictures would do, a new file goes to the one whose name it repeats furthest.
 *
 * Calling sequence: companions_claim() for every known file; companions_ready(); companions_each() per frame.
 */
#ifndef CHAFFINCH_APPLY_COMPANIONS_H
#define CHAFFINCH_APPLY_COMPANIONS_H

#include <stdbool.h>
#include <stdint.h>

#include "chaffinch/files.h"
#include "keep.h"

struct claim {
    const char *path; /* below the session, else absolute */
    uint64_t owner;
    bool picture;
};

struct listing;

struct companions {
    const struct files *fs;
    struct claim *claims;
    size_t n_claims, room_claims;
    struct listing *listings; /* folders that were read, each once */
    size_t n_listings, room_listings;
    struct keep text;
};

void companions_init(struct companions *c, const struct files *fs);
void companions_release(struct companions *c);
bool companions_claim(struct companions *c, const char *path, uint64_t owner, bool picture, struct err *err);
void companions_ready(struct companions *c);

typedef bool companions_visit(void *context, const char *name, struct err *err);
/* Calls `visit` for each new companion of the picture `name` in the folder `dir`, whose path is `folder` (as
   in the claims). */
bool companions_each(struct companions *c, int dir, const char *folder, const char *name, uint64_t owner,
                     companions_visit *visit, void *context, struct err *err);

#endif
