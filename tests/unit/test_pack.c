/*
 * The packed grid: how exact it is, and what it does with damaged bytes.
 */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/measure.h"

static struct cells *random_cells(uint32_t width, uint32_t height, unsigned span)
{
    struct err err = ERR_INIT;
    struct measure *m = measure_new(width, height, &err);
    uint8_t *row = malloc(width);
    ck_assert(m != NULL && row != NULL);
    uint32_t state = 12345;
    for (uint32_t y = 0; y < height; y++) {
        for (uint32_t x = 0; x < width; x++) {
            state = state * 1664525u + 1013904223u;
            row[x] = (uint8_t)(x * 255 / width * (y % 64 > 20) + (state >> 24) % span % 256);
        }
        measure_row(m, row);
    }
    free(row);
    struct cells *c = measure_finish(m, &err);
    ck_assert_ptr_nonnull(c);
    return c;
}

static uint8_t *pack(const struct cells *c, size_t *size)
{
    struct err err = ERR_INIT;
    uint8_t *bytes = NULL;
    ck_assert(cells_pack(c, &bytes, size, &err));
    return bytes;
}

START_TEST(values_grow_by_seven_percent)
{
    const float *v = grid_values();
    ck_assert_float_eq(v[0], 0);
    ck_assert_double_eq_tol(v[1], 1.0 / 512, 1e-9);
    ck_assert_double_gt(v[255], 65025);
    for (int i = 2; i < 256; i++)
        ck_assert_double_eq_tol(v[i] / v[i - 1], exp2(.1), 1e-6);
}
END_TEST

/* Half a step is 3.53 %. Below the range: nought, or less than the lowest value away. */
static void check_log(double exact, float packed, const char *what, size_t i)
{
    ck_assert_msg(fabs(packed - exact) <= .0354 * exact || (exact < 1.0 / 512 && packed <= 1.0f / 512) ||
                      (exact > 86000 && packed > 86000),
                  "%s of cell %zu: %g became %g", what, i, exact, (double)packed);
}

static void check_round_trip(uint32_t width, uint32_t height, unsigned span)
{
    struct err err = ERR_INIT;
    struct cells *c = random_cells(width, height, span);
    size_t size = 0;
    uint8_t *bytes = pack(c, &size);
    struct grid g;
    ck_assert_msg(grid_view(&g, bytes, size, &err), "%s", err.message);
    ck_assert(g.width_px == width && g.height_px == height && g.cell_px == c->cell_px);
    ck_assert(g.cols == c->cols && g.rows == c->rows);
    for (size_t i = 0; i < (size_t)c->cols * c->rows; i++) {
        const struct cell *e = &c->cell[i];
        double n = e->count, mean = (double)e->luma / n;
        ck_assert_double_eq_tol(grid_luma(&g, i), mean, .5 / 128 + 1e-6);
        check_log((double)e->luma2 / n - mean * mean, grid_value(&g, GRID_VAR, i), "variance", i);
        check_log((double)e->at[0].laplacian2 / n, grid_value(&g, GRID_L1, i), "Laplacian", i);
        for (unsigned s = 0; s < MEASURE_SCALES; s++)
            if (e->at[s].count > 0)
                check_log((double)e->at[s].gradient2 / e->at[s].count / 64 / pow(16, s),
                          grid_value(&g, (enum grid_plane)(GRID_G1 + s), i), "gradient", i);
        ck_assert_double_eq_tol(grid_value(&g, GRID_CLIP, i), e->clipped / n, .5 / 255 + 1e-6);
    }
    free(bytes);
    cells_free(c);
}

START_TEST(round_trip_keeps_the_bounds)
{
    check_round_trip(640, 480, 256);
    check_round_trip(641, 483, 1);
    check_round_trip(3300, 100, 3);
    check_round_trip(6500, 70, 40);
    check_round_trip(17, 17, 256);
}
END_TEST

/* A strip of 1 px at the right and lower edge has no sample at scales 2, 4 and 8: it takes its neighbour's.
 */
START_TEST(narrow_cells_take_their_neighbours_value)
{
    struct err err = ERR_INIT;
    struct cells *c = random_cells(33, 33, 256);
    size_t size = 0;
    uint8_t *bytes = pack(c, &size);
    struct grid g;
    ck_assert(grid_view(&g, bytes, size, &err));
    ck_assert_uint_eq(g.cols, 5);
    ck_assert_uint_eq(c->cell[9].at[3].count, 0);
    for (enum grid_plane p = GRID_G2; p <= GRID_G8; p++) {
        ck_assert_uint_eq(g.plane[p][1 * 5 + 4], g.plane[p][1 * 5 + 3]);
        ck_assert_uint_eq(g.plane[p][4 * 5 + 2], g.plane[p][3 * 5 + 2]);
        ck_assert_uint_eq(g.plane[p][4 * 5 + 4], g.plane[p][3 * 5 + 3]);
        /* the one sample of scale 8 in the corner is flat by its mirrored border */
        ck_assert(g.plane[p][4 * 5 + 4] > 0 || p == GRID_G8);
    }
    free(bytes);
    cells_free(c);
}
END_TEST

/* White for all: a flat picture has no energy at all, and its cells are all clipped. */
START_TEST(flat_picture_is_nought)
{
    struct err err = ERR_INIT;
    struct measure *m = measure_new(40, 40, &err);
    uint8_t row[40];
    memset(row, 255, sizeof row);
    for (int y = 0; y < 40; y++)
        measure_row(m, row);
    struct cells *c = measure_finish(m, &err);
    ck_assert_ptr_nonnull(c);
    size_t size = 0;
    uint8_t *bytes = pack(c, &size);
    struct grid g;
    ck_assert(grid_view(&g, bytes, size, &err));
    for (size_t i = 0; i < (size_t)g.cols * g.rows; i++) {
        ck_assert_float_eq(grid_luma(&g, i), 255);
        for (enum grid_plane p = GRID_VAR; p <= GRID_G8; p++)
            ck_assert_float_eq(grid_value(&g, p, i), 0);
        ck_assert_float_eq(grid_value(&g, GRID_CLIP, i), 1);
    }
    free(bytes);
    cells_free(c);
}
END_TEST

START_TEST(twenty_megapixels_take_nine_bytes_a_cell)
{
    struct cells c = {.width_px = 5184, .height_px = 3888, .cell_px = 16, .cols = 324, .rows = 243};
    c.cell = calloc((size_t)c.cols * c.rows, sizeof *c.cell);
    ck_assert_ptr_nonnull(c.cell);
    for (size_t i = 0; i < (size_t)c.cols * c.rows; i++) {
        c.cell[i].count = 256;
        for (unsigned s = 0; s < MEASURE_SCALES; s++)
            c.cell[i].at[s].count = 256u >> (2 * s);
    }
    size_t size = 0;
    uint8_t *bytes = pack(&c, &size);
    ck_assert_uint_eq(size, 32 + 9 * 324 * 243);
    free(bytes);
    free(c.cell);
}
END_TEST

/* Every bit of the header, every shorter length: refused with a cause, never read beyond. */
START_TEST(damaged_bytes_are_refused)
{
    struct cells *c = random_cells(100, 60, 200);
    size_t size = 0;
    uint8_t *bytes = pack(c, &size);
    struct grid g;
    for (size_t bit = 0; bit < 32 * 8; bit++) {
        struct err err = ERR_INIT;
        bytes[bit / 8] ^= (uint8_t)(1u << bit % 8);
        bool ok = grid_view(&g, bytes, size, &err);
        bytes[bit / 8] ^= (uint8_t)(1u << bit % 8);
        if (ok) /* another width or height with the same number of cells is a grid too */
            ck_assert_msg(bit / 32 == 2 || bit / 32 == 3, "bit %zu", bit);
        else
            ck_assert_int_eq(err.code, ERR_DAMAGED);
    }
    for (size_t n = 0; n < size; n++) {
        struct err err = ERR_INIT;
        uint8_t *shorter = malloc(n + 1);
        ck_assert_ptr_nonnull(shorter);
        memcpy(shorter, bytes, n);
        ck_assert(!grid_view(&g, shorter, n, &err));
        ck_assert_int_eq(err.code, ERR_DAMAGED);
        free(shorter);
    }
    struct err err = ERR_INIT;
    ck_assert(!grid_view(&g, bytes + 4, size - 4, &err));
    ck_assert_int_eq(err.code, ERR_DAMAGED);
    free(bytes);
    cells_free(c);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("pack");
    TCase *t = tcase_create("pack");
    tcase_add_test(t, values_grow_by_seven_percent);
    tcase_add_test(t, round_trip_keeps_the_bounds);
    tcase_add_test(t, narrow_cells_take_their_neighbours_value);
    tcase_add_test(t, flat_picture_is_nought);
    tcase_add_test(t, twenty_megapixels_take_nine_bytes_a_cell);
    tcase_add_test(t, damaged_bytes_are_refused);
    suite_add_tcase(s, t);
    SRunner *r = srunner_create(s);
    srunner_run_all(r, CK_ENV);
    int failed = srunner_ntests_failed(r);
    srunner_free(r);
    return failed == 0 ? 0 : 1;
}
