/*
 * JPEG decoding: the rows of libjpeg itself, and what happens with files that are cut, damaged or hostile.
 */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include <jpeglib.h>

#include "chaffinch/decode.h"
#include "../ref/maker.h"

struct taken {
    struct decode_source source;
    uint8_t *luma;
    uint32_t rows, placed; /* of them by way of places */
    unsigned begun;
};

static bool take_begin(void *context, const struct decode_source *source, struct err *err)
{
    struct taken *t = context;
    (void)err;
    t->begun++;
    t->source = *source;
    t->luma = malloc((size_t)source->width_px * source->height_px);
    ck_assert_ptr_nonnull(t->luma);
    return true;
}

static void take_row(void *context, const uint8_t *luma)
{
    struct taken *t = context;
    ck_assert_uint_lt(t->rows, t->source.height_px);
    memcpy(t->luma + (size_t)t->rows++ * t->source.width_px, luma, t->source.width_px);
}

enum { WIDER = 7 /* what a row's last block may reach beyond the picture */ };

static size_t stride_of(const struct taken *t)
{
    return (size_t)t->source.width_px + WIDER;
}

static bool take_begin_places(void *context, const struct decode_source *source, struct err *err)
{
    struct taken *t = context;
    (void)err;
    t->begun++;
    t->source = *source;
    t->luma = malloc(stride_of(t) * (source->height_px + DECODE_PLACES));
    ck_assert_ptr_nonnull(t->luma);
    return true;
}

static uint8_t *give_place(void *context, uint32_t ahead)
{
    struct taken *t = context;
    ck_assert_uint_lt(ahead, DECODE_PLACES);
    return t->luma + (t->rows + ahead) * stride_of(t);
}

static void take_placed(void *context, uint32_t rows)
{
    struct taken *t = context;
    t->rows += rows;
    t->placed += rows;
    ck_assert_uint_le(t->rows, t->source.height_px);
}

static void take_row_to_place(void *context, const uint8_t *luma)
{
    struct taken *t = context;
    memcpy(give_place(t, 0), luma, t->source.width_px);
    t->rows++;
}

/* The same once more into places: the same rows, or the same rows before the same error. Returns how many
   came that way. */
static uint32_t same_by_places(const struct taken *expect, bool ok, const uint8_t *bytes, size_t size,
                               const struct err *why)
{
    struct taken t = {.rows = 0};
    struct err err = ERR_INIT;
    struct decode_source source;
    const struct decode_sink sink = {.context = &t,
                                     .begin = take_begin_places,
                                     .row = take_row_to_place,
                                     .place = give_place,
                                     .placed = take_placed};
    ck_assert(decode_luma(DECODE_JPEG, bytes, size, &sink, &source, &err) == ok);
    ck_assert_uint_eq(t.begun, expect->begun);
    ck_assert_uint_eq(t.rows, expect->rows);
    ck_assert(ok || strcmp(err.message, why->message) == 0);
    ck_assert(!ok || source.warnings == expect->source.warnings);
    for (uint32_t y = 0; y < t.rows; y++)
        ck_assert_mem_eq(t.luma + y * stride_of(&t), expect->luma + (size_t)y * t.source.width_px,
                         t.source.width_px);
    free(t.luma);
    ck_assert(t.placed == 0 || t.placed == t.rows);
    return t.placed;
}

static bool take(struct taken *t, const uint8_t *bytes, size_t size, struct err *err)
{
    *t = (struct taken){.rows = 0};
    const struct decode_sink sink = {.context = t, .begin = take_begin, .row = take_row};
    struct decode_source source;
    bool ok = decode_luma(DECODE_JPEG, bytes, size, &sink, &source, err);
    if (ok) {
        ck_assert_uint_eq(t->begun, 1);
        ck_assert_uint_eq(t->rows, source.height_px);
        t->source = source;
    } else {
        ck_assert_int_eq(err->code, ERR_FORMAT);
        ck_assert_uint_gt(strlen(err->message), 5);
    }
    t->placed = same_by_places(t, ok, bytes, size, err);
    return ok;
}

/* libjpeg's own answer, by the shortest way. */
static uint8_t *reference(struct bytes jpeg, J_COLOR_SPACE space)
{
    struct jpeg_decompress_struct d;
    struct jpeg_error_mgr errors;
    d.err = jpeg_std_error(&errors);
    jpeg_create_decompress(&d);
    jpeg_mem_src(&d, jpeg.at, jpeg.size);
    jpeg_read_header(&d, TRUE);
    d.out_color_space = space;
    jpeg_start_decompress(&d);
    size_t row_bytes = (size_t)d.output_width * (size_t)d.output_components;
    uint8_t *out = malloc(row_bytes * d.output_height);
    ck_assert_ptr_nonnull(out);
    while (d.output_scanline < d.output_height) {
        JSAMPROW row = out + row_bytes * d.output_scanline;
        jpeg_read_scanlines(&d, &row, 1);
    }
    jpeg_finish_decompress(&d);
    jpeg_destroy_decompress(&d);
    return out;
}

static const struct make_jpeg kinds[] = {
    {.width_px = 160, .height_px = 120, .seed = 1},
    {.width_px = 161, .height_px = 123, .seed = 2},
    {.width_px = 97, .height_px = 131, .seed = 3, .progressive = true},
    {.width_px = 160, .height_px = 96, .seed = 4, .space = MAKE_GREY},
    {.width_px = 65, .height_px = 75, .seed = 5, .full_chroma = true, .restart = 1},
    {.width_px = 131, .height_px = 75, .seed = 6, .arithmetic = true},
    {.width_px = 17, .height_px = 16, .seed = 7, .quality = 30, .progressive = true, .space = MAKE_GREY},
};
enum { KINDS = sizeof kinds / sizeof kinds[0] };

START_TEST(rows_are_those_of_libjpeg)
{
    struct bytes jpeg = make_jpeg(&kinds[_i]);
    uint8_t *ref = reference(jpeg, JCS_GRAYSCALE);
    struct err err = ERR_INIT;
    struct taken t;
    ck_assert_msg(take(&t, jpeg.at, jpeg.size, &err), "%s", err.message);
    ck_assert_uint_eq(t.source.width_px, kinds[_i].width_px);
    ck_assert_uint_eq(t.source.full_height_px, kinds[_i].height_px);
    ck_assert_int_eq(t.source.from, DECODE_FULL);
    ck_assert_uint_eq(t.source.warnings, 0);
    ck_assert_uint_eq(t.placed, t.rows);
    ck_assert_mem_eq(t.luma, ref, (size_t)t.source.width_px * t.source.height_px);
    free(t.luma);
    free(ref);
    free(jpeg.at);
}
END_TEST

/* A JPEG whose components are sampled as told, luma first: h and v of each. */
static struct bytes sampled(const int factors[3][2], int components)
{
    enum { WIDTH = 75, HEIGHT = 53 };
    struct jpeg_compress_struct c;
    struct jpeg_error_mgr errors;
    unsigned char *bytes = NULL;
    unsigned long size = 0;
    uint8_t *picture = make_picture(WIDTH, HEIGHT, 8);
    c.err = jpeg_std_error(&errors);
    jpeg_create_compress(&c);
    jpeg_mem_dest(&c, &bytes, &size);
    c.image_width = (JDIMENSION)(components == 1 ? 3 * WIDTH : WIDTH);
    c.image_height = HEIGHT;
    c.input_components = components;
    c.in_color_space = components == 1 ? JCS_GRAYSCALE : JCS_RGB;
    jpeg_set_defaults(&c);
    for (int i = 0; i < components; i++) {
        c.comp_info[i].h_samp_factor = factors[i][0];
        c.comp_info[i].v_samp_factor = factors[i][1];
    }
    jpeg_start_compress(&c, TRUE);
    while (c.next_scanline < c.image_height) {
        JSAMPROW row = picture + (size_t)c.next_scanline * WIDTH * 3;
        jpeg_write_scanlines(&c, &row, 1);
    }
    jpeg_finish_compress(&c);
    jpeg_destroy_compress(&c);
    free(picture);
    return (struct bytes){bytes, size};
}

/* Whatever the sampling, rows are those of libjpeg; into places where luma has the most samples there are. */
START_TEST(rows_of_any_sampling_are_those_of_libjpeg)
{
    static const struct {
        int factors[3][2], components;
        bool placed;
    } kind[] = {
        {{{2, 1}, {1, 1}, {1, 1}}, 3, true},
        {{{1, 2}, {1, 1}, {1, 1}}, 3, true},
        {{{4, 1}, {1, 1}, {1, 1}}, 3, true},
        {{{2, 2}, {1, 2}, {2, 1}}, 3, true},
        {{{1, 4}, {1, 1}, {1, 1}}, 3, false},
        {{{1, 1}, {2, 2}, {1, 1}}, 3, false},
        {{{1, 2}, {2, 1}, {1, 1}}, 3, false},
        {{{2, 2}}, 1, true},
        {{{1, 2}}, 1, true},
        {{{1, 4}}, 1, false},
    };
    for (size_t i = 0; i < sizeof kind / sizeof kind[0]; i++) {
        struct bytes jpeg = sampled(kind[i].factors, kind[i].components);
        uint8_t *ref = reference(jpeg, JCS_GRAYSCALE);
        struct err err = ERR_INIT;
        struct taken t;
        ck_assert_msg(take(&t, jpeg.at, jpeg.size, &err), "kind %zu: %s", i, err.message);
        ck_assert_msg((t.placed > 0) == kind[i].placed, "kind %zu", i);
        ck_assert_mem_eq(t.luma, ref, (size_t)t.source.width_px * t.source.height_px);
        free(t.luma);
        free(ref);
        free(jpeg.at);
    }
}
END_TEST

/* Every length: either all rows, each the true one, or refused. Never a made-up row that counts. */
START_TEST(cut_files_give_true_rows_or_none)
{
    struct bytes jpeg = make_jpeg(&kinds[_i]);
    uint8_t *ref = reference(jpeg, JCS_GRAYSCALE);
    size_t step = jpeg.size / 400 + 1, accepted = 0;
    for (size_t n = 0; n<jpeg.size; n += n + 40> jpeg.size || n < 40 ? 1 : step) {
        uint8_t *cut = malloc(n + 1);
        ck_assert_ptr_nonnull(cut);
        memcpy(cut, jpeg.at, n);
        struct err err = ERR_INIT;
        struct taken t;
        if (take(&t, cut, n, &err)) {
            accepted++;
            ck_assert_msg(memcmp(t.luma, ref, (size_t)t.source.width_px * t.source.height_px) == 0,
                          "%zu of %zu bytes: rows differ", n, jpeg.size);
        }
        free(t.luma);
        free(cut);
    }
    ck_assert_uint_le(accepted, 4); /* only the end marker and padding may be missing */
    free(ref);
    free(jpeg.at);
}
END_TEST

START_TEST(cut_file_tells_how_many_rows_are_good)
{
    const struct make_jpeg how = {.width_px = 320, .height_px = 480, .seed = 9};
    struct bytes jpeg = make_jpeg(&how);
    uint8_t *ref = reference(jpeg, JCS_GRAYSCALE);
    struct err err = ERR_INIT;
    struct taken t;
    unsigned good = 0, all = 0;
    ck_assert(!take(&t, jpeg.at, jpeg.size / 2, &err));
    ck_assert_int_eq(sscanf(err.message, "the picture is cut short: %u of %u rows", &good, &all), 2);
    ck_assert_uint_eq(all, 480);
    ck_assert_uint_eq(good, t.rows);
    ck_assert(good > 150 && good < 330);
    ck_assert_mem_eq(t.luma, ref, (size_t)good * 320);
    free(t.luma);
    free(ref);
    free(jpeg.at);
}
END_TEST

START_TEST(cut_progressive_file_is_refused_with_its_scan)
{
    struct bytes jpeg = make_jpeg(&kinds[2]);
    struct err err = ERR_INIT;
    struct taken t;
    int scan = 0;
    ck_assert(!take(&t, jpeg.at, jpeg.size * 2 / 3, &err));
    ck_assert_int_eq(sscanf(err.message, "the picture is cut short: its data end in scan %d", &scan), 1);
    ck_assert(scan > 1 && scan < 12);
    ck_assert_uint_eq(t.rows, 0);
    free(t.luma);
    free(jpeg.at);
}
END_TEST

/* A second picture after the end marker is usual (multi-picture files); so is padding. */
START_TEST(decoding_stops_at_the_first_end_marker)
{
    struct bytes first = make_jpeg(&kinds[0]), second = make_jpeg(&kinds[3]);
    uint8_t *both = malloc(first.size + second.size);
    ck_assert_ptr_nonnull(both);
    memcpy(both, first.at, first.size);
    memcpy(both + first.size, second.at, second.size);
    uint8_t *ref = reference(first, JCS_GRAYSCALE);
    struct err err = ERR_INIT;
    struct taken t;
    ck_assert_msg(take(&t, both, first.size + second.size, &err), "%s", err.message);
    ck_assert_uint_eq(t.source.warnings, 0);
    ck_assert_mem_eq(t.luma, ref, 160 * 120);
    free(t.luma);
    free(ref);
    free(both);
    free(first.at);
    free(second.at);
}
END_TEST

static void check_refused(struct bytes jpeg, const char *message)
{
    struct err err = ERR_INIT;
    struct taken t;
    ck_assert(!take(&t, jpeg.at, jpeg.size, &err));
    ck_assert_msg(strstr(err.message, message) != NULL, "'%s' lacks '%s'", err.message, message);
    free(t.luma);
}

START_TEST(what_is_not_supported_is_refused_with_its_cause)
{
    const struct make_jpeg cmyk = {.width_px = 40, .height_px = 40, .space = MAKE_CMYK};
    const struct make_jpeg ycck = {.width_px = 40, .height_px = 40, .space = MAKE_YCCK};
    struct bytes a = make_jpeg(&cmyk), b = make_jpeg(&ycck), c = make_jpeg(&kinds[0]);
    check_refused(a, "CMYK colours are not supported");
    check_refused(b, "CMYK colours are not supported");
    for (size_t i = 2; i + 5 < c.size; i++)
        if (c.at[i] == 0xFF && c.at[i + 1] == 0xC0) { /* start of frame: marker, length, precision */
            c.at[i + 4] = 12;
            break;
        }
    check_refused(c, "precision 12");
    check_refused((struct bytes){c.at, 0}, "the file is empty");
    check_refused((struct bytes){(uint8_t *)(uintptr_t) "GIF89a..........", 16}, "this is not a JPEG");
    free(a.at);
    free(b.at);
    free(c.at);
}
END_TEST

static double cpu_s(void)
{
    return (double)clock() / CLOCKS_PER_SEC;
}

/* Small files that claim to be huge: refused at once, with little memory. */
START_TEST(bombs_cost_nothing)
{
    static const struct {
        bool progressive;
        uint16_t width, height;
        const char *message;
    } bombs[] = {
        {false, 65500, 65500, "65500 x 65500 px are more than 400 megapixels"},
        {true, 65500, 65500, "65500 x 65500 px are more than 400 megapixels"},
        {false, 20000, 20000, "the picture is cut short"},
        {true, 12000, 12000, "the picture is cut short"},
        {true, 20000, 20000, ""}, /* cut short, or more memory than allowed */
        {false, 0, 0, "cannot be decoded"},
    };
    for (size_t i = 0; i < sizeof bombs / sizeof bombs[0]; i++) {
        const struct make_jpeg how = {
            .width_px = 16, .height_px = 16, .progressive = bombs[i].progressive, .space = MAKE_GREY};
        struct bytes jpeg = make_jpeg(&how);
        ck_assert_uint_lt(jpeg.size, 700);
        make_jpeg_claim(&jpeg, bombs[i].width, bombs[i].height);
        double start = cpu_s();
        check_refused(jpeg, bombs[i].message);
        ck_assert_double_lt(cpu_s() - start, 1.5);
        free(jpeg.at);
    }
}
END_TEST

START_TEST(too_many_scans_are_refused)
{
    const struct make_jpeg how = {.width_px = 64, .height_px = 64, .many_scans = true};
    struct bytes jpeg = make_jpeg(&how);
    check_refused(jpeg, "the JPEG has more than 100 scans");
    free(jpeg.at);
}
END_TEST

/* Random damage: rows or a cause; the sanitizers watch the rest. */
START_TEST(random_damage_is_survived)
{
    struct bytes jpeg = make_jpeg(&kinds[_i]);
    uint8_t *bad = malloc(jpeg.size);
    ck_assert_ptr_nonnull(bad);
    uint32_t state = 77;
    unsigned refused = 0;
    for (int k = 0; k < 150; k++) {
        memcpy(bad, jpeg.at, jpeg.size);
        for (int j = 0; j <= k % 4; j++) {
            state = state * 1664525u + 1013904223u;
            bad[(state >> 4) % (k % 2 == 0 && jpeg.size > 400 ? 400 : jpeg.size)] = (uint8_t)(state >> 24);
        }
        struct err err = ERR_INIT;
        struct taken t;
        if (!take(&t, bad, jpeg.size, &err))
            refused++;
        free(t.luma);
        struct decode_picture p = {0};
        const uint32_t box[4] = {8, 8, 40, 40};
        if (decode_crop(DECODE_JPEG, bad, jpeg.size, box, 20, 6, &p, NULL))
            decode_picture_release(&p);
    }
    ck_assert_uint_gt(refused, 10);
    free(bad);
    free(jpeg.at);
}
END_TEST

static bool refuse_begin(void *context, const struct decode_source *source, struct err *err)
{
    (void)context;
    (void)source;
    return err_set(err, ERR_NOMEM, "no room");
}

START_TEST(the_sink_can_stop)
{
    struct bytes jpeg = make_jpeg(&kinds[0]);
    struct taken t = {.rows = 0};
    const struct decode_sink sink = {.context = &t, .begin = refuse_begin, .row = take_row};
    struct decode_source source;
    struct err err = ERR_INIT;
    ck_assert(!decode_luma(DECODE_JPEG, jpeg.at, jpeg.size, &sink, &source, &err));
    ck_assert_int_eq(err.code, ERR_NOMEM);
    ck_assert_str_eq(err.message, "no room");
    free(jpeg.at);
}
END_TEST

struct boxed {
    uint8_t *luma; /* of the box */
    uint32_t width, rows;
};

static bool box_begin(void *context, const struct decode_source *source, struct err *err)
{
    (void)context;
    (void)err;
    ck_assert_uint_gt(source->width_px, 0);
    return true;
}

static void box_row(void *context, const uint8_t *luma)
{
    struct boxed *b = context;
    memcpy(b->luma + (size_t)b->rows++ * b->width, luma, b->width);
}

static bool take_box(struct boxed *b, const struct bytes *jpeg, const uint32_t box[4], struct err *err)
{
    struct decode_source source;
    const struct decode_sink sink = {.context = b, .begin = box_begin, .row = box_row};
    *b = (struct boxed){calloc((size_t)box[2] * box[3] + 1, 1), box[2], 0};
    ck_assert_ptr_nonnull(b->luma);
    return decode_luma_box(jpeg->at, jpeg->size, box, &sink, &source, err);
}

static void check_boxes(const struct make_jpeg *how, int boxes)
{
    struct bytes jpeg = make_jpeg(how);
    uint8_t *ref = reference(jpeg, JCS_GRAYSCALE);
    uint32_t state = how->seed;
    for (int i = 0; i < boxes; i++) {
        uint32_t box[4];
        for (int k = 0; k < 4; k++) {
            state = state * 1664525u + 1013904223u;
            uint32_t side = k % 2 == 0 ? how->width_px : how->height_px;
            box[k] = k < 2 ? (state >> 8) % side : 1 + (state >> 8) % (side - box[k - 2]);
        }
        struct err err = ERR_INIT;
        struct boxed b;
        ck_assert_msg(take_box(&b, &jpeg, box, &err), "%s", err.message);
        ck_assert_uint_eq(b.rows, box[3]);
        for (uint32_t y = 0; y < box[3]; y++)
            ck_assert_msg(memcmp(b.luma + (size_t)y * box[2],
                                 ref + (size_t)(box[1] + y) * how->width_px + box[0], box[2]) == 0,
                          "row %u of box %u %u %u %u", y, box[0], box[1], box[2], box[3]);
        free(b.luma);
    }
    free(ref);
    free(jpeg.at);
}

START_TEST(rows_of_a_box_are_those_of_the_whole)
{
    check_boxes(&kinds[_i], 60);
}
END_TEST

/* Large enough that rows below the box stay undecoded. */
START_TEST(rows_of_a_box_in_a_large_file_are_those_of_the_whole)
{
    const struct make_jpeg how = {.width_px = 1003,
                                  .height_px = 907,
                                  .seed = 21,
                                  .quality = 97,
                                  .restart = _i == 1 ? 3 : 0,
                                  .full_chroma = _i == 2,
                                  .progressive = _i == 3};
    check_boxes(&how, 12);
}
END_TEST

START_TEST(a_cut_file_is_found_out_above_its_box)
{
    const struct make_jpeg how = {.width_px = 1003, .height_px = 907, .seed = 21, .quality = 97};
    struct bytes jpeg = make_jpeg(&how);
    const uint32_t box[4] = {100, 10, 50, 50}, nothing[4] = {0};
    const struct bytes cut = {jpeg.at, jpeg.size * 3 / 4};
    ck_assert_uint_gt(cut.size, 4 << 16);
    struct err err = ERR_INIT;
    struct boxed b;
    ck_assert(take_box(&b, &jpeg, nothing, &err));
    free(b.luma);
    ck_assert(!take_box(&b, &cut, box, &err));
    ck_assert_ptr_nonnull(strstr(err.message, "cut short"));
    free(b.luma);
    ck_assert(!take_box(&b, &cut, nothing, &err));
    free(b.luma);
    const uint32_t outside[4] = {1000, 0, 4, 4};
    ck_assert(!take_box(&b, &jpeg, outside, &err));
    free(b.luma);
    free(jpeg.at);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("jpeg");
    TCase *t = tcase_create("jpeg");
    tcase_set_timeout(t, 60);
    tcase_add_loop_test(t, rows_are_those_of_libjpeg, 0, KINDS);
    tcase_add_test(t, rows_of_any_sampling_are_those_of_libjpeg);
    tcase_add_loop_test(t, cut_files_give_true_rows_or_none, 0, KINDS);
    tcase_add_test(t, cut_file_tells_how_many_rows_are_good);
    tcase_add_test(t, cut_progressive_file_is_refused_with_its_scan);
    tcase_add_test(t, decoding_stops_at_the_first_end_marker);
    tcase_add_test(t, what_is_not_supported_is_refused_with_its_cause);
    tcase_add_test(t, bombs_cost_nothing);
    tcase_add_test(t, too_many_scans_are_refused);
    tcase_add_loop_test(t, random_damage_is_survived, 0, KINDS);
    tcase_add_test(t, the_sink_can_stop);
    tcase_add_loop_test(t, rows_of_a_box_are_those_of_the_whole, 0, KINDS);
    tcase_add_loop_test(t, rows_of_a_box_in_a_large_file_are_those_of_the_whole, 0, 4);
    tcase_add_test(t, a_cut_file_is_found_out_above_its_box);
    suite_add_tcase(s, t);
    SRunner *r = srunner_create(s);
    srunner_run_all(r, CK_ENV);
    int failed = srunner_ntests_failed(r);
    srunner_free(r);
    return failed == 0 ? 0 : 1;
}
