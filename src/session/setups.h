/*
 * setups.h - set-ups: runs of bursts from one camera position, focal length and focus setting.
 *
 * The empty background of each ranked burst is kept beside the cells (`cells/STAMP.background`), so that a
 * later run can compare without finding subjects again. Backgrounds are disposable, as cells are.
 */
#ifndef CHAFFINCH_SESSION_SETUPS_H
#define CHAFFINCH_SESSION_SETUPS_H

#include "scoring.h"

/* Keeps the background of a burst under its stamp. No background: nothing is written. */
bool setups_keep_background(struct session *s, const char *stamp, const struct burst_scores *scores,
                            struct err *err);

struct background_head {
    char magic[8];
    uint32_t cols, rows;
    float noise_luma;
    uint32_t unused;
};

struct background {
    char *bytes;
    struct background_head head;
    const float *luma;
};
/* luma is NULL where it is gone or damaged. free(b->bytes) after use. */
void setups_load_background(struct session *s, const char *stamp, struct background *b);

/* Numbers the set-ups of all bursts, in time order per body. */
bool setups_number(struct session *s, struct err *err);

#endif
