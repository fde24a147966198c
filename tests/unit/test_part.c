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

static void give_rows(struct measure *m, const uint8_t *luma, uint32_t width, const uint32_t px[4])
{
    ck_assert_ptr_nonnull(m);
    for (uint32_t y = 0; y < px[3]; y++)
        measure_row(m, luma + (size_t)(px[1] + y) * width + px[0]);
}

static struct cells *measure_box(const uint8_t *luma, uint32_t width, const uint32_t px[4], uint32_t cell_px)
{
    struct err err = ERR_INIT;
    struct measure *m = measure_new_part(MEASURE_PATH_BEST, px[2], px[3], cell_px, &err);
    give_rows(m, luma, width, px);
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
    struct measure *m = NULL;
    struct grid_window around = {0};
    if (window->cols > 0) {
        around = measure_window_px(whole->width_px, whole->height_px, window, px);
        m = measure_new_packing(MEASURE_PATH_BEST, px[2], px[3], whole->cell_px, &err);
        give_rows(m, luma, whole->width_px, px);
    }
    ck_assert(measure_finish_part(m, &around, &wanted, &bytes, size, &err));
    ck_assert_msg(grid_part_view(part, bytes, *size, &err), "%s", err.message);
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

/* Frames 0, 11 and 23 whole, of the others the window that the test names. */
struct film {
    uint8_t *scene, *luma, *bytes[FRAMES], *packed[FRAMES], *filled[FRAMES];
    struct grid whole[FRAMES], grid[FRAMES];
    struct grid_part part[FRAMES];
    const struct grid *whole_at[FRAMES];
    const struct grid_part *part_at[FRAMES];
    struct grid_window subject[FRAMES];
    float gain[FRAMES];
    struct fill_input in;
};

static struct grid_window around_subject(int t)
{
    return (struct grid_window){(uint32_t)(20 * t / 8 + 3), 23, 12, 12};
}

/* `extra` draws more on frame t, NULL = nothing. */
static struct film *film_open(struct grid_window (*window)(int t), void (*extra)(uint8_t *luma, int t))
{
    struct film *f = calloc(1, sizeof *f);
    ck_assert_ptr_nonnull(f);
    f->scene = picture(WIDTH, HEIGHT);
    f->luma = malloc(WIDTH * HEIGHT);
    for (int t = 0; t < FRAMES; t++) {
        size_t size;
        paint(f->luma, f->scene, t);
        if (extra != NULL)
            extra(f->luma, t);
        struct cells *cells = measure_box(f->luma, WIDTH, (uint32_t[4]){0, 0, WIDTH, HEIGHT}, 8);
        f->bytes[t] = pack_of(cells, &size, &f->whole[t]);
        cells_free(cells);
        f->subject[t] = around_subject(t);
        f->gain[t] = 1;
        if (t == 0 || t == 11 || t == 23)
            f->whole_at[t] = &f->whole[t];
        else {
            const struct grid_window w = window(t);
            f->packed[t] = part_of(&f->whole[t], f->luma, &w, 1, &f->part[t], &size);
            f->part_at[t] = &f->part[t];
        }
    }
    f->in = (struct fill_input){FRAMES, f->whole_at, f->subject, f->gain, f->part_at};
    return f;
}

static void film_close(struct film *f)
{
    for (int t = 0; t < FRAMES; t++) {
        free(f->bytes[t]);
        free(f->packed[t]);
        free(f->filled[t]);
    }
    free(f->scene);
    free(f->luma);
    free(f);
}

/* What is read where it lies equals the copy, byte for byte. */
START_TEST(filling_without_copies_is_the_same)
{
    struct err err = ERR_INIT;
    static struct grid thin[FRAMES];
    struct film *f = film_open(around_subject, NULL);
    ck_assert_msg(grids_fill(&f->in, f->filled, f->grid, &err), "%s", err.message);
    struct grids_filled *filled = grids_fill_thin(&f->in, thin, &err);
    ck_assert_msg(filled != NULL, "%s", err.message);
    size_t parts = 0;
    for (int t = 0; t < FRAMES; t++) {
        const struct grid *a = &f->grid[t], *b = &thin[t];
        if (f->part_at[t] == NULL)
            continue;
        parts++;
        ck_assert_uint_eq(a->cols, b->cols);
        ck_assert_uint_eq(a->rows, b->rows);
        for (size_t i = 0; i < (size_t)a->cols * a->rows; i++) {
            ck_assert_uint_eq(a->luma[i], b->luma[i]);
            for (int p = 0; p < GRID_PLANES; p++)
                ck_assert_uint_eq(grid_byte(a, (enum grid_plane)p, i), grid_byte(b, (enum grid_plane)p, i));
        }
    }
    ck_assert_uint_gt(parts, 0);
    grids_filled_free(filled);
    film_close(f);
}
END_TEST

START_TEST(filled_frames_show_the_scene_and_its_noise)
{
    struct err err = ERR_INIT;
    struct film *f = film_open(around_subject, NULL);
    ck_assert_msg(grids_fill(&f->in, f->filled, f->grid, &err), "%s", err.message);
    double squares = 0, bias = 0, plain = 0;
    size_t n = 0;
    for (int t = 0; t < FRAMES; t++) {
        if (f->part_at[t] == NULL)
            continue;
        for (size_t i = 0; i < (size_t)f->grid[t].cols * f->grid[t].rows; i++) {
            double d = grid_luma(&f->grid[t], i) - grid_luma(&f->whole[t], i);
            ck_assert_msg(fabs(d) < 3, "cell %zu of frame %d differs by %g", i, t, d);
            double e = grid_luma(&f->whole[t], i) - grid_luma(&f->whole[0], i);
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
    film_close(f);
}
END_TEST

/* The subject covers columns 5 to 13 + 2.5 t and rows 25 to 32. */
static struct grid_window too_low(int t)
{
    return (struct grid_window){(uint32_t)(20 * t / 8 + 3), 28, 12, 9};
}

static struct grid_window too_far_left(int t)
{
    return (struct grid_window){(uint32_t)(20 * t / 8), 20, 9, 20};
}

/* A blade that swings through rows 200 to 330 beside the subject's way, at the lower edge of too_low's rows.
 */
static void draw_blade(uint8_t *luma, int t)
{
    static const uint32_t swing[4] = {0, 8, 16, 8};
    for (uint32_t y = 280; y < 330; y++)
        for (uint32_t k = 0; k < 40; k++)
            luma[(size_t)y * WIDTH + (uint32_t)(20 * (t / 2 * 2)) + 40 + swing[t % 4] + k / 20] = 230;
}

/* In frame 5 the part shows another place, and at its left edge something of 3 by 4 cells, or of 6 by 8. */
static struct grid_window elsewhere_once(int t)
{
    return t == 5 ? (struct grid_window){50, 38, 16, 16} : around_subject(t);
}

static void draw_patch(uint8_t *luma, int t, uint32_t cols, uint32_t rows)
{
    for (uint32_t y = 42 * 8; t == 5 && y < (42 + rows) * 8; y++)
        memset(luma + (size_t)y * WIDTH + 50 * 8, 250, (size_t)cols * 8);
}

static void draw_small(uint8_t *luma, int t)
{
    draw_patch(luma, t, 3, 4);
}

static void draw_large(uint8_t *luma, int t)
{
    draw_patch(luma, t, 6, 8);
}

static void sides_of(struct film *f, unsigned wanted)
{
    struct err err = ERR_INIT;
    uint8_t sides[FRAMES];
    ck_assert_msg(grids_edges(&f->in, sides, &err), "%s", err.message);
    for (int t = 0; t < FRAMES; t++)
        ck_assert_msg(sides[t] == (f->part_at[t] != NULL ? wanted : 0), "frame %d: sides %x", t, sides[t]);
    film_close(f);
}

START_TEST(a_subject_at_the_edge_of_its_part_is_told)
{
    sides_of(film_open(around_subject, NULL), 0);
    sides_of(film_open(too_low, NULL), GRID_TOP);
    sides_of(film_open(too_far_left, NULL), GRID_RIGHT);
    sides_of(film_open(around_subject, draw_blade), 0); /* small beside the subject */
}
END_TEST

START_TEST(what_is_small_beside_the_subjects_of_other_frames_is_no_subject)
{
    for (int large = 0; large < 2; large++) {
        struct err err = ERR_INIT;
        uint8_t sides[FRAMES];
        struct film *f = film_open(elsewhere_once, large ? draw_large : draw_small);
        ck_assert_msg(grids_edges(&f->in, sides, &err), "%s", err.message);
        ck_assert_uint_eq(sides[5], large ? GRID_LEFT : 0);
        film_close(f);
    }
}
END_TEST

/* The subject shows squares, ever coarser from one frame to the next, four times over. */
static void smear_subject(uint8_t *luma, int t)
{
    for (uint32_t y = 200; y < 264; y++)
        for (uint32_t x = (uint32_t)(40 + 20 * t); x < (uint32_t)(104 + 20 * t); x++) {
            uint32_t step = 4u << t % 4;
            luma[(size_t)y * WIDTH + x] =
                (uint8_t)(((x + 640 - 20 * (uint32_t)t) / step + y / step) % 2 ? 20 : 50);
        }
}

START_TEST(coarser_subjects_score_lower)
{
    struct err err = ERR_INIT;
    float score[FRAMES];
    struct film *f = film_open(around_subject, smear_subject);
    ck_assert_msg(grids_sharpness(&f->in, score, &err), "%s", err.message);
    for (int t = 0; t + 4 < FRAMES; t += 4)
        for (int k = 0; k < 3; k++)
            ck_assert_msg(score[t + k] > score[t + k + 1], "frames %d and %d: %g, %g", t + k, t + k + 1,
                          (double)score[t + k], (double)score[t + k + 1]);
    film_close(f);
}
END_TEST

START_TEST(parts_grow_where_they_are_touched_and_stay_in_the_frame)
{
    struct grid_part part = {.cols = 80, .rows = 60, .window = {10, 30, 20, 12}};
    struct grid_window w = grid_part_grown(&part, GRID_TOP);
    ck_assert(w.col == 10 && w.cols == 20 && w.row + w.rows == 42 && w.row < 30);
    w = grid_part_grown(&part, GRID_LEFT | GRID_RIGHT);
    ck_assert(w.col == 0 && w.row == 30 && w.rows == 12 && w.col + w.cols > 30);
    part.window = (struct grid_window){70, 50, 10, 10}; /* in the corner */
    w = grid_part_grown(&part, GRID_LEFT | GRID_RIGHT | GRID_TOP | GRID_LOWER);
    ck_assert(w.col < 70 && w.row < 50 && w.col + w.cols == 80 && w.row + w.rows == 60);
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
    tcase_set_timeout(tc, 60);
    tcase_add_test(tc, cells_of_a_part_equal_those_of_the_whole);
    tcase_add_test(tc, damaged_parts_are_refused);
    tcase_add_test(tc, filling_without_copies_is_the_same);
    tcase_add_test(tc, filled_frames_show_the_scene_and_its_noise);
    tcase_add_test(tc, a_subject_at_the_edge_of_its_part_is_told);
    tcase_add_test(tc, what_is_small_beside_the_subjects_of_other_frames_is_no_subject);
    tcase_add_test(tc, coarser_subjects_score_lower);
    tcase_add_test(tc, parts_grow_where_they_are_touched_and_stay_in_the_frame);
    tcase_add_test(tc, parts_without_a_whole_frame_cannot_be_filled);
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
