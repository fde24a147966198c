/*
 * The choice of the best few, as tables of made-up summaries: what counts as a twin, what the options of rank
 * do, which frames at rest are spared.
 */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "../../src/rank/score.h"

enum { MS = 1000000, FRAMES = 12 };

static struct rank_item item[FRAMES];
static struct rank_frame frame[FRAMES];

/* A third of the squares, others for each number: attitudes that have little in common however they are
 * moved. */
static void attitude(uint8_t outline[16], uint32_t number)
{
    uint32_t state = number * 2654435761u + 1;
    memset(outline, 0, 16);
    for (int k = 0; k < 64; k++) {
        state = state * 1664525u + 1013904223u;
        if ((state >> 16) % 3 == 0)
            outline[k / 4] |= (uint8_t)(2 << (2 * (k % 4)));
    }
}

/* 100 ms apart, each in an attitude of its own. */
static void setup(void)
{
    for (uint32_t k = 0; k < FRAMES; k++) {
        double blur_px = 0.8 + 0.01 * k;
        item[k] = (struct rank_item){.frame = k,
                                     .pass = 1,
                                     .time_ns = (int64_t)k * 100 * MS,
                                     .w_px = 100,
                                     .h_px = 60,
                                     .score = 5 - 0.05 * k,
                                     .blur_px = blur_px,
                                     .blur_low_px = blur_px * 0.9,
                                     .blur_high_px = blur_px * 1.1,
                                     .p_sharp = 0.95,
                                     .area_cells = 200};
        attitude(item[k].outline, k);
        frame[k] = (struct rank_frame){.time_ns = item[k].time_ns, .measured = true};
    }
}

static void choose(enum subject_mode mode, bool perch, struct rank_options options)
{
    struct rank_burst burst = {mode, perch};
    struct err err = ERR_INIT;
    ck_assert(rank_choose(&burst, item, FRAMES, frame, FRAMES, &options, &err));
}

static size_t count(enum rank_proposal proposal)
{
    size_t n = 0;
    for (size_t f = 0; f < FRAMES; f++)
        n += frame[f].proposal == proposal;
    return n;
}

#define ck_frame(f, p, r)                                                                                    \
    do {                                                                                                     \
        ck_assert_str_eq(rank_proposal_token((f).proposal), rank_proposal_token(p));                         \
        ck_assert_str_eq(rank_reason_token((f).reason), rank_reason_token(r));                               \
    } while (0)

/* Close in time alone makes no twin: wings open and closed are two pictures, of which one is left to a
 * person. */
START_TEST(twins)
{
    item[1].time_ns = item[0].time_ns + 8 * MS;
    choose(SUBJECT_MOVING, false, (struct rank_options){.keep = 3});
    ck_frame(frame[0], RANK_KEEP, RANK_SHARPEST);
    ck_frame(frame[1], RANK_NONE, RANK_SHARP_SET);
    ck_assert_uint_eq(frame[0].nth, 1);
    ck_assert_uint_eq(frame[1].nth, 0);
    /* The same attitude: a twin 8 ms and 400 ms later, not 600 ms later. */
    memcpy(item[1].outline, item[0].outline, 16);
    memcpy(item[4].outline, item[0].outline, 16);
    memcpy(item[6].outline, item[0].outline, 16);
    choose(SUBJECT_MOVING, false, (struct rank_options){.keep = 12});
    ck_frame(frame[1], RANK_REJECT, RANK_NEAR_TWIN);
    ck_frame(frame[4], RANK_REJECT, RANK_NEAR_TWIN);
    ck_frame(frame[6], RANK_KEEP, RANK_SHARP_SET);
    choose(SUBJECT_IN_PLACE, true, (struct rank_options){.keep = 12});
    ck_frame(frame[6], RANK_REJECT, RANK_NEAR_TWIN);
}
END_TEST

START_TEST(min_gap)
{
    int64_t last = INT64_MIN / 2;
    choose(SUBJECT_MOVING, false, (struct rank_options){.keep = 12});
    size_t all = count(RANK_KEEP), rejected = count(RANK_REJECT);
    choose(SUBJECT_MOVING, false, (struct rank_options){.keep = 12, .min_gap_ns = 300 * MS});
    for (size_t f = 0; f < FRAMES; f++)
        if (frame[f].proposal == RANK_KEEP) {
            ck_assert_int_ge(frame[f].time_ns - last, 300 * MS);
            last = frame[f].time_ns;
        }
    ck_assert_uint_lt(count(RANK_KEEP), all);
    ck_assert_uint_eq(count(RANK_REJECT), rejected); /* a gap rejects nothing */
    item[1].time_ns = item[0].time_ns + 1 * MS;
    choose(SUBJECT_MOVING, false, (struct rank_options){.keep = 12, .min_gap_ns = 1});
    ck_frame(frame[1], RANK_KEEP, RANK_SHARP_SET);
}
END_TEST

/* The error bars are 10 % either way: below the limit by the estimate, above it by more than the bar,
 * between. */
START_TEST(max_blur)
{
    choose(SUBJECT_MOVING, false, (struct rank_options){.keep = 12, .max_blur_px = 0.845});
    for (size_t f = 0; f < FRAMES; f++)
        ck_assert(frame[f].proposal != RANK_KEEP || item[f].blur_px <= 0.845);
    ck_frame(frame[0], RANK_KEEP, RANK_SHARPEST);
    ck_frame(frame[5], RANK_NONE, RANK_SHARP_SET);
    ck_frame(frame[11], RANK_REJECT, RANK_SOFT);
    choose(SUBJECT_MOVING, false, (struct rank_options){.keep = 12, .max_blur_px = 0.4});
    ck_assert_uint_eq(count(RANK_KEEP), 0);
    ck_frame(frame[0], RANK_REJECT, RANK_NOTHING_SHARP);
    /* It also takes the place of the engine's own limit. */
    for (uint32_t k = 0; k < FRAMES; k++) {
        item[k].blur_px *= 4;
        item[k].blur_low_px *= 4;
        item[k].blur_high_px *= 4;
        item[k].p_sharp = 0.01;
    }
    choose(SUBJECT_MOVING, false, (struct rank_options){.keep = 12});
    ck_frame(frame[0], RANK_REJECT, RANK_NOTHING_SHARP);
    choose(SUBJECT_MOVING, false, (struct rank_options){.keep = 12, .max_blur_px = 5});
    ck_frame(frame[0], RANK_KEEP, RANK_SHARPEST);
}
END_TEST

/* Probably sharp is not enough to keep a frame, and too much to reject it. */
START_TEST(doubt)
{
    item[0].p_sharp = 0.7;
    item[1].p_sharp = 0.8;
    item[2].p_sharp = 0.4;
    choose(SUBJECT_MOVING, false, (struct rank_options){.keep = 12});
    ck_frame(frame[0], RANK_NONE, RANK_NOT_SURE);
    ck_assert_uint_eq(frame[0].rank, 1);
    ck_frame(frame[1], RANK_KEEP, RANK_SHARP_SET);
    ck_frame(frame[2], RANK_NONE, RANK_NOT_SURE);
    /* Who says what is wanted gets what is estimated to be so. */
    item[0].blur_low_px = item[0].blur_px * 0.5;
    item[0].blur_high_px = item[0].blur_px * 2;
    choose(SUBJECT_MOVING, false, (struct rank_options){.keep = 12, .max_blur_px = 0.85});
    ck_frame(frame[0], RANK_KEEP, RANK_SHARPEST);
}
END_TEST

/* Softer by its score than the best can be, sharp by its blur: a person looks. */
START_TEST(a_score_far_below)
{
    setup();
    item[1].score = item[0].score - 0.8; /* as sharp by its blur */
    item[2].score = item[0].score - 0.7;
    item[3].score = item[0].score - 0.8;
    item[3].blur_px = 2.1;
    item[3].blur_low_px = 1.9;
    item[3].blur_high_px = 2.3;
    item[3].p_sharp = 0.5;
    choose(SUBJECT_MOVING, false, (struct rank_options){.keep = FRAMES});
    ck_frame(frame[0], RANK_KEEP, RANK_SHARPEST);
    ck_frame(frame[1], RANK_NONE, RANK_NOT_SURE);
    ck_frame(frame[2], RANK_KEEP, RANK_SHARP_SET);
    ck_frame(frame[3], RANK_REJECT, RANK_SOFT);
}
END_TEST

/* A landed frame loses against a kept flight; where none is kept a sharp portrait is left to a person. */
START_TEST(portraits)
{
    item[0].flags = RANK_F_AT_REST;
    choose(SUBJECT_MOVING, false, (struct rank_options){.keep = 3});
    ck_frame(frame[0], RANK_REJECT, RANK_AT_REST);
    ck_frame(frame[1], RANK_KEEP, RANK_SHARPEST);
    choose(SUBJECT_MOVING, true, (struct rank_options){.keep = 3});
    ck_frame(frame[0], RANK_KEEP, RANK_SHARPEST);
    for (uint32_t k = 1; k < FRAMES; k++) {
        item[k].blur_px = item[k].blur_low_px = item[k].blur_high_px = 4;
        item[k].p_sharp = 0.01;
    }
    item[1].flags = RANK_F_AT_REST;
    choose(SUBJECT_MOVING, false, (struct rank_options){.keep = 3});
    ck_frame(frame[0], RANK_NONE, RANK_NOT_SURE);
    ck_frame(frame[1], RANK_REJECT, RANK_AT_REST);
    ck_frame(frame[2], RANK_REJECT, RANK_NOTHING_SHARP);
}
END_TEST

/* A piece is never kept, however sharp; a soft piece is of a soft bird. */
/* One sits while another flies: what a kept flight shows of it is enough, of another attitude the sharpest
 * frame is left to a person. */
START_TEST(who_sits_beside_a_flight)
{
    for (uint32_t k = 6; k < FRAMES; k++) {
        item[k].pass = 2;
        item[k].flags = RANK_F_AT_REST;
        attitude(item[k].outline, k < 9 ? 100 : 101);
    }
    item[6].frame = 0;
    item[6].score = 1; /* less sharp than its twins, but there anyway */
    choose(SUBJECT_MOVING, false, (struct rank_options){.keep = 1});
    ck_frame(frame[0], RANK_KEEP, RANK_SHARPEST);
    ck_assert_uint_eq(frame[0].pass, 1);
    for (size_t f = 7; f < FRAMES; f++)
        ck_frame(frame[f], f == 9 ? RANK_NONE : RANK_REJECT, f == 9 ? RANK_SHARP_SET : RANK_NEAR_TWIN);
    /* Where it is soft in the frame that is kept, a sharp one is left to a person. */
    item[6].blur_px = 2;
    choose(SUBJECT_MOVING, false, (struct rank_options){.keep = 1});
    ck_frame(frame[7], RANK_NONE, RANK_SHARP_SET);
    ck_frame(frame[8], RANK_REJECT, RANK_NEAR_TWIN);
    /* One that flew in a single frame is no portrait. */
    item[8].flags = 0;
    choose(SUBJECT_MOVING, false, (struct rank_options){.keep = 1});
    ck_frame(frame[8], RANK_KEEP, RANK_SHARPEST);
    ck_frame(frame[7], RANK_REJECT, RANK_AT_REST);
}
END_TEST

/* In a frame that nobody keeps, the one that flies says why. */
START_TEST(who_sits_does_not_speak_for_who_flies)
{
    for (uint32_t k = 6; k < FRAMES; k++) {
        item[k].pass = 2;
        item[k].flags = RANK_F_AT_REST;
        item[k].area_cells = 900;
        attitude(item[k].outline, 100);
    }
    item[6].frame = 0;
    item[7].frame = 4;
    item[4].blur_px = 2;
    choose(SUBJECT_MOVING, false, (struct rank_options){.keep = 1});
    ck_frame(frame[4], RANK_REJECT, RANK_SOFT);
    ck_assert_uint_eq(frame[4].pass, 1);
}
END_TEST

/* Something that stays at the edge and is mostly cut is not kept for the moment in which it looks whole. */
START_TEST(what_clings_to_the_edge)
{
    for (uint32_t k = 0; k < FRAMES; k++) {
        item[k].x_px = k % 3;
        item[k].flags = k > 1 ? RANK_F_CUT : 0;
    }
    choose(SUBJECT_MOVING, false, (struct rank_options){.keep = 3});
    ck_frame(frame[0], RANK_NONE, RANK_NOT_SURE);
    ck_frame(frame[1], RANK_NONE, RANK_NOT_SURE);
    ck_frame(frame[2], RANK_REJECT, RANK_CUT);
    item[5].x_px = 60; /* it comes in */
    choose(SUBJECT_MOVING, false, (struct rank_options){.keep = 3});
    ck_frame(frame[0], RANK_KEEP, RANK_SHARPEST);
}
END_TEST

/* The three best say that a pass is sharp, also when two of them were near twins and are deleted. */
START_TEST(deleted_twins_still_tell)
{
    for (uint32_t k = 1; k < FRAMES; k++) {
        item[k].time_ns = item[0].time_ns + k * MS;
        memcpy(item[k].outline, item[0].outline, 16);
        item[k].p_sharp = k < 3 ? 0.95 : 0.1;
    }
    choose(SUBJECT_MOVING, false, (struct rank_options){.keep = 3});
    ck_frame(frame[0], RANK_KEEP, RANK_SHARPEST);
    ck_frame(frame[1], RANK_REJECT, RANK_NEAR_TWIN);
    ck_frame(frame[3], RANK_REJECT, RANK_SOFT);
    frame[1].gone = frame[2].gone = true;
    choose(SUBJECT_MOVING, false, (struct rank_options){.keep = 3});
    ck_frame(frame[0], RANK_KEEP, RANK_SHARPEST);
    ck_frame(frame[3], RANK_REJECT, RANK_SOFT);
    ck_assert_uint_eq(frame[3].rank, 2);
    ck_assert_uint_eq(frame[1].rank, 0);
}
END_TEST

START_TEST(pieces)
{
    item[0].flags = item[11].flags = RANK_F_PIECE;
    item[11].blur_px = item[11].blur_low_px = item[11].blur_high_px = 1.8;
    choose(SUBJECT_MOVING, false, (struct rank_options){.keep = 3});
    ck_frame(frame[0], RANK_NONE, RANK_NOT_SURE);
    ck_assert_uint_eq(frame[0].rank, 0);
    ck_frame(frame[1], RANK_KEEP, RANK_SHARPEST);
    ck_frame(frame[11], RANK_REJECT, RANK_SOFT);
}
END_TEST

/* Three cells of a subject: white and all clipped, bright and half clipped, black and all clipped. */
START_TEST(light_of_a_region)
{
    const uint16_t luma[4] = {255 * 128, 200 * 128, 10 * 128, 255 * 128};
    const uint8_t clip[4] = {255, 51, 255, 255};
    uint8_t mask[4] = {1, 1, 1, 0};
    struct grid grid = {.cols = 4, .rows = 1, .luma = luma, .plane = {[GRID_CLIP] = clip}};
    const struct subject_region region = {.cols = 4, .rows = 1, .mask = mask};
    light_measure(&grid, &region, &item[0]);
    ck_assert_double_eq_tol(item[0].part[RANK_LUMA], 155, 0.01);
    ck_assert_double_eq_tol(item[0].part[RANK_CLIPPED], 1.2 / 3, 0.001); /* black is not burnt out */
}
END_TEST

/* Burnt-out and dark frames of a pass fall behind their equals and before what is blurred more. */
START_TEST(light_breaks_ties)
{
    struct rank_scores scores = {item, 4};
    struct err err = ERR_INIT;
    for (int k = 0; k < 4; k++) {
        item[k].score = k == 3 ? -0.2 : 0;
        item[k].part[RANK_LUMA] = k == 2 ? 30 : 100;
        item[k].part[RANK_CLIPPED] = k == 1 ? 0.3 : 0;
    }
    ck_assert(light_settle(&scores, &err));
    ck_assert_double_eq(item[0].score, 0);
    ck_assert_double_lt(item[1].score, 0);
    ck_assert_double_lt(item[2].score, 0);
    ck_assert_double_gt(item[1].score, item[3].score);
    ck_assert_double_gt(item[2].score, item[3].score);
    ck_assert_double_eq(item[1].score, -item[1].part[RANK_LIGHT]);
    /* A dark bird is no fault. */
    for (int k = 0; k < 4; k++) {
        item[k].score = 0;
        item[k].part[RANK_LUMA] = 30;
        item[k].part[RANK_CLIPPED] = 0;
    }
    ck_assert(light_settle(&scores, &err));
    for (int k = 0; k < 4; k++)
        ck_assert_double_eq(item[k].score, 0);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("choose");
    TCase *tables = tcase_create("tables");
    tcase_add_checked_fixture(tables, setup, NULL);
    tcase_add_test(tables, twins);
    tcase_add_test(tables, min_gap);
    tcase_add_test(tables, max_blur);
    tcase_add_test(tables, doubt);
    tcase_add_test(tables, a_score_far_below);
    tcase_add_test(tables, portraits);
    tcase_add_test(tables, who_sits_beside_a_flight);
    tcase_add_test(tables, who_sits_does_not_speak_for_who_flies);
    tcase_add_test(tables, what_clings_to_the_edge);
    tcase_add_test(tables, deleted_twins_still_tell);
    tcase_add_test(tables, pieces);
    tcase_add_test(tables, light_of_a_region);
    tcase_add_test(tables, light_breaks_ties);
    suite_add_tcase(suite, tables);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
