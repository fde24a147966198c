/*
 * Cell sums against a slow reference, and the whole-picture measures against published values.
 */
#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/measure.h"
#include "../ref/measure_ref.h"

enum { BORDERS = 4 };

/* xorshift64: the same pictures on every machine. */
static uint64_t next_random(uint64_t *state)
{
    *state ^= *state << 13;
    *state ^= *state >> 7;
    *state ^= *state << 17;
    return *state;
}

/* Every third picture holds extreme values only: the largest responses that there are. */
static uint8_t *random_picture(uint32_t width, uint32_t height, uint64_t seed)
{
    uint8_t *p = malloc((size_t)width * height);
    ck_assert_ptr_nonnull(p);
    uint64_t state = seed * 0x9E3779B97F4A7C15u + 1;
    for (size_t i = 0; i < (size_t)width * height; i++) {
        uint64_t r = next_random(&state) >> 20;
        p[i] = seed % 3 == 0 ? (r & 1 ? 255 : 0) : (uint8_t)r;
    }
    return p;
}

static struct cells *measure_picture(enum measure_path path, const uint8_t *p, uint32_t width,
                                     uint32_t height)
{
    struct err err = ERR_INIT;
    struct measure *m = measure_new_with(path, width, height, &err);
    if (m == NULL) {
        ck_assert_int_eq(err.code, ERR_USAGE);
        return NULL;
    }
    for (uint32_t y = 0; y < height; y++)
        measure_row(m, p + (size_t)y * width);
    struct cells *c = measure_finish(m, &err);
    ck_assert_msg(c != NULL, "%s", err.message);
    return c;
}

static void check_cells_equal(const struct cells *a, const struct cells *b, const char *name)
{
    ck_assert_uint_eq(a->cell_px, b->cell_px);
    ck_assert_uint_eq(a->cols, b->cols);
    ck_assert_uint_eq(a->rows, b->rows);
    for (size_t i = 0; i < (size_t)a->cols * a->rows; i++)
        ck_assert_msg(memcmp(&a->cell[i], &b->cell[i], sizeof a->cell[i]) == 0,
                      "%s: %u x %u px, cell %zu differs", name, a->width_px, a->height_px, i);
}

static const struct {
    enum measure_path path;
    const char *name;
} paths[] = {
    {MEASURE_PATH_PLAIN, "plain"},
    {MEASURE_PATH_SSE2, "sse2"},
    {MEASURE_PATH_AVX2, "avx2"},
    {MEASURE_PATH_BEST, "best"},
};

/* Rows of cells that are packed as they come, whole cells without a division, against all of them packed
   afterwards from the exact sums of the reference. */
static void check_packed(enum measure_path path, const uint8_t *p, const struct cells *ref, const char *name)
{
    struct err err = ERR_INIT;
    uint8_t *expect = NULL, *got = NULL;
    size_t expect_size = 0, size = 0;
    struct measure *m = measure_new_packing(path, ref->width_px, ref->height_px, ref->cell_px, &err);
    ck_assert_msg(m != NULL, "%s", err.message);
    for (uint32_t y = 0; y < ref->height_px; y++)
        measure_row(m, p + (size_t)y * ref->width_px);
    ck_assert_msg(measure_finish_packed(m, &got, &size, &err), "%s", err.message);
    ck_assert(cells_pack(ref, &expect, &expect_size, &err));
    ck_assert_uint_eq(size, expect_size);
    for (size_t i = 0; i < size; i++)
        ck_assert_msg(got[i] == expect[i], "%s: %u x %u px, packed byte %zu of %zu differs", name,
                      ref->width_px, ref->height_px, i, size);
    free(expect);
    free(got);
}

static void check_size(uint32_t width, uint32_t height, uint64_t seed)
{
    uint8_t *p = random_picture(width, height, seed);
    struct cells *ref = measure_ref(p, width, height);
    ck_assert_ptr_nonnull(ref);
    for (size_t i = 0; i < sizeof paths / sizeof paths[0]; i++) {
        struct cells *c = measure_picture(paths[i].path, p, width, height);
        if (c == NULL) {
            printf("skipped: this processor has no %s\n", paths[i].name);
            continue;
        }
        check_cells_equal(ref, c, paths[i].name);
        check_packed(paths[i].path, p, ref, paths[i].name);
        ck_assert_double_eq(cells_laplacian_variance(c),
                            measure_laplacian_variance(p, width, height, width, MEASURE_REFLECT_101));
        ck_assert_double_eq(cells_tenengrad(c),
                            measure_tenengrad(p, width, height, width, MEASURE_REFLECT_101));
        cells_free(c);
    }
    cells_free(ref);
    free(p);
}

START_TEST(paths_equal_reference_small)
{
    uint64_t seed = 1;
    for (uint32_t width = 16; width <= 50; width++)
        for (uint32_t height = 16; height <= 35; height += 1 + width % 3)
            check_size(width, height, seed++);
}
END_TEST

START_TEST(paths_equal_reference_large)
{
    /* 8, 16 and 32 px cells, on both sides of each limit, cut cells of every kind */
    static const uint32_t size[][2] = {
        {3199, 41}, {3200, 64}, {3201, 97},  {3217, 33}, {6399, 49}, {6400, 80}, {6401, 65},  {6407, 16},
        {6433, 71}, {6460, 97}, {1601, 135}, {17, 600},  {16, 16},   {4000, 31}, {8193, 129}, {333, 257}};
    for (size_t i = 0; i < sizeof size / sizeof size[0]; i++)
        for (uint64_t seed = 0; seed < 2; seed++)
            check_size(size[i][0], size[i][1], 3 * i + seed);
}
END_TEST

/* The picture with the largest sums: a checkerboard for the Laplacian, 2 px stripes for the gradient. */
START_TEST(largest_sums_do_not_overflow)
{
    enum { WIDTH = 6464, HEIGHT = 96 };
    uint8_t *p = malloc(WIDTH * HEIGHT);
    ck_assert_ptr_nonnull(p);
    for (unsigned step = 1; step <= 16; step *= 2)
        for (int slanted = 0; slanted < 2; slanted++) {
            for (unsigned y = 0; y < HEIGHT; y++)
                for (unsigned x = 0; x < WIDTH; x++)
                    p[y * WIDTH + x] = ((x / step) + (slanted ? y / step : 0)) % 2 ? 255 : 0;
            struct cells *ref = measure_ref(p, WIDTH, HEIGHT);
            ck_assert_ptr_nonnull(ref);
            for (size_t i = 0; i < sizeof paths / sizeof paths[0]; i++) {
                struct cells *c = measure_picture(paths[i].path, p, WIDTH, HEIGHT);
                if (c != NULL) {
                    check_cells_equal(ref, c, paths[i].name);
                    check_packed(paths[i].path, p, ref, paths[i].name);
                }
                cells_free(c);
            }
            cells_free(ref);
        }
    free(p);
}
END_TEST

START_TEST(sides_out_of_range_are_refused)
{
    static const uint32_t size[][2] = {{15, 100},   {100, 15}, {65501, 16},
                                       {16, 65501}, {0, 0},    {UINT32_MAX, 16}};
    for (size_t i = 0; i < sizeof size / sizeof size[0]; i++) {
        struct err err = ERR_INIT;
        ck_assert_ptr_null(measure_new(size[i][0], size[i][1], &err));
        ck_assert_int_eq(err.code, ERR_FORMAT);
    }
}
END_TEST

START_TEST(missing_rows_are_refused)
{
    struct err err = ERR_INIT;
    uint8_t row[40] = {0};
    struct measure *m = measure_new(40, 20, &err);
    ck_assert_ptr_nonnull(m);
    for (int y = 0; y < 19; y++)
        measure_row(m, row);
    ck_assert_ptr_null(measure_finish(m, &err));
    ck_assert_int_eq(err.code, ERR_FORMAT);
    ck_assert_str_eq(err.message, "the picture is cut short: 19 of 20 rows");
}
END_TEST

START_TEST(rows_beyond_the_last_are_ignored)
{
    struct err err = ERR_INIT;
    uint8_t *p = random_picture(40, 20, 5);
    struct measure *m = measure_new(40, 20, &err);
    ck_assert_ptr_nonnull(m);
    for (unsigned y = 0; y < 24; y++)
        measure_row(m, p + 40 * (y % 20));
    struct cells *c = measure_finish(m, &err), *ref = measure_ref(p, 40, 20);
    ck_assert_ptr_nonnull(c);
    ck_assert_ptr_nonnull(ref);
    check_cells_equal(ref, c, "with rows too many");
    cells_free(c);
    cells_free(ref);
    free(p);
}
END_TEST

/* Reference matrix; the sums below were computed with OpenCV 4.6.0 (Laplacian ksize 1, Sobel ksize 3, CV_64F)
   and scipy.ndimage 1.10.1 (laplace, sobel), which agree bit for bit in the matching border modes. */
static const uint8_t matrix[64] = {
    12, 15,  20,  33,  90,  120, 125, 126, 10,  14,  22,  60,  140, 180, 182, 179, //
    11, 13,  40,  110, 200, 220, 214, 205, 9,   30,  95,  170, 230, 240, 231, 210, //
    20, 70,  150, 210, 245, 250, 228, 190, 55,  120, 190, 225, 240, 232, 200, 150, //
    90, 160, 205, 215, 210, 190, 150, 100, 110, 170, 200, 195, 180, 150, 105, 60,
};

START_TEST(reference_matrix_equals_opencv_and_scipy)
{
    static const struct {
        enum measure_border border;
        double laplacian_variance, tenengrad;
    } expect[BORDERS] = {
        {MEASURE_REFLECT_101, 3753.2255859375, 115686.375},
        {MEASURE_REPLICATE, 1930.53125, 124486.0625},
        {MEASURE_CONSTANT, 5698.125, 264884.1875},
        {MEASURE_INTERIOR, 15682.0 / 9, 5972392.0 / 36},
    };
    /* numpy 1.24.2 var() prints 1742.4444444444446 for the last: it adds rounded squares and ends one unit in
       the last place above 15682/9, the quotient of the integer sums. */
    ck_assert_double_eq(nextafter(15682.0 / 9, 2000), 1742.4444444444446);
    for (size_t i = 0; i < BORDERS; i++) {
        ck_assert_double_eq(measure_laplacian_variance(matrix, 8, 8, 8, expect[i].border),
                            expect[i].laplacian_variance);
        ck_assert_double_eq(measure_tenengrad(matrix, 8, 8, 8, expect[i].border), expect[i].tenengrad);
    }
}
END_TEST

/* The matrix inside a wider buffer: the stride is used, and what lies beside the picture is not. */
START_TEST(stride_leaves_the_rest_alone)
{
    uint8_t wide[8 * 13];
    memset(wide, 77, sizeof wide);
    for (int y = 0; y < 8; y++)
        memcpy(wide + 13 * y, matrix + 8 * y, 8);
    ck_assert_double_eq(measure_laplacian_variance(wide, 8, 8, 13, MEASURE_REFLECT_101), 3753.2255859375);
    ck_assert_double_eq(measure_tenengrad(wide, 8, 8, 13, MEASURE_CONSTANT), 264884.1875);
}
END_TEST

START_TEST(streaming_equals_opencv_on_simple_pictures)
{
    uint8_t p[32 * 32];
    static const struct {
        const char *name;
        double laplacian_variance, tenengrad, inner_laplacian_variance, inner_tenengrad;
    } expect[] = {
        /* 8 x 8 pictures; OpenCV 4.6.0, REFLECT_101 and the inner 6 x 6 */
        {"constant", 0, 0, 0, 0},
        {"checkerboard", 1040400, 0, 1040400, 0},
        {"ramp", 100, 4800, 0, 6400},
        {"step", 2500, 40000, 10000.0 / 3, 160000.0 / 3},
        {"impulse", 3125, 3750, 50000.0 / 9, 60000.0 / 9},
    };
    for (size_t k = 0; k < sizeof expect / sizeof expect[0]; k++) {
        for (unsigned y = 0; y < 8; y++)
            for (unsigned x = 0; x < 8; x++) {
                unsigned v[] = {50, (x + y) % 2 * 255, 10 * x, x < 4 ? 0 : 100, x == 3 && y == 3 ? 100 : 0};
                p[y * 8 + x] = (uint8_t)v[k];
            }
        ck_assert_double_eq(measure_laplacian_variance(p, 8, 8, 8, MEASURE_REFLECT_101),
                            expect[k].laplacian_variance);
        ck_assert_double_eq(measure_tenengrad(p, 8, 8, 8, MEASURE_REFLECT_101), expect[k].tenengrad);
        /* printed with eight digits in the source */
        ck_assert_double_eq_tol(measure_laplacian_variance(p, 8, 8, 8, MEASURE_INTERIOR),
                                expect[k].inner_laplacian_variance, 1e-4);
        ck_assert_double_eq_tol(measure_tenengrad(p, 8, 8, 8, MEASURE_INTERIOR), expect[k].inner_tenengrad,
                                1e-4);
    }
    /* The checkerboard again, through the cells: at scale 2 it is flat. */
    for (unsigned i = 0; i < sizeof p; i++)
        p[i] = (i + i / 32) % 2 ? 255 : 0;
    struct cells *c = measure_picture(MEASURE_PATH_BEST, p, 32, 32);
    ck_assert_ptr_nonnull(c);
    ck_assert_double_eq(cells_laplacian_variance(c), 1040400);
    ck_assert_double_eq(cells_tenengrad(c), 0);
    ck_assert_uint_eq(c->cell[5].at[1].laplacian2, 0);
    cells_free(c);
}
END_TEST

/* White noise of s.d. sigma: the variance of a filtered picture is sigma^2 times the sum of squared taps: 20
   for the Laplacian; 12 for each Sobel, 24 together (theory; OpenCV 4.6.0 Monte Carlo on 1024^2: 20.04
   and 23.92). Here 512^2: the standard error is under .5 %, the tolerance 2 %; rounding to whole steps adds
   1/12 to sigma^2. */
START_TEST(noise_floor_follows_theory)
{
    enum { SIDE = 512 };
    const double sigma = 5, variance = sigma * sigma + 1.0 / 12;
    uint8_t *p = malloc(SIDE * SIDE);
    ck_assert_ptr_nonnull(p);
    uint64_t state = 42;
    for (size_t i = 0; i < SIDE * SIDE; i++) {
        double u = ((double)(next_random(&state) >> 11) + 1) / 9007199254740993.0;
        double v = (double)(next_random(&state) >> 11) / 9007199254740992.0;
        p[i] = (uint8_t)lround(128 + sigma * sqrt(-2 * log(u)) * cos(2 * 3.14159265358979323846 * v));
    }
    struct cells *c = measure_picture(MEASURE_PATH_BEST, p, SIDE, SIDE);
    ck_assert_ptr_nonnull(c);
    ck_assert_double_eq_tol(cells_laplacian_variance(c) / variance, 20, .4);
    ck_assert_double_eq_tol(cells_tenengrad(c) / variance, 24, .48);
    cells_free(c);
    free(p);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("measure");
    TCase *t = tcase_create("cells");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, paths_equal_reference_small);
    tcase_add_test(t, paths_equal_reference_large);
    tcase_add_test(t, largest_sums_do_not_overflow);
    tcase_add_test(t, sides_out_of_range_are_refused);
    tcase_add_test(t, missing_rows_are_refused);
    tcase_add_test(t, rows_beyond_the_last_are_ignored);
    tcase_add_test(t, noise_floor_follows_theory);
    suite_add_tcase(s, t);
    TCase *w = tcase_create("whole picture");
    tcase_add_test(w, reference_matrix_equals_opencv_and_scipy);
    tcase_add_test(w, stride_leaves_the_rest_alone);
    tcase_add_test(w, streaming_equals_opencv_on_simple_pictures);
    suite_add_tcase(s, w);
    SRunner *r = srunner_create(s);
    srunner_run_all(r, CK_ENV);
    int failed = srunner_ntests_failed(r);
    srunner_free(r);
    return failed == 0 ? 0 : 1;
}
