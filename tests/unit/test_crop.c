/*
 * Crops: the right part, at the right scale, the right way up; and JPEG output.
 */
#include <check.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/decode.h"
#include "../ref/maker.h"

static struct decode_picture crop(struct bytes jpeg, const uint32_t box[4], uint32_t edge,
                                  unsigned orientation)
{
    struct err err = ERR_INIT;
    struct decode_picture p = {0};
    ck_assert_msg(decode_crop(DECODE_JPEG, jpeg.at, jpeg.size, box, edge, orientation, &p, &err), "%s",
                  err.message);
    return p;
}

/* Mean difference between `part` and the boxes of `shrink` px of `full` that start at x, y. */
static double difference(const struct decode_picture *part, const struct decode_picture *full, uint32_t x,
                         uint32_t y, uint32_t shrink)
{
    double sum = 0;
    for (uint32_t j = 0; j < part->height_px; j++)
        for (uint32_t i = 0; i < part->width_px; i++)
            for (uint32_t c = 0; c < 3; c++) {
                double mean = 0, n = 0;
                for (uint32_t v = y + j * shrink; v < y + (j + 1) * shrink && v < full->height_px; v++)
                    for (uint32_t u = x + i * shrink; u < x + (i + 1) * shrink && u < full->width_px;
                         u++, n++)
                        mean += full->rgb[((size_t)v * full->width_px + u) * 3 + c];
                double d = part->rgb[((size_t)j * part->width_px + i) * 3 + c] - mean / n;
                sum += d < 0 ? -d : d;
            }
    return sum / (3.0 * part->width_px * part->height_px);
}

static const uint32_t everything[4] = {0, 0, 0, 0};

START_TEST(crop_is_a_part_of_the_whole)
{
    static const struct make_jpeg how[] = {
        {.width_px = 403, .height_px = 301, .seed = 2},
        {.width_px = 403, .height_px = 301, .seed = 3, .full_chroma = true, .quality = 97},
        {.width_px = 403, .height_px = 301, .seed = 4, .progressive = true},
        {.width_px = 403, .height_px = 301, .seed = 5, .space = MAKE_GREY},
    };
    static const uint32_t boxes[][4] = {{0, 0, 403, 301},   {8, 16, 64, 32},  {101, 77, 150, 99},
                                        {339, 250, 64, 51}, {402, 300, 1, 1}, {200, 0, 33, 301},
                                        {0, 150, 403, 7}};
    struct bytes jpeg = make_jpeg(&how[_i]);
    struct decode_picture full = crop(jpeg, everything, 5000, 1);
    ck_assert_uint_eq(full.width_px, 403);
    for (size_t k = 0; k < sizeof boxes / sizeof boxes[0]; k++) {
        struct decode_picture p = crop(jpeg, boxes[k], 5000, 1);
        ck_assert_uint_eq(p.width_px, boxes[k][2]);
        ck_assert_uint_eq(p.height_px, boxes[k][3]);
        /* colours are upsampled across the rows that were skipped: not one by one the same */
        ck_assert_double_lt(difference(&p, &full, boxes[k][0], boxes[k][1], 1), .25);
        decode_picture_release(&p);
    }
    decode_picture_release(&full);
    free(jpeg.at);
}
END_TEST

/* The decoder's own scaling is not a box mean to the last digit: a step or two on a grainy picture. */
START_TEST(scale_is_the_smallest_that_fits)
{
    const struct make_jpeg how = {.width_px = 800, .height_px = 608, .seed = 6, .full_chroma = true};
    struct bytes jpeg = make_jpeg(&how);
    struct decode_picture full = crop(jpeg, everything, 5000, 1);
    static const struct {
        uint32_t box[4], edge, shrink;
    } cases[] = {
        {{0, 0, 0, 0}, 800, 1},       {{0, 0, 0, 0}, 799, 2},        {{0, 0, 0, 0}, 400, 2},
        {{0, 0, 0, 0}, 100, 8},       {{0, 0, 0, 0}, 99, 16},        {{0, 0, 0, 0}, 25, 32},
        {{160, 96, 320, 256}, 80, 4}, {{160, 96, 320, 256}, 300, 2}, {{64, 64, 512, 512}, 16, 32},
    };
    for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++) {
        struct decode_picture p = crop(jpeg, cases[k].box, cases[k].edge, 1);
        uint32_t width = cases[k].box[2] ? cases[k].box[2] : 800,
                 height = cases[k].box[3] ? cases[k].box[3] : 608;
        ck_assert_uint_eq(p.width_px, (width + cases[k].shrink - 1) / cases[k].shrink);
        ck_assert_uint_eq(p.height_px, (height + cases[k].shrink - 1) / cases[k].shrink);
        ck_assert_double_lt(difference(&p, &full, cases[k].box[0], cases[k].box[1], cases[k].shrink), 1.5);
        decode_picture_release(&p);
    }
    decode_picture_release(&full);
    free(jpeg.at);
}
END_TEST

START_TEST(boxes_outside_are_clamped)
{
    const struct make_jpeg how = {.width_px = 100, .height_px = 80};
    struct bytes jpeg = make_jpeg(&how);
    static const uint32_t boxes[][6] = {{90, 70, 100, 100, 10, 10},
                                        {500, 500, 10, 10, 1, 1},
                                        {0, 0, UINT32_MAX, UINT32_MAX, 100, 80},
                                        {UINT32_MAX, 0, UINT32_MAX, 5, 1, 5},
                                        {10, 10, 0, 5, 100, 80}};
    for (size_t k = 0; k < sizeof boxes / sizeof boxes[0]; k++) {
        struct decode_picture p = crop(jpeg, boxes[k], 1000, 0);
        ck_assert_uint_eq(p.width_px, boxes[k][4]);
        ck_assert_uint_eq(p.height_px, boxes[k][5]);
        decode_picture_release(&p);
    }
    struct decode_picture dot = crop(jpeg, everything, 0, 1);
    ck_assert(dot.width_px == 1 && dot.height_px == 1);
    decode_picture_release(&dot);
    free(jpeg.at);
}
END_TEST

/* Exif orientation (TIFF 6.0, from memory): where row 0 and column 0 of the stored picture are seen. So the
   stored top-left pixel is, in the upright picture, at: */
START_TEST(orientation_turns_upright)
{
    static const struct {
        bool right, bottom;   /* of stored (0, 0) */
        bool right2, bottom2; /* of stored (width - 1, 0) */
    } seen[9] = {
        [1] = {false, false, true, false}, [2] = {true, false, false, false}, [3] = {true, true, false, true},
        [4] = {false, true, true, true},   [5] = {false, false, false, true}, [6] = {true, false, true, true},
        [7] = {true, true, true, false},   [8] = {false, true, false, false},
    };
    const struct make_jpeg how = {.width_px = 48, .height_px = 32, .seed = 8};
    struct bytes jpeg = make_jpeg(&how);
    struct decode_picture stored = crop(jpeg, everything, 100, 1);
    for (unsigned o = 1; o <= 8; o++) {
        struct decode_picture p = crop(jpeg, everything, 100, o);
        ck_assert_uint_eq(p.width_px, o >= 5 ? 32 : 48);
        ck_assert_uint_eq(p.height_px, o >= 5 ? 48 : 32);
        size_t x = seen[o].right ? p.width_px - 1 : 0, y = seen[o].bottom ? p.height_px - 1 : 0;
        ck_assert_mem_eq(p.rgb + (y * p.width_px + x) * 3, stored.rgb, 3);
        x = seen[o].right2 ? p.width_px - 1 : 0;
        y = seen[o].bottom2 ? p.height_px - 1 : 0;
        ck_assert_mem_eq(p.rgb + (y * p.width_px + x) * 3, stored.rgb + 47 * 3, 3);
        decode_picture_release(&p);
    }
    decode_picture_release(&stored);
    free(jpeg.at);
}
END_TEST

START_TEST(encoded_crop_carries_no_metadata)
{
    const struct make_jpeg how = {.width_px = 300, .height_px = 200, .seed = 11};
    struct bytes jpeg = make_jpeg(&how), again = {0};
    struct decode_picture p = crop(jpeg, everything, 400, 1);
    struct err err = ERR_INIT;
    ck_assert(decode_encode_jpeg(&p, 92, &again.at, &again.size, &err));
    for (size_t i = 2; again.at[i + 1] != 0xDA; i += 2 + (size_t)(again.at[i + 2] << 8 | again.at[i + 3])) {
        ck_assert_uint_eq(again.at[i], 0xFF);
        ck_assert_msg(again.at[i + 1] <= 0xE0, "marker %x", again.at[i + 1]); /* no APP1..15, no comment */
    }
    struct decode_picture q = crop(again, everything, 400, 1);
    ck_assert_double_lt(difference(&q, &p, 0, 0, 1), 4);
    decode_picture_release(&p);
    decode_picture_release(&q);
    free(again.at);
    free(jpeg.at);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("crop");
    TCase *t = tcase_create("crop");
    tcase_set_timeout(t, 60);
    tcase_add_loop_test(t, crop_is_a_part_of_the_whole, 0, 4);
    tcase_add_test(t, scale_is_the_smallest_that_fits);
    tcase_add_test(t, boxes_outside_are_clamped);
    tcase_add_test(t, orientation_turns_upright);
    tcase_add_test(t, encoded_crop_carries_no_metadata);
    suite_add_tcase(s, t);
    SRunner *r = srunner_create(s);
    srunner_run_all(r, CK_ENV);
    int failed = srunner_ntests_failed(r);
    srunner_free(r);
    return failed == 0 ? 0 : 1;
}
