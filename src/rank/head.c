/*
 * head.c - passes in which the head end decides.
 *
 * A bird that flies across and is tilted in depth goes through the plane of focus end by end: what is sharp
 * of it in one frame may be the tail, and the picture is that in which the head is. One frame cannot tell,
 * since each part has a plumage of its own and wings beat across. A pass can: on the way through the plane
 * the blur of every part is sqrt(least^2 + (rate (t - t0))^2), each part with an unknown constant for its
 * plumage. A tilt is a lag of t0 that grows along the body. Where a lag explains the frames of a pass much
 * better than none, the curve of the head end orders them.
 */
#include "head.h"

#include <math.h>
#include <stdlib.h>

enum { PARTS = 4, RATES = 6, LEASTS = 3, LAGS = 15, SLICES = 5, LONGEST_LAG = 14 };
/* Fifths of the body that are read. The fourth is left out: wings beat across it. */
static const int part_slice[PARTS] = {0, 1, 2, 4};
static const double part_along[PARTS] = {-1, -0.5, 0, 1}; /* in lags of the head end */
static const double rate_px_s[RATES] = {2, 4, 8, 14, 22, 34}, least_px[LEASTS] = {0.55, 0.75, 1.0};
static const double NU = 3;       /* degrees of freedom: wings before a part are outliers */
static const double PLUMAGE = 1;  /* standard deviation of a part's constant */
static const double CLEAR = 7.0;  /* log-likelihood that a lag must gain */
static const double MOVES = 0.25; /* of the body's length, over six frames */

struct reading {
    double time_s, value, error;
};

/* One part of the body over the pass. */
struct series {
    struct reading *at;
    size_t n;
};

struct curve {
    double t0_s, rate, least, constant, fit;
};

struct pass_job {
    const struct subject_input *input;
    const struct noise *noise;
    const struct rank_scores *scores;
    double unit2;
    const struct body *body;
    struct series part[PARTS]; /* how sharp: fine energies against coarse ones */
    struct series head;        /* ln blur of the head end */
    double head_error;         /* sum over the readings: what plumage leaves unknown of each */
    struct reading *room;
    double *scratch;
    double first_s, last_s, frame_s;
    size_t places;
    double *fit; /* of every part, rate, least and place of t0 */
};

/* Mean of ln blur at one moment of a curve, without the constant. */
static double log_blur(const struct curve *curve, double time_s)
{
    double z = curve->rate * (time_s - curve->t0_s);
    return 0.5 * log(curve->least * curve->least + z * z);
}

/* Fits the constant by reweighting; sets constant and fit, the log-likelihood. */
static void fit_constant(const struct series *s, struct curve *curve, double *off)
{
    double a = 0;
    for (size_t i = 0; i < s->n; i++)
        off[i] = s->at[i].value - log_blur(curve, s->at[i].time_s);
    for (int round = 0; round < 4; round++) {
        double sum = 0, weight = 1 / (PLUMAGE * PLUMAGE);
        for (size_t i = 0; i < s->n; i++) {
            double r = (off[i] - a) / s->at[i].error;
            double w = 1 / (s->at[i].error * s->at[i].error * (round > 0 ? 1 + r * r / NU : 1));
            sum += w * off[i];
            weight += w;
        }
        a = sum / weight;
    }
    curve->constant = a;
    curve->fit = -0.5 * a * a / (PLUMAGE * PLUMAGE);
    for (size_t i = 0; i < s->n; i++) {
        double r = (off[i] - a) / s->at[i].error;
        curve->fit -= 0.5 * (NU + 1) * log1p(r * r / NU);
    }
}

/* The spread of a series about itself sets its error; few cells add to it. Returns whether it is long enough.
 */
static bool weigh(struct series *s, double *scratch)
{
    for (size_t i = 0; i + 1 < s->n; i++)
        scratch[i] = fabs(s->at[i + 1].value - s->at[i].value);
    if (s->n < 5)
        return false;
    double usual = fmax(1.05 * median_of(scratch, s->n - 1), 0.15);
    for (size_t i = 0; i < s->n; i++)
        s->at[i].error *= usual;
    return true;
}

static double log_of(const struct sums *sums, int energy)
{
    double x = fmax(sums->mean[energy] - sums->floor[energy], 0), unsure = 0.3 * sums->floor[energy];
    return 0.5 * log(x * x + unsure * unsure + 1e-4);
}

/* Reads one part of one frame into its series. */
static void read_part(struct pass_job *job, size_t k, int part, uint8_t *mask)
{
    const struct body_member *m = &job->body->member[k];
    const struct subject_region *region = m->region;
    const struct rank_item *item = &job->scores->item[m->item];
    struct sums sums;
    for (uint32_t r = 0; r < region->rows; r++)
        for (uint32_t c = 0; c < region->cols; c++) {
            size_t i = (size_t)r * region->cols + c;
            float along = region->mask[i] ? body_place(job->body, k, c, r) : -1;
            mask[i] = along >= 0 && (int)(along * SLICES) == part_slice[part];
        }
    sums_over(job->input->grid[item->frame], job->noise, mask, region->col, region->row, region->cols,
              region->rows, &sums);
    if (sums.cells < 3 * job->unit2)
        return;
    struct reading reading = {.time_s = (double)item->time_ns * 1e-9,
                              .error = sqrt(1 + 4 * job->unit2 / sums.cells)};
    reading.value = -0.5 * (log_of(&sums, ENERGY_L1) + log_of(&sums, ENERGY_G1)) +
                    0.25 * (log_of(&sums, ENERGY_G2) + log_of(&sums, ENERGY_G4));
    job->part[part].at[job->part[part].n++] = reading;
    if (part == PARTS - 1) {
        struct blur blur;
        blur_estimate(&sums, &blur);
        reading.value = blur.log_sigma;
        job->head_error += blur.error;
        job->head.at[job->head.n++] = reading;
    }
}

static bool read_parts(struct pass_job *job, struct err *err)
{
    size_t n = job->body->n, largest = 0;
    for (size_t k = 0; k < n; k++) {
        size_t cells = (size_t)job->body->member[k].region->cols * job->body->member[k].region->rows;
        largest = cells > largest ? cells : largest;
    }
    uint8_t *mask = malloc(largest + 1);
    job->room = calloc((PARTS + 1) * n, sizeof *job->room);
    job->scratch = malloc((n + 1) * sizeof *job->scratch);
    if (mask == NULL || job->room == NULL || job->scratch == NULL) {
        free(mask);
        return err_nomem(err);
    }
    for (int part = 0; part < PARTS; part++)
        job->part[part].at = job->room + (size_t)part * n;
    job->head.at = job->room + PARTS * n;
    for (size_t k = 0; k < n; k++)
        if (!(job->scores->item[job->body->member[k].item].flags & RANK_F_HIDDEN))
            for (int part = 0; part < PARTS; part++)
                read_part(job, k, part, mask);
    free(mask);
    return true;
}

static double *fit_at(const struct pass_job *job, int part, int shape, size_t place)
{
    return &job->fit[((size_t)part * RATES * LEASTS + (size_t)shape) * job->places + place];
}

static struct curve curve_at(const struct pass_job *job, int shape, size_t place)
{
    return (struct curve){.t0_s = job->first_s + job->frame_s * (double)place,
                          .rate = rate_px_s[shape / LEASTS],
                          .least = least_px[shape % LEASTS]};
}

/* How well each part alone fits each curve. */
static bool fit_parts(struct pass_job *job, struct err *err)
{
    job->first_s -= (LONGEST_LAG + 7) * job->frame_s;
    job->places = (size_t)((job->last_s - job->first_s) / job->frame_s) + LONGEST_LAG + 8;
    job->fit = calloc((size_t)PARTS * RATES * LEASTS * job->places, sizeof *job->fit);
    if (job->fit == NULL)
        return err_nomem(err);
    for (int part = 0; part < PARTS; part++)
        for (int shape = 0; shape < RATES * LEASTS && job->part[part].n > 0; shape++)
            for (size_t place = 0; place < job->places; place++) {
                struct curve curve = curve_at(job, shape, place);
                fit_constant(&job->part[part], &curve, job->scratch);
                *fit_at(job, part, shape, place) = curve.fit;
            }
    return true;
}

/* Log-likelihood of the best curve of the whole when the head end lags by so many frames. */
static double best_with_lag(const struct pass_job *job, int lag)
{
    double best = -INFINITY;
    for (int shape = 0; shape < RATES * LEASTS; shape++)
        for (size_t place = LONGEST_LAG; place + LONGEST_LAG < job->places; place++) {
            double sum = 0;
            for (int part = 0; part < PARTS; part++)
                sum += *fit_at(job, part, shape, (size_t)((int)place + (int)lround(part_along[part] * lag)));
            best = fmax(best, sum);
        }
    return best;
}

static double gain_of_lag(const struct pass_job *job)
{
    double none = best_with_lag(job, 0), best = none;
    for (int k = 0; k < LAGS; k++)
        best = fmax(best, best_with_lag(job, 2 * k - LONGEST_LAG));
    return best - none;
}

/* The curve of the head end by itself, t0 to half a frame. */
static struct curve head_curve(const struct pass_job *job)
{
    struct curve best = {.fit = -INFINITY};
    for (int shape = 0; shape < RATES * LEASTS; shape++)
        for (size_t half = 0; half < 2 * job->places; half++) {
            struct curve curve = curve_at(job, shape, 0);
            curve.t0_s = job->first_s + 0.5 * job->frame_s * (double)half;
            fit_constant(&job->head, &curve, job->scratch);
            if (curve.fit > best.fit)
                best = curve;
        }
    return best;
}

/* Interval of frames, from first to last time, and whether the subject moves by a quarter of its length in
 * six. */
static bool moves_enough(struct pass_job *job)
{
    size_t n = job->body->n;
    double *v = job->scratch;
    for (size_t k = 0; k + 1 < n; k++)
        v[k] = (double)(job->scores->item[job->body->member[k + 1].item].time_ns -
                        job->scores->item[job->body->member[k].item].time_ns);
    job->frame_s = median_of(v, n - 1) * 1e-9;
    job->first_s = (double)job->scores->item[job->body->member[0].item].time_ns * 1e-9;
    job->last_s = (double)job->scores->item[job->body->member[n - 1].item].time_ns * 1e-9;
    for (size_t k = 0; k < n; k++)
        v[k] = hypot((double)job->body->member[k].region->velocity_col_s,
                     (double)job->body->member[k].region->velocity_row_s);
    double way = 6 * job->frame_s * median_of(v, n);
    return job->frame_s > 1e-4 && job->last_s - job->first_s < 400 * job->frame_s &&
           way >= MOVES * (double)job->body->length;
}

/* The head end's blur stands for the subject. A frame that is softer than its pass as a whole, as after a
   jolt, is not made sharp by the curve. */
static void set_head_blur(const struct pass_job *job, const struct subject_region *region, double log_px,
                          struct rank_item *item)
{
    struct blur blur = {
        .log_sigma = log_px, .error = fmax(job->head_error / (double)job->head.n, 1e-3), .known = true};
    double p_whole = item->p_sharp;
    blur.p_sharp = 0.5 * erfc((log_px - log(RANK_SHARP_PX)) / (blur.error * sqrt(2.0)));
    blur_add_line(&blur, line_px(job->input, job->input->grid[item->frame], region));
    item->flags &= ~(uint32_t)RANK_F_NO_BLUR;
    set_blur(item, &blur);
    item->p_sharp = fmin(item->p_sharp, p_whole);
    item->part[RANK_HEAD_BLUR] = item->blur_px;
}

/* Orders the pass by its head end. What a frame has of its own against its neighbours stays. */
static void order_by_head(const struct pass_job *job, const struct curve *curve, uint32_t pass,
                          const struct subject_burst *found, struct rank_scores *scores, const double *own)
{
    size_t i = 0;
    for (size_t t = 0; t < found->n; t++)
        for (size_t k = 0; job->input->grid[t] != NULL && k < found->frame[t].n_regions; k++, i++) {
            struct rank_item *item = &scores->item[i];
            if (item->pass != pass || (item->flags & RANK_F_AT_REST))
                continue;
            double log_px = log_blur(curve, (double)item->time_ns * 1e-9);
            set_head_blur(job, &found->frame[t].region[k], log_px + curve->constant, item);
            item->score = own[i] - log_px;
        }
}

static void job_release(struct pass_job *job)
{
    free(job->room);
    free(job->scratch);
    free(job->fit);
}

/* Sets *decides and the curve of the head end. */
static bool judge_pass(struct pass_job *job, bool *decides, struct curve *curve, struct err *err)
{
    *decides = false;
    if (job->body->cells == 0)
        return true;
    if (!read_parts(job, err))
        return false;
    bool enough = moves_enough(job) && weigh(&job->head, job->scratch);
    for (int part = 0; part < PARTS; part++)
        job->part[part].n = weigh(&job->part[part], job->scratch) ? job->part[part].n : 0;
    if (!enough || job->part[PARTS - 1].n == 0)
        return true;
    if (!fit_parts(job, err))
        return false;
    *decides = gain_of_lag(job) >= CLEAR;
    if (*decides)
        *curve = head_curve(job);
    return true;
}

bool head_settle(const struct subject_input *input, const struct subject_burst *found,
                 const struct body *bodies, const struct noise *noise, double unit2,
                 struct rank_scores *scores, struct err *err)
{
    double *own = malloc((scores->n + 1) * sizeof *own);
    bool done = own != NULL ? true : err_nomem(err);
    if (done)
        order_own(scores, own);
    for (uint32_t pass = 1; done && pass <= found->n_passes; pass++) {
        struct pass_job job = {
            .input = input, .noise = noise, .scores = scores, .unit2 = unit2, .body = &bodies[pass - 1]};
        struct curve curve = {0};
        bool decides = false;
        done = judge_pass(&job, &decides, &curve, err);
        if (done && decides)
            order_by_head(&job, &curve, pass, found, scores, own);
        job_release(&job);
    }
    free(own);
    return done;
}
