/*
 * A camera that goes with its subject: the fit of its way, and a real sequence.
 *
 * The sequence is DAVIS 2016 "dog" (Perazzi et al., CVPR 2016). Labels of sharp and blurred frames were
 * judged by eye; masks are compared in tests/bench/bench_real.c. Without ../shared/data that test says so.
 */
#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <jpeglib.h>

#include "chaffinch/rank.h"
#include "chaffinch/subject.h"
#include "../../src/subject/scene.h"
#include "../../src/subject/warp.h"
#include "../ref/scene_maker.h"

enum { FRAMES = 60, COLS = 100, ROWS = 60 };
static const char *const folder = "../shared/data/moving-camera";

static float hills(float x, float y)
{
    return 110.0f + 35.0f * sinf(0.21f * x + 0.4f) * cosf(0.17f * y) + 25.0f * sinf(0.09f * (x + y)) +
           20.0f * cosf(0.33f * y - 0.11f * x);
}

static struct sheet draw(const struct warp *warp)
{
    struct sheet sheet = {COLS, ROWS, malloc(COLS * ROWS * sizeof(float))};
    ck_assert_ptr_nonnull(sheet.y);
    for (uint32_t r = 0; r < ROWS; r++)
        for (uint32_t c = 0; c < COLS; c++)
            sheet.y[r * COLS + c] =
                hills(warp_col(warp, (float)c, (float)r), warp_row(warp, (float)c, (float)r));
    return sheet;
}

/* A warp with shift, turn and zoom comes back, also where a fifth of the picture goes another way. */
START_TEST(warp_comes_back)
{
    const struct warp truth = {{1.8f, 1.01f, -0.02f, -1.2f, 0.015f, 0.99f}}, none = warp_none();
    struct warp back = warp_back(&truth), fitted = warp_none();
    struct sheet reference = draw(&none), image = draw(&back); /* image(truth(p)) = reference(p) */
    float *scratch = malloc(COLS * ROWS * sizeof *scratch);
    for (uint32_t r = 10; r < 40; r++)
        for (uint32_t c = 30; c < 70; c++)
            image.y[r * COLS + c] = 30.0f + (float)((c * 7 + r * 3) % 20);
    float left = warp_refine(&reference, &image, NULL, &fitted, scratch);
    for (int corner = 0; corner < 4; corner++) {
        float c = corner & 1 ? COLS : 0, r = corner & 2 ? ROWS : 0;
        ck_assert_float_eq_tol(warp_col(&fitted, c, r), warp_col(&truth, c, r), 0.25f);
        ck_assert_float_eq_tol(warp_row(&fitted, c, r), warp_row(&truth, c, r), 0.25f);
    }
    ck_assert_float_lt(left, 1.0f);
    struct warp round_trip = warp_after(&truth, &back);
    ck_assert_float_eq_tol(warp_col(&round_trip, 40, 20), 40, 1e-3f);
    ck_assert_float_eq_tol(warp_row(&round_trip, 40, 20), 20, 1e-3f);
    free(reference.y);
    free(image.y);
    free(scratch);
}
END_TEST

static void measure_picture(const char *path, struct grid *grid, uint8_t **packed)
{
    struct jpeg_decompress_struct jpeg;
    struct jpeg_error_mgr errors;
    FILE *file = fopen(path, "rb");
    ck_assert_msg(file != NULL, "%s", path);
    jpeg.err = jpeg_std_error(&errors);
    jpeg_create_decompress(&jpeg);
    jpeg_stdio_src(&jpeg, file);
    jpeg_read_header(&jpeg, TRUE);
    jpeg.out_color_space = JCS_GRAYSCALE;
    jpeg_start_decompress(&jpeg);
    uint8_t *luma = malloc((size_t)jpeg.output_width * jpeg.output_height);
    ck_assert_ptr_nonnull(luma);
    while (jpeg.output_scanline < jpeg.output_height) {
        uint8_t *row = luma + (size_t)jpeg.output_scanline * jpeg.output_width;
        jpeg_read_scanlines(&jpeg, &row, 1);
    }
    grid_make(luma, jpeg.output_width, jpeg.output_height, grid, packed);
    jpeg_destroy_decompress(&jpeg);
    fclose(file);
    free(luma);
}

/* Share of pairs of a sharp and a blurred frame in which the sharp one scores higher. */
static double right_order(const struct rank_scores *scores)
{
    char path[256], line[256];
    double score[FRAMES], right = 0, pairs = 0;
    int label[FRAMES], frame, n = 0;
    snprintf(path, sizeof path, "%s/dog-labels.csv", folder);
    FILE *csv = fopen(path, "r");
    ck_assert_ptr_nonnull(csv);
    while (n < FRAMES && fgets(line, sizeof line, csv) != NULL) {
        if (sscanf(line, "%d,%d", &frame, &label[n]) != 2)
            continue;
        score[n] = -INFINITY;
        for (size_t i = 0; i < scores->n; i++)
            if ((int)scores->item[i].frame == frame && scores->item[i].pass > 0)
                score[n] = scores->item[i].score;
        n++;
    }
    fclose(csv);
    for (int i = 0; i < n; i++)
        for (int k = 0; k < n; k++)
            if (label[i] == 1 && label[k] == 0) {
                pairs++;
                right += score[i] > score[k];
            }
    return right / pairs;
}

START_TEST(real_dog)
{
    static struct grid grid[FRAMES];
    static uint8_t *packed[FRAMES];
    const struct grid *view[FRAMES];
    int64_t time_ns[FRAMES];
    size_t covered = 0;
    if (access(folder, R_OK) != 0) {
        printf("skipped: no shared data\n");
        return;
    }
    for (size_t t = 0; t < FRAMES; t++) {
        char path[256];
        snprintf(path, sizeof path, "%s/dog/%05zu.jpg", folder, t);
        measure_picture(path, &grid[t], &packed[t]);
        view[t] = &grid[t];
        time_ns[t] = (int64_t)t * 41666667;
    }
    struct err err = ERR_INIT;
    struct subject_input input = {.grid = view, .time_ns = time_ns, .n = FRAMES};
    struct subject_burst *found = subject_find(&input, &err);
    struct rank_scores scores = {0};
    ck_assert_msg(found != NULL && rank_score(&input, found, &scores, &err), "%s", err.message);
    ck_assert_int_eq(found->mode, SUBJECT_FOLLOWED);
    for (size_t t = 0; t < FRAMES; t++)
        covered += found->frame[t].n_regions > 0;
    ck_assert_uint_ge(covered, 54);
    ck_assert_double_ge(right_order(&scores), 0.95);
    rank_scores_release(&scores);
    subject_free(found);
    for (size_t t = 0; t < FRAMES; t++)
        free(packed[t]);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("subject_follow");
    TCase *follow = tcase_create("followed");
    tcase_set_timeout(follow, 120);
    tcase_add_test(follow, warp_comes_back);
    tcase_add_test(follow, real_dog);
    suite_add_tcase(suite, follow);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
