/*
 * blur.c - how blurred a region is, from the ratios of its gradient energies at neighbouring scales.
 *
 * Blur takes energy out of the fine scales first, so each ratio falls with the blur of the edge profile. For
 * a blur sigma the ratio fine : coarse is expected at q(sigma) with a relative spread d(sigma) that stands
 * for what subjects differ in. The tables were fitted to renderings of known blur. Noise enters as an
 * uncertainty of both energies, never as a divisor: bare noise leaves the posterior flat.
 */
#include "score.h"

#include <math.h>

enum { STEPS = 60, KNOTS = 11, RATIOS = 3 };
static const double LEAST_PX = 0.45, MOST_PX = 12.0;

static const double knot_px[KNOTS] = {.5, .6, .8, 1.05, 1.4, 1.9, 2.6, 3.5, 5, 7.5, 11};
static const double expected[RATIOS][KNOTS] = {
    {.66, .616, .54, .453, .375, .332, .303, .283, .270, .264, .260},
    {.85, .81, .745, .69, .59, .52, .425, .346, .305, .283, .275},
    {1.25, 1.15, 1.05, 1.05, 1.0, .95, .76, .53, .40, .34, .306},
};
static const double spread[RATIOS][KNOTS] = {
    {.13, .13, .14, .15, .15, .11, .06, .05, .05, .05, .05},
    {.15, .15, .17, .17, .17, .17, .14, .09, .07, .07, .07},
    {.34, .34, .34, .36, .40, .42, .39, .27, .17, .10, .10},
};

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

void blur_estimate(const struct sums *sums, struct blur *out)
{
    /* The floor comes from the calmest cells, and bare cells as a whole lie some 15 % above it. */
    double x[4], noise[4] = {0};
    for (int k = 0; k < 3; k++) {
        double floor = sums->floor[ENERGY_G1 + k];
        x[k] = sums->signal[ENERGY_G1 + k] - 0.15 * floor;
        noise[k] = 1.15 * floor;
    }
    x[3] = sums->g8;
    double log_p[STEPS], top = -INFINITY, lo = log(LEAST_PX), step = (log(MOST_PX) - lo) / (STEPS - 1);
    for (int i = 0; i < STEPS; i++) {
        double u = lo + i * step;
        log_p[i] = 0;
        for (int k = 0; k < RATIOS; k++)
            log_p[i] += (k == 2 ? 0.5 : 1.0) * ratio_log(x[k], x[k + 1], noise[k], noise[k + 1],
                                                         look_up(expected[k], u), look_up(spread[k], u));
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
