/*
 * order.c - the score: what orders the frames of a burst.
 *
 * Within a burst the subject is one and the same, so its fine energies tell more about which frame is sharper
 * than the ratios do that blur.c reads an absolute number from. The score is a weighted sum of logarithms:
 * fine energies less coarse ones, and less the logarithm of the estimated blur. The weights are of the
 * burst's own signal to noise, since scores must compare. In a clean burst the finest scale decides; the more
 * noise there is, the coarser the scales that count and the more does the estimate, which knows the noise.
 * The coarse energies are there to take contrast and pose out again: energies weigh .1 to .3 together, so
 * that doubled contrast is worth no more than a difference of blur of 15 to 40 %.
 *
 * Beside it stands the blur that pass_blur.c finds from all frames of the pass together.
 *
 * The weights are fitted to rendered bursts with a known truth (bench_bursts, set tune).
 *
 * Then neighbours in time help: a beat of the wings changes what there is to see by more than focus changes
 * from frame to frame. A frame that stands out from its neighbours by several times what frames of its pass
 * usually do, as after a jolt, keeps what is its own.
 */
#include "score.h"

#include <math.h>
#include <stdlib.h>

enum { KNOTS = 4, TERMS = 5 };
/* Upper quartile of signal : floor of the gradient energy at scale 1, over the complete frames. */
static const double knot_ratio[KNOTS] = {0.7, 3, 12, 50};
/* Squared Laplacian and squared gradients at scales 1, 2, 4; less ln blur. */
static const double knot_weight[KNOTS][TERMS] = {
    {0.00, 0.18, 0.05, -0.10, 0.34},
    {0.10, 0.39, -0.16, -0.11, 0.33},
    {0.18, 0.37, -0.18, -0.11, 0.17},
    {0.30, 0.07, -0.21, 0.00, 0.13},
};

static const double OWN = 0.5; /* weight of that sum, beside the blur that is found from the whole pass */
static const double WIDTH_NS = 18e6; /* deviation of the weight of neighbours */
static const double OUTSTANDING = 4; /* median deviations at which half of what is a frame's own is kept */

static void weights_at(double ratio, double weight[TERMS])
{
    int k = 1;
    while (k < KNOTS - 1 && ratio > knot_ratio[k])
        k++;
    double part = log(fmax(ratio, 1e-3) / knot_ratio[k - 1]) / log(knot_ratio[k] / knot_ratio[k - 1]);
    part = fmin(fmax(part, 0), 1);
    for (int i = 0; i < TERMS; i++)
        weight[i] = knot_weight[k - 1][i] + part * (knot_weight[k][i] - knot_weight[k - 1][i]);
}

static bool complete(const struct rank_item *item)
{
    return (item->flags & (RANK_F_CUT | RANK_F_AT_REST)) == 0;
}

static double burst_ratio(const struct rank_scores *scores, const struct sums *sums, double *scratch)
{
    size_t n = 0;
    for (size_t i = 0; i < scores->n; i++)
        if (complete(&scores->item[i]))
            scratch[n++] = sums[i].signal[ENERGY_G1] / fmax(sums[i].floor[ENERGY_G1], 1e-3);
    return quantile_of(scratch, n, 0.75);
}

/* What drowns in noise is only known to be small. */
static double log_energy(const struct sums *sums, int energy, double gain)
{
    double x = fmax(sums->mean[energy] - sums->floor[energy], 0), unsure = 0.3 * sums->floor[energy];
    return 0.5 * log(x * x + unsure * unsure + 1e-4) - 2 * log(gain);
}

/* Weighted mean of a frame and its neighbours in time, or of the neighbours alone. */
static double among_neighbours(const struct rank_scores *scores, const double *value, size_t i, bool without)
{
    double sum = 0, weight = 0;
    for (size_t j = 0; j < scores->n; j++) {
        double apart = (double)(scores->item[j].time_ns - scores->item[i].time_ns) / WIDTH_NS;
        if (scores->item[j].pass != scores->item[i].pass || fabs(apart) > 3 || (without && j == i) ||
            complete(&scores->item[j]) != complete(&scores->item[i]))
            continue;
        double w = exp(-0.5 * apart * apart);
        weight += w;
        sum += w * value[j];
    }
    return weight > 0 ? sum / weight : value[i];
}

static double score_among_neighbours(const struct rank_scores *scores, size_t i)
{
    double sum = 0, weight = 0;
    for (size_t j = 0; j < scores->n; j++) {
        double apart = (double)(scores->item[j].time_ns - scores->item[i].time_ns) / WIDTH_NS;
        double w = scores->item[j].pass == scores->item[i].pass && fabs(apart) <= 3 && j != i
                       ? exp(-0.5 * apart * apart)
                       : 0;
        weight += w;
        sum += w * scores->item[j].score;
    }
    return weight > 0 ? sum / weight : scores->item[i].score;
}

/* Median deviation of the frames of a pass from their neighbours. */
static double usual_deviation(const struct rank_scores *scores, const double *off, uint32_t pass,
                              double *scratch)
{
    size_t n = 0;
    for (size_t i = 0; i < scores->n; i++)
        if (scores->item[i].pass == pass)
            scratch[n++] = fabs(off[i]);
    return 1.48 * median_of(scratch, n);
}

void order_smooth(const struct rank_scores *scores, double *value, double *scratch)
{
    size_t n = scores->n;
    double *off = scratch, *mean = scratch + n, *spare = scratch + 2 * n;
    for (size_t i = 0; i < n; i++) {
        off[i] = value[i] - among_neighbours(scores, value, i, true);
        mean[i] = among_neighbours(scores, value, i, false);
    }
    uint32_t pass = UINT32_MAX;
    double usual = 0;
    for (size_t i = 0; i < n; i++) {
        if (scores->item[i].pass != pass || i == 0) {
            pass = scores->item[i].pass;
            usual = OUTSTANDING * usual_deviation(scores, off, pass, spare);
        }
        double keep = off[i] * off[i] / (off[i] * off[i] + usual * usual + 1e-12);
        value[i] = mean[i] + keep * (value[i] - mean[i]);
    }
}

void order_own(const struct rank_scores *scores, double *own)
{
    for (size_t i = 0; i < scores->n; i++)
        own[i] = scores->item[i].score - score_among_neighbours(scores, i);
}

bool order_scores(const struct subject_burst *found, const struct sums *sums, const struct blur *blur,
                  struct rank_scores *scores, struct err *err)
{
    double weight[TERMS], *value = malloc((4 * scores->n + 4) * sizeof *value);
    if (value == NULL)
        return err_nomem(err);
    weights_at(burst_ratio(scores, sums, value), weight);
    for (size_t i = 0; i < scores->n; i++) {
        struct rank_item *item = &scores->item[i];
        double gain = fmax((double)found->frame[item->frame].gain, 1e-3);
        value[i] = weight[TERMS - 1] * item->score;
        for (int e = 0; e < ENERGIES; e++)
            value[i] += weight[e] * log_energy(&sums[i], e, gain);
        item->part[RANK_ENERGY_WEIGHT] = OWN * (weight[ENERGY_L1] + weight[ENERGY_G1]);
        item->part[RANK_NORMAL_WEIGHT] = -OWN * (weight[ENERGY_G2] + weight[ENERGY_G4]);
    }
    order_smooth(scores, value, value + scores->n);
    for (size_t i = 0; i < scores->n; i++)
        scores->item[i].score = OWN * value[i] - blur[i].log_sigma;
    free(value);
    return true;
}
