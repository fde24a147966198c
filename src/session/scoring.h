/*
 * scoring.h - subjects and scores of one burst, in overlapping windows where it is long.
 *
 * A burst of up to 400 frames is one window; a longer one is worked in windows of 200 that overlap by 50, so
 * memory does not grow with the burst. A subject seen in both windows keeps its pass.
 */
#ifndef CHAFFINCH_SESSION_SCORING_H
#define CHAFFINCH_SESSION_SCORING_H

#include "burst_grids.h"
#include "chaffinch/subject.h"
#include "parts.h"

struct burst_scores {
    struct rank_item
        *item; /* frame = index within the burst; boxes and blur in px of the full-size picture */
    size_t n, room;
    enum subject_mode mode;
    bool perch;
    uint32_t n_passes;
    float *background; /* of the first window; NULL if none */
    uint32_t cols, rows;
    float noise_luma;
};
/* First looks whether what was decoded of the frames is large enough, as parts_check does. */
struct scoring_check {
    bool as_whole;
    struct parts_again *again;
};
/* What is ignored in the set-up is left out. `check` may be NULL; where it adds something to `again`, nothing
   is scored. Neither the catalogue nor the log is used. */
bool scoring_run(struct session *s, const struct members *members, const struct ignored *ignored,
                 int64_t setup, const struct scoring_check *check, struct burst_scores *scores,
                 struct err *err);
void burst_scores_release(struct burst_scores *scores);

#endif
