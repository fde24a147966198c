/* The blur of a pass, all frames together, and the equations that it solves. */
#include <check.h>
#include <math.h>
#include <stdlib.h>

#include "../../src/rank/bordered.h"
#include "../../src/rank/pass_table.h"
#include "../../src/rank/score.h"

enum { ROWS = 9, SHARED = BORDERED_SHARED, ALL = ROWS + SHARED, FRAMES = 31 };

static double uniform(uint64_t *state)
{
    *state = *state * 6364136223846793005u + 1442695040888963407u;
    return (double)(*state >> 11) / 9007199254740992.0 - 0.5;
}

static double normal(uint64_t *state)
{
    double sum = 0;
    for (int i = 0; i < 12; i++)
        sum += uniform(state);
    return sum;
}

/* Gauss-Jordan on [a | x], without pivoting: the matrix is positive definite. */
static void eliminate(double a[ALL][ALL], double x[ALL][ALL + 1])
{
    for (int i = 0; i < ALL; i++) {
        double p = a[i][i];
        for (int c = 0; c < ALL; c++)
            a[i][c] /= p;
        for (int c = 0; c <= ALL; c++)
            x[i][c] /= p;
        for (int r = 0; r < ALL; r++) {
            double f = a[r][i];
            for (int c = 0; c < ALL && r != i; c++)
                a[r][c] -= f * a[i][c];
            for (int c = 0; c <= ALL && r != i; c++)
                x[r][c] -= f * x[i][c];
        }
    }
}

/* A band with a border is solved as the whole matrix is. */
START_TEST(band_and_border)
{
    static double a[ALL][ALL], x[ALL][ALL + 1]; /* x: inverse, then the solution */
    struct bordered b;
    struct err err = ERR_INIT;
    double row[ROWS];
    uint64_t state = 5;
    ck_assert(bordered_open(&b, ROWS, &err));
    for (int i = 0; i < ALL; i++) {
        x[i][i] = 1;
        x[i][ALL] = i < ROWS ? (b.right[i] = uniform(&state)) : (b.shared[i - ROWS] = uniform(&state));
        for (int j = i; j < ALL; j++) {
            double v = i == j ? 12 + uniform(&state) : uniform(&state);
            if (j < ROWS && j > i + 2)
                continue;
            a[i][j] = a[j][i] = v;
            if (j < ROWS)
                b.band[i][j - i] = v;
            else if (i < ROWS)
                b.border[i][j - ROWS] = v;
            else
                b.corner[i - ROWS][j - ROWS] = b.corner[j - ROWS][i - ROWS] = v;
        }
    }
    bordered_solve(&b);
    eliminate(a, x);
    for (int i = 0; i < ALL; i++)
        ck_assert_double_eq_tol(i < ROWS ? b.right[i] : b.shared[i - ROWS], x[i][ALL], 1e-9);
    for (int i = 0; i < ROWS; i++)
        ck_assert_double_eq_tol(bordered_variance(&b, (size_t)i, row), x[i][i], 1e-9);
    bordered_release(&b);
}
END_TEST

/* A pass whose energies are those of the table. */
struct made_pass {
    struct sums sums[FRAMES];
    struct rank_item item[FRAMES];
    struct subject_frame frame[FRAMES];
    struct subject_burst found;
    struct blur blur[FRAMES];
    double log_px[FRAMES];
};

static double fall(double log_px, int e)
{
    int k = 1;
    while (k < PASS_KNOTS - 1 && log_px > log(pass_knot_px[k]))
        k++;
    double a = log(pass_knot_px[k - 1]), part = (log_px - a) / (log(pass_knot_px[k]) - a);
    return pass_fall[k - 1][e] + part * (pass_fall[k][e] - pass_fall[k - 1][e]);
}

/* Through the plane of focus, 60 frames a second: .7 px in the middle, 2.6 px at the ends; `coat` is how much
   more detail the plumage has than the usual one, in scales; floors are `noise` times those of a clean frame.
 */
static struct made_pass *make_pass(double coat, double noise, int jolt)
{
    struct made_pass *p = calloc(1, sizeof *p);
    uint64_t state = 11;
    p->found = (struct subject_burst){.n = FRAMES, .frame = p->frame, .n_passes = 1};
    for (int t = 0; t < FRAMES; t++) {
        static const double floor[PASS_ENERGIES] = {20, 1.5, 0.5, 0.15, 0.04};
        double energy[PASS_ENERGIES], pose = 0.3 * normal(&state);
        p->log_px[t] = log(hypot(0.7, 2.5 * (t - 15) / 15.0) * (t == jolt ? 2.5 : 1));
        for (int e = 0; e < PASS_ENERGIES; e++) {
            double level = pass_usual[e] - coat * e + pose + 0.05 * normal(&state);
            energy[e] = exp(level + fall(p->log_px[t], e)) + noise * floor[e];
            if (e < ENERGIES) {
                p->sums[t].mean[e] = energy[e];
                p->sums[t].floor[e] = noise * floor[e];
                p->sums[t].signal[e] = energy[e] - noise * floor[e];
            }
        }
        p->sums[t].g8 = energy[PASS_ENERGIES - 1];
        p->sums[t].cells = 60;
        p->sums[t].luma = 100;
        p->sums[t].floor_error = 0.1;
        p->frame[t].gain = 1;
        p->item[t] = (struct rank_item){.frame = (uint32_t)t, .pass = 1, .time_ns = t * INT64_C(16666667)};
        blur_estimate(&p->sums[t], &p->blur[t]);
    }
    return p;
}

static void fit(struct made_pass *p)
{
    struct rank_scores scores = {p->item, FRAMES};
    struct err err = ERR_INIT;
    ck_assert(pass_blur_fit(&p->found, 8, p->sums, &scores, p->blur, &err));
}

static double median_error(const struct made_pass *p)
{
    double off[FRAMES];
    for (int t = 0; t < FRAMES; t++)
        off[t] = fabs(p->blur[t].log_sigma - p->log_px[t]);
    return median_of(off, FRAMES);
}

/* A coat plainer or richer than the usual one misleads a frame by itself; the pass knows better. */
START_TEST(plumage_is_learnt)
{
    static const double coat[] = {-0.3, 0, 0.3};
    struct made_pass *p = make_pass(coat[_i], 1, -1);
    double alone = median_error(p);
    fit(p);
    double together = median_error(p);
    ck_assert_msg(together < 0.12 && together < 0.7 * fmax(alone, 0.15), "median error %.3f, alone %.3f",
                  together, alone);
    for (int t = 0; t < FRAMES; t++) {
        double off = fabs(p->blur[t].log_sigma - p->log_px[t]);
        ck_assert_msg(p->blur[t].known && off < 2.5 * p->blur[t].error, "frame %d: %.2f px taken for %.2f", t,
                      exp(p->log_px[t]), exp(p->blur[t].log_sigma));
    }
    free(p);
}
END_TEST

/* The curve of the pass does not hide the one frame that is blurred by a jolt. */
START_TEST(a_jolt_stays)
{
    enum { JOLT = 17 };
    struct made_pass *p = make_pass(0, 1, JOLT);
    fit(p);
    double above =
        p->blur[JOLT].log_sigma - 0.5 * (p->blur[JOLT - 1].log_sigma + p->blur[JOLT + 1].log_sigma);
    ck_assert_msg(above > 0.5, "a jolt of %.2f became %.2f", log(2.5), above);
    free(p);
}
END_TEST

/* The more noise, the wider the error bars; bare noise is not known to be sharp. */
START_TEST(noise_widens)
{
    static const double noise[] = {1, 30, 1e5};
    double before = 0;
    for (int i = 0; i < 3; i++) {
        struct made_pass *p = make_pass(0, noise[i], -1);
        fit(p);
        ck_assert_msg(p->blur[15].error > before, "error %.3f after %.3f", p->blur[15].error, before);
        before = p->blur[15].error;
        if (i == 2)
            ck_assert_msg(!p->blur[15].known || p->blur[15].p_sharp < 0.95, "p %.3f, error %.3f",
                          p->blur[15].p_sharp, p->blur[15].error);
        free(p);
    }
}
END_TEST

/* Two frames are no pass: they keep what they say by themselves. */
START_TEST(few_frames_stay)
{
    struct made_pass *p = make_pass(0.3, 1, -1);
    struct rank_scores scores = {p->item, 2};
    struct err err = ERR_INIT;
    struct blur before = p->blur[1];
    ck_assert(pass_blur_fit(&p->found, 8, p->sums, &scores, p->blur, &err));
    ck_assert(p->blur[1].log_sigma == before.log_sigma && p->blur[1].error == before.error);
    free(p);
}
END_TEST

/* A pass that is blurred where the scene is not sharp is not taken for sharp; one that is sharp there stays.
 */
START_TEST(scene_within_is_doubted)
{
    struct made_pass *p = make_pass(0, 1, -1), *rest = make_pass(0, 1, -1);
    struct rank_scores scores = {p->item, FRAMES};
    struct err err = ERR_INIT;
    fit(p);
    ck_assert_double_gt(p->blur[15].p_sharp, 0.9);
    for (int t = 0; t < FRAMES; t++)
        rest->sums[t].cells = 20;
    ck_assert(doubt_scene(&p->found, 8, p->sums, rest->sums, &scores, p->blur, &err));
    ck_assert_double_gt(p->blur[15].p_sharp, 0.9);
    for (int t = 0; t < FRAMES; t++) { /* 4.5 px and more */
        double softer = log(4.5 / 0.7);
        for (int e = 0; e < ENERGIES; e++)
            rest->sums[t].mean[e] =
                rest->sums[t].floor[e] + exp(pass_usual[e] + fall(p->log_px[t] + softer, e));
        rest->sums[t].g8 = exp(pass_usual[ENERGIES] + fall(p->log_px[t] + softer, ENERGIES));
    }
    ck_assert(doubt_scene(&p->found, 8, p->sums, rest->sums, &scores, p->blur, &err));
    ck_assert_double_lt(p->blur[15].p_sharp, 0.5);
    free(p);
    free(rest);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("pass blur");
    TCase *tests = tcase_create("pass");
    tcase_add_test(tests, band_and_border);
    tcase_add_loop_test(tests, plumage_is_learnt, 0, 3);
    tcase_add_test(tests, a_jolt_stays);
    tcase_add_test(tests, noise_widens);
    tcase_add_test(tests, few_frames_stay);
    tcase_add_test(tests, scene_within_is_doubted);
    suite_add_tcase(suite, tests);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
