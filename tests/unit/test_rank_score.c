/* The parts of a score: the noise floor, and what neighbours in time do to a score. */
#include <check.h>
#include <math.h>
#include <stdlib.h>

#include "../../src/rank/score.h"
#include "../ref/scene_maker.h"

enum { SIDE = 512 };

static double gauss(uint64_t *state)
{
    double sum = 0;
    for (int i = 0; i < 12; i++) {
        *state = *state * 6364136223846793005u + 1442695040888963407u;
        sum += (double)(*state >> 40) / 16777216.0;
    }
    return sum - 6;
}

/* Grey with noise whose neighbours weigh `near`; the right part, if any, is textured. */
static uint8_t *noisy_picture(double sd, double near, int bare_cols)
{
    double *white = calloc(SIDE * SIDE, sizeof *white);
    uint8_t *luma = malloc(SIDE * SIDE);
    uint64_t state = 7;
    for (int i = 0; i < SIDE * SIDE; i++)
        white[i] = gauss(&state);
    for (int i = 0; i < SIDE * SIDE; i++) {
        int up = (i + SIDE * SIDE - SIDE) % (SIDE * SIDE), down = (i + SIDE) % (SIDE * SIDE);
        int left = (i + SIDE * SIDE - 1) % (SIDE * SIDE), right = (i + 1) % (SIDE * SIDE);
        double v = white[i] + near * (white[up] + white[down] + white[left] + white[right]);
        double texture = i % SIDE >= bare_cols ? 30 * sin(i % SIDE * 0.7) * sin(i / SIDE * 0.9) : 0;
        luma[i] = (uint8_t)(fmin(fmax(118 + texture + sd * v / sqrt(1 + 4 * near * near), 0), 255) + 0.5);
    }
    free(white);
    return luma;
}

/* The floor is the mean of bare cells, whatever the part of the picture that is bare. */
START_TEST(floor_is_of_bare_cells)
{
    static const int bare[] = {SIDE, SIDE / 3};
    static const double allowed[] = {0.15, 0.4};
    struct grid grid;
    const struct grid *one[1] = {&grid};
    int64_t when[1] = {0};
    uint8_t *packed, *luma = noisy_picture(5, 0.2, bare[_i]);
    struct noise noise;
    struct err err = ERR_INIT;
    grid_make(luma, SIDE, SIDE, &grid, &packed);
    struct subject_input input = {.grid = one, .time_ns = when, .n = 1};
    ck_assert(noise_find(&input, &noise, &err));
    for (int e = 0; e < ENERGIES; e++) {
        double mean = 0, n = 0;
        for (uint32_t r = 1; r + 1 < grid.rows; r++)
            for (uint32_t c = 1; c + 2 < (uint32_t)bare[_i] / 8; c++, n++)
                mean += (double)grid_value(&grid, energy_plane(e), (size_t)r * grid.cols + c);
        double floor = (double)noise_at(&noise, e, 118);
        ck_assert_msg(fabs(floor / (mean / n) - 1) < allowed[_i], "energy %d: floor %.3f, bare cells %.3f", e,
                      floor, mean / n);
    }
    free(packed);
    free(luma);
}
END_TEST

/* A beat of the wings is steadied, a jolt is kept. */
START_TEST(neighbours_steady)
{
    enum { N = 30, JOLT = 17 };
    struct rank_item item[N] = {{0}};
    struct rank_scores scores = {item, N};
    double value[N], clean[N], scratch[3 * N], before = 0, after = 0;
    for (int t = 0; t < N; t++) {
        item[t] = (struct rank_item){.frame = (uint32_t)t, .pass = 1, .time_ns = t * INT64_C(10000000)};
        clean[t] = 1 - 0.0004 * (t - 12) * (t - 12);
        value[t] = clean[t] + (t % 2 ? 0.06 : -0.06);
    }
    value[JOLT] -= 2;
    order_smooth(&scores, value, scratch);
    for (int t = 0; t < N; t++)
        if (abs(t - JOLT) > 4) {
            before += 0.06 * 0.06;
            after += (value[t] - clean[t]) * (value[t] - clean[t]);
        }
    ck_assert_msg(after < 0.25 * before, "variance %.5f is left of %.5f", after, before);
    ck_assert_msg(value[JOLT] < clean[JOLT] - 1.5, "a jolt of 2 became %.2f", clean[JOLT] - value[JOLT]);
}
END_TEST

/* Frames half a second apart have nothing to do with each other. */
START_TEST(far_neighbours_do_nothing)
{
    struct rank_item item[3] = {{.time_ns = 0}, {.time_ns = 500000000}, {.time_ns = 1000000000}};
    struct rank_scores scores = {item, 3};
    double value[3] = {1, 5, 2}, scratch[9];
    order_smooth(&scores, value, scratch);
    ck_assert_double_eq_tol(value[0], 1, 1e-9);
    ck_assert_double_eq_tol(value[1], 5, 1e-9);
    ck_assert_double_eq_tol(value[2], 2, 1e-9);
}
END_TEST

/* A uniform distribution over L has a variance of L^2 / 12 along it and none across: L^2 / 24 a axis. */
START_TEST(motion_is_added_in_squares)
{
    struct blur still = {.log_sigma = log(0.8), .error = 0.2, .p_sharp = 0.999, .known = true}, moved = still;
    blur_add_line(&moved, 0);
    ck_assert(moved.log_sigma == still.log_sigma && moved.p_sharp == still.p_sharp);
    blur_add_line(&moved, 6);
    ck_assert_double_eq_tol(exp(moved.log_sigma), sqrt(0.64 + 36.0 / 24.0), 1e-9);
    /* what is not sure is the picture's share of the whole, and a fifth of the line's */
    ck_assert_double_eq_tol(moved.error, hypot(0.2 * 0.64, 0.2 * 1.5) / 2.14, 1e-9);
    ck_assert_double_gt(moved.p_sharp, 0.95);
    ck_assert_double_le(moved.p_sharp, still.p_sharp);
    moved = still;
    blur_add_line(&moved, 10.3); /* leaves .65 px of the limit of 2.2 */
    ck_assert_double_lt(moved.p_sharp, 0.5);
    moved = still;
    blur_add_line(&moved, 11); /* more than the limit by itself */
    ck_assert_double_eq(moved.p_sharp, 0);
}
END_TEST

/* A brightness at which there is nothing but reeds takes no more noise from them than its neighbours have. */
START_TEST(floor_of_what_is_never_bare)
{
    struct grid grid;
    const struct grid *one[1] = {&grid};
    int64_t when[1] = {0};
    uint8_t *packed, *luma = noisy_picture(2, 0.2, SIDE);
    for (int i = 0; i < SIDE * SIDE; i++)
        if (i % SIDE < SIDE / 4) /* dark: luma 35 to 61 */
            luma[i] = (uint8_t)(luma[i] - 70 + (i % SIDE + i / SIDE) % 8 * 4 - 14);
    struct noise noise;
    struct err err = ERR_INIT;
    grid_make(luma, SIDE, SIDE, &grid, &packed);
    struct subject_input input = {.grid = one, .time_ns = when, .n = 1};
    ck_assert(noise_find(&input, &noise, &err));
    float reeds = grid_value(&grid, GRID_G1, grid.cols * 30 + 8), bare = noise_at(&noise, ENERGY_G1, 118);
    float dark = noise_at(&noise, ENERGY_G1, 48);
    ck_assert_float_gt(reeds, 10 * bare);
    ck_assert_msg(dark < 12 * bare && dark < 0.6f * reeds, "bare %.2f, dark %.2f, reeds %.2f", (double)bare,
                  (double)dark, (double)reeds);
    free(packed);
    free(luma);
}
END_TEST

/* What the floor takes away altogether is not known, however sure the coarser scales are. */
START_TEST(drowned_is_not_known)
{
    struct sums sums = {.cells = 100,
                        .signal = {120, 30, 60, 110},
                        .floor = {40, 5, 2, 0.6},
                        .floor_error = 0.1,
                        .g8 = 150,
                        .variance = 400};
    struct blur blur;
    blur_estimate(&sums, &blur);
    ck_assert(blur.known);
    sums.signal[ENERGY_L1] = sums.signal[ENERGY_G1] = 1e-3;
    sums.floor_error = 0.35;
    blur_estimate(&sums, &blur);
    ck_assert(!blur.known);
}
END_TEST

/* The same profile of a tail: of a sharp bird all of it counts, of a blurred one less, and without a known
   blur the box stays as it was. */
START_TEST(rear_end_by_blur)
{
    static const double blur_px[] = {0.7, 2.0, 4.5};
    static const float least[] = {20, 40, 60}, most[] = {30, 60, 80};
    struct grid grid = {.width_px = 1600, .height_px = 800, .cell_px = 8, .cols = 200, .rows = 100};
    const struct grid *one[1] = {&grid};
    struct subject_frame frame = {.n_regions = 1};
    struct subject_burst found = {.n = 1, .frame = &frame, .n_passes = 1, .mode = SUBJECT_MOVING};
    struct subject_input input = {.grid = one, .n = 1};
    struct subject_region *region = &frame.region[0];
    *region = (struct subject_region){.pass = 1, .col = 20, .row = 30, .cols = 20, .rows = 10};
    region->rear = (struct subject_rear){.known = true, .upright = true, .step = _i % 2 ? 1 : -1};
    for (int k = 0; k < SUBJECT_REAR_SHARES; k++)
        region->rear.inset[k] = 2.5f + (float)k * 1.25f;
    struct rank_item item = {.blur_px = (double)NAN};
    struct rank_scores scores = {.item = &item, .n = 1};
    box_px(&item, &grid, region);
    boxes_settle(&input, &found, &scores);
    ck_assert_uint_eq(item.w_px, 160);
    item.blur_px = blur_px[_i / 2];
    boxes_settle(&input, &found, &scores);
    float cut = 160.0f - (float)item.w_px;
    ck_assert_msg(cut >= least[_i / 2] && cut <= most[_i / 2], "%.1f px", (double)cut);
    ck_assert_uint_eq(item.x_px, _i % 2 ? 160 + (uint32_t)cut : 160);
    ck_assert_uint_eq(item.h_px, 80);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("rank score");
    TCase *tests = tcase_create("parts");
    tcase_add_loop_test(tests, rear_end_by_blur, 0, 6);
    tcase_add_loop_test(tests, floor_is_of_bare_cells, 0, 2);
    tcase_add_test(tests, neighbours_steady);
    tcase_add_test(tests, motion_is_added_in_squares);
    tcase_add_test(tests, far_neighbours_do_nothing);
    tcase_add_test(tests, floor_of_what_is_never_bare);
    tcase_add_test(tests, drowned_is_not_known);
    suite_add_tcase(suite, tests);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
