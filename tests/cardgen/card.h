#ifndef CARDGEN_CARD_H
#define CARDGEN_CARD_H
/* The demo card as files: DCF names and numbers, pictures, strays, and the table of truth beside it. */
#include <stdbool.h>
#include <stdint.h>
#include "fileout.h"
#include "picture.h"

enum card_kind { CARD_FRAME, CARD_ZERO, CARD_HEIF };

/* One number on the card. */
struct card_item {
    enum card_kind kind;
    int burst, frame; /* burst = -1 for strays between bursts */
    int folder, number;
    double time_s; /* after midnight, as the shutter opened */
    bool made;     /* this run draws it */
    struct picture_truth truth;
};

struct card_plan {
    struct card_item *item; /* shared between processes; card_plan_free() */
    int count;
    const struct burst_script *burst;
    int bursts;
};

struct card_options {
    const char *out;
    uint64_t seed;
    int w, h, jobs;
    struct jpeg_weight weight;
    const char *only; /* burst names with commas between, or NULL */
};

/* Numbers everything; the same whatever `only` says. False when a name in `only` is unknown. */
bool card_plan_make(struct card_plan *plan, const struct card_options *o);
void card_plan_free(struct card_plan *plan);

/* Draws and writes items first..last-1. False with a message on stderr when a file cannot be written. */
bool card_write_items(struct card_plan *plan, const struct card_options *o, struct painter *painter,
                      int first, int last);

/* Everything that is no picture, and the truth. */
bool card_write_rest(const struct card_plan *plan, const struct card_options *o);

/* What the columns of truth.csv mean. */
extern const char card_truth_format[];

#endif
