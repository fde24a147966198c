/* score.h - what the files of this module share. */
#ifndef RANK_SCORE_H
#define RANK_SCORE_H

#include "chaffinch/rank.h"

/* Energies that scoring reads: squared Laplacian and squared gradients at scales 1, 2, 4. */
enum { ENERGY_L1, ENERGY_G1, ENERGY_G2, ENERGY_G4, ENERGIES };
enum { LUMA_BINS = 16 };

/* Noise floor of a burst by brightness: what the calmest cells show at that brightness. */
struct noise {
    float floor[ENERGIES][LUMA_BINS];
    float error[LUMA_BINS]; /* standard deviation of the floor, as a part of it */
};
/* False with ERR_NOMEM. Without a grid all floors are 0. */
bool noise_find(const struct subject_input *input, struct noise *noise, struct err *err);
float noise_at(const struct noise *noise, int energy, float luma);
float noise_error_at(const struct noise *noise, float luma);
enum grid_plane energy_plane(int energy);

/* Means over a region. */
struct sums {
    double cells;
    double mean[ENERGIES];   /* as measured */
    double floor[ENERGIES];  /* of noise at the brightness of the same cells */
    double signal[ENERGIES]; /* mean - floor, at least a trace */
    double floor_error;      /* standard deviation of the floors, as a part of them */
    double g8;
    double luma, variance; /* of luma over all pixels of the region */
};
/* Sums over the cells with mask set; the mask is mask_cols wide, its first cell is (col, row) of the grid. */
void sums_over(const struct grid *grid, const struct noise *noise, const uint8_t *mask, uint32_t col,
               uint32_t row, uint32_t cols, uint32_t rows, struct sums *out);

/* Blur as a posterior over ln sigma. */
struct blur {
    double log_sigma, error; /* mean and standard deviation */
    double p_sharp;          /* mass below RANK_SHARP_PX */
    bool known;              /* the data say more than the flat prior does */
};
void blur_estimate(const struct sums *sums, struct blur *out);
/* A line of motion leaves the detail across itself, which the energies of cells take for sharp: what speed
   and exposure time say is added in squares. Per axis, both axes averaged, a line of L px has a variance of
   L^2 / 24 (L^2 / 12 along it: the variance of a uniform distribution). */
void blur_add_line(struct blur *blur, double line_px);

/* The blur of the frames of every pass together: *blur comes in as the estimate of each item by itself and
   goes out as the posterior of the pass, where at least PASS_BLUR_FEWEST items are of it. sums[i] and blur[i]
   are of item i. False with ERR_NOMEM. */
enum { PASS_BLUR_FEWEST = 3 };
bool pass_blur_fit(const struct subject_burst *found, double cell_px, const struct sums *sums,
                   const struct rank_scores *scores, struct blur *blur, struct err *err);

/* Sharp detail of the scene within the outlines can make a pass look sharp. rest[i] are the sums of item i
   without it, with no cells where too few remain. Where a pass is not surely sharp in what remains, none of
   its frames is any surer. False with ERR_NOMEM. */
bool doubt_scene(const struct subject_burst *found, double cell_px, const struct sums *sums,
                 const struct sums *rest, const struct rank_scores *scores, struct blur *blur,
                 struct err *err);

/* The box of a region, by its insets. */
void box_px(struct rank_item *item, const struct grid *grid, const struct subject_region *region);
/* Sets the rear end of every box by the blur of its frame, which must be final. */
void boxes_settle(const struct subject_input *input, const struct subject_burst *found,
                  struct rank_scores *scores);

/* How far the subject moves across the picture while the shutter is open, px. */
double line_px(const struct subject_input *input, const struct grid *grid,
               const struct subject_region *region);
/* Makes it the blur of the item; sets RANK_F_NO_BLUR where it is not known. */
void set_blur(struct rank_item *item, const struct blur *blur);

/* Drops the outermost cells and the doubtful ones where enough remain; returns the number of cells left.
   `out` has cols * rows bytes. */
size_t mask_core(const uint8_t *mask, uint32_t cols, uint32_t rows, double least, uint8_t *out);

/* Sets RANK_CLIPPED and RANK_LUMA of the region. */
void light_measure(const struct grid *grid, const struct subject_region *region, struct rank_item *item);
/* Takes RANK_LIGHT off every score: frames of a pass that are otherwise equal are ordered by their light.
   False with ERR_NOMEM. */
bool light_settle(struct rank_scores *scores, struct err *err);

/* 8 x 8 at 2 bits: 0 outside, 1 to 3 dark to bright against the subject's own mean. */
void outline_of(const struct grid *grid, const struct subject_region *region, uint8_t outline[16]);

/* Cells in which the scene itself is full of sharp detail; cols * rows, caller frees. NULL without an error
 * when the camera moved too much to tell. False with ERR_NOMEM. */
bool sharp_scene(const struct subject_input *input, const struct subject_burst *found,
                 const struct noise *noise, uint8_t **out, struct err *err);

/* Share of the inner cells of a region that are SUBJECT_CLEAR. */
double clear_share(const struct subject_region *region);
/* Sets RANK_F_HIDDEN where the visible area and length fall well below what the subject shows elsewhere, and
   RANK_F_PIECE where the area alone does, or where most of it is doubtful; clear[i] is the share for item i,
   cover[i] how much of the body its outline covers. False with ERR_NOMEM. */
bool flag_hidden(const struct subject_burst *found, const double *clear, const double *cover,
                 struct rank_scores *scores, struct err *err);
/* Sets RANK_F_PIECE where something in front seems to cut the subject, one of its sides being at the same
   place in many frames of a pass although it flies on: where other frames are whole and sharp, or it is
   small. For cameras that stand still; does nothing else. False with ERR_NOMEM. */
bool edge_flag(const struct subject_burst *found, double cell_px, struct rank_scores *scores,
               struct err *err);

/* Makes the scores of the burst comparable: item->score comes in as less ln blur of the frame by itself and
   goes out as what orders the frames. sums[i] and blur[i], of the pass together, are of item i. False with
   ERR_NOMEM. */
bool order_scores(const struct subject_burst *found, const struct sums *sums, const struct blur *blur,
                  struct rank_scores *scores, struct err *err);
/* Lets neighbours in time steady one value per item; scratch has room for 3 n. */
void order_smooth(const struct rank_scores *scores, double *value, double *scratch);

/* What each score has of its own against its neighbours in time; own has room for n. */
void order_own(const struct rank_scores *scores, double *own);

double median_of(double *v, size_t n); /* reorders; 0 for none */
double quantile_of(double *v, size_t n, double part);

static const double RANK_SHARP_PX = 2.2;

#endif
