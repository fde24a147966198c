/*
 * head.c - the way of a pass through the plane of focus, and passes in which the head end decides.
 *
 * One frame by itself is a poor witness: wings beat, and what shows more of its plumage looks sharper. But on
 * the way through the plane the blur of every part of the body is sqrt(least^2 + (rate (t - t0))^2), each
 * part with an unknown constant for its plumage. The mean over all ways through the plane, each weighted by
 * how well it explains the parts in all frames of the pass, stands beside the score.
 *
 * A bird that is tilted in depth goes through the plane end by end: what is sharp of it in one frame may be
 * the tail, and the picture is that in which the head is. A tilt is a lag of t0 that grows along the body.
 * Where a lag explains the frames of a pass much better than none, the curve of the head orders them.
 */
#include "head.h"

#include <math.h>
#include <stdlib.h>

enum { PARTS = 3, WHOLE = PARTS, SERIES, RATES = 6, LEASTS = 3, SHAPES = RATES * LEASTS };
enum { LAGS = 15, SLICES = 5, LONGEST_LAG = 14 };
/* Fifths of the body that are read. The fourth is left out, since wings beat across it, and the last one,
   which is a thin tail. */
static const int part_slice[PARTS] = {1, 2, 4};
static const double part_along[SERIES] = {-0.5, 0, 1, 0}; /* in lags of the leading fifth */
/* The head lies farther out than the leading fifth looks: what stands before the body, wings above all, pulls
   the times of all parts together. */
static const double HEAD_ALONG = 1.5;
static const double rate_px_s[RATES] = {2, 4, 8, 14, 22, 34}, least_px[LEASTS] = {0.55, 0.75, 1.0};
/* How ln blur of a part follows from its energies (squared Laplacian, squared gradients at scales 1, 2, 4)
   and from the blur that is estimated from their ratios; fitted to rendered bursts (bench_bursts, set tune).
 */
static const double energy_weight[ENERGIES] = {-0.08, -0.13, -0.20, 0.19}, blur_weight = 0.48;
static const double READING = 0.15; /* its deviation at best */
static const double SCORE = 0.7;    /* what ln blur is worth in the score */
static const double NU = 4;         /* degrees of freedom: wings before a part are outliers */
static const double PLUMAGE = 1;    /* standard deviation of a part's constant */
static const double CLEAR = 3.5;    /* log-likelihood that a lag must gain */
/* What ln blur of the way weighs in the score: all where what it leaves of the readings changes sign from
   frame to frame, nothing where neighbours agree against it: a subject that hovers does not go straight
   through the plane. */
static const double BESIDE = 1, ACCIDENT = 0.6, AGREEMENT = 1.0;
static const double MOVES = 0.25; /* of the body's length, over six frames */

struct reading {
    double time_s, value, error;
};

/* One part of the body over the pass. */
struct series {
    struct reading *at;
    size_t n;
};

/* One way of the subject through the plane of focus: of the middle of its body, and by how much later the
   leading fifth follows. */
struct way {
    double t0_s, lag_s, rate, least, weight;
};

struct pass_job {
    const struct subject_input *input;
    const struct noise *noise;
    const uint8_t *sharp; /* cells of a sharp scene; NULL = not known */
    const struct rank_scores *scores;
    double unit2;
    const struct body *body;
    struct series part[SERIES]; /* how blurred, but for a constant; last the score of the whole */
    int counted;                /* series that say how well a way fits */
    struct series head;         /* ln blur of the leading fifth */
    double head_error;          /* sum over the readings: what plumage leaves unknown of each */
    struct reading *room;
    double *scratch;
    double first_s, last_s, frame_s;
    size_t places;
    double *fit;     /* of every part, shape and place of t0 */
    struct way *way; /* those that explain the parts, weights summing to 1 */
    size_t ways;
    bool tilted;
};

static double log_blur(double least, double rate, double off_s)
{
    return 0.5 * log(least * least + rate * off_s * rate * off_s);
}

/* The constant of a series by reweighting, from what each reading is off; sets its log-likelihood where fit
   is not NULL. */
static double constant_of(const struct series *s, const double *off, double *fit)
{
    double a = 0;
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
    if (fit != NULL) {
        *fit = -0.5 * a * a / (PLUMAGE * PLUMAGE);
        for (size_t i = 0; i < s->n; i++) {
            double r = (off[i] - a) / s->at[i].error;
            *fit -= 0.5 * (NU + 1) * log1p(r * r / NU);
        }
    }
    return a;
}

/* The spread of a series about itself sets its error; few cells add to it. Returns whether it is long enough.
 */
static bool weigh(struct series *s, double *scratch)
{
    for (size_t i = 0; i + 1 < s->n; i++)
        scratch[i] = fabs(s->at[i + 1].value - s->at[i].value);
    if (s->n < 5)
        return false;
    double usual = fmax(1.05 * median_of(scratch, s->n - 1), READING);
    for (size_t i = 0; i < s->n; i++)
        s->at[i].error *= usual;
    return true;
}

static double log_of(const struct sums *sums, int energy)
{
    double x = fmax(sums->mean[energy] - sums->floor[energy], 0), unsure = 0.3 * sums->floor[energy];
    return 0.5 * log(x * x + unsure * unsure + 1e-4);
}

/* The cells of one part of member k, but for those in which the scene behind is sharp by itself. */
static void mark_part(const struct pass_job *job, size_t k, int part, uint8_t *mask)
{
    const struct body_member *m = &job->body->member[k];
    const struct subject_region *region = m->region;
    const struct grid *grid = job->input->grid[job->scores->item[m->item].frame];
    for (uint32_t r = 0; r < region->rows; r++)
        for (uint32_t c = 0; c < region->cols; c++) {
            size_t i = (size_t)r * region->cols + c;
            size_t cell = (size_t)(region->row + r) * grid->cols + region->col + c;
            float along = region->mask[i] ? body_place(job->body, k, c, r) : -1;
            bool behind = job->sharp != NULL && job->sharp[cell];
            mask[i] = along >= 0 && (int)(along * SLICES) == part_slice[part] && !behind;
        }
}

/* Reads one part of one frame into its series. */
static void read_part(struct pass_job *job, size_t k, int part, uint8_t *mask)
{
    const struct body_member *m = &job->body->member[k];
    const struct subject_region *region = m->region;
    const struct rank_item *item = &job->scores->item[m->item];
    struct sums sums;
    struct blur blur;
    mark_part(job, k, part, mask);
    sums_over(job->input->grid[item->frame], job->noise, mask, region->col, region->row, region->cols,
              region->rows, &sums);
    if (sums.cells < 3 * job->unit2)
        return;
    blur_estimate(&sums, &blur);
    struct reading reading = {.time_s = (double)item->time_ns * 1e-9,
                              .value = blur_weight * blur.log_sigma,
                              .error = sqrt(1 + 4 * job->unit2 / sums.cells)};
    for (int e = 0; e < ENERGIES; e++)
        reading.value += energy_weight[e] * log_of(&sums, e);
    job->part[part].at[job->part[part].n++] = reading;
    if (part == PARTS - 1) {
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
    job->room = calloc((SERIES + 1) * n, sizeof *job->room);
    job->scratch = malloc((n + 1) * sizeof *job->scratch);
    if (mask == NULL || job->room == NULL || job->scratch == NULL) {
        free(mask);
        return err_nomem(err);
    }
    for (int part = 0; part < SERIES; part++)
        job->part[part].at = job->room + (size_t)part * n;
    job->head.at = job->room + SERIES * n;
    for (size_t k = 0; k < n; k++) {
        const struct rank_item *item = &job->scores->item[job->body->member[k].item];
        if (item->flags & RANK_F_HIDDEN)
            continue;
        for (int part = 0; part < PARTS; part++)
            read_part(job, k, part, mask);
        job->part[WHOLE].at[job->part[WHOLE].n++] = (struct reading){
            .time_s = (double)item->time_ns * 1e-9, .value = -item->score / SCORE, .error = 1};
    }
    free(mask);
    return true;
}

static double *fit_at(const struct pass_job *job, int part, int shape, size_t place)
{
    return &job->fit[((size_t)part * SHAPES + (size_t)shape) * job->places + place];
}

/* How well each part alone fits each way. */
static bool fit_parts(struct pass_job *job, struct err *err)
{
    job->first_s -= (LONGEST_LAG + 7) * job->frame_s;
    job->places = (size_t)((job->last_s - job->first_s) / job->frame_s) + LONGEST_LAG + 8;
    job->fit = calloc((size_t)SERIES * SHAPES * job->places, sizeof *job->fit);
    if (job->fit == NULL)
        return err_nomem(err);
    for (int part = 0; part < SERIES; part++) {
        const struct series *s = &job->part[part];
        for (int shape = 0; shape < SHAPES && s->n > 0; shape++)
            for (size_t place = 0; place < job->places; place++) {
                double t0 = job->first_s + job->frame_s * (double)place;
                for (size_t i = 0; i < s->n; i++)
                    job->scratch[i] =
                        s->at[i].value -
                        log_blur(least_px[shape % LEASTS], rate_px_s[shape / LEASTS], s->at[i].time_s - t0);
                constant_of(s, job->scratch, fit_at(job, part, shape, place));
            }
    }
    return true;
}

/* How well all parts fit one way; the leading fifth lags by so many frames. */
static double fit_of(const struct pass_job *job, int lag, int shape, size_t place)
{
    double sum = 0;
    for (int part = 0; part < job->counted; part++)
        sum += *fit_at(job, part, shape, (size_t)((int)place + (int)lround(part_along[part] * lag)));
    return sum;
}

static double best_with_lag(const struct pass_job *job, int lag)
{
    double best = -INFINITY;
    for (int shape = 0; shape < SHAPES; shape++)
        for (size_t place = LONGEST_LAG; place + LONGEST_LAG < job->places; place++)
            best = fmax(best, fit_of(job, lag, shape, place));
    return best;
}

/* The best fit with any lag. */
static double best_fit(const struct pass_job *job, double none)
{
    double best = none;
    for (int k = 0; k < LAGS; k++)
        best = fmax(best, best_with_lag(job, 2 * k - LONGEST_LAG));
    return best;
}

/* Goes through the ways up to a lag that hardly weigh less than the best; notes them where there is room.
   Returns how many there are. */
static size_t list_ways(const struct pass_job *job, int longest, double best, struct way *way)
{
    const double trace = -9;
    size_t n = 0;
    for (int lag = -longest; lag <= longest; lag += 2)
        for (int shape = 0; shape < SHAPES; shape++)
            for (size_t place = LONGEST_LAG; place + LONGEST_LAG < job->places; place++) {
                double fit = fit_of(job, lag, shape, place) - best;
                if (fit < trace)
                    continue;
                if (way != NULL)
                    way[n] = (struct way){.t0_s = job->first_s + job->frame_s * (double)place,
                                          .lag_s = job->frame_s * lag,
                                          .rate = rate_px_s[shape / LEASTS],
                                          .least = least_px[shape % LEASTS],
                                          .weight = exp(fit)};
                n++;
            }
    return n;
}

/* Finds the ways that explain the parts. Lags are let in where they are clear; else the score of the whole
   has a say too, which keeps the way off what only some parts pass. */
static bool weigh_ways(struct pass_job *job, struct err *err)
{
    job->counted = PARTS;
    double none = best_with_lag(job, 0), best = best_fit(job, none), sum = 0;
    job->tilted = best - none >= CLEAR;
    job->counted = job->tilted ? PARTS : SERIES;
    int longest = job->tilted ? LONGEST_LAG : 0;
    best = job->tilted ? best : best_with_lag(job, 0);
    job->way = malloc((list_ways(job, longest, best, NULL) + 1) * sizeof *job->way);
    if (job->way == NULL)
        return err_nomem(err);
    job->ways = list_ways(job, longest, best, job->way);
    for (size_t i = 0; i < job->ways; i++)
        sum += job->way[i].weight;
    for (size_t i = 0; i < job->ways; i++)
        job->way[i].weight /= sum;
    return true;
}

/* Mean over the ways of ln blur at one place along the body (in lags) and moment, without the constant. */
static double mean_log_blur(const struct pass_job *job, double along, double time_s)
{
    double sum = 0;
    for (size_t i = 0; i < job->ways; i++) {
        const struct way *way = &job->way[i];
        sum += way->weight * log_blur(way->least, way->rate, time_s - way->t0_s - along * way->lag_s);
    }
    return sum;
}

/* What the plumage of the head end adds to ln blur. */
static double head_constant(const struct pass_job *job)
{
    for (size_t i = 0; i < job->head.n; i++)
        job->scratch[i] =
            job->head.at[i].value - mean_log_blur(job, part_along[PARTS - 1], job->head.at[i].time_s);
    return constant_of(&job->head, job->scratch, NULL);
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

static double chance_of_sharp(double log_px, double error)
{
    return 0.5 * erfc((log_px - log(RANK_SHARP_PX)) / (error * sqrt(2.0)));
}

/* How probable it is that the head end is sharp, from this frame by itself; of the whole where that cannot be
   read. */
static double chance_by_itself(const struct pass_job *job, const struct rank_item *item, double error)
{
    for (size_t i = 0; i < job->head.n; i++)
        if (fabs(job->head.at[i].time_s - (double)item->time_ns * 1e-9) < 1e-6)
            return chance_of_sharp(job->head.at[i].value, error);
    return item->p_sharp;
}

/* The head end's blur stands for the subject. A frame in which it is softer than in its pass, as after a
   jolt, is not made sharp by the curve. */
static void set_head_blur(const struct pass_job *job, const struct subject_region *region, double log_px,
                          struct rank_item *item)
{
    double error = fmax(job->head_error / (double)job->head.n, 1e-3);
    struct blur blur = {
        .log_sigma = log_px, .error = error, .p_sharp = chance_of_sharp(log_px, error), .known = true};
    double by_itself = chance_by_itself(job, item, error);
    blur_add_line(&blur, line_px(job->input, job->input->grid[item->frame], region));
    item->flags &= ~(uint32_t)RANK_F_NO_BLUR;
    set_blur(item, &blur);
    item->p_sharp = fmin(item->p_sharp, by_itself);
    item->part[RANK_HEAD_BLUR] = item->blur_px;
}

/* What neighbours in time share of what the way leaves of the readings, in squares of their errors. */
static double left_of_readings(const struct pass_job *job)
{
    double sum = 0, n = 0;
    for (int part = 0; part < PARTS; part++) {
        const struct series *s = &job->part[part];
        for (size_t i = 0; i < s->n; i++)
            job->scratch[i] = s->at[i].value - mean_log_blur(job, 0, s->at[i].time_s);
        double a = s->n > 0 ? constant_of(s, job->scratch, NULL) : 0, before = 0;
        for (size_t i = 0; i < s->n; i++) {
            double left = fmin(fmax((job->scratch[i] - a) / s->at[i].error, -2), 2);
            sum += left * before;
            n += i > 0;
            before = left;
        }
    }
    return n > 0 ? sum / n : INFINITY;
}

/* A tilted pass is ordered by its head end; what a frame has of its own against its neighbours stays. In the
   others the way stands beside the score. */
static void order_by_way(const struct pass_job *job, uint32_t pass, const struct subject_burst *found,
                         struct rank_scores *scores, const double *own)
{
    size_t i = 0;
    double constant = head_constant(job), left = left_of_readings(job);
    double beside = BESIDE * fmin(fmax((AGREEMENT - left) / (AGREEMENT - ACCIDENT), 0), 1);
    for (size_t t = 0; t < found->n; t++)
        for (size_t k = 0; job->input->grid[t] != NULL && k < found->frame[t].n_regions; k++, i++) {
            struct rank_item *item = &scores->item[i];
            if (item->pass != pass || (item->flags & RANK_F_AT_REST))
                continue;
            double log_px = mean_log_blur(job, HEAD_ALONG, (double)item->time_ns * 1e-9);
            if (job->tilted)
                set_head_blur(job, &found->frame[t].region[k], log_px + constant, item);
            item->score = job->tilted ? own[i] - log_px : item->score - beside * log_px;
        }
}

static void job_release(struct pass_job *job)
{
    free(job->room);
    free(job->scratch);
    free(job->fit);
    free(job->way);
}

/* Finds the ways of a pass; none where too little is known of its body, or it hardly moves. */
static bool judge_pass(struct pass_job *job, struct err *err)
{
    if (job->body->cells == 0)
        return true;
    if (!read_parts(job, err))
        return false;
    bool enough = moves_enough(job) && weigh(&job->head, job->scratch);
    for (int part = 0; part < SERIES; part++)
        job->part[part].n = weigh(&job->part[part], job->scratch) ? job->part[part].n : 0;
    if (!enough || job->part[PARTS - 1].n == 0)
        return true;
    return fit_parts(job, err) && weigh_ways(job, err);
}

bool head_settle(const struct subject_input *input, const struct subject_burst *found,
                 const struct body *bodies, const struct noise *noise, const uint8_t *sharp, double unit2,
                 struct rank_scores *scores, struct err *err)
{
    double *own = malloc((scores->n + 1) * sizeof *own);
    bool done = own != NULL ? true : err_nomem(err);
    if (done)
        order_own(scores, own);
    for (uint32_t pass = 1; done && pass <= found->n_passes; pass++) {
        struct pass_job job = {.input = input,
                               .noise = noise,
                               .sharp = sharp,
                               .scores = scores,
                               .unit2 = unit2,
                               .body = &bodies[pass - 1]};
        done = judge_pass(&job, err);
        if (done && job.ways > 0)
            order_by_way(&job, pass, found, scores, own);
        job_release(&job);
    }
    free(own);
    return done;
}
