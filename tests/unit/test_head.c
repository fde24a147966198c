/* Body and head end of a bird that is drawn cell by cell: wings that come and go, parts that are sharp in
 * turn. */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "../../src/rank/blur_table.h"
#include "../../src/rank/head.h"

enum { COLS = 160, ROWS = 40, FRAMES = 24, LONG = 20, TALL = 5, BOX_C = 26, BOX_R = 14, STEP = 5 };

static uint16_t luma[COLS * ROWS];
static uint8_t plane[FRAMES][GRID_PLANES][COLS * ROWS], mask[FRAMES][BOX_C * BOX_R];
static struct grid grid[FRAMES];
static const struct grid *view[FRAMES];
static int64_t when[FRAMES];
static struct subject_frame frames[FRAMES];
static struct subject_burst found;
static struct rank_item item[FRAMES];
static struct rank_scores scores;
static struct noise noise;
static uint32_t state;

static double random_share(void)
{
    state = state * 1664525u + 1013904223u;
    return (double)(state >> 8) / 16777216.0;
}

static uint8_t code(double value)
{
    const float *v = grid_values();
    int best = 0;
    for (int i = 1; i < 256; i++)
        if (fabs((double)v[i] - value) < fabs((double)v[best] - value))
            best = i;
    return (uint8_t)best;
}

/* Energies of a plumage under a blur, as photographs have them on average. */
static void paint(int t, int c, int r, double sigma, double plumage)
{
    static const enum grid_plane finer[BLUR_RATIOS] = {GRID_L1, GRID_G1, GRID_G2, GRID_G4};
    double energy = 180 * plumage * (0.75 + 0.5 * random_share());
    int k = 1;
    while (k < BLUR_KNOTS - 1 && sigma > blur_knot_px[k])
        k++;
    double part = log(sigma / blur_knot_px[k - 1]) / log(blur_knot_px[k] / blur_knot_px[k - 1]);
    plane[t][GRID_G8][r * COLS + c] = code(energy);
    for (int i = BLUR_RATIOS - 1; i >= 0; i--) {
        energy *= exp(blur_table[k - 1][i] + part * (blur_table[k][i] - blur_table[k - 1][i]));
        plane[t][finer[i]][r * COLS + c] = code(energy);
    }
    plane[t][GRID_VAR][r * COLS + c] = code(200);
}

/* How far the middle of the body is from the plane of focus, frames. */
static double straight(int t)
{
    return t - 9;
}

/* To and fro, as a bird that hovers. */
static double sways(int t)
{
    return 8 * sin(t * 0.4);
}

/* Flies to the right; the body is rows 5 to 9 of the box. A wing goes up and down, and ahead of the head.
 * `lag` is that of the head end against the middle, frames. */
static void fly_on(double (*way)(int t), double lag)
{
    memset(mask, 0, sizeof mask);
    memset(plane, 0, sizeof plane);
    state = 1;
    for (int i = 0; i < COLS * ROWS; i++)
        luma[i] = 100 * 128;
    for (int t = 0; t < FRAMES; t++) {
        int left = 2 + STEP * t, beat = t % 6;
        grid[t] = (struct grid){.width_px = COLS * 8,
                                .height_px = ROWS * 8,
                                .cell_px = 8,
                                .cols = COLS,
                                .rows = ROWS,
                                .luma = luma};
        for (int p = 0; p < GRID_PLANES; p++)
            grid[t].plane[p] = plane[t][p];
        for (int r = 0; r < BOX_R; r++)
            for (int c = 0; c < BOX_C; c++) {
                double along = (c + 0.5) / LONG, z = 0.35 * (way(t) - lag * (along - 0.5) / 0.4);
                bool body = c < LONG && r >= 5 && r < 10;
                bool wing = c >= 9 && c < 14 && (beat < 3 ? r < 5 : r >= 10);
                bool ahead = beat == 1 && c >= 16 && r < 7;
                if (!body && !wing && !ahead)
                    continue;
                mask[t][r * BOX_C + c] = SUBJECT_CLEAR;
                double sigma = body ? sqrt(0.36 + z * z) : 0.7 + 0.4 * beat;
                paint(t, left + c, 10 + r, sigma, c < 6 ? 3.0 : 1.0); /* the tail is the most contrasty */
            }
        view[t] = &grid[t];
        when[t] = t * INT64_C(10000000);
        frames[t] = (struct subject_frame){.n_regions = 1,
                                           .region = {{.pass = 1,
                                                       .col = (uint32_t)left,
                                                       .row = 10,
                                                       .cols = BOX_C,
                                                       .rows = BOX_R,
                                                       .mask = mask[t],
                                                       .flying = true,
                                                       .centre_col = (float)(left + 11 + t % 3),
                                                       .centre_row = (float)(16 + (beat < 3 ? 0 : 2)),
                                                       .velocity_col_s = STEP * 100.0f}}};
        item[t] = (struct rank_item){
            .frame = (uint32_t)t, .pass = 1, .time_ns = when[t], .score = 0.5, .blur_px = 1, .p_sharp = 1};
        item[t].part[RANK_HEAD_BLUR] = (double)NAN;
    }
    found = (struct subject_burst){.n = FRAMES, .frame = frames, .n_passes = 1, .mode = SUBJECT_MOVING};
    scores = (struct rank_scores){item, FRAMES};
}

static void fly(double lag)
{
    fly_on(straight, lag);
}

static void settle_before(const uint8_t *sharp)
{
    struct subject_input input = {.grid = view, .time_ns = when, .n = FRAMES};
    struct err err = ERR_INIT;
    struct body *bodies;
    ck_assert(bodies_find(&input, &found, &bodies, &err));
    ck_assert(head_settle(&input, &found, bodies, &noise, sharp, 0.4, &scores, &err));
    bodies_release(bodies, found.n_passes);
}

static void settle(void)
{
    settle_before(NULL);
}

static int top(void)
{
    int best = 0;
    for (int t = 1; t < FRAMES; t++)
        if (item[t].score > item[best].score)
            best = t;
    return best;
}

/* Wings and what is ahead of the head are not the body. */
START_TEST(the_body_is_what_outlines_share)
{
    struct body body = {.member = calloc(FRAMES, sizeof *body.member), .n = FRAMES, .way_col = 1};
    struct err err = ERR_INIT;
    size_t right = 0;
    fly(0);
    for (int t = 0; t < FRAMES; t++)
        body.member[t] = (struct body_member){.region = &frames[t].region[0], .item = (size_t)t};
    ck_assert(body_find(&body, &err));
    ck_assert_uint_eq(body.cells, LONG * TALL);
    ck_assert_float_eq_tol(body.length, LONG, 0.01f);
    for (size_t k = 0; k < FRAMES; k++)
        right += body_place(&body, k, 0, 5) >= 0 && body_place(&body, k, 0, 5) < 0.05f &&
                 body_place(&body, k, LONG - 1, 9) > 0.95f && body_place(&body, k, 10, 2) < 0 &&
                 body_place(&body, k, 10, 12) < 0;
    ck_assert_uint_eq(right, FRAMES);
    body_release(&body);
}
END_TEST

/* Folded wings leave the body whole; a post before a third of it does not. */
START_TEST(cover_tells_a_pose_from_a_piece)
{
    struct subject_input input = {.grid = view, .time_ns = when, .n = FRAMES};
    struct body *bodies;
    struct err err = ERR_INIT;
    fly(0);
    for (int r = 0; r < BOX_R; r++)
        for (int c = 0; c < BOX_C; c++) {
            if (r < 5 || r >= 10)
                mask[4][r * BOX_C + c] = 0;
            if (c >= 13)
                mask[8][r * BOX_C + c] = 0;
        }
    ck_assert(bodies_find(&input, &found, &bodies, &err));
    ck_assert_float_eq_tol(body_cover(&bodies[0], 4), 1, 0.01f);
    ck_assert_float_lt(body_cover(&bodies[0], 8), 0.75f);
    bodies_release(bodies, found.n_passes);
}
END_TEST

/* A small outline may be a piece, unless it has the whole body. */
START_TEST(a_small_pose_competes)
{
    double clear[FRAMES], cover[FRAMES];
    struct err err = ERR_INIT;
    fly(0);
    for (int t = 0; t < FRAMES; t++) {
        item[t].area_cells = 200;
        item[t].w_px = 160;
        item[t].h_px = 80;
        item[t].x_px = (uint32_t)(40 * t);
        clear[t] = 1;
        cover[t] = 0.95;
    }
    item[4].area_cells = item[9].area_cells = 110;
    cover[9] = 0.6;
    ck_assert(flag_hidden(&found, clear, cover, &scores, &err));
    ck_assert_uint_eq(item[4].flags, 0);
    ck_assert_uint_eq(item[9].flags, RANK_F_PIECE);
}
END_TEST

/* The leading fifth is in focus four frames before or after the middle, and what is at its end six. */
START_TEST(the_head_end_decides)
{
    int lag = _i ? 4 : -4;
    fly(lag);
    settle();
    ck_assert_msg(abs(top() - (9 + lag * 3 / 2)) <= 1, "frame %d is on top", top());
    for (int t = 0; t < FRAMES; t++) {
        ck_assert_double_eq(item[t].part[RANK_HEAD_BLUR], item[t].blur_px);
        ck_assert(item[t].blur_low_px < item[t].blur_px && item[t].blur_px < item[t].blur_high_px);
    }
    ck_assert_double_gt(item[FRAMES - 1].blur_px, 1.5 * item[top()].blur_px);
}
END_TEST

static void check_untouched(void)
{
    settle();
    for (int t = 0; t < FRAMES; t++) {
        ck_assert(isnan(item[t].part[RANK_HEAD_BLUR]));
        ck_assert_double_eq(item[t].score, 0.5);
        ck_assert_double_eq(item[t].blur_px, 1);
    }
}

/* All of it is in focus at once: the score is of the whole, and of its way through the plane of focus. */
START_TEST(the_way_stands_beside_the_score)
{
    fly(0);
    item[3].score = 0.7; /* a beat of the wings that shows more plumage */
    item[15].score = 0.7;
    settle();
    ck_assert_int_eq(top(), 9);
    for (int t = 0; t < FRAMES; t++) {
        ck_assert(isnan(item[t].part[RANK_HEAD_BLUR]));
        ck_assert_double_eq(item[t].blur_px, 1);
    }
    for (int t = 9; t < 14; t++)
        ck_assert_double_lt(item[t + 1].score, item[t].score);
    /* from .6 px in focus to sqrt(.36 + 4.9^2) at the end, in logarithms */
    ck_assert_double_eq_tol(item[9].score - item[FRAMES - 1].score, log(4.94 / 0.6), 0.5);
}
END_TEST

/* The score of what goes to and fro hardly changes: by less than a tenth of what it does on a straight way.
 */
START_TEST(a_way_that_explains_nothing_is_none)
{
    fly_on(sways, 0);
    settle();
    for (int t = 0; t < FRAMES; t++) {
        ck_assert(isnan(item[t].part[RANK_HEAD_BLUR]));
        ck_assert_double_eq_tol(item[t].score, 0.5, 0.2);
    }
}
END_TEST

/* It hardly moves; or there are too few frames of it. */
START_TEST(else_there_is_no_way)
{
    fly(5);
    for (int t = 0; t < FRAMES; t++)
        frames[t].region[0].velocity_col_s = 40;
    check_untouched();
    fly(5);
    for (int t = 7; t < FRAMES; t++)
        frames[t].region[0].touches_border = true;
    check_untouched();
}
END_TEST

/* The leading fifth passes sharp ground, which is left out where it is known. */
START_TEST(sharp_ground_is_no_head)
{
    static uint8_t ground[COLS * ROWS];
    memset(ground, 0, sizeof ground);
    fly(0);
    for (int t = 10; t < FRAMES; t++)
        for (int r = 5; r < 10; r++)
            for (int c = 16; c < LONG; c++) {
                int col = 2 + STEP * t + c, row = 10 + r;
                if (col < COLS) {
                    paint(t, col, row, 0.55, 1.0);
                    ground[row * COLS + col] = 1;
                }
            }
    settle_before(ground);
    for (int t = 0; t < FRAMES; t++)
        ck_assert(isnan(item[t].part[RANK_HEAD_BLUR]));
    settle();
    ck_assert(isfinite(item[9].part[RANK_HEAD_BLUR]));
}
END_TEST

/* At rest nothing is ahead. */
START_TEST(what_rests_has_no_head_end)
{
    fly(5);
    for (int t = 18; t < FRAMES; t++) {
        frames[t].region[0].flying = false;
        item[t].flags = RANK_F_AT_REST;
    }
    settle();
    ck_assert(isfinite(item[17].part[RANK_HEAD_BLUR]));
    ck_assert(isnan(item[18].part[RANK_HEAD_BLUR]));
    ck_assert_double_eq(item[18].score, 0.5);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("head");
    TCase *cases = tcase_create("head");
    tcase_add_test(cases, the_body_is_what_outlines_share);
    tcase_add_test(cases, cover_tells_a_pose_from_a_piece);
    tcase_add_test(cases, a_small_pose_competes);
    tcase_add_loop_test(cases, the_head_end_decides, 0, 2);
    tcase_add_test(cases, the_way_stands_beside_the_score);
    tcase_add_test(cases, a_way_that_explains_nothing_is_none);
    tcase_add_test(cases, else_there_is_no_way);
    tcase_add_test(cases, sharp_ground_is_no_head);
    tcase_add_test(cases, what_rests_has_no_head_end);
    suite_add_tcase(suite, cases);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed != 0;
}
