/*
 * bench_lesson.c - how right the session report is about single flights, on rendered bursts with a known
 * truth: where the bird crosses the plane of focus (along its way, against the engine's own box at that
 * moment), how fast it is, and whether distance or motion costs the frames. Each burst is rendered twice: as
 * its condition has it, and with a shutter so long that the bird smears over 22 px.
 *
 *     bench_lesson [SEEDS]     default 2 of each condition; ends with 1 when a limit is missed
 */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "../../src/report/lesson.h"
#include "chaffinch/rank.h"
#include "plate.h"
#include "scene.h"

static const char *const conditions[] = {"smooth", "clutter",   "fps-60",  "fps-120",
                                         "jpeg",   "low-noise", "size-15", "sharpened"};
enum { CONDITIONS = sizeof conditions / sizeof conditions[0] };
#define LONG_SMEAR_PX 22.0
#define PLANE_LIMIT 0.03 /* of the width */
#define SPEED_LIMIT 0.05

struct truth {
    double cross_s; /* NAN = never */
    double speed;   /* px/s there, else half-way */
    enum lesson_cause cause;
};

struct tally {
    int bursts, passes, planes, placed, speeds, fast, clear, right;
};

static void fail(const char *what)
{
    fprintf(stderr, "bench: %s\n", what);
    exit(1);
}

static double depth_at(const struct scene_script *s, double t)
{
    struct bird_pose pose;
    uint32_t flags;
    (void)actor_pose(s, &s->actor[0], (float)t, &pose, &flags);
    return (double)pose.at.z;
}

static double speed_at(const struct scene_script *s, double t)
{
    struct bird_pose pose;
    uint32_t flags;
    (void)actor_pose(s, &s->actor[0], (float)t, &pose, &flags);
    double scale = (double)lens_scale_px(&s->lens, s->lens.focus_mm - pose.at.z);
    return hypot((double)pose.velocity.x, (double)pose.velocity.y) * scale;
}

/* The variances that the report compares, over the frames in which the bird is whole. */
static enum lesson_cause cause_of(const struct scene_script *s, const struct bench_burst *b)
{
    double focus = 0, motion = 0;
    for (uint32_t i = 0; i < b->n; i++) {
        const struct bench_bird *bird = &b->frame[i].bird[0];
        double t = i / (double)s->fps;
        if ((bird->flags & BIRD_PRESENT) == 0 || (bird->flags & (BIRD_CUT | BIRD_HIDDEN)) != 0)
            continue;
        double disc = (double)lens_disc_px(&s->lens, s->lens.focus_mm - (float)depth_at(s, t));
        focus += disc * disc / 16;
        motion += lesson_motion_var(speed_at(s, t), (double)s->lens.exposure_s);
    }
    return focus >= 2 * motion ? LESSON_FOCUS : motion >= 2 * focus ? LESSON_MOTION : LESSON_UNKNOWN;
}

static struct truth truth_of(const struct scene_script *s, const struct bench_burst *b)
{
    struct truth truth = {.cross_s = NAN};
    double frame_s = 1 / (double)s->fps;
    for (uint32_t i = 0; i + 1 < b->n; i++) {
        double a = depth_at(s, i * frame_s), z = depth_at(s, (i + 1) * frame_s);
        if (isnan(truth.cross_s) && (a <= 0) != (z <= 0))
            truth.cross_s = (i + a / (a - z)) * frame_s;
    }
    truth.speed = speed_at(s, isnan(truth.cross_s) ? b->n / 2 * frame_s : truth.cross_s);
    truth.cause = cause_of(s, b);
    return truth;
}

static size_t samples_of(const struct rank_scores *scores, int64_t start_ns, struct lesson_sample *sample)
{
    size_t n = 0;
    for (size_t i = 0; i < scores->n; i++) {
        const struct rank_item *item = &scores->item[i];
        bool known = (item->flags & RANK_F_NO_BLUR) == 0 && !isnan(item->blur_px);
        if (item->pass != 1)
            continue;
        sample[n++] = (struct lesson_sample){
            .t_s = (double)(item->time_ns - start_ns) / 1e9,
            .x = item->x_px + item->w_px / 2.0,
            .y = item->y_px + item->h_px / 2.0,
            .blur_px = known ? item->blur_px : NAN,
            .sd_px = known ? (item->blur_high_px - item->blur_low_px) / 2 : NAN,
            .whole = (item->flags & (RANK_F_CUT | RANK_F_HIDDEN | RANK_F_AT_REST)) == 0};
    }
    return n;
}

/* Along the way: across it a flapping wing moves the box by more than any error here. */
static double plane_error(const struct lesson_sample *sample, size_t n, const struct lesson_fit *fit,
                          double t)
{
    for (size_t i = 0; i + 1 < n; i++) {
        if (t < sample[i].t_s || t > sample[i + 1].t_s)
            continue;
        double f = (t - sample[i].t_s) / (sample[i + 1].t_s - sample[i].t_s);
        double x = sample[i].x + f * (sample[i + 1].x - sample[i].x);
        double y = sample[i].y + f * (sample[i + 1].y - sample[i].y);
        return ((fit->x - x) * fit->vx + (fit->y - y) * fit->vy) / fit->speed;
    }
    return NAN;
}

static void judge(const struct scene_script *s, const struct bench_burst *b, const char *name,
                  struct tally *tally)
{
    const struct grid *view[BENCH_FRAMES];
    struct grid grid[BENCH_FRAMES];
    int64_t time_ns[BENCH_FRAMES];
    struct lesson_sample sample[BENCH_FRAMES * SUBJECT_MAX_REGIONS];
    struct rank_scores scores;
    struct lesson_fit fit;
    struct err err = ERR_INIT;
    for (uint32_t i = 0; i < b->n; i++) {
        if (!grid_view(&grid[i], b->frame[i].packed, b->frame[i].packed_bytes, &err))
            fail(err.message);
        view[i] = &grid[i];
        time_ns[i] = b->frame[i].time_ns;
    }
    const struct subject_input input = {.grid = view, .time_ns = time_ns, .n = b->n};
    struct subject_burst *found = subject_find(&input, &err);
    if (found == NULL || !rank_score(&input, found, &scores, &err))
        fail(err.message);
    const struct truth truth = truth_of(s, b);
    size_t n = samples_of(&scores, time_ns[0], sample);
    lesson_fit_pass(sample, n, &fit);
    enum lesson_cause cause = lesson_cause_of(sample, n, &fit, (double)s->lens.exposure_s);
    double off = fit.has_plane && !isnan(truth.cross_s) ? plane_error(sample, n, &fit, truth.cross_s) : NAN;
    double wrong = fit.has_speed ? fit.speed / truth.speed - 1 : NAN;
    tally->bursts++;
    tally->passes += n > 0;
    tally->planes += !isnan(off);
    tally->placed += fabs(off) <= PLANE_LIMIT * b->width_px;
    tally->speeds += fit.has_speed;
    tally->fast += fabs(wrong) <= SPEED_LIMIT;
    tally->clear += cause != LESSON_UNKNOWN && truth.cause != LESSON_UNKNOWN;
    tally->right += cause != LESSON_UNKNOWN && cause == truth.cause;
    printf("%-10s plane %6.1f %%  speed %6.1f %%  cause %d, truly %d\n", name, 100 * off / b->width_px,
           100 * wrong, (int)cause, (int)truth.cause);
    rank_scores_release(&scores);
    subject_free(found);
}

static void run(struct studio *studio, int condition, unsigned seed, bool smear, struct tally *tally)
{
    struct scene_script s = condition_script(condition, seed, 0);
    struct bench_burst burst;
    if (smear)
        s.lens.exposure_s = (float)(LONG_SMEAR_PX / speed_at(&s, s.frames / 2.0 / (double)s.fps));
    scene_render(studio, &s, NULL, &burst);
    judge(&s, &burst, condition_name(condition), tally);
    burst_release(&burst);
}

int main(int argc, char **argv)
{
    unsigned seeds = argc > 1 ? (unsigned)strtoul(argv[1], NULL, 10) : 2;
    struct studio studio;
    struct tally t = {0};
    studio_open(&studio);
    for (int i = 0; i < CONDITIONS; i++)
        for (unsigned seed = 201; seed < 201 + seeds; seed++)
            for (int smear = 0; smear < 2; smear++)
                run(&studio, condition_by_name(conditions[i]), seed, smear == 1, &t);
    studio_close(&studio);
    printf("%d bursts, %d with a pass: plane within 3 %% of the width in %d of %d, speed within 5 %% in %d "
           "of %d, "
           "cause right in %d of %d clear ones\n",
           t.bursts, t.passes, t.placed, t.planes, t.fast, t.speeds, t.right, t.clear);
    return t.placed * 10 < t.planes * 9 || t.fast * 10 < t.speeds * 9 || t.right * 10 < t.clear * 9;
}
