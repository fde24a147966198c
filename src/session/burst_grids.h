/*
 * burst_grids.h - the frames of one burst with their cells in memory.
 *
 * Ownership: struct burst_grids owns everything it points to; burst_grids_release() frees it.
 */
#ifndef CHAFFINCH_SESSION_BURST_GRIDS_H
#define CHAFFINCH_SESSION_BURST_GRIDS_H

#include "chaffinch/measure.h"
#include "chaffinch/rank.h"
#include "chaffinch/session.h"
#include "ignored.h"

/* What ranking needs of one frame of the burst. */
struct member_frame {
    int64_t id;
    int64_t time_ns;
    enum { MEMBER_MEASURED, MEMBER_UNREADABLE, MEMBER_FORMAT, MEMBER_NOT_SCORED } state;
    bool camera_mark;
    bool gone;           /* its files are missing or deleted: it stays part of the burst, and is not chosen */
    uint32_t pass, rank; /* as chosen last */
    enum rank_proposal proposal;
    enum rank_reason reason; /* RANK_REASONS: not chosen yet */
    bool settled; /* a person accepted its choice, which then stands whatever happens to the frames around it
                   */
    int64_t pack, offset, size;
    uint32_t full_width_px, judged_width_px;
    double focal_mm, exposure_s;
    double decoded; /* share of the picture */
};

struct members {
    struct member_frame *frame;
    size_t n, room;
};
/* The frames of a burst in order, those that are gone too. */
bool members_load(struct session *s, int64_t burst, struct members *members, struct err *err);
/* A person accepted all of it that is still there. */
bool members_settled(const struct members *members);
/* Frames are gone, and their cells with them: what was found in the whole burst cannot be found again. */
bool members_thinned(struct session *s, const struct members *members);
void members_release(struct members *members);
/* A text that changes when the frames, their cells, what is ignored in their set-up or the recipe change
   (XXH3-128 in hex). */
void members_stamp(const struct members *members, const struct ignored *ignored, int64_t setup, char out[33]);

struct burst_grids {
    size_t n;
    const struct grid **view; /* NULL where the frame has no cells, or cells of another size than most */
    struct grid *grid;
    uint8_t **bytes;
    struct grids_filled *filled; /* what completes parts */
    int64_t *time_ns;
    /* Frames that were decoded around their subject only. */
    size_t n_parts;
    struct grid_part *part;
    const struct grid **whole; /* as struct fill_input wants them */
    const struct grid_part **parts;
    struct grid_window *subject;
    float *gain;
};
/* By hand: open, take the cells of each frame that has some (`bytes` are owned from then on, also on
   failure), settle, then burst_grids_complete. Frame i without cells stays NULL in `view`. */
bool burst_grids_open(struct burst_grids *grids, size_t n, struct err *err);
bool burst_grids_take(struct burst_grids *grids, size_t i, uint8_t *bytes, size_t size, struct err *err);
void burst_grids_settle(struct burst_grids *grids);
/* Completes parts to whole grids (measure.h), for `view`. ERR_NOT_FOUND: there are only parts. */
bool burst_grids_complete(struct burst_grids *grids, struct err *err);
/* Reads the cells of frames first .. first + n - 1; parts stay parts. Cells that are gone or damaged:
 * ERR_USAGE that says to measure again. */
bool burst_grids_read(struct session *s, const struct members *members, size_t first, size_t n,
                      struct burst_grids *grids, struct err *err);
struct fill_input burst_grids_fill_input(const struct burst_grids *grids);
/* As burst_grids_complete, of what was read; the error says what to type. */
bool burst_grids_fill(struct session *s, struct burst_grids *grids, struct err *err);
void burst_grids_release(struct burst_grids *grids);

#endif
