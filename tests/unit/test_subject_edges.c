/*
 * How finely an outline is known, and what noise may do to it: made-up bursts, whose truth is their own
 * geometry.
 */
#include <check.h>
#include <math.h>
#include <stdlib.h>

#include "chaffinch/subject.h"
#include "../ref/scene_maker.h"

enum { W = 880, H = 560, CELL = 8, FRAMES = 40 };
static struct made_burst burst; /* its `input` points into it */

/* Steps that fall on every place within a cell. */
static float x_of(size_t t)
{
    return -100.0f + 29.7f * (float)t;
}

static float y_of(size_t t)
{
    return 260.0f + 1.3f * (float)t;
}

static bool whole(size_t t)
{
    return x_of(t) > 80 && x_of(t) < 0.9f * W - 80;
}

static struct subject_burst *fly(const struct maker *maker, float lift, float blur_px)
{
    struct made_frame frame[FRAMES] = {0};
    struct err err = ERR_INIT;
    for (size_t t = 0; t < FRAMES; t++) {
        frame[t].bird[0] = (struct made_bird){
            .x = x_of(t), .y = y_of(t), .w = 130, .h = 80, .blur_px = blur_px, .lift = lift, .salt = 31};
        frame[t].n_birds = 1;
    }
    burst_make(maker, frame, FRAMES, &burst);
    struct subject_burst *found = subject_find(&burst.input, &err);
    ck_assert_msg(found != NULL, "%s", err.message);
    return found;
}

static void done(struct subject_burst *found)
{
    subject_free(found);
    burst_unmake(&burst);
}

/* The sides of an ellipse are known to a third of a cell on the whole; those of its cells, which lie half a
   cell outside, are not. */
START_TEST(finer_than_cells)
{
    static const struct maker plain = {.width_px = W, .height_px = H, .noise = 2.0f, .seed = 5};
    struct subject_burst *found = fly(&plain, -60, 0.6f);
    double off = 0, cells = 0, n = 0;
    for (size_t t = 0; t < FRAMES; t++) {
        if (!whole(t))
            continue;
        ck_assert_uint_eq(found->frame[t].n_regions, 1);
        const struct subject_region *r = &found->frame[t].region[0];
        float box[4] = {(float)r->col, (float)r->row, (float)(r->col + r->cols), (float)(r->row + r->rows)};
        float inset[4] = {r->inset_left, r->inset_top, -r->inset_right, -r->inset_low};
        float truth[4] = {x_of(t) - 65, y_of(t) - 40, x_of(t) + 65, y_of(t) + 40};
        for (int k = 0; k < 4; k++, n++) {
            cells += (double)fabsf(box[k] * CELL - truth[k]);
            off += (double)fabsf((box[k] + inset[k]) * CELL - truth[k]);
            ck_assert_float_lt(fabsf((box[k] + inset[k]) * CELL - truth[k]), CELL);
        }
    }
    ck_assert_double_gt(n, 60);
    ck_assert_msg(off / n < 2.7 && off < 0.75 * cells, "%.2f px off, cells %.2f", off / n, cells / n);
    done(found);
}
END_TEST

enum { TAIL = 60 };

/* Without its tail in some frames, as if the scene behind were as bright; in others with a glint behind it.
 */
static bool lacks_tail(size_t t)
{
    return t % 6 == 2;
}

static bool has_glint(size_t t)
{
    return t % 6 == 5;
}

static void add_tail(struct made_frame *frame, size_t t)
{
    struct made_bird tail = {
        .x = x_of(t) - 65 - TAIL / 2 + 8, .y = y_of(t), .w = TAIL, .h = 10, .lift = -60, .blur_px = 0.6f};
    if (!lacks_tail(t))
        frame->bird[frame->n_birds++] = tail;
    if (!has_glint(t))
        return;
    tail.x -= TAIL;
    frame->bird[frame->n_birds++] = tail;
}

/* The rear end is where neighbours in time say that it is. */
START_TEST(tail_of_steady_length)
{
    static const struct maker plain = {.width_px = W, .height_px = H, .noise = 2.0f, .seed = 8};
    struct made_frame frame[FRAMES] = {0};
    struct err err = ERR_INIT;
    for (size_t t = 0; t < FRAMES; t++) {
        frame[t].bird[0] = (struct made_bird){
            .x = x_of(t), .y = y_of(t), .w = 130, .h = 80, .blur_px = 0.6f, .lift = -60, .salt = 31};
        frame[t].n_birds = 1;
        add_tail(&frame[t], t);
    }
    burst_make(&plain, frame, FRAMES, &burst);
    struct subject_burst *found = subject_find(&burst.input, &err);
    ck_assert_msg(found != NULL, "%s", err.message);
    size_t without = 0, glints = 0;
    for (size_t t = 0; t < FRAMES; t++) {
        if (x_of(t) < 240 || x_of(t) > 0.9f * W - 80)
            continue;
        ck_assert_uint_eq(found->frame[t].n_regions, 1);
        const struct subject_region *r = &found->frame[t].region[0];
        float rear = ((float)r->col + r->inset_left) * CELL, truth = x_of(t) - 65 - TAIL + 8;
        ck_assert_msg(fabsf(rear - truth) < 1.5f * CELL, "frame %zu: %.1f, not %.1f", t, (double)rear,
                      (double)truth);
        without += lacks_tail(t);
        glints += has_glint(t);
    }
    ck_assert_uint_gt(without, 1);
    ck_assert_uint_gt(glints, 1);
    done(found);
}
END_TEST

/* A bird that differs from the scene by hardly more than one cell's noise is seen in every frame. */
START_TEST(dim_in_noise)
{
    static const struct maker noisy = {.width_px = W, .height_px = H, .noise = 30, .seed = 6, .bare = true};
    struct subject_burst *found = fly(&noisy, 6, 6.0f);
    ck_assert_int_eq(found->mode, SUBJECT_MOVING);
    for (size_t t = 0; t < FRAMES; t++) {
        if (!whole(t))
            continue;
        ck_assert_msg(found->frame[t].n_regions == 1, "frame %zu", t);
        const struct subject_region *r = &found->frame[t].region[0];
        ck_assert_float_lt(fabsf((r->centre_col + 0.5f) * CELL - x_of(t)), 25);
        ck_assert_float_lt(fabsf((r->centre_row + 0.5f) * CELL - y_of(t)), 25);
    }
    done(found);
}
END_TEST

/* Noise alone is nothing. */
START_TEST(noise_alone)
{
    struct maker noisy = {.width_px = W, .height_px = H, .noise = 30, .seed = 7 + (uint32_t)_i, .bare = true};
    struct made_frame frame[FRAMES] = {0};
    struct err err = ERR_INIT;
    burst_make(&noisy, frame, FRAMES, &burst);
    struct subject_burst *found = subject_find(&burst.input, &err);
    ck_assert_msg(found != NULL, "%s", err.message);
    for (size_t t = 0; t < FRAMES; t++)
        ck_assert_uint_eq(found->frame[t].n_regions, 0);
    done(found);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("subject_edges");
    TCase *made = tcase_create("made-up bursts");
    tcase_set_timeout(made, 60);
    tcase_add_test(made, finer_than_cells);
    tcase_add_test(made, tail_of_steady_length);
    tcase_add_test(made, dim_in_noise);
    tcase_add_loop_test(made, noise_alone, 0, 2);
    suite_add_tcase(suite, made);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
