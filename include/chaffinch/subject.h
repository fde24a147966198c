/*
 * subject.h - find what moves (or rests) in a burst. Pure: packed grids in, regions out.
 *
 * Calling sequence:
 *     struct subject_burst *found = subject_find(&input, &err);
 *     ... found->frame[t].region[k] ...
 *     subject_free(found);
 *
 * Background = temporal median of gain-corrected cell luma; frames are registered only when that provably
 * helps; changed cells -> components -> tracks -> passes; a landed animal's ghost is told by its lack of
 * motion; when nothing moves or the animal hovers, the background is filled in from outside.
 *
 * Ways of looking, in the order in which they are fallen back on; the mode tells which one spoke:
 *   1. SUBJECT_MOVING    tracks of what changes against the background of a camera that stands still,
 * trembles or pans. Believed when a track travels and the camera's own way is known.
 *   2. SUBJECT_IN_PLACE  nothing travels, or what moves keeps to one spot and the scene around it is smooth:
 *                        the place that flickers, seen against the background filled in from around it.
 *                        Where luma does not flicker, the place where texture changes (confidence .5).
 *   3. SUBJECT_FOLLOWED  the camera follows its subject: no cell of the frame shows the empty scene for long.
 *                        What does not go with the scene between frames is the subject. Confidence grows
 *                        with how clearly it stands apart; a frame without a region is not an empty frame.
 *   4. SUBJECT_UNKNOWN   none of these: no regions; the whole frame is scored, and a person decides.
 *
 * Confidence of a region, 0..1: how far its difference exceeds what noise and scenery explain, times how many
 * frames of its pass agree. Below SUBJECT_SURE it is a guess: it is shown, and nothing is rejected for it.
 *
 * What is wider than SUBJECT_WIDEST of the frame (an arm at the feeder, a gust through everything) is no
 * subject; a smaller and stronger change within it is.
 */
#ifndef CHAFFINCH_SUBJECT_H
#define CHAFFINCH_SUBJECT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chaffinch/err.h"
#include "chaffinch/measure.h"

enum { SUBJECT_MAX_PASSES = 8, SUBJECT_MAX_REGIONS = 8 };

static const float SUBJECT_SURE = 0.45f;
static const float SUBJECT_WIDEST = 0.6f;

struct subject_input {
    const struct grid *const *grid; /* n grids of one size; NULL where a frame could not be measured */
    const int64_t *time_ns;         /* n, growing; burst_frame.estimated_ns */
    size_t n;
    /* cols * rows bytes, 0 = look here, else left out (moving grass, a swinging feeder); NULL = look
       everywhere. Marked on the picture in the middle of the burst: it goes with the scene where the camera
       moves. */
    const uint8_t *ignore;
    double exposure_s; /* 0 = not known. Finding does not need it; scoring works out the smear of motion */
};

/* A cell of the subject; one where scenery that moves by itself may be before or behind it. */
enum { SUBJECT_CLEAR = 1, SUBJECT_DOUBTFUL = 2 };

/* The rear end of a subject that travels: a thin tail fades as it blurs. inset[k] is where the outline ends
   there if only what shows subject_rear_share(k) of the subject's contrast is counted. Who knows the blur can
   tell which: of a sharp tail little shows in a cell, of a blurred one that still counts much does. */
enum { SUBJECT_REAR_SHARES = 8 };
struct subject_rear {
    bool known, upright; /* upright: at the left or the right, else at the top or the lower side */
    int8_t step;         /* towards the front: 1 = the rear is at the left or the top */
    float inset[SUBJECT_REAR_SHARES];
};
float subject_rear_share(int k);

/* One subject in one frame. */
struct subject_region {
    uint32_t pass;                 /* 1.. within the burst */
    uint32_t col, row, cols, rows; /* bounding box in cells */
    uint8_t *mask; /* cols * rows bytes: 0 = not the subject, SUBJECT_CLEAR, SUBJECT_DOUBTFUL; owned by the
                      subject_burst */
    /* Cells by which the outline ends inside of the box of cells; negative: beyond it. 0 where only cells are
       known. */
    float inset_left, inset_top, inset_right, inset_low;
    struct subject_rear rear;
    uint32_t area_cells;
    bool touches_border;  /* the mask reaches the edge of the frame */
    float moving;         /* 0..1: share of its cells that changed against a neighbour frame */
    float outline_change; /* 0..1: share of the outline's cells that are new or gone against a neighbour frame
                           */
    bool flying;          /* moves, or stays while its outline changes by a tenth or more (wings) */
    float confidence;     /* 0..1, see above */
    float centre_col, centre_row;
    float velocity_col_s, velocity_row_s; /* cells a second along the track; 0 at rest */
};

struct subject_frame {
    size_t n_regions;
    struct subject_region region[SUBJECT_MAX_REGIONS];
    float shift_col, shift_row; /* of the camera against the reference, cells */
    float gain;                 /* exposure against the background, 1 = equal */
};

enum subject_mode {
    SUBJECT_MOVING,   /* crosses: masks follow it */
    SUBJECT_IN_PLACE, /* hovers or rests: one place for the burst */
    SUBJECT_FOLLOWED, /* the camera goes with it */
    SUBJECT_UNKNOWN   /* no way to tell: score the whole frame, propose none or say so */
};

struct subject_burst {
    size_t n;
    struct subject_frame *frame;
    uint32_t n_passes;
    enum subject_mode mode;
    bool perch;        /* rests in most frames and goes nowhere */
    float *background; /* cols * rows luma; NULL if none could be made. For set-ups and the page */
    uint32_t cols, rows;
    float noise_luma; /* median absolute deviation from the background x 1.4826 */
};

/* NULL with ERR_NOMEM or ERR_FORMAT (grids of unequal size). Works for any n >= 1; below 5 frames mode is
 * SUBJECT_UNKNOWN. */
struct subject_burst *subject_find(const struct subject_input *input, struct err *err);
void subject_free(struct subject_burst *found);
/* Are two backgrounds (luma grids of cols x rows) from one camera position? Gain-corrected, registered to a
   few cells; false when the picture moved by more than one cell or differs beyond noise in a third of its
   cells. */
bool subject_same_setup(const float *a, const float *b, uint32_t cols, uint32_t rows, float noise_luma);

#endif
