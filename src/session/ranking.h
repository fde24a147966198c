/*
 * ranking.h - one burst from stored cells to proposals, in three steps: what the catalogue knows is fetched,
 * then subjects and scores are found with nothing but that and the stored cells, so that it can be done
 * beside other work, then what was found is chosen from and written.
 *
 * Calling sequence, for each burst: ranking_begin(); where it says so ranking_find(), ranking_keep();
 * ranking_burst_release() in every case. Ownership: struct ranking owns its rows and what is ignored, struct
 * ranking_burst what it points to but `row`.
 */
#ifndef CHAFFINCH_SESSION_RANKING_H
#define CHAFFINCH_SESSION_RANKING_H

#include "burst_rows.h"
#include "choosing.h"
#include "scoring.h"

struct ranking {
    struct session *s;
    struct choosing_how how;
    struct burst_rows rows;
    struct ignored ignored;
    struct session_ranked totals;
    uint64_t scored;
};

/* A burst on its way. */
struct ranking_burst {
    struct burst_row *row;
    struct members members;
    char stamp[33];
    struct burst_scores scores;
};

/* *changed: it is to be scored anew. What a person accepted is not judged again. Frames that were deleted
   since stay in the burst with their cells and summaries; where the cells are gone, what was found in the
   whole burst stands, since the rest alone would look different. */
bool ranking_begin(struct ranking *r, struct burst_row *row, struct ranking_burst *burst, bool *changed,
                   struct err *err);
/* Of *r it reads the session's packs and what is ignored, and changes nothing. `check` as for scoring_run. */
bool ranking_find(const struct ranking *r, struct ranking_burst *burst, const struct scoring_check *check,
                  struct err *err);
bool ranking_keep(struct ranking *r, struct ranking_burst *burst, struct err *err);
void ranking_burst_release(struct ranking_burst *burst);

#endif
