/*
 * What one pass teaches, on passes that are made up from the model with known truth and noise: place of least
 * blur, speed, and whether focus or motion costs the frames. Normal noise: Box and Muller 1958.
 */
#include <check.h>
#include <math.h>
#include <stdlib.h>

#include "../../src/report/lesson.h"

enum { FRAMES = 24, PASSES = 200 };
#define WIDTH 2400.0
#define FRAME_S (1 / 120.0)

static uint32_t random_state = 88172645u; /* xorshift32: Marsaglia 2003 */

static double uniform(void)
{
    random_state ^= random_state << 13;
    random_state ^= random_state >> 17;
    random_state ^= random_state << 5;
    return (random_state + 0.5) / 4294967296.0;
}

static double normal(void)
{
    return sqrt(-2 * log(uniform())) * cos(6.283185307179586 * uniform());
}

struct truth {
    double at_s, speed, rate, exposure_s, extra_px; /* extra: blur that neither focus nor motion makes */
};

static void make_pass(const struct truth *t, struct lesson_sample sample[FRAMES])
{
    for (int i = 0; i < FRAMES; i++) {
        double s = i * FRAME_S, focus = t->rate * (s - t->at_s);
        double blur = sqrt(LESSON_BEST_PX * LESSON_BEST_PX + lesson_motion_var(t->speed, t->exposure_s) +
                           focus * focus + t->extra_px * t->extra_px);
        sample[i] = (struct lesson_sample){.t_s = s,
                                           .x = 200 + t->speed * s + 6 * normal(),
                                           .y = 900 + 25 * sin(50 * s) + 6 * normal(),
                                           .blur_px = blur * exp(0.08 * normal()),
                                           .sd_px = 0.15 * blur,
                                           .whole = true};
    }
}

START_TEST(place_and_speed)
{
    int found = 0, placed = 0, fast = 0;
    for (int i = 0; i < PASSES; i++) {
        struct lesson_sample sample[FRAMES];
        struct lesson_fit fit;
        const struct truth t = {.at_s = (5 + 14 * uniform()) * FRAME_S,
                                .speed = 6000 + 4000 * uniform(),
                                .rate = 20 + 30 * uniform(),
                                .exposure_s = 1 / 8000.0};
        make_pass(&t, sample);
        lesson_fit_pass(sample, FRAMES, &fit);
        ck_assert(fit.has_speed);
        fast += fabs(fit.speed / t.speed - 1) < 0.05;
        found += fit.has_plane;
        placed += fit.has_plane && fabs(fit.x - (200 + t.speed * t.at_s)) < 0.03 * WIDTH;
    }
    ck_assert_int_ge(fast, PASSES * 98 / 100);
    ck_assert_int_ge(found, PASSES * 80 / 100);
    ck_assert_int_ge(placed, found * 95 / 100);
}
END_TEST

static int causes(const struct truth *t, enum lesson_cause wanted, int *clear)
{
    int right = 0;
    *clear = 0;
    for (int i = 0; i < PASSES; i++) {
        struct lesson_sample sample[FRAMES];
        struct lesson_fit fit;
        make_pass(t, sample);
        lesson_fit_pass(sample, FRAMES, &fit);
        enum lesson_cause cause = lesson_cause_of(sample, FRAMES, &fit, t->exposure_s);
        *clear += cause != LESSON_UNKNOWN;
        right += cause == wanted;
    }
    return right;
}

START_TEST(cause_is_right)
{
    const struct truth focus = {12 * FRAME_S, 9000, 40, 1 / 8000.0, 0};
    const struct truth motion = {12 * FRAME_S, 9000, 8, 1 / 500.0, 0};
    const struct truth shimmer = {12 * FRAME_S, 9000, 30, 1 / 8000.0, 2.5};
    int clear, right = causes(&focus, LESSON_FOCUS, &clear);
    ck_assert_int_ge(clear, PASSES * 8 / 10);
    ck_assert_int_ge(right, clear * 9 / 10);
    right = causes(&motion, LESSON_MOTION, &clear);
    ck_assert_int_ge(clear, PASSES * 8 / 10);
    ck_assert_int_ge(right, clear * 9 / 10);
    right = causes(&shimmer, LESSON_NEITHER, &clear);
    ck_assert_int_ge(clear, PASSES / 2);
    ck_assert_int_ge(right, clear * 9 / 10);
}
END_TEST

/* Nothing is said of too few frames, of a bird that never comes near the plane, or of one that stays. */
START_TEST(nothing_is_made_up)
{
    struct lesson_sample sample[FRAMES];
    struct lesson_fit fit;
    const struct truth t = {12 * FRAME_S, 9000, 40, 1 / 8000.0, 0};
    make_pass(&t, sample);
    lesson_fit_pass(sample, 3, &fit);
    ck_assert(!fit.has_speed && !fit.has_plane);
    ck_assert_int_eq(lesson_cause_of(sample, 3, &fit, t.exposure_s), LESSON_UNKNOWN);
    int found = 0;
    for (int i = 0; i < PASSES; i++) {
        const struct truth away = {-20 * FRAME_S, 9000, 40, 1 / 8000.0, 0};
        make_pass(&away, sample);
        lesson_fit_pass(sample, FRAMES, &fit);
        found += fit.has_plane;
    }
    ck_assert_int_le(found, PASSES / 100);
    for (int i = 0; i < FRAMES; i++)
        sample[i].x = 1000 + 20 * normal(), sample[i].y = 800 + 20 * normal();
    lesson_fit_pass(sample, FRAMES, &fit);
    ck_assert(!fit.has_speed);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("lesson");
    TCase *one = tcase_create("pass");
    tcase_add_test(one, place_and_speed);
    tcase_add_test(one, cause_is_right);
    tcase_add_test(one, nothing_is_made_up);
    suite_add_tcase(suite, one);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed != 0;
}
