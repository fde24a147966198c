/*
 * pass_blur.c - the blur of all frames of a pass together.
 *
 * A single frame cannot tell a plain coat from a blurred one: blur.c has to take the plumage for the usual
 * one. But over a pass the subject is one and the same. Each energy that is read in a frame is taken for
 *
 *     log(floor (1 + doubt) + exp(level + fall(blur) + pose)),
 *
 * where the level of every energy (the plumage) and the doubt about every floor are the pass's, and pose is a
 * random deviation of the frame, all energies together (pass_table.h). What drowns in noise has no weight by
 * itself, so the scales that count are chosen by the noise, frame by frame. Floors are doubted together, with
 * a slope along brightness, since a subject may be darker than the calm cells in which noise is measured.
 *
 * A subject that goes through the plane of focus changes its blur smoothly: the second differences of ln blur
 * over time are small. Frames seconds apart have nothing to do with each other.
 *
 * All of it is linearised about the last solution and solved at once, a few times over, by Gauss-Newton with
 * Student's weights: a frame whose energies fit no blur counts less. It may end in another valley than the
 * deepest, so it starts from several places.
 */
#include "bordered.h"
#include "score.h"

#include <math.h>
#include <stdlib.h>

#include "pass_table.h"

enum { E = PASS_ENERGIES, LEVEL = 0, DOUBT = E, SLOPE = 2 * E, SHARED = BORDERED_SHARED, ROUNDS = 10 };

static const double LEAST_PX = 0.3, MOST_PX = 12.0;
static const double NU = 40;           /* degrees of freedom of a frame */
static const double CURVE = 1000;      /* variance that the slope of ln blur gains in a second, s^-2 */
static const double NU_BEND = 2;       /* degrees of freedom of a bend, since a jolt is one */
static const double JITTER = 0.01;     /* of ln blur from frame to frame */
static const double JOLT = 8;          /* what a blur of its own must gain in log-likelihood */
static const double USUAL_PX = 1.5;    /* prior of a whole pass, worth one reading of this deviation: */
static const double USUAL_ERROR = 0.5; /* in ln blur */
/* Floors: usual doubt, what of it is each energy's own, least deviation of what all share, slope for 50 of
   luma, and what is a frame's own. On the tuning bursts floors at the subject are 15 to 20 % too low. */
static const double usual_doubt[E] = {0.15, 0.1, 0.1, 0.1, 0.1};
static const double OWN_DOUBT = 0.1, SHARED_DOUBT = 0.2, SLOPE_DOUBT = 0.15, FRAME_DOUBT = 0.05;
/* Relative scatter of an energy of bare noise in one cell of 8 px, by the number of its samples. */
static const double scatter[E] = {0.18, 0.18, 0.35, 0.7, 1.4};
static const double least_floor[E] = {0.3, 0.02, 0.01, 0.01, 0.01};
static const double MODEL_ERROR = 0.15; /* of ln blur: what the table itself leaves, on the tuning bursts */
static const double KNOWN = 0.75;
/* At the edge of the picture there is often more than the subject in the outline. */
static const double CUT_TRUST = 0.1;

struct reading {
    size_t item;
    double time_s, luma, lift; /* lift: of log energies by exposure */
    double trust;              /* weight of what it says */
    double y[E], floor[E], scatter[E];
};

struct pass_fit {
    struct reading *at;
    size_t n;
    double floor_error;
    double *log_px, *best; /* of each reading: now, and of the best start so far */
    double *error, *row;
    double shared[SHARED];
    struct bordered system;
};

/* What is expected of one reading, and how it depends on what is sought. */
struct expected {
    double mean[E], share[E]; /* share: the subject's part of the energy, beside noise */
    double slope[E];          /* by ln blur, of the subject's part */
    double cov[E][E];
};

static void fall_at(double log_px, double fall[E], double slope[E])
{
    int k = 1;
    while (k < PASS_KNOTS - 1 && log_px > log(pass_knot_px[k]))
        k++;
    double a = log(pass_knot_px[k - 1]), b = log(pass_knot_px[k]), part = (log_px - a) / (b - a);
    bool inside = part >= 0 && part <= 1;
    part = fmin(fmax(part, 0), 1);
    for (int e = 0; e < E; e++) {
        double step = pass_fall[k][e] - pass_fall[k - 1][e];
        fall[e] = pass_fall[k - 1][e] + part * step;
        slope[e] = inside ? step / (b - a) : 0;
    }
}

static void expect(const struct reading *r, double log_px, const double shared[SHARED], struct expected *out)
{
    double fall[E];
    fall_at(log_px, fall, out->slope);
    for (int e = 0; e < E; e++) {
        double own = exp(fmin(shared[LEVEL + e] + fall[e] + r->lift, 14));
        double noise = r->floor[e] * exp(shared[DOUBT + e] + shared[SLOPE] * r->luma);
        out->mean[e] = log(own + noise);
        out->share[e] = own / (own + noise);
    }
    for (int i = 0; i < E; i++)
        for (int j = 0; j < E; j++)
            out->cov[i][j] = out->share[i] * out->share[j] * pass_frame_cov[i][j] +
                             (1 - out->share[i]) * (1 - out->share[j]) * FRAME_DOUBT * FRAME_DOUBT;
    for (int e = 0; e < E; e++)
        out->cov[e][e] += r->scatter[e] * r->scatter[e] * (1 - 0.5 * out->share[e] * out->share[e]) + 1e-4;
}

/* L of a small covariance in its lower half; returns ln of the determinant. */
static double factor(double c[E][E])
{
    double log_det = 0;
    for (int i = 0; i < E; i++) {
        for (int j = 0; j <= i; j++) {
            double v = c[i][j];
            for (int k = 0; k < j; k++)
                v -= c[i][k] * c[j][k];
            c[i][j] = j < i ? v / c[j][j] : sqrt(fmax(v, 1e-9));
        }
        log_det += 2 * log(c[i][i]);
    }
    return log_det;
}

static void whiten(double l[E][E], double v[E])
{
    for (int i = 0; i < E; i++) {
        for (int k = 0; k < i; k++)
            v[i] -= l[i][k] * v[k];
        v[i] /= l[i][i];
    }
}

static double square(const double v[E])
{
    double sum = 0;
    for (int e = 0; e < E; e++)
        sum += v[e] * v[e];
    return sum;
}

static double dot(const double a[E], const double b[E])
{
    double sum = 0;
    for (int e = 0; e < E; e++)
        sum += a[e] * b[e];
    return sum;
}

/* Adds what reading i says, with its weight. */
static void add_reading(struct pass_fit *fit, size_t i)
{
    const struct reading *r = &fit->at[i];
    struct expected want;
    double off[E], by_blur[E], by[SHARED][E];
    expect(r, fit->log_px[i], fit->shared, &want);
    for (int e = 0; e < E; e++) {
        off[e] = r->y[e] - want.mean[e];
        by_blur[e] = want.share[e] * want.slope[e];
        for (int k = 0; k < E; k++) {
            by[LEVEL + k][e] = k == e ? want.share[e] : 0;
            by[DOUBT + k][e] = k == e ? 1 - want.share[e] : 0;
        }
        by[SLOPE][e] = (1 - want.share[e]) * r->luma;
    }
    factor(want.cov);
    whiten(want.cov, off);
    double w = r->trust * fmin((NU + E) / (NU + square(off)), 1);
    whiten(want.cov, by_blur);
    for (int s = 0; s < SHARED; s++)
        whiten(want.cov, by[s]);
    /* What is left, as if all unknowns began at 0. */
    for (int e = 0; e < E; e++) {
        off[e] += by_blur[e] * fit->log_px[i];
        for (int s = 0; s < SHARED; s++)
            off[e] += by[s][e] * fit->shared[s];
    }
    struct bordered *b = &fit->system;
    b->band[i][0] += w * square(by_blur);
    b->right[i] += w * dot(by_blur, off);
    for (int s = 0; s < SHARED; s++) {
        b->border[i][s] += w * dot(by_blur, by[s]);
        b->shared[s] += w * dot(by[s], off);
        for (int t = 0; t < SHARED; t++)
            b->corner[s][t] += w * dot(by[s], by[t]);
    }
}

/* Second difference of three readings in a row from i on: its weights, its precision, and its square. */
static double bend(const struct pass_fit *fit, size_t i, double v[3], double *square_off)
{
    double before = fmax(fit->at[i + 1].time_s - fit->at[i].time_s, 1e-3);
    double after = fmax(fit->at[i + 2].time_s - fit->at[i + 1].time_s, 1e-3);
    v[0] = 1 / before;
    v[1] = -1 / before - 1 / after;
    v[2] = 1 / after;
    double jitter = 2 * JITTER * JITTER * (1 / (before * before) + 1 / (after * after));
    double precision = 1 / (CURVE * (before + after) / 2 + jitter), off = 0;
    for (size_t k = 0; k < 3; k++)
        off += v[k] * fit->log_px[i + k];
    *square_off = precision * off * off;
    return precision;
}

/* Inverse of a small covariance. */
static void invert(const double (*cov)[E], double out[E][E])
{
    double l[E][E];
    for (int i = 0; i < E; i++)
        for (int j = 0; j < E; j++)
            l[i][j] = cov[i][j];
    factor(l);
    for (int c = 0; c < E; c++) {
        double v[E] = {0};
        v[c] = 1;
        whiten(l, v);
        for (int i = E - 1; i >= 0; i--) {
            for (int k = i + 1; k < E; k++)
                v[i] -= l[k][i] * v[k];
            v[i] /= l[i][i];
        }
        for (int i = 0; i < E; i++)
            out[i][c] = v[i];
    }
}

static void doubt_precision(const struct pass_fit *fit, double out[E][E])
{
    double cov[E][E], all = fmax(SHARED_DOUBT, fit->floor_error), own = fmax(OWN_DOUBT, fit->floor_error);
    for (int i = 0; i < E; i++)
        for (int j = 0; j < E; j++)
            cov[i][j] = all * all + (i == j ? own * own : 0);
    invert((const double(*)[E])cov, out);
}

static void add_priors(struct pass_fit *fit)
{
    struct bordered *b = &fit->system;
    double level[E][E], doubt[E][E], usual = 1 / ((double)fit->n * USUAL_ERROR * USUAL_ERROR);
    invert(pass_cov, level);
    doubt_precision(fit, doubt);
    for (int i = 0; i < E; i++)
        for (int j = 0; j < E; j++) {
            b->corner[LEVEL + i][LEVEL + j] += level[i][j];
            b->corner[DOUBT + i][DOUBT + j] += doubt[i][j];
            b->shared[LEVEL + i] += level[i][j] * pass_usual[j];
            b->shared[DOUBT + i] += doubt[i][j] * usual_doubt[j];
        }
    b->corner[SLOPE][SLOPE] += 1 / (SLOPE_DOUBT * SLOPE_DOUBT);
    for (size_t i = 0; i < fit->n; i++) {
        b->band[i][0] += usual;
        b->right[i] += usual * log(USUAL_PX);
    }
    for (size_t i = 0; i + 2 < fit->n; i++) {
        double v[3], off, precision = bend(fit, i, v, &off);
        precision *= (NU_BEND + 1) / (NU_BEND + off);
        for (size_t k = 0; k < 3; k++)
            for (size_t far = 0; k + far < 3; far++)
                b->band[i + k][far] += precision * v[k] * v[k + far];
    }
}

static double limited(double from, double to, double step)
{
    return from + fmin(fmax(to - from, -step), step);
}

static void take_step(struct pass_fit *fit)
{
    bordered_clear(&fit->system);
    add_priors(fit);
    for (size_t i = 0; i < fit->n; i++)
        add_reading(fit, i);
    bordered_solve(&fit->system);
    for (size_t i = 0; i < fit->n; i++) {
        double to = limited(fit->log_px[i], fit->system.right[i], 0.5);
        fit->log_px[i] = fmin(fmax(to, log(LEAST_PX)), log(MOST_PX));
    }
    for (int s = 0; s < SHARED; s++)
        fit->shared[s] = limited(fit->shared[s], fit->system.shared[s],
                                 s < DOUBT   ? 1.0
                                 : s < SLOPE ? 0.2
                                             : 0.1);
}

static double off_prior(double precision[E][E], const double at[E], const double usual[E])
{
    double sum = 0;
    for (int i = 0; i < E; i++)
        for (int j = 0; j < E; j++)
            sum += precision[i][j] * (at[i] - usual[i]) * (at[j] - usual[j]);
    return sum;
}

/* Log-likelihood of one reading at one blur, but for a constant. */
static double log_likelihood(const struct reading *r, double log_px, const double shared[SHARED])
{
    struct expected want;
    double off[E];
    expect(r, log_px, shared, &want);
    for (int e = 0; e < E; e++)
        off[e] = r->y[e] - want.mean[e];
    double log_det = factor(want.cov);
    whiten(want.cov, off);
    return -0.5 * (NU + E) * log1p(square(off) / NU) - 0.5 * log_det;
}

/* Log of the posterior density, but for a constant. */
static double log_posterior(const struct pass_fit *fit)
{
    double level[E][E], doubt[E][E], sum = 0;
    invert(pass_cov, level);
    doubt_precision(fit, doubt);
    sum -= 0.5 * off_prior(level, fit->shared + LEVEL, pass_usual);
    sum -= 0.5 * off_prior(doubt, fit->shared + DOUBT, usual_doubt);
    sum -= 0.5 * fit->shared[SLOPE] * fit->shared[SLOPE] / (SLOPE_DOUBT * SLOPE_DOUBT);
    for (size_t i = 0; i < fit->n; i++) {
        double far = (fit->log_px[i] - log(USUAL_PX)) / USUAL_ERROR;
        sum += fit->at[i].trust * log_likelihood(&fit->at[i], fit->log_px[i], fit->shared) -
               0.5 * far * far / (double)fit->n;
    }
    for (size_t i = 0; i + 2 < fit->n; i++) {
        double v[3], off;
        bend(fit, i, v, &off);
        sum -= 0.5 * (NU_BEND + 1) * log1p(off / NU_BEND);
    }
    return sum;
}

/* The level at which the middle frame fits where the blur begins. */
static void start_level(struct pass_fit *fit, double *scratch)
{
    for (int e = 0; e < E; e++) {
        for (size_t i = 0; i < fit->n; i++) {
            double fall[E], slope[E], floor = fit->at[i].floor[e];
            fall_at(fit->log_px[i], fall, slope);
            scratch[i] = log(fmax(exp(fit->at[i].y[e]) - floor, 0.02 * floor)) - fit->at[i].lift - fall[e];
        }
        fit->shared[LEVEL + e] = median_of(scratch, fit->n);
        fit->shared[DOUBT + e] = usual_doubt[e];
    }
    fit->shared[SLOPE] = 0;
}

/* A frame whose energies no smooth change explains, but a blur of its own does, as after a jolt, keeps that.
 */
static void keep_jolts(struct pass_fit *fit)
{
    double step = 0.05;
    for (size_t i = 0; i < fit->n; i++) {
        double from = fit->log_px[i], most = log_likelihood(&fit->at[i], from, fit->shared) + JOLT;
        for (double u = from + step; u < log(MOST_PX); u += step) {
            double own = log_likelihood(&fit->at[i], u, fit->shared);
            if (own > most) {
                most = own;
                fit->log_px[i] = u;
            }
        }
    }
}

/* From one start to a valley; keeps it where it is the deepest so far. */
static void descend(struct pass_fit *fit, double *deepest)
{
    start_level(fit, fit->row);
    for (int round = 0; round < ROUNDS; round++)
        take_step(fit);
    double depth = log_posterior(fit);
    if (!(depth > *deepest))
        return;
    *deepest = depth;
    keep_jolts(fit);
    for (size_t i = 0; i < fit->n; i++) {
        fit->best[i] = fit->log_px[i];
        fit->error[i] = sqrt(bordered_variance(&fit->system, i, fit->row));
    }
}

static void read_item(const struct sums *sums, double cell_px, double gain, struct reading *r)
{
    for (int e = 0; e < E; e++) {
        double mean = e < ENERGIES ? sums->mean[e] : sums->g8;
        double floor = e < ENERGIES ? sums->floor[e] : 0.25 * sums->floor[ENERGY_G4];
        r->y[e] = log(fmax(mean, 1e-3));
        r->floor[e] = fmax(floor, least_floor[e]);
        r->scatter[e] = scatter[e] * 8 / (cell_px * sqrt(fmax(sums->cells, 1)));
    }
    r->lift = 2 * log(fmax(gain, 1e-3));
    r->luma = sums->luma / 50;
}

/* The readings of a pass. Brightness is told from that of the pass. */
static void read_pass(struct pass_fit *fit, const struct subject_burst *found, uint32_t pass, double cell_px,
                      const struct sums *sums, const struct rank_scores *scores)
{
    double luma = 0;
    fit->n = 0;
    fit->floor_error = 0;
    for (size_t i = 0; i < scores->n; i++) {
        const struct rank_item *item = &scores->item[i];
        if (item->pass != pass || sums[i].cells < 1)
            continue;
        struct reading *r = &fit->at[fit->n++];
        *r = (struct reading){.item = i, .time_s = (double)(item->time_ns - scores->item[0].time_ns) * 1e-9};
        read_item(&sums[i], cell_px, (double)found->frame[item->frame].gain, r);
        r->trust = item->flags & RANK_F_CUT ? CUT_TRUST : 1;
        luma += r->luma;
        fit->floor_error += sums[i].floor_error;
    }
    for (size_t i = 0; i < fit->n; i++)
        fit->at[i].luma -= luma / (double)fit->n;
    fit->floor_error /= fit->n > 0 ? (double)fit->n : 1;
}

static void set_result(const struct pass_fit *fit, struct blur *blur)
{
    for (size_t i = 0; i < fit->n; i++) {
        struct blur *out = &blur[fit->at[i].item];
        out->log_sigma = fit->best[i];
        out->error = hypot(fit->error[i], MODEL_ERROR);
        out->p_sharp = 0.5 * erfc((out->log_sigma - log(RANK_SHARP_PX)) / (out->error * sqrt(2.0)));
        out->known = out->error < KNOWN;
    }
}

static void fit_pass(struct pass_fit *fit, struct blur *blur)
{
    /* Where the frames are by themselves; then all alike. */
    static const double start_px[] = {0, 1, 2};
    double deepest = -INFINITY;
    for (size_t k = 0; k < sizeof start_px / sizeof start_px[0]; k++) {
        for (size_t i = 0; i < fit->n; i++)
            fit->log_px[i] = k > 0 ? log(start_px[k]) : blur[fit->at[i].item].log_sigma;
        descend(fit, &deepest);
    }
    if (isfinite(deepest))
        set_result(fit, blur);
}

bool pass_blur_fit(const struct subject_burst *found, double cell_px, const struct sums *sums,
                   const struct rank_scores *scores, struct blur *blur, struct err *err)
{
    struct pass_fit fit = {0};
    size_t n = scores->n + 1;
    fit.at = calloc(n, sizeof *fit.at);
    double *room = malloc(4 * n * sizeof *room);
    bool done = fit.at != NULL && room != NULL && bordered_open(&fit.system, n, err);
    if (!done)
        err_nomem(err);
    for (uint32_t pass = 1; done && pass <= found->n_passes; pass++) {
        read_pass(&fit, found, pass, cell_px, sums, scores);
        fit.system.n = fit.n;
        fit.log_px = room;
        fit.best = room + n;
        fit.error = room + 2 * n;
        fit.row = room + 3 * n;
        if (fit.n >= PASS_BLUR_FEWEST)
            fit_pass(&fit, blur);
    }
    free(fit.at);
    free(room);
    bordered_release(&fit.system);
    return done;
}
