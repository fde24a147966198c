/* The bench's renderer: what it draws agrees with what it says it drew. */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "../bench/plate.h"
#include "../bench/scene.h"
#include "chaffinch/measure.h"

/* A calm scene of a few frames: ISO 100, procedural ground, one bird in the middle. */
static struct scene_script calm(int frames)
{
    struct scene_script s = condition_script(condition_by_name("smooth"), 3, 0);
    s.photo = false;
    s.frames = frames;
    s.camera.iso = 100;
    s.camera.sharpen = s.camera.drift_ev = 0;
    s.actor[0].look = LOOK_DARK;
    s.actor[0].when_s = 0;
    s.actor[0].p.x = s.actor[0].p.y = s.actor[0].p.z = 0;
    s.actor[0].v = (struct vec3){s.fps * 4, 0, 0}; /* 4 mm a frame, always in focus */
    return s;
}

static struct grid grid_of(const struct bench_frame *f)
{
    struct grid g;
    struct err err = ERR_INIT;
    ck_assert_msg(grid_view(&g, f->packed, f->packed_bytes, &err), "%s", err.message);
    return g;
}

START_TEST(the_same_seed_gives_the_same_cells)
{
    struct studio studio;
    struct bench_burst a, b;
    struct scene_script s = calm(2);
    studio_open(&studio);
    scene_render(&studio, &s, NULL, &a);
    scene_render(&studio, &s, NULL, &b);
    for (size_t f = 0; f < 2; f++) {
        ck_assert_uint_eq(a.frame[f].packed_bytes, b.frame[f].packed_bytes);
        ck_assert(memcmp(a.frame[f].packed, b.frame[f].packed, a.frame[f].packed_bytes) == 0);
    }
    ck_assert(memcmp(a.frame[0].packed, a.frame[1].packed, a.frame[0].packed_bytes) != 0);
    burst_release(&a);
    burst_release(&b);
    studio_close(&studio);
}
END_TEST

/* What differs from the empty scene is the box that the truth tells, to the cell. */
START_TEST(the_box_is_where_the_bird_is)
{
    struct studio studio;
    struct bench_burst with, without;
    struct scene_script s = calm(1), empty = s;
    empty.actors = 0;
    studio_open(&studio);
    scene_render(&studio, &s, NULL, &with);
    scene_render(&studio, &empty, NULL, &without);
    struct grid a = grid_of(&with.frame[0]), b = grid_of(&without.frame[0]);
    float x0 = 1e9f, y0 = 1e9f, x1 = -1, y1 = -1, cell = (float)a.cell_px;
    for (uint32_t r = 0; r < a.rows; r++)
        for (uint32_t c = 0; c < a.cols; c++) {
            size_t i = (size_t)r * a.cols + c;
            if (fabsf(grid_luma(&a, i) - grid_luma(&b, i)) < 3)
                continue;
            x0 = fminf(x0, cell * (float)c);
            y0 = fminf(y0, cell * (float)r);
            x1 = fmaxf(x1, cell * (float)(c + 1));
            y1 = fmaxf(y1, cell * (float)(r + 1));
        }
    const struct bench_bird *bird = &with.frame[0].bird[0];
    ck_assert_uint_eq(bird->flags, BIRD_PRESENT);
    ck_assert_float_eq_tol(bird->visible, 1, 1e-5f);
    ck_assert_float_eq_tol(bird->x, x0, 1.5f * cell);
    ck_assert_float_eq_tol(bird->y, y0, 1.5f * cell);
    ck_assert_float_eq_tol(bird->x + bird->w, x1, 1.5f * cell);
    ck_assert_float_eq_tol(bird->y + bird->h, y1, 1.5f * cell);
    ck_assert_uint_eq(without.frame[0].bird[0].flags, 0);
    burst_release(&with);
    burst_release(&without);
    studio_close(&studio);
}
END_TEST

static double energy_of(const struct bench_frame *f)
{
    const struct bench_bird *b = &f->bird[0];
    struct grid g = grid_of(f);
    double sum = 0;
    for (uint32_t r = (uint32_t)b->y / g.cell_px; r <= (uint32_t)(b->y + b->h) / g.cell_px; r++)
        for (uint32_t c = (uint32_t)b->x / g.cell_px; c <= (uint32_t)(b->x + b->w) / g.cell_px; c++)
            sum += (double)grid_value(&g, GRID_G1, (size_t)r * g.cols + c);
    return sum;
}

/* Blur told and blur drawn: the deeper, the softer; a long exposure smears. */
START_TEST(blur_is_drawn_as_it_is_told)
{
    const float depth[3] = {0, 300, 900};
    struct studio studio;
    double energy[4], blur[4];
    studio_open(&studio);
    for (int k = 0; k < 4; k++) {
        struct bench_burst b;
        struct scene_script s = calm(1);
        s.actor[0].p.z = k < 3 ? depth[k] : 0;
        if (k == 3)
            s.lens.exposure_s = 12 / (s.actor[0].v.x * lens_scale_px(&s.lens, s.lens.focus_mm)); /* 12 px */
        scene_render(&studio, &s, NULL, &b);
        energy[k] = energy_of(&b.frame[0]);
        blur[k] = (double)b.frame[0].bird[0].blur_px;
        burst_release(&b);
    }
    ck_assert_double_eq_tol(blur[0], sqrt(1.0 / 3), 0.01); /* pixel, lens and demosaicing alone */
    ck_assert_double_eq_tol(blur[3], sqrt(1.0 / 3 + 144.0 / 24), 0.01);
    ck_assert(blur[0] < blur[1] && blur[1] < blur[2]);
    ck_assert(energy[0] > 1.1 * energy[1] && energy[1] > 1.5 * energy[2] && energy[0] > 1.5 * energy[3]);
    studio_close(&studio);
}
END_TEST

/* Beyond the plane of focus and looking at the camera: the head is the sharper end. */
START_TEST(head_and_body_may_differ)
{
    struct studio studio;
    struct bench_burst b;
    struct scene_script s = calm(1);
    s.head_decides = true;
    s.actor[0].tilt = 0.7f;
    s.actor[0].p.z = -200;
    studio_open(&studio);
    scene_render(&studio, &s, NULL, &b);
    ck_assert(b.head_decides);
    ck_assert_float_lt(b.frame[0].bird[0].head_px, b.frame[0].bird[0].blur_px - 0.05f);
    ck_assert_double_eq(bird_blur(&b, &b.frame[0].bird[0]), (double)b.frame[0].bird[0].head_px);
    burst_release(&b);
    studio_close(&studio);
}
END_TEST

/* A post hides what passes behind it, and a picture's edge cuts. */
START_TEST(hidden_and_cut_are_told)
{
    struct studio studio;
    struct bench_burst b;
    struct scene_script s = calm(1);
    s.bar_from = -30;
    s.bar_to = 30;
    studio_open(&studio);
    scene_render(&studio, &s, NULL, &b);
    ck_assert_uint_eq(b.frame[0].bird[0].flags, BIRD_PRESENT | BIRD_HIDDEN);
    ck_assert_float_lt(b.frame[0].bird[0].visible, 0.8f);
    burst_release(&b);
    s = calm(1);
    s.actor[0].p.x = 0.5f * SCENE_W / lens_scale_px(&s.lens, s.lens.focus_mm);
    scene_render(&studio, &s, NULL, &b);
    ck_assert_uint_eq(b.frame[0].bird[0].flags, BIRD_PRESENT | BIRD_CUT);
    burst_release(&b);
    studio_close(&studio);
}
END_TEST

/* Half a pixel to the right and back is where one started. */
START_TEST(windows_between_the_pixels)
{
    struct plate from = plate_new(64, 32), whole = plate_new(32, 16), half = plate_new(32, 16);
    for (int i = 0; i < 64 * 32; i++)
        from.v[i] = 0.5f + 0.3f * sinf(0.4f * (float)(i % 64));
    plate_window(&from, 10, 5, &whole);
    plate_window(&from, 10.5f, 5, &half);
    for (int i = 0; i < 32 * 16; i++) {
        ck_assert_float_eq_tol(whole.v[i], from.v[(5 + i / 32) * 64 + 10 + i % 32], 1e-6f);
        ck_assert_float_eq_tol(half.v[i], 0.5f + 0.3f * sinf(0.4f * ((float)(i % 32) + 10.5f)), 0.004f);
    }
    plate_free(&from);
    plate_free(&whole);
    plate_free(&half);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("bench scene");
    TCase *scene = tcase_create("scene");
    tcase_set_timeout(scene, 60);
    tcase_add_test(scene, the_same_seed_gives_the_same_cells);
    tcase_add_test(scene, the_box_is_where_the_bird_is);
    tcase_add_test(scene, blur_is_drawn_as_it_is_told);
    tcase_add_test(scene, head_and_body_may_differ);
    tcase_add_test(scene, hidden_and_cut_are_told);
    tcase_add_test(scene, windows_between_the_pixels);
    suite_add_tcase(suite, scene);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
