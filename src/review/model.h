/*
 * model.h - the session as the line of hours shows it: one entry a burst, ready as JSON, with the version of
 * its last change.
 *
 * The version grows with every change, whoever made it. What this process writes is told by model_touch; what
 * others write (a decision by command, measure, rank) is found by model_look, which reads everything again
 * only when SQLite says that somebody wrote.
 *
 * Ownership: the model owns its entries; the catalogue stays the caller's and must outlive it.
 */
#ifndef CHAFFINCH_REVIEW_MODEL_H
#define CHAFFINCH_REVIEW_MODEL_H

#include "chaffinch/catalogue.h"
#include "chaffinch/str.h"

struct model_pass {
    int64_t best; /* frame of rank 1; 0 = none */
    double best_blur_px;
    uint32_t best_good_to_px;
    uint32_t frames, keep, reject, eyes;
    uint32_t decided, by_person; /* decided or accepted; the same without marks made in the camera */
};

struct model_burst {
    int64_t number, setup;
    bool has_time, perch, nothing_sharp, ranked, recalled;
    char mode[16];
    int64_t start_ns, end_ns;
    int subsec_digits;
    int64_t picture; /* the frame in the middle stands for the burst where no pass does */
    int orientation;
    uint32_t expected;                                  /* frames, as grouping counted them */
    uint32_t frames, eyes, unreadable, accepted, fresh; /* fresh: not measured yet */
    struct model_pass *pass;                            /* from pass 1 on */
    uint32_t n_passes;
    uint64_t facts; /* a hash of all that the page shows of it */
    char *json;     /* without the braces around it; begins with the count "frames":N */
    int64_t changed;
};

struct model {
    struct catalogue *catalogue;
    struct model_burst *burst; /* in order of number */
    size_t n, room;
    int64_t version;
    int64_t data_version;  /* SQLite's */
    uint64_t total, fresh; /* frames; those not measured yet */
};

bool model_load(struct model *m, struct catalogue *c, struct err *err);
void model_release(struct model *m);
/* NULL: there is no such burst. */
const struct model_burst *model_find(const struct model *m, int64_t burst);
/* Somebody may have written. *changed = true if the version grew. */
bool model_look(struct model *m, bool *changed, struct err *err);
/* This process changed something of the burst (0 = of the session): one step of the version each. */
bool model_touch(struct model *m, int64_t burst, struct err *err);

#endif
