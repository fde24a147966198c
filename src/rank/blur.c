/*
 * blur.c - how blurred a region is, from the ratios of its energies at neighbouring scales.
 *
 * Blur takes energy out of the fine scales first, so each ratio falls with the blur. For a blur sigma the
 * ratio fine : coarse is expected at q(sigma) with a relative spread d(sigma) that stands for what subjects
 * differ in. Noise enters as an uncertainty of both energies, never as a divisor: bare noise leaves the
 * posterior flat.
 *
 * The tables are medians over the sharp blocks (14 x 14 cells of 8 px) of four photographs from the Debian
 * packages lomiri-wallpapers-16.04 and -20.04 (a nuthatch on bark, two dogs, a dragonfly, a brook), reduced 3
 * or 4 times, taken for a blur of 0.5 px and blurred further by Gaussians; q is the geometric mean of the
 * four, d the spread within and between them.
 */
#include "score.h"

#include <math.h>

enum { STEPS = 60, KNOTS = 11, RATIOS = 4, LEVELS = RATIOS + 1 };
static const double LEAST_PX = 0.45, MOST_PX = 12.0;

static const double knot_px[KNOTS] = {.5, .6, .8, 1.05, 1.4, 1.9, 2.6, 3.5, 5, 7.5, 11};
/* Squared Laplacian to squared gradient at scale 1; squared gradients at scales 1:2, 2:4, 4:8. */
static const double expected[RATIOS][KNOTS] = {
    {4.51, 3.20, 1.31, .715, .385, .205, .112, .060, .036, .015, .008},
    {.684, .624, .498, .418, .357, .314, .287, .273, .261, .255, .253},
    {.700, .675, .623, .579, .516, .440, .373, .327, .293, .272, .260},
    {.743, .737, .721, .703, .675, .632, .560, .484, .401, .334, .289},
};
static const double spread[RATIOS][KNOTS] = {
    {.52, .53, .44, .37, .30, .26, .28, .35, .40, .60, .80},
    {.33, .30, .22, .16, .11, .065, .04, .025, .02, .02, .02},
    {.28, .28, .26, .24, .20, .16, .12, .07, .05, .03, .03},
    {.30, .30, .29, .28, .27, .24, .20, .16, .11, .07, .05},
};
static const double weight[RATIOS] = {1, 1, 1, .5};

/* Linear in ln sigma; constant beyond the ends. */
static double look_up(const double table[KNOTS], double log_sigma)
{
    if (log_sigma <= log(knot_px[0]))
        return table[0];
    for (int k = 1; k < KNOTS; k++) {
        double a = log(knot_px[k - 1]), b = log(knot_px[k]);
        if (log_sigma <= b)
            return table[k - 1] + (table[k] - table[k - 1]) * (log_sigma - a) / (b - a);
    }
    return table[KNOTS - 1];
}

/* Log-likelihood of one ratio: Student-like tails, so that one odd ratio does not outvote the others. */
static double ratio_log(double fine, double coarse, double noise_fine, double noise_coarse, double q,
                        double d)
{
    double a = 0.2 * noise_fine, b = q * 0.2 * noise_coarse, c = d * q * coarse;
    double s = sqrt(a * a + b * b + c * c) + 1e-9;
    double r = (fine - q * coarse) / s;
    return -2.0 * log(1.0 + r * r / 4.0) - log(s);
}

/* Energies with their noise: the floor comes from the calmest cells, and bare cells as a whole lie some 15 %
   above it. */
static void energies(const struct sums *sums, double x[LEVELS], double noise[LEVELS])
{
    for (int k = 0; k < ENERGIES; k++) {
        x[k] = sums->signal[k] - 0.15 * sums->floor[k];
        noise[k] = 1.15 * sums->floor[k];
    }
    x[ENERGIES] = sums->g8;
    noise[ENERGIES] = 0;
}

void blur_estimate(const struct sums *sums, struct blur *out)
{
    double x[LEVELS], noise[LEVELS], log_p[STEPS], top = -INFINITY;
    double lo = log(LEAST_PX), step = (log(MOST_PX) - lo) / (STEPS - 1);
    energies(sums, x, noise);
    for (int i = 0; i < STEPS; i++) {
        double u = lo + i * step;
        log_p[i] = 0;
        for (int k = 0; k < RATIOS; k++)
            log_p[i] += weight[k] * ratio_log(x[k], x[k + 1], noise[k], noise[k + 1], look_up(expected[k], u),
                                              look_up(spread[k], u));
        top = fmax(top, log_p[i]);
    }
    double total = 0, mean = 0, square = 0, sharp = 0;
    for (int i = 0; i < STEPS; i++) {
        double u = lo + i * step, p = exp(log_p[i] - top);
        total += p;
        mean += p * u;
        square += p * u * u;
        sharp += u < log(RANK_SHARP_PX) ? p : 0;
    }
    out->log_sigma = mean / total;
    out->error = sqrt(fmax(square / total - out->log_sigma * out->log_sigma, 1e-6));
    out->p_sharp = sharp / total;
    /* The flat prior has a deviation of .95; what is left near that says nothing. */
    out->known = isfinite(out->log_sigma) && out->error < 0.75;
    if (!isfinite(out->log_sigma))
        *out = (struct blur){.log_sigma = 0.5 * (lo + log(MOST_PX)), .error = 1.0, .p_sharp = 0.5};
}
