/*
 * blur.c - how blurred a region is, from the ratios of its energies at neighbouring scales.
 *
 * Blur takes energy out of the fine scales first, so each ratio fine : coarse falls with it. What the ratios
 * are for a blur of sigma differs from subject to subject, and when one is high so are its neighbours: they
 * are taken together, as logarithms with a mean and a covariance (blur_table.h). The kernel is taken for a
 * round one, a lens out of focus. A line, as motion draws it, leaves detail across itself: it reads as less
 * than its deviation, and its length cannot be told from energies that know no direction.
 *
 * Noise enters as an uncertainty of the energies: a value is only known down to some s, so its logarithm is
 * taken of sqrt(x^2 + s^2). An energy that drowns in noise still says that it is small, and no more. Bare
 * noise leaves the posterior as wide as it was.
 */
#include "score.h"

#include <math.h>

#include "blur_table.h"

enum { STEPS = 60, RATIOS = BLUR_RATIOS, LEVELS = RATIOS + 1 };
static const double LEAST_PX = 0.3, MOST_PX = 12.0;
static const double NU = 4;       /* degrees of freedom: one odd ratio does not outvote the others */
static const double KNOWN = 0.75; /* the largest error that is still worth a number */
/* Where bare cells are rare a floor holds some texture of the scene. If it then leaves less than this part of
   itself of the gradient energy at scale 1, it has taken the subject's own detail away, and what remains at
   coarser scales reads as a wide blur, surely. */
static const double DROWNED = 0.1, DOUBTFUL_FLOOR = 0.2;
static const double SPEED = 0.2; /* a line is known to that part of its length */

/* Energies of a region: squared Laplacian, squared gradients at scales 1, 2, 4, 8; each with what noise
   leaves unknown of it. */
struct energies {
    double x[LEVELS], unsure[LEVELS];
    double y[RATIOS]; /* logarithms */
};

/* Rounding and JPEG leave a trace in the squared Laplacian of any picture. */
static void find_energies(const struct sums *sums, struct energies *e)
{
    for (int k = 0; k < ENERGIES; k++) {
        e->x[k] = sums->signal[k];
        e->unsure[k] = sums->floor_error * sums->floor[k] + (k == ENERGY_L1 ? 0.3 : 1e-3);
        e->y[k] = 0.5 * log(fmax(e->x[k], 0) * fmax(e->x[k], 0) + e->unsure[k] * e->unsure[k]);
    }
    e->x[ENERGIES] = sums->g8;
    e->unsure[ENERGIES] = 1e-3;
}

/* What is expected at one blur: logarithms of the ratios, and their covariance row by row. */
struct expected {
    double mean[RATIOS], cov[RATIOS][RATIOS];
};

/* Linear in ln sigma; constant beyond the ends. */
static void look_up(double log_sigma, struct expected *out)
{
    int k = 1;
    while (k < BLUR_KNOTS - 1 && log_sigma > log(blur_knot_px[k]))
        k++;
    double a = log(blur_knot_px[k - 1]), b = log(blur_knot_px[k]);
    double part = fmin(fmax((log_sigma - a) / (b - a), 0), 1);
    const double *low = blur_table[k - 1], *high = blur_table[k];
    int next = RATIOS;
    for (int i = 0; i < RATIOS; i++) {
        out->mean[i] = low[i] + part * (high[i] - low[i]);
        for (int j = i; j < RATIOS; j++, next++)
            out->cov[i][j] = out->cov[j][i] = low[next] + part * (high[next] - low[next]);
    }
}

/* r' C^-1 r and ln |C| by Cholesky; C is positive definite, being a covariance plus noise. */
static double quadratic(double c[RATIOS][RATIOS], const double r[RATIOS], double *log_det)
{
    double sum = 0, z[RATIOS];
    *log_det = 0;
    for (int i = 0; i < RATIOS; i++) {
        double at = r[i];
        for (int j = 0; j <= i; j++) {
            double v = c[i][j];
            for (int k = 0; k < j; k++)
                v -= c[i][k] * c[j][k];
            c[i][j] = j < i ? v / c[j][j] : sqrt(fmax(v, 1e-9));
            at -= j < i ? c[i][j] * z[j] : 0;
        }
        z[i] = at / c[i][i];
        sum += z[i] * z[i];
        *log_det += 2 * log(c[i][i]);
    }
    return sum;
}

/* Log-likelihood of one blur. Each energy is predicted from the next coarser one as measured, so the noise of
   that one is in both its own ratio and the next finer. */
static double log_likelihood(const struct energies *e, double log_sigma)
{
    struct expected want;
    double r[RATIOS], share[RATIOS], size[RATIOS], log_det;
    look_up(log_sigma, &want);
    for (int k = 0; k < RATIOS; k++) {
        double from = fmax(e->x[k + 1], 0.5 * e->unsure[k + 1]), pred = exp(want.mean[k]) * from;
        double all = pred * pred + e->unsure[k] * e->unsure[k];
        share[k] = pred * pred / all;
        size[k] = sqrt(all);
        r[k] = e->y[k] - 0.5 * log(all);
    }
    for (int i = 0; i < RATIOS; i++)
        for (int j = 0; j < RATIOS; j++)
            want.cov[i][j] *= share[i] * share[j];
    for (int k = 0; k < RATIOS; k++) {
        double own = e->unsure[k] / size[k];
        double other = share[k] * e->unsure[k + 1] / fmax(e->x[k + 1], e->unsure[k + 1]);
        want.cov[k][k] += 0.5 * own * own + other * other + 1e-4;
        if (k + 1 < RATIOS) {
            want.cov[k][k + 1] -= 0.7 * other * e->unsure[k + 1] / size[k + 1];
            want.cov[k + 1][k] = want.cov[k][k + 1];
        }
    }
    double q = quadratic(want.cov, r, &log_det);
    return -0.5 * (NU + RATIOS) * log1p(q / NU) - 0.5 * log_det;
}

void blur_estimate(const struct sums *sums, struct blur *out)
{
    struct energies e;
    double log_p[STEPS], top = -INFINITY, total = 0, mean = 0, square = 0, sharp = 0;
    double lo = log(LEAST_PX), step = (log(MOST_PX) - lo) / (STEPS - 1);
    find_energies(sums, &e);
    for (int i = 0; i < STEPS; i++) {
        log_p[i] = log_likelihood(&e, lo + i * step);
        top = fmax(top, log_p[i]);
    }
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
    bool drowned =
        sums->floor_error > DOUBTFUL_FLOOR && sums->signal[ENERGY_G1] < DROWNED * sums->floor[ENERGY_G1];
    out->known = isfinite(out->log_sigma) && out->error < KNOWN && !drowned;
    if (!isfinite(out->log_sigma))
        *out = (struct blur){.log_sigma = 0.5 * (lo + log(MOST_PX)), .error = 1.0, .p_sharp = 0.5};
}

void blur_add_line(struct blur *blur, double line_px)
{
    double line = line_px * line_px / 24.0, limit = RANK_SHARP_PX * RANK_SHARP_PX - line;
    if (!(line > 0))
        return;
    if (!(limit > 0)) {
        blur->p_sharp = 0;
    } else {
        /* The same posterior, against the limit that motion leaves. */
        double whole = log(RANK_SHARP_PX) - blur->log_sigma, left = 0.5 * log(limit) - blur->log_sigma;
        double error = fmax(blur->error, 1e-3) * sqrt(2.0);
        blur->p_sharp *= fmin(1, erfc(-left / error) / fmax(erfc(-whole / error), 1e-9));
    }
    double own = exp(2.0 * blur->log_sigma);
    blur->log_sigma = 0.5 * log(own + line);
    blur->error = hypot(blur->error * own, SPEED * line) / (own + line);
}
