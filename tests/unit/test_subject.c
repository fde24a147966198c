/*
 * What moves or rests in a burst, on made-up bursts with a known truth.
 */
#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/subject.h"
#include "../ref/scene_maker.h"

enum { W = 880, H = 560, CELL = 8 };
static const struct maker plain = {.width_px = W, .height_px = H, .noise = 2.0f, .seed = 1};
/* `input` of a burst points into it, so bursts stay where they are made. */
static struct made_burst burst;

static struct made_bird bird_at(float x, float y)
{
    return (struct made_bird){.x = x, .y = y, .w = 130, .h = 80, .blur_px = 0.6f, .lift = -60, .salt = 31};
}

static void add(struct made_frame *frame, struct made_bird bird)
{
    frame->bird[frame->n_birds++] = bird;
}

static struct subject_burst *find(void)
{
    struct err err = ERR_INIT;
    struct subject_burst *found = subject_find(&burst.input, &err);
    ck_assert_msg(found != NULL, "%s", err.message);
    ck_assert_uint_eq(found->n, burst.n);
    return found;
}

static void make(const struct maker *maker, const struct made_frame *frame, size_t n)
{
    burst_make(maker, frame, n, &burst);
}

/* The region around a point given in px; NULL when there is none. */
static const struct subject_region *region_at(const struct subject_frame *frame, float x, float y)
{
    for (size_t k = 0; k < frame->n_regions; k++) {
        const struct subject_region *r = &frame->region[k];
        if (fabsf(r->centre_col + 0.5f - x / CELL) < 4 && fabsf(r->centre_row + 0.5f - y / CELL) < 4)
            return r;
    }
    return NULL;
}

/* A flight from left to right over frames `from`.., 34 px a frame. */
static float flight_x(size_t t, size_t from)
{
    return -100.0f + 34.0f * (float)((int)t - (int)from);
}

static bool whole(float x)
{
    return x > 75 && x < W - 75;
}

static void check_flight(const struct subject_burst *found, size_t from)
{
    for (size_t t = 0; t < found->n; t++) {
        float x = flight_x(t, from);
        const struct subject_region *r = region_at(&found->frame[t], x, 300);
        if (t >= from && whole(x)) {
            ck_assert_msg(r != NULL, "frame %zu has no region at %.0f", t, (double)x);
            ck_assert(!r->touches_border);
            ck_assert_float_gt(r->moving, 0.15f);
            ck_assert_uint_eq(r->pass, 1);
            /* the ellipse has pi/4 x 130 x 80 px = 128 cells */
            ck_assert_uint_gt(r->area_cells, 90);
            ck_assert_uint_lt(r->area_cells, 190);
        } else if (t < from || x > W + 70) {
            ck_assert_uint_eq(found->frame[t].n_regions, 0);
        } else if (r != NULL && (x < 60 || x > W - 60)) {
            ck_assert(r->touches_border);
        }
    }
}

START_TEST(crossing)
{
    struct made_frame frame[44] = {0};
    for (size_t t = 5; t < 44; t++)
        add(&frame[t], bird_at(flight_x(t, 5), 300));
    make(&plain, frame, 44);
    struct subject_burst *found = find();
    ck_assert_int_eq(found->mode, SUBJECT_MOVING);
    ck_assert_uint_eq(found->n_passes, 1);
    check_flight(found, 5);
    const struct subject_region *r = region_at(&found->frame[20], flight_x(20, 5), 300);
    ck_assert_float_eq_tol(r->velocity_col_s, 34.0f / CELL * 100, 40);
    ck_assert_float_eq_tol(r->velocity_row_s, 0, 40);
    subject_free(found);
    burst_unmake(&burst);
}
END_TEST

/* Exposure that jumps by a third and a camera that trembles by a pixel or two change nothing. */
START_TEST(crossing_with_jumps_and_tremor)
{
    static const float shift[5] = {0, 1, -1.5f, 0.5f, -0.5f};
    struct made_frame frame[44] = {0};
    for (size_t t = 0; t < 44; t++) {
        frame[t].gain = t % 3 == 0 ? 1.3f : 1.0f;
        frame[t].shift_x = shift[t % 5];
        frame[t].shift_y = shift[(t + 2) % 5];
        if (t >= 5)
            add(&frame[t], bird_at(flight_x(t, 5), 300));
    }
    make(&plain, frame, 44);
    struct subject_burst *found = find();
    ck_assert_int_eq(found->mode, SUBJECT_MOVING);
    ck_assert_uint_eq(found->n_passes, 1);
    check_flight(found, 5);
    subject_free(found);
    burst_unmake(&burst);
}
END_TEST

/* A bird flies in and rests in most frames: it is part of the temporal median, and must be found where it
   sits, not where it is missing. */
START_TEST(landed_in_most_frames)
{
    struct made_frame frame[40] = {0};
    for (size_t t = 4; t < 40; t++)
        add(&frame[t], bird_at(t < 14 ? 130.0f + 34.0f * (float)(t - 4) : 470, 300));
    make(&plain, frame, 40);
    struct subject_burst *found = find();
    ck_assert_int_eq(found->mode, SUBJECT_MOVING);
    for (size_t t = 0; t < 40; t++) {
        const struct subject_region *r = region_at(&found->frame[t], 470, 300);
        if (t < 11)
            ck_assert_msg(r == NULL, "frame %zu: a bird where none is", t);
        if (t > 14) {
            ck_assert_msg(r != NULL, "frame %zu: the resting bird is missing", t);
            ck_assert_float_lt(r->moving, 0.15f);
        }
        if (t >= 4 && t < 11)
            ck_assert_msg(region_at(&found->frame[t], 130.0f + 34.0f * (float)(t - 4), 300) != NULL,
                          "frame %zu: the flying bird is missing", t);
    }
    subject_free(found);
    burst_unmake(&burst);
}
END_TEST

START_TEST(two_at_once)
{
    struct made_frame frame[44] = {0};
    for (size_t t = 5; t < 44; t++) {
        add(&frame[t], bird_at(flight_x(t, 5), 160));
        add(&frame[t], bird_at(W - flight_x(t, 5), 430));
    }
    make(&plain, frame, 44);
    struct subject_burst *found = find();
    ck_assert_uint_eq(found->n_passes, 2);
    for (size_t t = 12; t < 30; t++) {
        const struct subject_region *a = region_at(&found->frame[t], flight_x(t, 5), 160);
        const struct subject_region *b = region_at(&found->frame[t], W - flight_x(t, 5), 430);
        ck_assert(a != NULL && b != NULL && a->pass != b->pass);
    }
    subject_free(found);
    burst_unmake(&burst);
}
END_TEST

START_TEST(two_arrivals)
{
    struct made_frame frame[60] = {0};
    for (size_t t = 0; t < 60; t++) {
        if (t >= 2 && t < 32)
            add(&frame[t], bird_at(-60.0f + 40.0f * (float)(t - 2), 300));
        if (t >= 30)
            add(&frame[t], bird_at(-60.0f + 40.0f * (float)(t - 30), 320));
    }
    make(&plain, frame, 60);
    struct subject_burst *found = find();
    ck_assert_uint_eq(found->n_passes, 2);
    ck_assert_uint_eq(region_at(&found->frame[14], 420, 300)->pass, 1);
    ck_assert_uint_eq(region_at(&found->frame[42], 420, 320)->pass, 2);
    subject_free(found);
    burst_unmake(&burst);
}
END_TEST

/* At the same side, from one frame to the next: one is gone for good, the other is a pass of its own. */
START_TEST(one_leaves_as_another_comes)
{
    enum { MET = 40 };
    struct made_frame frame[MET] = {0};
    for (size_t t = 0; t < MET; t++) {
        float out = 250.0f + 34.0f * (float)t, back = W + 20.0f - 34.0f * ((float)t - 20);
        if (t < 20)
            add(&frame[t], bird_at(out, 200));
        else
            add(&frame[t], bird_at(back, 280));
    }
    make(&plain, frame, MET);
    struct subject_burst *found = find();
    ck_assert_uint_eq(found->n_passes, 2);
    const struct subject_region *first = region_at(&found->frame[8], 250 + 34 * 8, 200);
    const struct subject_region *second = region_at(&found->frame[30], W + 20 - 340, 280);
    ck_assert(first != NULL && second != NULL);
    ck_assert_uint_eq(first->pass, 1);
    ck_assert_uint_eq(second->pass, 2);
    subject_free(found);
    burst_unmake(&burst);
}
END_TEST

/* A bird that sits all through and looks round: found in place, in every frame. */
START_TEST(perched)
{
    struct made_frame frame[30] = {0};
    for (size_t t = 0; t < 30; t++) {
        struct made_bird bird = bird_at(480, 330);
        bird.turn = 6.0f * sinf((float)t * 0.4f);
        bird.blur_px = 0.8f + 0.6f * sinf((float)t * 0.25f);
        add(&frame[t], bird);
    }
    make(&plain, frame, 30);
    struct subject_burst *found = find();
    ck_assert_int_eq(found->mode, SUBJECT_IN_PLACE);
    ck_assert(found->perch);
    for (size_t t = 0; t < 30; t++)
        ck_assert_msg(region_at(&found->frame[t], 480, 330) != NULL, "frame %zu", t);
    subject_free(found);
    burst_unmake(&burst);
}
END_TEST

/* A camera that sweeps about has no empty scene to compare with: that nothing was found proves nothing. */
START_TEST(sweeping_camera)
{
    struct made_frame frame[24] = {0};
    for (size_t t = 0; t < 24; t++) {
        frame[t].shift_x = 18.0f * (float)t;
        if (t > 8 && t < 14)
            add(&frame[t], bird_at(400, 200 + 20.0f * (float)(t - 8)));
    }
    make(&plain, frame, 24);
    struct subject_burst *found = find();
    ck_assert_int_eq(found->mode, SUBJECT_UNKNOWN);
    ck_assert_float_gt(fabsf(found->frame[0].shift_col), 12);
    subject_free(found);
    burst_unmake(&burst);
}
END_TEST

/* Nine cells from frame to frame: as far as a bird that crosses the picture takes a camera along. */
START_TEST(fast_sweep)
{
    struct made_frame frame[14] = {0};
    for (size_t t = 0; t < 14; t++)
        frame[t].shift_x = 72.0f * (float)t;
    make(&plain, frame, 14);
    struct subject_burst *found = find();
    for (size_t t = 0; t + 1 < 14; t++)
        ck_assert_float_eq_tol(fabsf(found->frame[t + 1].shift_col - found->frame[t].shift_col), 9, 0.5f);
    subject_free(found);
    burst_unmake(&burst);
}
END_TEST

/* Hills and furrows that get brighter to the right. */
static float sunlit(float x, float y)
{
    return (0.5f + 0.0007f * (x + 740)) *
           (1 + 0.2f * sinf(x / 37 + y / 90) * sinf(y / 29) + 0.1f * sinf(x / 61));
}

/* A scene that gets brighter along the way of the camera is not more exposure. */
START_TEST(sweep_into_the_light)
{
    enum { SWEPT = 24 };
    struct made_frame frame[SWEPT] = {0};
    for (size_t t = 0; t < SWEPT; t++) {
        frame[t].shift_x = 32.0f * (float)t;
        add(&frame[t], bird_at(430 + 10 * sinf((float)t), 300));
    }
    make(&plain, frame, SWEPT);
    for (size_t t = 0; t < SWEPT; t++) {
        uint8_t *luma = frame_draw(&plain, &frame[t], (uint32_t)t);
        for (size_t i = 0; i < (size_t)W * H; i++)
            luma[i] = (uint8_t)fminf(
                (float)luma[i] * sunlit((float)(i % W) - frame[t].shift_x, (float)(i / W)), 255);
        free(burst.packed[t]);
        grid_make(luma, W, H, &burst.grid[t], &burst.packed[t]);
        free(luma);
    }
    struct subject_burst *found = find();
    for (size_t t = 0; t < SWEPT; t++) {
        ck_assert_float_eq_tol(found->frame[t].gain / found->frame[SWEPT / 2].gain, 1, 0.04f);
        ck_assert_msg(region_at(&found->frame[t], 430 + 10 * sinf((float)t), 300) != NULL, "frame %zu", t);
    }
    subject_free(found);
    burst_unmake(&burst);
}
END_TEST

/* A landed bird stays where it is and does not hide the one that flies past. */
START_TEST(one_rests_while_another_flies)
{
    struct made_frame frame[50] = {0};
    for (size_t t = 0; t < 50; t++) {
        add(&frame[t], bird_at(t < 10 ? 100.0f + 40.0f * (float)t : 460, 480));
        if (t >= 18)
            add(&frame[t], bird_at(W + 80 - 36.0f * (float)(t - 18), 200));
    }
    make(&plain, frame, 50);
    struct subject_burst *found = find();
    for (size_t t = 22; t < 40; t++) {
        float x = W + 80 - 36.0f * (float)(t - 18);
        const struct subject_region *flying = region_at(&found->frame[t], x, 200);
        const struct subject_region *resting = region_at(&found->frame[t], 460, 480);
        ck_assert_msg(flying != NULL, "frame %zu: the flying bird is missing", t);
        ck_assert_msg(resting != NULL, "frame %zu: the resting bird is missing", t);
        ck_assert_uint_ne(flying->pass, resting->pass);
        ck_assert(flying->moving > 0.15f && resting->moving < 0.15f);
    }
    subject_free(found);
    burst_unmake(&burst);
}
END_TEST

/* Rows and columns exchanged: the same regions, exchanged. */
START_TEST(transposed)
{
    struct made_frame frame[40] = {0};
    struct maker turned = plain;
    turned.transposed = true;
    for (size_t t = 5; t < 40; t++)
        add(&frame[t], bird_at(flight_x(t, 5), 300));
    make(&plain, frame, 40);
    struct subject_burst *level = find();
    burst_unmake(&burst);
    make(&turned, frame, 40);
    struct subject_burst *upright = find();
    ck_assert_uint_eq(level->n_passes, upright->n_passes);
    for (size_t t = 0; t < 40; t++) {
        ck_assert_uint_eq(level->frame[t].n_regions, upright->frame[t].n_regions);
        for (size_t k = 0; k < level->frame[t].n_regions; k++) {
            const struct subject_region *a = &level->frame[t].region[k], *b = &upright->frame[t].region[k];
            ck_assert_float_eq_tol(a->centre_col, b->centre_row, 1.0f);
            ck_assert_float_eq_tol(a->centre_row, b->centre_col, 1.0f);
            ck_assert_int_eq(a->touches_border, b->touches_border);
        }
    }
    subject_free(level);
    subject_free(upright);
    burst_unmake(&burst);
}
END_TEST

static void check_finite(const struct subject_burst *found)
{
    ck_assert(isfinite(found->noise_luma));
    for (size_t t = 0; t < found->n; t++) {
        const struct subject_frame *f = &found->frame[t];
        ck_assert(isfinite(f->gain) && f->gain > 0 && isfinite(f->shift_col) && isfinite(f->shift_row));
        for (size_t k = 0; k < f->n_regions; k++) {
            const struct subject_region *r = &f->region[k];
            ck_assert(isfinite(r->moving) && isfinite(r->confidence) && isfinite(r->centre_col) &&
                      isfinite(r->velocity_col_s) && isfinite(r->velocity_row_s));
            ck_assert_uint_le(r->col + r->cols, found->cols);
            ck_assert_uint_le(r->row + r->rows, found->rows);
        }
    }
    for (size_t i = 0; found->background != NULL && i < (size_t)found->cols * found->rows; i++)
        ck_assert(isfinite(found->background[i]));
}

/* Nothing to see: frames that are all one picture, all black, or noise. */
START_TEST(nothing_there)
{
    struct made_frame frame[30] = {0};
    struct maker maker = plain;
    maker.width_px = 480;
    maker.height_px = 320;
    maker.noise = _i == 0 ? 0.0f : _i == 1 ? 0.0f : 12.0f;
    maker.bare = _i > 0;
    for (size_t t = 0; t < 30 && _i == 1; t++)
        frame[t].gain = 1e-6f;
    make(&maker, frame, 30);
    struct subject_burst *found = find();
    check_finite(found);
    for (size_t t = 0; t < 30; t++)
        ck_assert_uint_eq(found->frame[t].n_regions, 0);
    subject_free(found);
    burst_unmake(&burst);
}
END_TEST

START_TEST(few_frames_and_missing_grids)
{
    struct made_frame frame[40] = {0};
    struct err err = ERR_INIT;
    for (size_t t = 5; t < 40; t++)
        add(&frame[t], bird_at(flight_x(t, 5), 300));
    make(&plain, frame, 40);
    for (size_t n = 1; n < 8; n++) {
        struct subject_input few = {.grid = burst.pointer + 10, .time_ns = burst.time_ns + 10, .n = n};
        struct subject_burst *found = subject_find(&few, &err);
        ck_assert_ptr_nonnull(found);
        ck_assert_int_eq(found->mode == SUBJECT_UNKNOWN, n < 5);
        check_finite(found);
        subject_free(found);
    }
    for (size_t t = 0; t < 40; t += 3)
        burst.pointer[t] = NULL;
    struct subject_burst *found = find();
    check_finite(found);
    for (size_t t = 12; t < 26; t++)
        ck_assert_msg((burst.pointer[t] == NULL) == (found->frame[t].n_regions == 0), "frame %zu", t);
    subject_free(found);
    for (size_t t = 0; t < 40; t++)
        burst.pointer[t] = NULL;
    found = find();
    check_finite(found);
    ck_assert_int_eq(found->mode, SUBJECT_UNKNOWN);
    subject_free(found);
    burst_unmake(&burst);
}
END_TEST

START_TEST(unequal_sizes_are_refused)
{
    struct made_frame frame[6] = {0};
    struct maker small = plain;
    struct made_burst other;
    struct err err = ERR_INIT;
    small.width_px = 480;
    make(&plain, frame, 6);
    burst_make(&small, frame, 1, &other);
    burst.pointer[3] = &other.grid[0];
    ck_assert_ptr_null(subject_find(&burst.input, &err));
    ck_assert_int_eq(err.code, ERR_FORMAT);
    burst_unmake(&burst);
    burst_unmake(&other);
}
END_TEST

/* 400 frames in one call: bounded memory, no crash. The pictures repeat. */
START_TEST(many_frames)
{
    struct made_frame frame[40] = {0};
    const struct grid *pointer[400];
    int64_t time_ns[400];
    struct maker small = plain;
    struct err err = ERR_INIT;
    small.width_px = 480;
    small.height_px = 360;
    for (size_t t = 5; t < 40; t++)
        add(&frame[t], bird_at(flight_x(t, 5) / 2, 150));
    make(&small, frame, 40);
    for (size_t t = 0; t < 400; t++) {
        pointer[t] = burst.pointer[t % 40];
        time_ns[t] = (int64_t)t * 10000000;
    }
    struct subject_input input = {.grid = pointer, .time_ns = time_ns, .n = 400};
    struct subject_burst *found = subject_find(&input, &err);
    ck_assert_ptr_nonnull(found);
    ck_assert_uint_eq(found->n_passes, SUBJECT_MAX_PASSES);
    check_finite(found);
    subject_free(found);
    burst_unmake(&burst);
}
END_TEST

/* Backgrounds of one camera position, and of others. */
START_TEST(setups)
{
    struct made_frame frame[12] = {0};
    struct maker other = plain;
    for (size_t t = 6; t < 12; t++)
        frame[t].shift_x = 70;
    make(&plain, frame, 6);
    struct subject_burst *first = find();
    burst_unmake(&burst);
    other.seed = 9;
    for (size_t t = 0; t < 6; t++)
        frame[t].gain = 1.15f;
    make(&other, frame, 6);
    struct subject_burst *brighter = find();
    burst_unmake(&burst);
    make(&plain, frame + 6, 6);
    struct subject_burst *moved = find();
    burst_unmake(&burst);
    other.bare = true;
    make(&other, frame, 6);
    struct subject_burst *elsewhere = find();
    burst_unmake(&burst);
    uint32_t c = first->cols, r = first->rows;
    ck_assert(subject_same_setup(first->background, brighter->background, c, r, first->noise_luma));
    ck_assert(!subject_same_setup(first->background, moved->background, c, r, first->noise_luma));
    ck_assert(!subject_same_setup(first->background, elsewhere->background, c, r, first->noise_luma));
    subject_free(first);
    subject_free(brighter);
    subject_free(moved);
    subject_free(elsewhere);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("subject");
    TCase *made = tcase_create("made-up bursts");
    tcase_set_timeout(made, 60);
    tcase_add_test(made, crossing);
    tcase_add_test(made, crossing_with_jumps_and_tremor);
    tcase_add_test(made, landed_in_most_frames);
    tcase_add_test(made, two_at_once);
    tcase_add_test(made, two_arrivals);
    tcase_add_test(made, one_leaves_as_another_comes);
    tcase_add_test(made, perched);
    tcase_add_test(made, one_rests_while_another_flies);
    tcase_add_test(made, sweeping_camera);
    tcase_add_test(made, fast_sweep);
    tcase_add_test(made, sweep_into_the_light);
    tcase_add_test(made, transposed);
    tcase_add_loop_test(made, nothing_there, 0, 3);
    tcase_add_test(made, few_frames_and_missing_grids);
    tcase_add_test(made, unequal_sizes_are_refused);
    tcase_add_test(made, many_frames);
    tcase_add_test(made, setups);
    suite_add_tcase(suite, made);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
