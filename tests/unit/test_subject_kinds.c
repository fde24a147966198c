/*
 * What counts as a subject and what does not: ignored places, an arm, wings of a bird that stays.
 */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/subject.h"
#include "../ref/scene_maker.h"

enum { W = 880, H = 560, CELL = 8, COLS = W / CELL, ROWS = H / CELL };
static const struct maker plain = {.width_px = W, .height_px = H, .noise = 2.0f, .seed = 3};
static struct made_burst burst; /* its `input` points into it */

static struct made_bird bird_at(float x, float y)
{
    return (struct made_bird){.x = x, .y = y, .w = 130, .h = 80, .blur_px = 0.6f, .lift = -60, .salt = 31};
}

static void add(struct made_frame *frame, struct made_bird bird)
{
    frame->bird[frame->n_birds++] = bird;
}

static struct subject_burst *find(const struct made_frame *frame, size_t n, const uint8_t *ignore)
{
    struct err err = ERR_INIT;
    burst_make(&plain, frame, n, &burst);
    burst.input.ignore = ignore;
    struct subject_burst *found = subject_find(&burst.input, &err);
    ck_assert_msg(found != NULL, "%s", err.message);
    return found;
}

static void done(struct subject_burst *found)
{
    subject_free(found);
    burst_unmake(&burst);
}

static const struct subject_region *region_at(const struct subject_frame *frame, float x, float y)
{
    for (size_t k = 0; k < frame->n_regions; k++) {
        const struct subject_region *r = &frame->region[k];
        if (fabsf(r->centre_col + 0.5f - x / CELL) < 4 && fabsf(r->centre_row + 0.5f - y / CELL) < 4)
            return r;
    }
    return NULL;
}

/* A feeder swings below while a bird flies above: ignored or not decides about the feeder, not the bird. */
START_TEST(ignored_places)
{
    static uint8_t ignore[COLS * ROWS];
    struct made_frame frame[40] = {0};
    for (size_t t = 0; t < 40; t++) {
        add(&frame[t], bird_at(300.0f + 160.0f * sinf(0.35f * (float)t), 480));
        add(&frame[t], bird_at(-60.0f + 30.0f * (float)t, 160));
    }
    for (size_t i = 0; i < sizeof ignore; i++)
        ignore[i] = i / COLS > 400 / CELL;
    struct subject_burst *all = find(frame, 40, NULL);
    size_t low = 0;
    for (size_t t = 0; t < 40; t++)
        for (size_t k = 0; k < all->frame[t].n_regions; k++)
            low += all->frame[t].region[k].centre_row > 400 / CELL;
    ck_assert_uint_gt(low, 20);
    done(all);
    struct subject_burst *some = find(frame, 40, ignore);
    ck_assert_int_eq(some->mode, SUBJECT_MOVING);
    for (size_t t = 0; t < 40; t++) {
        float x = -60.0f + 30.0f * (float)t;
        for (size_t k = 0; k < some->frame[t].n_regions; k++)
            ck_assert_float_lt(some->frame[t].region[k].centre_row, 400 / CELL);
        if (x > 70 && x < W - 70)
            ck_assert_msg(region_at(&some->frame[t], x, 160) != NULL, "frame %zu", t);
    }
    done(some);
}
END_TEST

/* An arm reaches over most of the frame for a while; a bird has flown through before. */
START_TEST(an_arm_is_none)
{
    struct made_frame frame[48] = {0};
    for (size_t t = 2; t < 30; t++)
        add(&frame[t], bird_at(-60.0f + 36.0f * (float)(t - 2), 160));
    for (size_t t = 34; t < 44; t++)
        add(&frame[t], (struct made_bird){.x = 200.0f + 20.0f * (float)(t - 34),
                                          .y = 400,
                                          .w = 1100,
                                          .h = 150,
                                          .blur_px = 1,
                                          .lift = 70,
                                          .salt = 5});
    struct subject_burst *found = find(frame, 48, NULL);
    ck_assert_int_eq(found->mode, SUBJECT_MOVING);
    for (size_t t = 34; t < 44; t++)
        for (size_t k = 0; k < found->frame[t].n_regions; k++)
            ck_assert_float_le((float)found->frame[t].region[k].cols, SUBJECT_WIDEST * COLS);
    ck_assert_ptr_nonnull(region_at(&found->frame[14], -60.0f + 36.0f * 12, 160));
    done(found);
}
END_TEST

/* Comes, hovers with beating wings, lands: it flies until it has landed. */
START_TEST(hovering_is_flying)
{
    struct made_frame frame[50] = {0};
    for (size_t t = 2; t < 50; t++) {
        float x = t < 16 ? 30.0f + 30.0f * (float)(t - 2) : 450;
        struct made_bird body = bird_at(x, 300);
        if (t < 36) { /* wings go up and down within the box */
            struct made_bird wing = bird_at(x - 10, 300.0f + 55.0f * sinf(1.7f * (float)t));
            wing.w = 60;
            wing.h = 50;
            add(&frame[t], wing);
        }
        add(&frame[t], body);
    }
    struct subject_burst *found = find(frame, 50, NULL);
    ck_assert_int_eq(found->mode, SUBJECT_MOVING);
    for (size_t t = 18; t < 34; t++) {
        ck_assert_uint_eq(found->frame[t].n_regions, 1);
        ck_assert_msg(found->frame[t].region[0].flying, "frame %zu: a hovering bird is called at rest", t);
    }
    for (size_t t = 40; t < 50; t++) {
        ck_assert_uint_eq(found->frame[t].n_regions, 1);
        ck_assert_msg(!found->frame[t].region[0].flying, "frame %zu: a landed bird is called flying", t);
        ck_assert_float_lt(found->frame[t].region[0].outline_change, 0.1f);
    }
    done(found);
}
END_TEST

/* 5 % of the width, and farther from frame to frame than it is long. In the second run it is missed in one
   frame: what was seen of it before is too little for a track, and yet its own. */
START_TEST(small_and_fast)
{
    struct made_frame frame[24] = {0};
    const size_t missed = _i == 1 ? 7 : 0;
    for (size_t t = 4; t < 20; t++) {
        if (t == missed)
            continue;
        struct made_bird bird = bird_at(-10.0f + 60.0f * (float)(t - 4), 250.0f + 6.0f * (float)t);
        bird.w = 44;
        bird.h = 26;
        add(&frame[t], bird);
    }
    struct subject_burst *found = find(frame, 24, NULL);
    ck_assert_int_eq(found->mode, SUBJECT_MOVING);
    for (size_t t = 5; t < 18; t++)
        ck_assert_msg(t == missed || region_at(&found->frame[t], -10.0f + 60.0f * (float)(t - 4),
                                               250.0f + 6.0f * (float)t) != NULL,
                      "frame %zu", t);
    ck_assert_uint_eq(found->frame[1].n_regions, 0);
    done(found);
}
END_TEST

/* One sits and looks round in every frame, another flies past: both are there, and the one that sits is at
 * rest. */
START_TEST(sits_all_the_while)
{
    struct made_frame frame[40] = {0};
    for (size_t t = 0; t < 40; t++) {
        struct made_bird sitting = bird_at(640, 440);
        sitting.turn = 8.0f * sinf((float)t * 0.5f);
        add(&frame[t], sitting);
        if (t >= 6)
            add(&frame[t], bird_at(-60.0f + 34.0f * (float)(t - 6), 140));
    }
    struct subject_burst *found = find(frame, 40, NULL);
    ck_assert_int_eq(found->mode, SUBJECT_MOVING);
    for (size_t t = 0; t < 40; t++) {
        float x = -60.0f + 34.0f * (float)((int)t - 6);
        const struct subject_region *flying = region_at(&found->frame[t], x, 140);
        const struct subject_region *sitting = region_at(&found->frame[t], 640, 440);
        ck_assert_msg(sitting != NULL && !sitting->flying, "frame %zu: the sitting bird is missing", t);
        if (x > 70 && x < W - 70)
            ck_assert_msg(flying != NULL && flying->flying && flying->pass != sitting->pass, "frame %zu", t);
    }
    done(found);
}
END_TEST

/* Leaves flutter all over the place, and nothing else is about: no subject, and no proof that none was there.
 */
START_TEST(flutter_is_no_subject)
{
    static struct made_frame frame[30];
    for (size_t t = 0; t < 30; t++)
        for (int k = 0; k < MAKER_BIRDS; k++) {
            struct made_bird leaf = bird_at(120.0f + 160.0f * (float)(k % 5), k < 5 ? 130.0f : 400.0f);
            leaf.turn = 10.0f * sinf(2.1f * (float)t + (float)k);
            leaf.salt = 31;
            add(&frame[t], leaf);
        }
    struct subject_burst *found = find(frame, 30, NULL);
    ck_assert_int_eq(found->mode, SUBJECT_UNKNOWN);
    done(found);
}
END_TEST

/* Leaves that swing by more than their own length go nowhere; a bird that crosses them is the one pass. */
START_TEST(swinging_leaves_are_no_subject)
{
    struct made_frame frame[36] = {0};
    for (size_t t = 0; t < 36; t++) {
        for (int k = 0; k < MAKER_BIRDS - 1; k++) {
            struct made_bird leaf = bird_at(120.0f + 80.0f * (float)k, k % 2 ? 110.0f : 420.0f);
            leaf.x += 34.0f * sinf(1.1f * (float)t + (float)k);
            leaf.w = 34;
            leaf.h = 30;
            add(&frame[t], leaf);
        }
        if (_i == 1)
            add(&frame[t], bird_at(-60.0f + 30.0f * (float)t, 260));
    }
    struct subject_burst *found = find(frame, 36, NULL);
    if (_i == 0)
        ck_assert_int_ne(found->mode, SUBJECT_MOVING);
    else
        ck_assert_uint_eq(found->n_passes, 1);
    for (size_t t = 0; _i == 1 && t < 36; t++) {
        float x = -60.0f + 30.0f * (float)t;
        if (x > 70 && x < W - 70)
            ck_assert_msg(region_at(&found->frame[t], x, 260) != NULL, "frame %zu", t);
    }
    done(found);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("subject_kinds");
    TCase *made = tcase_create("made-up bursts");
    tcase_set_timeout(made, 60);
    tcase_add_test(made, ignored_places);
    tcase_add_test(made, an_arm_is_none);
    tcase_add_test(made, hovering_is_flying);
    tcase_add_loop_test(made, small_and_fast, 0, 2);
    tcase_add_test(made, sits_all_the_while);
    tcase_add_test(made, flutter_is_no_subject);
    tcase_add_loop_test(made, swinging_leaves_are_no_subject, 0, 2);
    suite_add_tcase(suite, made);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
