/*
 * Raw files: made ones with every fault that LibRaw keeps quiet about, and real ones where they are at hand.
 */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/decode.h"
#include "chaffinch/measure.h"
#include "../ref/maker.h"

struct taken {
    struct measure *measure;
    uint32_t rows;
};

static bool take_begin(void *context, const struct decode_source *source, struct err *err)
{
    struct taken *t = context;
    ck_assert_ptr_null(t->measure);
    t->measure = measure_new(source->width_px, source->height_px, err);
    return t->measure != NULL;
}

static void take_row(void *context, const uint8_t *luma)
{
    struct taken *t = context;
    t->rows++;
    measure_row(t->measure, luma);
}

/* Variance of the Laplacian, or -1 with the cause in err. */
static double take(const uint8_t *bytes, size_t size, struct decode_source *source, struct err *err)
{
    struct taken t = {NULL, 0};
    const struct decode_sink sink = {.context = &t, .begin = take_begin, .row = take_row};
    if (!decode_luma(DECODE_RAW, bytes, size, &sink, source, err)) {
        measure_free(t.measure);
        ck_assert_uint_eq(t.rows, 0); /* not one row of an unreadable raw */
        ck_assert_int_eq(err->code, ERR_FORMAT);
        return -1;
    }
    ck_assert_uint_eq(t.rows, source->height_px);
    struct cells *cells = measure_finish(t.measure, err);
    ck_assert_ptr_nonnull(cells);
    double v = cells_laplacian_variance(cells);
    cells_free(cells);
    return v;
}

static void check_refused(struct bytes raw, const char *message)
{
    struct err err = ERR_INIT;
    struct decode_source source;
    ck_assert_double_lt(take(raw.at, raw.size, &source, &err), 0);
    ck_assert_msg(strstr(err.message, message) != NULL, "'%s' lacks '%s'", err.message, message);
}

START_TEST(raw_without_preview_is_decoded_at_half_size)
{
    const struct make_dng how = {.width_px = 322, .height_px = 242, .seed = 3};
    struct bytes raw = make_dng(&how);
    struct decode_source source;
    struct err err = ERR_INIT;
    double v = take(raw.at, raw.size, &source, &err);
    ck_assert_msg(v > 10, "%f %s", v, err.message);
    ck_assert_int_eq(source.from, DECODE_HALF);
    ck_assert(source.full_width_px == 322 && source.full_height_px == 242);
    ck_assert(source.width_px == 161 && source.height_px == 121);
    free(raw.at);
}
END_TEST

START_TEST(large_preview_is_taken_small_one_is_not)
{
    static const struct {
        uint32_t width, height;
        int from;
    } previews[] = {{1280, 960, DECODE_PREVIEW},
                    {640, 480, DECODE_PREVIEW},
                    {632, 474, DECODE_HALF},
                    {160, 120, DECODE_HALF}};
    for (size_t i = 0; i < 4; i++) {
        const struct make_jpeg jpeg = {.width_px = previews[i].width, .height_px = previews[i].height};
        struct bytes preview = make_jpeg(&jpeg);
        const struct make_dng how = {.width_px = 1280, .height_px = 960, .seed = 1, .preview = &preview};
        struct bytes raw = make_dng(&how);
        struct decode_source source;
        struct err err = ERR_INIT;
        ck_assert_msg(take(raw.at, raw.size, &source, &err) > 0, "%s", err.message);
        ck_assert_int_eq((int)source.from, previews[i].from);
        ck_assert_uint_eq(source.width_px, previews[i].from == DECODE_HALF ? 640 : previews[i].width);
        ck_assert_uint_eq(source.full_width_px, 1280);
        free(raw.at);
        free(preview.at);
    }
}
END_TEST

/* LibRaw reports success for a preview that is cut: it must not be scored. */
START_TEST(cut_preview_falls_back_to_the_raw_data)
{
    const struct make_jpeg jpeg = {.width_px = 800, .height_px = 600};
    struct bytes preview = make_jpeg(&jpeg);
    memset(preview.at + preview.size / 2, 0, preview.size - preview.size / 2);
    const struct make_dng how = {.width_px = 800, .height_px = 600, .seed = 1, .preview = &preview};
    struct bytes raw = make_dng(&how);
    struct decode_source source;
    struct err err = ERR_INIT;
    ck_assert_msg(take(raw.at, raw.size, &source, &err) > 0, "%s", err.message);
    ck_assert_int_eq(source.from, DECODE_HALF);
    free(raw.at);
    free(preview.at);
}
END_TEST

START_TEST(damaged_raws_are_refused_with_their_cause)
{
    const struct make_dng good = {.width_px = 400, .height_px = 300, .seed = 2};
    const struct make_dng black = {.width_px = 400, .height_px = 300, .black = true};
    struct bytes raw = make_dng(&good), dark = make_dng(&black);
    check_refused((struct bytes){raw.at, raw.size / 2}, "damaged or cut short");
    check_refused((struct bytes){raw.at, 1100}, "only a header");
    check_refused((struct bytes){raw.at, 60}, "");
    check_refused((struct bytes){raw.at, 0}, "the file is empty");
    check_refused(dark, "more than half of its rows are blank");
    memset(raw.at + raw.size / 3, 0, raw.size - raw.size / 3);
    check_refused(raw, "more than half of its rows are blank");
    struct bytes text = {
        (uint8_t *)(uintptr_t) "This is a text, and not a raw picture at all. It goes on for some time.", 70};
    check_refused(text, "not a raw file");
    free(raw.at);
    free(dark.at);
}
END_TEST

START_TEST(random_damage_is_survived)
{
    const struct make_jpeg jpeg = {.width_px = 80, .height_px = 60};
    struct bytes preview = make_jpeg(&jpeg);
    const struct make_dng how = {.width_px = 120, .height_px = 90, .seed = 5, .preview = &preview};
    struct bytes raw = make_dng(&how);
    uint8_t *bad = malloc(raw.size);
    ck_assert_ptr_nonnull(bad);
    uint32_t state = 9;
    for (int k = 0; k < 150; k++) {
        memcpy(bad, raw.at, raw.size);
        for (int j = 0; j <= k % 3; j++) {
            state = state * 1664525u + 1013904223u;
            bad[(state >> 4) % (k % 2 ? 1024 : raw.size)] = (uint8_t)(state >> 24);
        }
        struct decode_source source;
        struct err err = ERR_INIT;
        struct taken t = {NULL, 0};
        const struct decode_sink sink = {.context = &t, .begin = take_begin, .row = take_row};
        if (!decode_luma(DECODE_RAW, bad, raw.size, &sink, &source, &err))
            ck_assert_int_ne(err.code, ERR_NONE);
        measure_free(t.measure);
    }
    free(bad);
    free(raw.at);
    free(preview.at);
}
END_TEST

START_TEST(crop_comes_from_preview_or_raw_data)
{
    const struct make_jpeg jpeg = {.width_px = 800, .height_px = 600, .seed = 4};
    struct bytes preview = make_jpeg(&jpeg);
    struct make_dng how = {.width_px = 1600, .height_px = 1200, .seed = 4, .preview = &preview};
    const uint32_t box[4] = {400, 300, 800, 500};
    for (int with_preview = 0; with_preview < 2; with_preview++) {
        how.preview = with_preview ? &preview : NULL;
        struct bytes raw = make_dng(&how);
        struct decode_picture p = {0};
        struct err err = ERR_INIT;
        ck_assert_msg(decode_crop(DECODE_RAW, raw.at, raw.size, box, 400, 6, &p, &err), "%s", err.message);
        ck_assert(p.width_px == 250 && p.height_px == 400); /* half of the frame's px, turned */
        decode_picture_release(&p);
        free(raw.at);
    }
    free(preview.at);
}
END_TEST

START_TEST(real_raws_decode)
{
    static const struct {
        const char *name;
        int from;
        uint32_t width, full_width;
    } files[] = {{"raw/CRW.CRW", DECODE_PREVIEW, 1440, 2176}, {"raw/colorchart.dng", DECODE_HALF, 867, 1734}};
    for (size_t i = 0; i < 2; i++) {
        struct bytes raw = shared_file(files[i].name);
        if (raw.at == NULL)
            continue;
        struct decode_source source;
        struct err err = ERR_INIT;
        ck_assert_msg(take(raw.at, raw.size, &source, &err) > 1, "%s", err.message);
        ck_assert_int_eq((int)source.from, files[i].from);
        ck_assert_uint_eq(source.width_px, files[i].width);
        ck_assert_uint_eq(source.full_width_px, files[i].full_width);
        free(raw.at);
    }
}
END_TEST

/* ExifTool's test images: headers of real raws without most of their data. */
START_TEST(real_damaged_raws_are_refused)
{
    static const char *const files[][2] = {
        {"raw-damaged/DNG.dng", "only a header: 13662 bytes for 3474 x 2314 px"},
        {"raw-damaged/Nikon.nef", "only a header: 6188 bytes"},
        {"raw-damaged/CanonRaw.cr3", "only a header: 52502 bytes"},
        {"raw-damaged/Panasonic.rw2", "only a header: 12344 bytes"},
        {"raw-damaged/FujiFilm.raf", "only a header: 38452 bytes"},
        {"raw-damaged/CanonRaw.cr2", "not a raw file that LibRaw"},
    };
    for (size_t i = 0; i < sizeof files / sizeof files[0]; i++) {
        struct bytes raw = shared_file(files[i][0]);
        if (raw.at == NULL)
            continue;
        check_refused(raw, files[i][1]);
        free(raw.at);
    }
}
END_TEST

int main(void)
{
    Suite *s = suite_create("raw");
    TCase *t = tcase_create("raw");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, raw_without_preview_is_decoded_at_half_size);
    tcase_add_test(t, large_preview_is_taken_small_one_is_not);
    tcase_add_test(t, cut_preview_falls_back_to_the_raw_data);
    tcase_add_test(t, damaged_raws_are_refused_with_their_cause);
    tcase_add_test(t, random_damage_is_survived);
    tcase_add_test(t, crop_comes_from_preview_or_raw_data);
    tcase_add_test(t, real_raws_decode);
    tcase_add_test(t, real_damaged_raws_are_refused);
    suite_add_tcase(s, t);
    SRunner *r = srunner_create(s);
    srunner_run_all(r, CK_ENV);
    int failed = srunner_ntests_failed(r);
    srunner_free(r);
    return failed == 0 ? 0 : 1;
}
