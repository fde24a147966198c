/*
 * Parts of a frame: their cells equal those of a full decode, and filled frames show a still scene.
 */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/decode.h"
#include "chaffinch/measure.h"

static uint32_t state = 7;

static uint32_t chance(uint32_t below)
{
    state = state * 1664525u + 1013904223u;
    return (uint32_t)(((uint64_t)state * below) >> 32);
}

/* A picture with structure at all scales, and noise. */
static uint8_t *picture(uint32_t width, uint32_t height)
{
    uint8_t *luma = malloc((size_t)width * height);
    ck_assert_ptr_nonnull(luma);
    for (uint32_t y = 0; y < height; y++)
        for (uint32_t x = 0; x < width; x++)
            luma[(size_t)y * width + x] =
                (uint8_t)((x * 7 / 16 + y * 3 / 8 + 40 * (x / 37 % 2) + 60 * (y / 53 % 2) + chance(30)) %
                          256);
    return luma;
}

static struct cells *measure_box(const uint8_t *luma, uint32_t width, const uint32_t px[4], uint32_t cell_px)
{
    struct err err = ERR_INIT;
    struct measure *m = measure_new_part(MEASURE_PATH_BEST, px[2], px[3], cell_px, &err);
    ck_assert_msg(m != NULL, "%s", err.message);
    for (uint32_t y = 0; y < px[3]; y++)
        measure_row(m, luma + (size_t)(px[1] + y) * width + px[0]);
    struct cells *cells = measure_finish(m, &err);
    ck_assert_ptr_nonnull(cells);
    return cells;
}

static struct grid_window random_window(uint32_t cols, uint32_t rows)
{
    struct grid_window w = {chance(cols), chance(rows), 0, 0};
    w.cols = 1 + chance(cols - w.col);
    w.rows = 1 + chance(rows - w.row);
    return w;
}

static uint8_t *pack_of(const struct cells *cells, size_t *size, struct grid *grid)
{
    struct err err = ERR_INIT;
    uint8_t *bytes = NULL;
    ck_assert(cells_pack(cells, &bytes, size, &err));
    ck_assert_msg(grid_view(grid, bytes, *size, &err), "%s", err.message);
    return bytes;
}

static void same_cells(const struct grid *whole, const struct grid_part *part)
{
    const struct grid_window *w = &part->window;
    for (uint32_t r = 0; r < w->rows; r++)
        for (uint32_t c = 0; c < w->cols; c++) {
            size_t at = (size_t)(w->row + r) * whole->cols + w->col + c, from = (size_t)r * w->cols + c;
            ck_assert_uint_eq(whole->luma[at], part->luma[from]);
            for (size_t p = 0; p < GRID_PLANES; p++)
                ck_assert_msg(whole->plane[p][at] == part->plane[p][from],
                              "plane %zu of cell %u, %u of a window at %u, %u of %u x %u cells", p, c, r,
                              w->col, w->row, w->cols, w->rows);
        }
}

static uint8_t *part_of(const struct grid *whole, const uint8_t *luma, const struct grid_window *window,
                        float gain, struct grid_part *part, size_t *size)
{
    struct err err = ERR_INIT;
    uint32_t px[4];
    uint8_t *bytes = NULL;
    struct grid_part wanted = {whole->width_px, whole->height_px, whole->cell_px, whole->cols, whole->rows,
                               *window,         *window,          gain,           NULL,        {NULL}};
    struct cells *cells = NULL;
    struct grid_window around = {0};
    if (window->cols > 0) {
        around = measure_window_px(whole->width_px, whole->height_px, window, px);
        cells = measure_box(luma, whole->width_px, px, whole->cell_px);
    }
    ck_assert(cells_pack_part(cells, &around, &wanted, &bytes, size, &err));
    ck_assert_msg(grid_part_view(part, bytes, *size, &err), "%s", err.message);
    cells_free(cells);
    return bytes;
}

/* Sizes with whole and with cut cells, also ones too narrow for a sample of scale 8. */
START_TEST(cells_of_a_part_equal_those_of_the_whole)
{
    static const uint32_t size_px[][2] = {{640, 480}, {643, 485}, {333, 777}, {3300, 97}, {648, 490}};
    for (size_t k = 0; k < sizeof size_px / sizeof size_px[0]; k++) {
        uint32_t width = size_px[k][0], height = size_px[k][1];
        uint8_t *luma = picture(width, height);
        struct cells *cells =
            measure_box(luma, width, (uint32_t[4]){0, 0, width, height}, measure_cell_px(width));
        struct grid whole;
        size_t size;
        uint8_t *bytes = pack_of(cells, &size, &whole);
        ck_assert(!grid_is_part(bytes, size));
        for (int i = 0; i < 60; i++) {
            struct grid_window w = random_window(whole.cols, whole.rows);
            struct grid_part part;
            size_t part_size;
            uint8_t *packed = part_of(&whole, luma, &w, 1, &part, &part_size);
            same_cells(&whole, &part);
            free(packed);
        }
        free(bytes);
        cells_free(cells);
        free(luma);
    }
}
END_TEST

START_TEST(damaged_parts_are_refused)
{
    struct err err = ERR_INIT;
    uint8_t *luma = picture(640, 480);
    struct cells *cells = measure_box(luma, 640, (uint32_t[4]){0, 0, 640, 480}, 8);
    struct grid whole;
    struct grid_part part;
    size_t size, part_size;
    uint8_t *bytes = pack_of(cells, &size, &whole);
    uint8_t *packed = part_of(&whole, luma, &(struct grid_window){10, 10, 20, 20}, 1, &part, &part_size);
    ck_assert(!grid_view(&whole, packed, part_size, &err));
    ck_assert_int_eq(err.code, ERR_DAMAGED);
    ck_assert(!grid_part_view(&part, packed, part_size - 1, &err));
    for (size_t byte = 0; byte < 60; byte++) { /* every field but the gain */
        packed[byte] ^= 0x80;
        struct err why = ERR_INIT;
        /* A subject somewhere else is still a place; anything that moves the planes is not. */
        bool sound = grid_part_view(&part, packed, part_size, &why);
        ck_assert_msg(!sound, "byte %zu", byte);
        packed[byte] ^= 0x80;
    }
    memset(packed + 60, 0xff, 4); /* not a number */
    ck_assert(!grid_part_view(&part, packed, part_size, &err));
    free(packed);
    free(bytes);
    cells_free(cells);
    free(luma);
}
END_TEST

enum { FRAMES = 24, WIDTH = 640, HEIGHT = 480 };

/* A still scene with noise and a dark square that crosses; frames 0, 11 and 23 are whole. */
static void paint(uint8_t *luma, const uint8_t *scene, int t)
{
    for (uint32_t y = 0; y < HEIGHT; y++)
        for (uint32_t x = 0; x < WIDTH; x++) {
            size_t i = (size_t)y * WIDTH + x;
            bool subject =
                x >= (uint32_t)(40 + 20 * t) && x < (uint32_t)(104 + 20 * t) && y >= 200 && y < 264;
            luma[i] = (uint8_t)(subject ? 20 : 60 + scene[i] / 4 + chance(9));
        }
}

START_TEST(filled_frames_show_the_scene_and_its_noise)
{
    struct err err = ERR_INIT;
    uint8_t *scene = picture(WIDTH, HEIGHT), *luma = malloc(WIDTH * HEIGHT), *bytes[FRAMES] = {0},
            *filled[FRAMES] = {0};
    struct grid whole[FRAMES], grid[FRAMES];
    struct grid_part part[FRAMES];
    const struct grid *whole_at[FRAMES] = {0};
    const struct grid_part *part_at[FRAMES] = {0};
    struct grid_window subject[FRAMES];
    float gain[FRAMES];
    uint8_t *packed[FRAMES] = {0};
    for (int t = 0; t < FRAMES; t++) {
        size_t size;
        paint(luma, scene, t);
        struct cells *cells = measure_box(luma, WIDTH, (uint32_t[4]){0, 0, WIDTH, HEIGHT}, 8);
        bytes[t] = pack_of(cells, &size, &whole[t]);
        cells_free(cells);
        subject[t] = (struct grid_window){(uint32_t)(20 * t / 8 + 3), 23, 12, 12};
        gain[t] = 1;
        if (t == 0 || t == 11 || t == 23)
            whole_at[t] = &whole[t];
        else {
            packed[t] = part_of(&whole[t], luma, &subject[t], 1, &part[t], &size);
            part_at[t] = &part[t];
        }
    }
    const struct fill_input in = {FRAMES, whole_at, subject, gain, part_at};
    ck_assert_msg(grids_fill(&in, filled, grid, &err), "%s", err.message);
    double squares = 0, bias = 0, plain = 0;
    size_t n = 0;
    for (int t = 0; t < FRAMES; t++) {
        if (part_at[t] == NULL)
            continue;
        for (size_t i = 0; i < (size_t)grid[t].cols * grid[t].rows; i++) {
            double d = grid_luma(&grid[t], i) - grid_luma(&whole[t], i);
            ck_assert_msg(fabs(d) < 3, "cell %zu of frame %d differs by %g", i, t, d);
            double e = grid_luma(&whole[t], i) - grid_luma(&whole[0], i);
            if (fabs(e) < 3) { /* the same scene in both */
                bias += d;
                squares += d * d;
                plain += e * e;
                n++;
            }
        }
    }
    ck_assert_uint_gt(n, 50000);
    ck_assert_double_lt(fabs(bias / (double)n), .02);
    /* What is filled in differs from the truth as two frames of the scene differ: by their noise. */
    ck_assert_double_gt(sqrt(squares / plain), .7);
    ck_assert_double_lt(sqrt(squares / plain), 1.2);
    for (int t = 0; t < FRAMES; t++) {
        free(bytes[t]);
        free(packed[t]);
        free(filled[t]);
    }
    free(scene);
    free(luma);
}
END_TEST

START_TEST(parts_without_a_whole_frame_cannot_be_filled)
{
    struct err err = ERR_INIT;
    uint8_t *luma = picture(WIDTH, HEIGHT), *filled = NULL;
    struct cells *cells = measure_box(luma, WIDTH, (uint32_t[4]){0, 0, WIDTH, HEIGHT}, 8);
    struct grid whole, grid;
    struct grid_part part;
    size_t size, part_size;
    uint8_t *bytes = pack_of(cells, &size, &whole);
    uint8_t *packed = part_of(&whole, luma, &(struct grid_window){0}, 1, &part, &part_size);
    const struct grid *none = NULL;
    const struct grid_part *here = &part;
    const struct grid_window nowhere = {0};
    const float one = 1;
    const struct fill_input in = {1, &none, &nowhere, &one, &here};
    ck_assert(!grids_fill(&in, &filled, &grid, &err));
    ck_assert_int_eq(err.code, ERR_NOT_FOUND);
    free(packed);
    free(bytes);
    cells_free(cells);
    free(luma);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("part");
    TCase *tc = tcase_create("part");
    tcase_add_test(tc, cells_of_a_part_equal_those_of_the_whole);
    tcase_add_test(tc, damaged_parts_are_refused);
    tcase_add_test(tc, filled_frames_show_the_scene_and_its_noise);
    tcase_add_test(tc, parts_without_a_whole_frame_cannot_be_filled);
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
