/*
 * scene.h - what the files of this module share: the frames of a burst as luma planes over one background.
 *
 * Coordinates: a frame's own cells are (col, row); the background lives in scene cells, which differ by the
 * camera's shift: frame cell (c, r) of frame t is scene cell (c - shift_col[t] + origin_col, ...). Without a
 * shift the two are the same.
 *
 * Lengths that are given in cells mean a grid whose longer side is 250; `unit` converts them (the longer
 * side, so that a picture taken upright is treated as one taken level).
 */
#ifndef SUBJECT_SCENE_H
#define SUBJECT_SCENE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chaffinch/lanes.h"
#include "chaffinch/select.h"
#include "chaffinch/subject.h"

enum {
    SCENE_SAMPLE = 31,        /* frames that a temporal median looks at, at most */
    SCENE_LANES = LANES,      /* cells that are sorted side by side */
    SCENE_MIN_FRAMES = 5,     /* below that a median is no background */
    SCENE_MAX_COMPONENTS = 24 /* kept in a frame; the weakest go first */
};

struct scene {
    size_t n;                 /* frames that have a grid */
    const struct grid **grid; /* of the input, or softened */
    struct grid *soft;        /* NULL in a burst without much noise */
    uint16_t *soft_luma;
    size_t *index; /* of the frame in the input */
    double *time_s;
    uint32_t cols, rows;
    size_t cells; /* cols * rows */
    float unit;   /* longer side / 250 */
    float *gain, *shift_col, *shift_row;
    bool registered;
    float max_shift;
    bool lost;             /* the camera moved farther than can be registered */
    const uint8_t *ignore; /* cells of the reference frame that are left out; NULL = none */

    uint32_t wide, high; /* of the background */
    float origin_col, origin_row;
    float *background; /* < 0: no frame shows this cell */
    float *spread;     /* 1.4826 x median absolute deviation over time */
    float *limit;      /* a difference beyond this is a change */
    float *texture;    /* median over time of the variance of luma within a cell */
    float noise;       /* median of spread */
    const uint8_t
        *covered;      /* n * cells: 1 where a subject is known, left out by scene_gather; NULL = nowhere */
    uint8_t *restless; /* 1 where the scenery itself keeps changing; NULL = not known yet */
};

/* One connected set of changed cells in one frame. */
struct component {
    uint32_t area;
    uint32_t col0, row0, col1, row1; /* inclusive */
    float col, row;                  /* centre */
    float strength;                  /* mean of difference / limit, each capped at 6 */
    float moving;                    /* share of its cells that differ from a neighbour frame */
    float restless;                  /* share of its cells where the scenery itself keeps changing */
    bool border;
};

/* The components of one frame: label[i] = 1 + index of the component that cell i belongs to, 0 = none. Cells
   that only closing added carry LAYER_CLOSED: they look like the scene. */
enum { LAYER_CLOSED = 0x80 };

struct layer {
    uint8_t *label;
    size_t changed; /* cells that differ at all */
    size_t n;
    struct component component[SCENE_MAX_COMPONENTS];
};

static inline uint8_t layer_label(const struct layer *layer, size_t i)
{
    return layer->label[i] & (uint8_t)~LAYER_CLOSED;
}

/* One subject's way: pick[t] is a component of layer t or -1. */
struct track {
    int8_t *pick;
    size_t first, last;
    float gain;
    uint8_t id;   /* in tracks.owner */
    bool resting; /* never seen to move */
    bool travels; /* farther than its own size */
};

enum { TRACKS_MAX = 32 };
struct tracks {
    size_t n;
    struct track track[TRACKS_MAX];
    uint8_t last_id;
    float stride;   /* cells that a step may cover however small the subject is; 0 = its size alone decides */
    uint8_t *owner; /* owner[t * SCENE_MAX_COMPONENTS + k] = id of that component's track, 0 = nobody's */
};

/* Takes references to the grids; false with ERR_FORMAT (unequal sizes) or ERR_NOMEM. Always release. */
bool scene_open(struct scene *scene, const struct subject_input *input, struct err *err);
void scene_release(struct scene *scene);
/* Where cells are very noisy, lets all that follows look at softened ones. */
bool scene_soften(struct scene *scene, struct err *err);
/* Registers where that provably helps: fills shift_*, registered, max_shift. */
bool scene_register(struct scene *scene, struct err *err);
/* Median background, spread, limits, noise. */
bool scene_background(struct scene *scene, struct err *err);
/* Recomputes `limit` and `noise` after the background was changed in places. */
bool scene_limits(struct scene *scene, struct err *err);

/* Gain-corrected luma of frame t in its own cells. */
void scene_frame(const struct scene *scene, size_t t, float *plane);
/* Gain-corrected luma of frame u seen from frame t; where u does not reach, `fill`. */
void scene_frame_from(const struct scene *scene, size_t u, size_t t, const float *fill, float *plane);
/* The background and (may be NULL) the limits in the cells of frame t; where no frame shows the cell,
 * `fill` and an endless limit. */
void scene_background_at(const struct scene *scene, size_t t, const float *fill, float *plane, float *limit);
/* A plane in scene cells, such as `texture`, in the cells of frame t: that of the nearest cell, `outside`
   where there is none. */
void scene_plane_at(const struct scene *scene, size_t t, const float *plane, float outside, float *out);
/* Is a scene cell left out because a person said so? */
bool scene_is_ignored(const struct scene *scene, uint32_t c, uint32_t r);
/* Clears the cells of a mask over frame t that are left out. */
void scene_clear_ignored(const struct scene *scene, size_t t, uint8_t *mask);
/* Does the scenery itself keep changing at a cell of frame t? */
bool scene_is_restless(const struct scene *scene, size_t t, uint32_t c, uint32_t r);
/* Spreads at most SCENE_SAMPLE frames over the burst; returns how many. */
size_t scene_sample(const struct scene *scene, size_t pick[SCENE_SAMPLE]);

/* Finds the changed components of every frame. `layer` has scene->n entries; release each. */
bool layers_find(const struct scene *scene, struct layer *layer, struct err *err);
void layers_release(struct layer *layer, size_t n);

/* A static difference is a resting animal or the hole that one left in the background: tells which, and puts
   the empty place into the background for the holes. *changed = true when the background was changed. */
bool scene_repair_ghosts(struct scene *scene, const struct layer *layer, bool *changed, struct err *err);

/* Tracks, in order of their first frame; one track is one pass. */
bool tracks_find(const struct scene *scene, const struct layer *layer, struct tracks *tracks,
                 struct err *err);
void tracks_release(struct tracks *tracks);

/* Writes the regions of all tracks into found->frame. */
bool regions_build(const struct scene *scene, const struct layer *layer, const struct tracks *tracks,
                   struct subject_burst *found, struct err *err);

/* Tells of every region how much its outline changes against its neighbours in time, and whether it flies. */
void regions_flying(const struct scene *scene, struct subject_burst *found);

/* The place of a subject that rests or hovers, in scene cells. */
struct still {
    bool any;
    bool textural;     /* found by change of texture only */
    bool vague;        /* the place is all that is known of the outline */
    uint8_t *place;    /* wide * high; owned */
    float *filled;     /* the background with the place filled in from around it; owned */
    float *texture;    /* the scene's texture, filled in likewise; owned */
    float cut;         /* a difference from `filled` beyond this is the subject */
    float rough;       /* how far filling in misses the truth around the place, in cuts */
    float area;        /* of the place, cells */
    float share;       /* of all that flickers, in the place */
    float moved_share; /* mean share of the subject's cells that change from frame to frame; after regions */
};
bool still_find(const struct scene *scene, struct still *still, struct err *err);
/* In two steps: where it is (any, share, place, area), by what flickers alone; then, if any, the rest. */
bool still_find_flicker(const struct scene *scene, struct still *still, struct err *err);
bool still_fill(const struct scene *scene, struct still *still, struct err *err);
void still_release(struct still *still);
/* Writes one region a frame, as a further pass. */
bool still_regions(const struct scene *scene, struct still *still, struct subject_burst *found,
                   struct err *err);
/* Frees the masks of the regions, and the frames. */
void regions_free(struct subject_frame *frame, size_t n);
/* A camera that follows its subject: one region a frame, pass 1, unless more speaks for those that `found`
   has already. */
bool follow_find(const struct scene *scene, struct subject_burst *found, struct err *err);
/* Looks for a subject that rests all the while another moves: where the frames flicker on one spot beside the
   regions in `found`. It becomes a pass of its own, at rest. */
bool rest_find(struct scene *scene, struct subject_burst *found, struct err *err);
/* The best place by weight x nearness to the centre of the picture: keeps one blob of `map`, clears the
   others. False when there is none of at least `least` cells. `cell` and `scratch` are as large as the map.
 */
bool still_best_blob(uint8_t *map, const float *weight, uint32_t cols, uint32_t rows, float least,
                     uint32_t *cell);
/* Replaces the cells with hole[i] != 0 by what their surroundings suggest. False with ERR_NOMEM. */
bool plane_fill(float *plane, const uint8_t *hole, uint32_t cols, uint32_t rows, struct err *err);
/* Makes the mask convex: the hull of its cells. False with ERR_NOMEM. */
bool mask_hull(uint8_t *mask, uint32_t cols, uint32_t rows, struct err *err);
/* Gain-corrected luma of `n` picked frames at a scene cell; returns how many see it. */
size_t scene_gather(const struct scene *scene, const size_t *pick, size_t n, uint32_t c, uint32_t r,
                    float *v);
/* True where n picked frames show the SCENE_LANES scene cells from i on, cell for cell. */
bool scene_is_plain(const struct scene *scene, size_t n, size_t i);
/* Then: what scene_gather gives for these cells, sorted, and how many it is of each; the rest is endless. */
void scene_lanes(const struct scene *scene, const size_t *pick, size_t n, size_t i, float v[][SCENE_LANES],
                 size_t seen[SCENE_LANES]);
/* Gain-corrected luma of frame t at a place between its cells; -1 outside. */
float scene_luma_at(const struct scene *scene, size_t t, float c, float r);
/* Cell index of frame t at scene cell (c, r); SIZE_MAX outside. */
size_t scene_cell(const struct scene *scene, size_t t, uint32_t c, uint32_t r);

/* What is behind a subject, in the cells of its frame. */
struct backdrop {
    const float *luma, *texture;
    const float *limit; /* what counts as a change; NULL = not known */
};
/* Sets the insets of a region, whose mask is `full`, cell for cell of frame t. False with ERR_NOMEM. */
bool region_edges(const struct scene *scene, size_t t, const uint8_t *full, const struct backdrop *backdrop,
                  struct subject_region *region, struct err *err);

/* The rear end of a subject in one frame: the share of its contrast that lines across its way show, from
   REAR_OUT lines beyond the mask inwards. */
enum { REAR_OUT = 12, REAR_IN = 14, REAR_LINES = REAR_OUT + REAR_IN };
struct rear {
    bool known, upright; /* lines are columns: it goes along the rows */
    int step;            /* inwards */
    float share[REAR_LINES];
};
struct rear_view {
    const struct scene *scene;
    const struct layer *layer;
    const struct tracks *tracks;
    size_t t;
    uint8_t id; /* of the track */
};
/* At which side of frame t the rear end is; false where the track does not travel there. */
bool rear_side(const struct scene *scene, const struct layer *layer, const struct track *track, size_t t,
               struct rear *rear);
/* Looks at it. False with ERR_NOMEM. */
bool rear_look(const struct rear_view *view, const uint8_t *full, const struct backdrop *backdrop,
               const struct subject_region *region, struct rear *rear, struct err *err);
/* Sets that side of every region of a pass from the frames around; rear[t] is of frame t. */
void rear_settle(const struct scene *scene, const struct track *track, const struct rear *rear, uint32_t pass,
                 struct subject_burst *found);

/* One region from a full-size mask; false with ERR_NOMEM. Empty masks add nothing. Without a
   backdrop the outline is only known in whole cells. */
bool region_add(const struct scene *scene, size_t t, const uint8_t *full, uint32_t pass, float moving,
                float confidence, const struct backdrop *backdrop, struct subject_burst *found,
                struct err *err);

/* Median over the places where both are within 8..240 of a / b; 1 where there are too few. */
float plane_gain(const float *a, const float *b, size_t n);
/* Refines *dx, *dy, the shift of `image` against `reference`, by robust Gauss-Newton steps (Lucas and Kanade
   1981). Returns the residual there. `scratch` holds cols * rows floats. */
float plane_refine(const float *reference, const float *image, uint32_t cols, uint32_t rows, float *dx,
                   float *dy, float *scratch);
/* Mean of the lowest 80 % of the absolute differences at a shift, over the edges of the reference: in smooth
   places a shift does not show. 0 where there are hardly any edges. */
float plane_residual(const float *reference, const float *image, uint32_t cols, uint32_t rows, float dx,
                     float dy, float *scratch);
/* Best whole-cell shift within +-reach by sums of absolute differences cut at 20. Returns its mean
 * difference; *zero is that of no shift. */
float plane_search(const float *reference, const float *image, uint32_t cols, uint32_t rows, int reach,
                   int *dx, int *dy, float *zero);
/* Bilinear; `outside` where (c, r) is beyond the plane. */
float plane_at(const float *plane, uint32_t cols, uint32_t rows, float c, float r, float outside);
/* |gradient| by central differences. */
float plane_slope(const float *plane, uint32_t cols, uint32_t rows, uint32_t c, uint32_t r);
/* Largest difference to one of the four neighbours: what a shift of one cell can do, also on thin lines. */
float plane_step(const float *plane, uint32_t cols, uint32_t rows, uint32_t c, uint32_t r);
static inline float select_median(float *v, size_t n)
{
    return n == 0 ? 0.0f : select_nth(v, n, n / 2);
}

/* Binary morphology on bytes 0 / 1 with a square of (2 reach + 1)^2; `scratch` is as large as the mask.
   Outside of the frame nothing is set when dilating and everything when eroding. */
void mask_dilate(uint8_t *mask, uint32_t cols, uint32_t rows, uint32_t reach, uint8_t *scratch);
void mask_erode(uint8_t *mask, uint32_t cols, uint32_t rows, uint32_t reach, uint8_t *scratch);
/* Sets what the mask encloses. `stack` holds cols * rows entries. False never. */
void mask_fill_holes(uint8_t *mask, uint32_t cols, uint32_t rows, uint32_t *stack);
/* Flood fill from `seed` over cells with from[i] == 1 (8 neighbours): lists them in `cell`, marks them 2,
 * returns their number. */
size_t mask_flood(uint8_t *from, uint32_t cols, uint32_t rows, size_t seed, uint32_t *cell);

#endif
