/*
 * rank.h - score, blur, completeness, and the choice of the best few with reasons. Pure.
 *
 * Two steps, since re-choosing must not read cells again:
 *     rank_score()   grids + regions of a burst -> one struct rank_item per frame and subject (the stored
 * summary) rank_choose()  summaries + options        -> rank, proposal and reason of every frame
 */
#ifndef CHAFFINCH_RANK_H
#define CHAFFINCH_RANK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chaffinch/err.h"
#include "chaffinch/measure.h"
#include "chaffinch/subject.h"

enum rank_proposal { RANK_NONE = 0, RANK_KEEP = 1, RANK_REJECT = 2 };

enum rank_reason {
    RANK_SHARPEST = 1, /* keep: rank 1 of its pass */
    RANK_SHARP_SET,    /* keep, or an equal that is not proposed for reject */
    RANK_NEAR_TWIN,    /* reject: equal to a kept frame and too close to it in time and outline */
    RANK_SOFT,
    RANK_CUT,
    RANK_NO_SUBJECT,
    RANK_AT_REST, /* while it also flew */
    RANK_HIDDEN,
    RANK_NOTHING_SHARP,
    RANK_CAMERA_MARK,
    RANK_UNREADABLE, /* none, as are the following */
    RANK_FORMAT,
    RANK_TOO_FEW,
    RANK_NOT_SCORED,
    RANK_NOT_SURE,
    RANK_REASONS
};
/* "sharpest", "sharp-set", ... */
const char *rank_reason_token(enum rank_reason reason);
/* RANK_REASONS where the token is unknown. */
enum rank_reason rank_reason_of_token(const char *token);
/* One plain sentence, with a full stop. */
const char *rank_reason_sentence(enum rank_reason reason);
/* "keep", "reject", "none". */
const char *rank_proposal_token(enum rank_proposal proposal);
/* RANK_NONE where the token is unknown. */
enum rank_proposal rank_proposal_of_token(const char *token);

enum rank_flag {
    RANK_F_CUT = 1 << 0,
    RANK_F_AT_REST = 1 << 1,
    RANK_F_HIDDEN = 1 << 2,
    RANK_F_UNSURE = 1 << 3,  /* low confidence in the region */
    RANK_F_NO_BLUR = 1 << 4, /* blur is not known */
    RANK_F_PIECE = 1 << 5    /* perhaps only a piece of the subject was found, or is in sight: it does not
                                compete */
};

/* What the score was made from, and what is told beside it. Energies are means over the region of the squared
   gradient (Sobel / 8) at that scale, luma units. */
enum rank_part {
    RANK_ENERGY_1, /* noise removed */
    RANK_ENERGY_2,
    RANK_ENERGY_4,
    RANK_ENERGY_8,
    RANK_FLOOR_1, /* of noise, at the brightness of the same cells */
    RANK_FLOOR_2,
    RANK_FLOOR_4,
    RANK_CONTRAST,      /* standard deviation of luma over the region */
    RANK_CLIPPED,       /* share of the subject that is burnt out, 0..1 */
    RANK_LUMA,          /* mean of the subject, 0..255 */
    RANK_LIGHT,         /* what the score lost for these two, at most .1: it breaks ties, nothing more */
    RANK_ENERGY_WEIGHT, /* of fine energy in the score, 0..1; the same for the burst, as is the next */
    RANK_NORMAL_WEIGHT, /* of coarse energy, which takes contrast out again */
    RANK_HEAD_BLUR,     /* px of the head end, where that decides; else NaN */
    RANK_PARTS
};

/* The summary of one subject in one frame. Written by rank_score, kept in the catalogue. */
struct rank_item {
    uint32_t frame; /* index within the burst */
    uint32_t pass;  /* 1.. */
    int64_t time_ns;
    uint32_t x_px, y_px, w_px,
        h_px;       /* subject box, stored (unrotated) full-size px of the measured picture */
    uint32_t flags; /* enum rank_flag */
    double score;   /* ordered within the pass, higher is sharper */
    double blur_px; /* of the head end where that decides. Gaussian-equivalent radius (sigma), full-size px;
                       geometric posterior mean. NaN = not known */
    double blur_low_px, blur_high_px; /* one standard error either way */
    double p_sharp;                   /* posterior probability that blur < 2.2 px */
    double laplacian_variance,
        tenengrad;           /* over the region, luma units, noise not removed: reported beside the score */
    double area_cells;       /* for a grid 250 wide */
    uint8_t outline[16];     /* coarse outline and attitude of the subject: 8 x 8 at 2 bits; compared by
                                rank_outline_distance */
    double part[RANK_PARTS]; /* NaN = not known */
};

/* 0 = same attitude .. 1 = nothing in common. */
double rank_outline_distance(const uint8_t a[16], const uint8_t b[16]);

struct rank_scores {
    struct rank_item *item; /* by frame, then pass */
    size_t n;
};
/* In passes of whole, flying subjects that move by a quarter of their length in six frames the score is that
 * of each frame and, beside it, less ln blur of the way through the plane of focus that explains all frames
 * of the pass. The head end, the leading part of the body along its way, decides where it clearly goes
 * through the plane of focus at another time than the rest: then score and blur of the pass are those of the
 * head end, and RANK_HEAD_BLUR is set.
 *
 * False with ERR_NOMEM. On success the caller owns *scores (rank_scores_release). Frames without a subject
 * have no item. */
bool rank_score(const struct subject_input *input, const struct subject_burst *found,
                struct rank_scores *scores, struct err *err);
void rank_scores_release(struct rank_scores *scores);

struct rank_options {
    uint32_t keep; /* per pass; 0 = 3 */
    /* A frame above this blur is never kept, one below may be: the limit at which a subject counts as sharp.
       0 = 2.2 px of the picture that was judged. */
    double max_blur_px;
    int64_t min_gap_ns; /* least time between kept frames of a pass; 0 = 30 ms, in a perch burst .5 s */
};

/* What is known of each frame of the burst besides its items. */
struct rank_frame {
    int64_t time_ns;
    bool measured;            /* false: `why_not` says why it is not scored */
    enum rank_reason why_not; /* RANK_UNREADABLE, RANK_FORMAT or RANK_NOT_SCORED */
    bool gone; /* its files are: it counts for the length of the burst and for how sharp its pass was, and
                  takes no rank */
    bool camera_mark; /* protected or rated >= 1 in the camera: only the reason changes; the decision is the
                         catalogue's */
    /* out */
    uint32_t pass; /* of the subject that stands for the frame; 0 = none */
    uint32_t nth;  /* kept: the place among the kept frames of its pass, from 1; else 0 */
    uint32_t item; /* index of that subject's item; UINT32_MAX = none */
    uint32_t rank; /* 1.. over complete scored frames of the pass; 0 = none */
    enum rank_proposal proposal;
    enum rank_reason reason;
};

struct rank_burst {
    enum subject_mode mode;
    bool perch;
};

/*
 * Chooses. Fills the out fields of every frame. False with ERR_NOMEM. keep counts per pass; a frame kept for
 * one of its subjects is kept.
 *
 * Complete frames of a pass are ranked by score. Then, down the ranks, p being the probability that the blur
 * is below the limit (p_sharp, or worked out from the error bar where max_blur_px is given):
 *   - the three best are probably not sharp (median of their p < .5): nothing is kept. Frames that are surely
 *     soft (p < .3) are rejected as nothing-sharp, the others left to a person as not-sure.
 *   - a frame is in the sharp set when its blur is within max(0.3 px, error bar of the best) of the best blur
 *     among the three best, and p >= .3. The others are rejected as soft. One in flight whose score is more
 *     than .75 (in the logarithm) below the best is no equal: where its blur says otherwise it is left to a
 * person (not-sure).
 *   - a frame of the sharp set that shows the same attitude as one chosen before, within half a second, is a
 * near twin: rejected. The shorter the time between them, the more their outlines may differ. In a perch
 * burst the same attitude is a twin at any distance.
 *   - one whose p is below .75 is not kept but left to a person (not-sure), unless max_blur_px says what is
 *     wanted.
 *   - the first `keep` distinct frames are kept (sharpest, then sharp-set); further distinct ones are equals
 * that nobody should lose to a count or a gap: proposal none, reason sharp-set. So are those nearer than
 * min_gap_ns to a kept one, and those whose estimate is above max_blur_px.
 *   - blur not known: none, not-sure, unless the score is far (1.5 in the logarithm) below the best: soft.
 * Frames at rest, in a burst where something flies and that is no perch burst, do not compete: rejected as
 * at-rest. Where nothing of their pass that flies is kept, those that are probably sharp are left to a
 * person. What is cut in most frames of its pass and never gets farther from there than half its size is left
 * to a person. A subject that rests in every frame in which it was found, while another flies, is a portrait:
 * of each attitude that no kept frame shows the sharpest frame is left to a person (none, sharp-set), the
 * others are near twins. Frames of which perhaps only a piece was found do not compete either: left to a
 * person or, where even the piece is outside of the sharp set, rejected as soft. Frames without an item:
 * no-subject where something crosses (SUBJECT_MOVING), else not-sure. A burst of fewer than 5 frames: none,
 * too-few.
 */
bool rank_choose(const struct rank_burst *burst, const struct rank_item *item, size_t n_items,
                 struct rank_frame *frame, size_t n_frames, const struct rank_options *options,
                 struct err *err);
/* The longest edge (px) at which a picture of this blur still looks sharp: blur shrinks to .7 px there, at
 * most the full edge. */
uint32_t rank_good_to_px(double blur_px, uint32_t long_edge_px);

#endif
