/* The picture of explain: its colours, where cells and boxes come to lie, and PNG that a reader takes. */
#include <check.h>
#include <png.h>
#include <stdlib.h>
#include <string.h>

#include "../../src/session/heat.h"

enum { W = 600, H = 400 };

static uint8_t pixels[W * H * 3];
static struct decode_picture photo, drawn;
static struct err err;

static void setup(void)
{
    memset(pixels, 100, sizeof pixels);
    photo = (struct decode_picture){W, H, pixels};
}

static void teardown(void)
{
    decode_picture_release(&drawn);
}

/* Weights of Rec. ITU-R BT.709, squares for the gamma: rough, but it grows as luminance does. */
static double luminance(const uint8_t rgb[3])
{
    static const double weight[3] = {0.2126, 0.7152, 0.0722};
    double sum = 0;
    for (int c = 0; c < 3; c++)
        sum += weight[c] * rgb[c] * rgb[c];
    return sum;
}

/* Who does not see red and green apart, or sees no colour at all, still sees what is more. */
START_TEST(colours_grow_lighter)
{
    double last = -1, last_blue_to_yellow = 1e9;
    for (int k = 0; k <= 32; k++) {
        uint8_t rgb[3];
        heat_colour(k / 32.0, rgb);
        double now = luminance(rgb), blue = rgb[2] - (rgb[0] + rgb[1]) / 2.0;
        ck_assert_double_gt(now, last);
        ck_assert_double_le(blue, last_blue_to_yellow);
        last = now;
        last_blue_to_yellow = blue;
    }
}
END_TEST

static const uint8_t *at(uint32_t x, uint32_t y)
{
    return drawn.rgb + ((size_t)y * drawn.width_px + x) * 3;
}

/* A stored picture of 3 x 2 cells whose first is full of detail: where it is seen after turning. */
START_TEST(cells_turn_with_the_picture)
{
    static const struct {
        uint32_t orientation;
        bool right, low;
    } want[] = {{1, false, false}, {2, true, false}, {3, true, true}, {4, false, true},
                {5, false, false}, {6, true, false}, {7, true, true}, {8, false, true}};
    const uint8_t levels[6] = {255, 0, 0, 0, 0, 0};
    uint8_t yellow[3];
    heat_colour(1, yellow);
    for (size_t k = 0; k < sizeof want / sizeof want[0]; k++) {
        struct job_heat_request head = {.orientation = want[k].orientation,
                                        .cols = 3,
                                        .rows = 2,
                                        .col_share = 1.0f / 3,
                                        .row_share = 1.0f / 2};
        ck_assert(heat_draw(&head, levels, &photo, &drawn, &err));
        uint32_t lower = drawn.height_px - (drawn.height_px - 2 * H);
        for (int right = 0; right < 2; right++)
            for (int low = 0; low < 2; low++) {
                const uint8_t *p = at(right ? W - 20 : 20, lower - H + 8 + (low ? H - 20 : 20));
                bool coloured = p[0] > 150 && p[2] < 120;
                ck_assert_int_eq(coloured, right == want[k].right && low == want[k].low);
            }
        decode_picture_release(&drawn);
    }
}
END_TEST

static bool is(const uint8_t *p, uint8_t value)
{
    return p[0] == value && p[1] == value && p[2] == value;
}

/* Ticks stand around the corners, in white on black, and leave the subject and the middles of its sides
 * alone. */
START_TEST(boxes_are_corners)
{
    const uint8_t levels[1] = {0};
    struct job_heat_request head = {.orientation = 1,
                                    .cols = 1,
                                    .rows = 1,
                                    .col_share = 1,
                                    .row_share = 1,
                                    .n_boxes = 1,
                                    .box = {{.25f, .25f, .5f, .5f}}};
    ck_assert(heat_draw(&head, levels, &photo, &drawn, &err));
    ck_assert(is(at(149, 110), 255)); /* beside the upper left corner */
    ck_assert(is(at(145, 110), 0));
    ck_assert(is(at(160, 99), 255));
    ck_assert(is(at(149, 200), 100)); /* half way down */
    ck_assert(is(at(300, 99), 100));
    ck_assert(is(at(155, 105), 100)); /* within */
    ck_assert(is(at(300, 200), 100));
}
END_TEST

START_TEST(png_is_read_back)
{
    uint8_t *bytes = NULL, *back = NULL;
    size_t size = 0;
    png_image image;
    for (size_t i = 0; i < sizeof pixels; i++)
        pixels[i] = (uint8_t)(i * 7 + i / 1000);
    ck_assert(decode_encode_png(&photo, &bytes, &size, &err));
    memset(&image, 0, sizeof image);
    image.version = PNG_IMAGE_VERSION;
    ck_assert(png_image_begin_read_from_memory(&image, bytes, size));
    ck_assert_uint_eq(image.width, W);
    ck_assert_uint_eq(image.height, H);
    image.format = PNG_FORMAT_RGB;
    back = malloc(PNG_IMAGE_SIZE(image));
    ck_assert(png_image_finish_read(&image, NULL, back, 0, NULL));
    ck_assert_mem_eq(back, pixels, sizeof pixels);
    free(back);
    free(bytes);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("heat");
    TCase *pictures = tcase_create("pictures");
    tcase_add_checked_fixture(pictures, setup, teardown);
    tcase_add_test(pictures, colours_grow_lighter);
    tcase_add_test(pictures, cells_turn_with_the_picture);
    tcase_add_test(pictures, boxes_are_corners);
    tcase_add_test(pictures, png_is_read_back);
    suite_add_tcase(suite, pictures);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
