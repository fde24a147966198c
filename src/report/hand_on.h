/*
 * hand_on.h - how the kept frames leave the session. Private to report.
 *
 *     hand_on.c          which frames, which marks, what is done with the texts
 *     hand_on_items.c    the frames as they are gathered from the catalogue
 *     sidecar_names.c    which sidecars a picture has, and what a new one is called
 *     deliver.c          copies for other eyes
 */
#ifndef CHAFFINCH_REPORT_HAND_ON_H
#define CHAFFINCH_REPORT_HAND_ON_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chaffinch/report.h"

enum { HAND_ON_KEYWORDS = 3 };

struct hand_on_item {
    int64_t frame;
    int64_t time_ns;
    bool has_time;
    bool withdrawn;    /* not handed on: what an earlier run wrote of it is taken back */
    int rating;        /* to be written; 0 = none */
    int camera_rating; /* in the picture itself */
    char *jpeg, *raw;  /* paths, NULL = none */
    char *name;        /* base name without extension */
    char *keyword[HAND_ON_KEYWORDS];
    size_t n_keywords;
};

struct hand_on_items {
    struct hand_on_item *item;
    size_t n, room;
    uint64_t unseen; /* kept by the engine, and nobody has looked */
};

/* The frames to be handed on; where asked for, the others too, each `withdrawn` and without marks. */
bool hand_on_collect(struct catalogue *c, const struct report_hand_on_options *options, bool with_withdrawn,
                     struct hand_on_items *items, struct err *err);
void hand_on_items_release(struct hand_on_items *items);

/* A sidecar that belongs to a picture. */
struct sidecar {
    char *path; /* below the session */
    bool exists;
    bool read_only; /* nobody may write to it */
};
enum { SIDECARS_MAX = 8 };
struct sidecars {
    struct sidecar sidecar[SIDECARS_MAX];
    size_t n;
};
/* Those that exist, by either practice; else the one that is to be made. */
bool sidecars_find(const struct root *root, const struct hand_on_item *item,
                   enum report_sidecar_name practice, struct sidecars *sidecars, struct err *err);
void sidecars_release(struct sidecars *sidecars);

#endif
