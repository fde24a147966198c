/* A bird behind a rail: the lower side of its box stays where the rail is. */
#include <check.h>
#include <stdlib.h>

#include "../../src/rank/score.h"

enum { FRAMES = 24, RAIL_PX = 400, CELL_PX = 8 };

static struct rank_item item[FRAMES];
static struct rank_scores scores = {item, FRAMES};
static struct subject_frame frames[FRAMES];
static struct subject_burst found = {.n = FRAMES, .frame = frames, .n_passes = 1};

/* Flies down and to the right, its wings beating; what is below `rail_px` is not seen. */
static void fly(uint32_t rail_px)
{
    static const uint32_t beat[] = {0, 12, 21, 9, 3};
    for (uint32_t t = 0; t < FRAMES; t++) {
        uint32_t top = 300 + 3 * t, low = top + 60 + beat[t % 5];
        low = low < rail_px ? low : rail_px;
        frames[t] = (struct subject_frame){.n_regions = 1};
        item[t] = (struct rank_item){.frame = t,
                                     .pass = 1,
                                     .x_px = 50 * t,
                                     .y_px = top,
                                     .w_px = 120 + t % 3,
                                     .h_px = low - top,
                                     .area_cells = (low - top) * 2,
                                     .p_sharp = 0.9};
    }
}

static void flag(void)
{
    struct err err = ERR_INIT;
    ck_assert(edge_flag(&found, CELL_PX, &scores, &err));
}

static bool at_rail(uint32_t t)
{
    return item[t].y_px + item[t].h_px == RAIL_PX;
}

START_TEST(what_a_rail_cuts_is_left_out)
{
    fly(RAIL_PX);
    flag();
    uint32_t cut = 0;
    for (uint32_t t = 0; t < FRAMES; t++) {
        ck_assert_int_eq((item[t].flags & RANK_F_PIECE) != 0, at_rail(t));
        cut += at_rail(t);
    }
    ck_assert_uint_ge(cut, 9);
    ck_assert_uint_le(cut, FRAMES - 3);
}
END_TEST

/* Where no other frame is sharp only those that are small for their neighbours are left out. */
START_TEST(without_others_the_large_ones_compete)
{
    fly(RAIL_PX);
    for (uint32_t t = 0; t < FRAMES; t++)
        item[t].p_sharp = at_rail(t) ? 0.9 : 0.1;
    uint32_t small = 0;
    while (!at_rail(small))
        small++;
    item[small].area_cells /= 2;
    flag();
    ck_assert(item[small].flags & RANK_F_PIECE);
    ck_assert_uint_eq(item[small + 1].flags & RANK_F_PIECE, 0);
}
END_TEST

/* Nothing in front; or the camera moves, and a place in the picture is none in the scene. */
START_TEST(else_all_compete)
{
    fly(UINT32_MAX);
    flag();
    for (uint32_t t = 0; t < FRAMES; t++)
        ck_assert_uint_eq(item[t].flags, 0);
    fly(RAIL_PX);
    frames[FRAMES / 2].shift_col = 3;
    flag();
    for (uint32_t t = 0; t < FRAMES; t++)
        ck_assert_uint_eq(item[t].flags, 0);
}
END_TEST

/* Level over the water, the belly at one height while the wings are up: nothing cuts it. */
START_TEST(who_flies_level_is_not_cut)
{
    static const uint32_t wings[] = {0, 40, 80, 40, 0, 0};
    fly(UINT32_MAX);
    for (uint32_t t = 0; t < FRAMES; t++) {
        item[t].y_px = 300 - wings[t % 6];
        item[t].h_px = 100 + wings[t % 6];
    }
    flag();
    for (uint32_t t = 0; t < FRAMES; t++)
        ck_assert_uint_eq(item[t].flags, 0);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("edge");
    TCase *cases = tcase_create("edge");
    tcase_add_test(cases, what_a_rail_cuts_is_left_out);
    tcase_add_test(cases, without_others_the_large_ones_compete);
    tcase_add_test(cases, else_all_compete);
    tcase_add_test(cases, who_flies_level_is_not_cut);
    suite_add_tcase(suite, cases);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
