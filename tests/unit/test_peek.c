/*
 * Metadata of pictures: Exif structures made here (tag numbers and meanings: CIPA DC-008; 0x4746 and maker
 * notes as ExifTool 12.57 names them), and real files where they are at hand (values read with
 * ExifTool 12.57).
 */
#include <check.h>
#include <dirent.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/frame.h"
#include "chaffinch/worker.h"
#include "../ref/maker.h"
#include "../ref/tags_maker.h"

static struct made_tags made;
static uint8_t jpeg[TAGS_ROOM];
static struct frame_meta meta;

static void setup(void)
{
    memset(&made, 0, sizeof made);
}

/* From memory of the exact size, so that a sanitizer sees every byte read too far. */
static bool peek(enum frame_file_kind kind, const uint8_t *bytes, size_t size, struct err *err)
{
    uint8_t *own = malloc(size > 0 ? size : 1);
    ck_assert_ptr_nonnull(own);
    memcpy(own, bytes, size);
    bool ok = frame_peek(kind, own, size, &meta, err);
    free(own);
    ck_assert(frame_meta_valid(&meta));
    return ok;
}

static void peek_made(const char *xmp)
{
    struct err err = ERR_INIT;
    tags_lay_out(&made);
    size_t size = tags_jpeg(&made, xmp, jpeg, sizeof jpeg);
    ck_assert_msg(peek(FRAME_JPEG, jpeg, size, &err), "%s", err.message);
}

static void add_picture_tags(void)
{
    tags_text(&made, 0, 0x010f, "Example");
    tags_text(&made, 0, 0x0110, "Demo-1  "); /* padded */
    tags_short(&made, 0, 0x0112, 6);
    tags_text(&made, 0, 0x0132, "2027:01:01 00:00:00"); /* last change: not the exposure */
    tags_short(&made, 0, 0x4746, 4);
    tags_rational(&made, 1, 0x829a, 1, 3200);
    tags_rational(&made, 1, 0x829d, 28, 10);
    tags_short(&made, 1, 0x8827, 1600);
    tags_text(&made, 1, 0x9003, "2026:05:01 07:30:15");
    tags_text(&made, 1, 0x9011, "+02:00");
    tags_rational(&made, 1, 0x9206, 5030, 1000);
    tags_short(&made, 1, 0xa405, 600);
    tags_rational(&made, 1, 0x920a, 300, 1);
    tags_text(&made, 1, 0x9291, "042");
    tags_text(&made, 1, 0xa431, "A0012");
    tags_text(&made, 1, 0xa434, "Demo 300 mm f/2.8");
}

static void check_picture_tags(void)
{
    char text[48];
    frame_time_text(&meta, text);
    ck_assert_str_eq(text, "2026-05-01T07:30:15.042+02:00");
    ck_assert_str_eq(meta.maker, "Example");
    ck_assert_str_eq(meta.model, "Demo-1");
    ck_assert_str_eq(meta.serial, "A0012");
    ck_assert_str_eq(meta.lens, "Demo 300 mm f/2.8");
    ck_assert_double_eq_tol(meta.exposure_s, 1 / 3200., 1e-12);
    ck_assert_double_eq_tol(meta.f_number, 2.8, 1e-12);
    ck_assert_double_eq_tol(meta.focal_mm, 300, 1e-12);
    ck_assert_double_eq_tol(meta.focal_35mm, 600, 1e-12);
    ck_assert_double_eq_tol(meta.iso, 1600, 1e-12);
    ck_assert_double_eq_tol(meta.focus_m, 5.03, 1e-12);
    ck_assert_int_eq(meta.orientation, 6);
    ck_assert_int_eq(meta.rating, 4);
}

START_TEST(all_fields_in_both_byte_orders)
{
    for (int big = 0; big <= 1; big++) {
        setup();
        made.big_endian = big != 0;
        add_picture_tags();
        peek_made(NULL);
        check_picture_tags();
        ck_assert_uint_eq(meta.width_px, 160);
        ck_assert_uint_eq(meta.height_px, 120);
    }
}
END_TEST

/* A raw is a TIFF: its tags may lie where libexif does not look, behind the first 64 KiB. */
START_TEST(raw_tags_anywhere)
{
    static const uint32_t places[] = {0, 40000, 200000};
    for (int big = 0; big <= 1; big++)
        for (size_t i = 0; i < sizeof places / sizeof *places; i++) {
            struct err err = ERR_INIT;
            setup();
            made.big_endian = big != 0;
            made.exif_at = places[i];
            add_picture_tags();
            tags_lay_out(&made);
            ck_assert_msg(peek(FRAME_RAW, made.bytes, made.size, &err), "%s", err.message);
            check_picture_tags();
        }
}
END_TEST

/* Exif 3.0 writes text as type 129, UTF-8 (from memory); what is neither UTF-8 nor ASCII is taken as Latin-1.
 */
START_TEST(text_of_all_kinds)
{
    tags_bytes(&made, 1, 0x9003, 129, "2026:05:01 07:30:15", 20);
    tags_bytes(&made, 1, 0xa434, 129, "M\xc3\xbchle 300", 11);
    tags_bytes(&made, 0, 0x010f, 2, "M\xfchle", 6);
    tags_bytes(&made, 0, 0x0110, 2, " a\nb\0c", 7);
    tags_bytes(&made, 1, 0xa431, 2, "77", 2); /* no NUL */
    peek_made(NULL);
    ck_assert(meta.has_time);
    ck_assert_str_eq(meta.lens, "M\xc3\xbchle 300");
    ck_assert_str_eq(meta.maker, "M\xc3\xbchle");
    ck_assert_str_eq(meta.model, "a b");
    ck_assert_str_eq(meta.serial, "77");
}
END_TEST

START_TEST(a_serial_of_zeros_is_none)
{
    tags_text(&made, 1, 0xa431, "0000000");
    peek_made(NULL);
    ck_assert_str_eq(meta.serial, "");
}
END_TEST

START_TEST(unknown_values)
{
    tags_text(&made, 1, 0x9003, "    :  :     :  :  ");
    tags_text(&made, 1, 0x9291, "  ");
    tags_rational(&made, 1, 0x829a, 0, 0);
    tags_rational(&made, 1, 0x9206, 0xffffffff, 1); /* DC-008: infinity */
    tags_short(&made, 1, 0x8827, 65535);            /* DC-008: see the exposure index */
    tags_long(&made, 1, 0x8832, 102400);
    tags_short(&made, 0, 0x0112, 9);
    tags_short(&made, 0, 0x4746, 99);
    peek_made(NULL);
    ck_assert(!meta.has_time && !meta.has_offset);
    ck_assert_double_eq(meta.exposure_s, 0);
    ck_assert_double_eq(meta.focus_m, 0);
    ck_assert_double_eq(meta.iso, 102400);
    ck_assert_int_eq(meta.orientation, 1);
    ck_assert_int_eq(meta.rating, 0);
}
END_TEST

/* Where a camera writes no DateTimeOriginal: DateTimeDigitized with its own fraction and offset, then
 * DateTime. */
START_TEST(other_times)
{
    tags_text(&made, 0, 0x0132, "2026:05:01 09:00:00");
    tags_text(&made, 1, 0x9290, "7");
    tags_text(&made, 1, 0x9291, "1");
    tags_text(&made, 1, 0x9003, "0000:00:00 00:00:00");
    peek_made(NULL);
    char text[48];
    frame_time_text(&meta, text);
    ck_assert_str_eq(text, "2026-05-01T09:00:00.7");
    setup();
    tags_text(&made, 0, 0x0132, "2026:05:01 09:00:00");
    tags_text(&made, 1, 0x9004, "2026:05:01 08:00:00");
    tags_text(&made, 1, 0x9012, "-01:00");
    tags_text(&made, 1, 0x9292, "25");
    peek_made(NULL);
    frame_time_text(&meta, text);
    ck_assert_str_eq(text, "2026-05-01T08:00:00.25-01:00");
}
END_TEST

/* ISO 16684-1: xmp:Rating is a Real, -1 = rejected, 0 = none, 1..5. */
START_TEST(rating_of_the_packet)
{
    const struct {
        const char *rating;
        int expected;
    } table[] = {{"5", 5}, {"-1", -1}, {"3.0", 3}, {"-1.0", -1}, {"0", 0},
                 {"6", 0}, {"-2", 0},  {"", 0},    {"x", 0}};
    for (size_t i = 0; i < 2 * sizeof table / sizeof *table; i++) {
        char xmp[600];
        bool element = i % 2;
        (void)snprintf(
            xmp, sizeof xmp,
            "<x:xmpmeta xmlns:x='adobe:ns:meta/'><rdf:RDF "
            "xmlns:rdf='http://www.w3.org/1999/02/22-rdf-syntax-ns#'><rdf:Description rdf:about='' "
            "xmlns:q='http://ns.adobe.com/xap/1.0/' %s%s%s</rdf:Description></rdf:RDF></x:xmpmeta>",
            element ? "><q:Rating>" : "q:Rating='", table[i / 2].rating, element ? "</q:Rating>" : "'>");
        setup();
        peek_made(xmp);
        ck_assert_msg(meta.rating == table[i / 2].expected, "'%s': %d", table[i / 2].rating, meta.rating);
    }
    setup();
    peek_made("<x:xmpmeta Rating broken");
    ck_assert_int_eq(meta.rating, 0);
}
END_TEST

/* The tag goes before the packet (ExifTool 12.57 names it Rating of IFD0), whichever segment stands first. */
START_TEST(rating_of_the_tag_goes_first)
{
    static const char xmp[] = "<x:xmpmeta xmlns:x='adobe:ns:meta/'><rdf:RDF "
                              "xmlns:rdf='http://www.w3.org/1999/02/22-rdf-syntax-ns#'><rdf:Description "
                              "rdf:about='' xmlns:q='http://ns.adobe.com/xap/1.0/' q:Rating='2'/></rdf:RDF>"
                              "</x:xmpmeta>";
    static uint8_t turned[2 * TAGS_ROOM];
    const int ratings[][2] = {{4, 4}, {0, 2}}; /* of the tag; expected */
    for (size_t i = 0; i < 2; i++) {
        struct err err = ERR_INIT;
        setup();
        tags_short(&made, 0, 0x4746, (uint16_t)ratings[i][0]);
        peek_made(xmp);
        ck_assert_int_eq(meta.rating, ratings[i][1]);
        size_t tags = tags_jpeg(NULL, xmp, turned, sizeof turned) - 2; /* without the end mark */
        size_t whole = tags_jpeg(&made, NULL, jpeg, sizeof jpeg);
        /* SOI, XMP; then the other's Exif and picture */
        size_t head = 2 + 2 + 2 + 29 + strlen(xmp);
        ck_assert_uint_gt(tags, head);
        memcpy(turned + head, jpeg + 2, whole - 2);
        ck_assert(peek(FRAME_JPEG, turned, head + whole - 2, &err));
        ck_assert_int_eq(meta.rating, ratings[i][1]);
        ck_assert_uint_eq(meta.width_px, 160);
    }
}
END_TEST

START_TEST(thumbnail)
{
    static const uint8_t picture[] = {0xff, 0xd8, 0xff, 0xd9};
    tags_text(&made, 1, 0x9003, "2026:05:01 07:30:15");
    tags_long(&made, 2, 0x0201, 5000);
    tags_long(&made, 2, 0x0202, sizeof picture);
    tags_lay_out(&made);
    memcpy(made.bytes + 5000, picture, sizeof picture);
    made.size = 5000 + sizeof picture;
    struct err err = ERR_INIT;
    size_t size = tags_jpeg(&made, NULL, jpeg, sizeof jpeg);
    ck_assert(peek(FRAME_JPEG, jpeg, size, &err));
    ck_assert_uint_eq(meta.thumb_size, sizeof picture);
    ck_assert_int_eq(memcmp(jpeg + meta.thumb_offset, picture, sizeof picture), 0);
}
END_TEST

/* ExifTool 12.57: Panasonic 0x002b SequenceNumber, Sony 0xb04a SequenceNumber, Nikon 0x0056 BurstGroupID. */
START_TEST(hints_of_maker_notes)
{
    static const char panasonic[] = "Panasonic\0\0\0"
                                    "\1\0\x2b\0\4\0\1\0\0\0\7\0\0\0\0\0\0\0";
    static const char sony[] = "SONY DSC \0\0\0"
                               "\1\0\x4a\xb0\3\0\1\0\0\0\x0c\0\0\0\0\0\0\0";
    static const char nikon[] = "Nikon\0\2\x11\0\0II*\0\x08\0\0\0"
                                "\1\0\x56\0\7\0\6\0\0\0\x20\0\0\0\0\0\0\0"
                                "......0100\x39\5";
    const struct {
        const char *maker, *note;
        size_t size;
        uint32_t sequence, burst_group;
    } table[] = {{"Panasonic", panasonic, sizeof panasonic - 1, 7, 0},
                 {"SONY", sony, sizeof sony - 1, 12, 0},
                 {"NIKON CORPORATION", nikon, sizeof nikon - 1, 0, 0x539}};
    for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
        setup();
        tags_text(&made, 0, 0x010f, table[i].maker);
        tags_bytes(&made, 1, 0x927c, 7, table[i].note, table[i].size);
        peek_made(NULL);
        ck_assert_msg(meta.sequence == table[i].sequence && meta.burst_group == table[i].burst_group,
                      "%s: %u %u", table[i].maker, meta.sequence, meta.burst_group);
    }
}
END_TEST

/* HEIF: the Exif item lies behind boxes; the word occurs before as the item's type. */
START_TEST(exif_of_heif)
{
    struct err err = ERR_INIT;
    static uint8_t file[2000];
    add_picture_tags();
    tags_lay_out(&made);
    memcpy(file,
           "\0\0\0\x10"
           "ftypheic\0\0\0\0",
           16);
    memcpy(file + 100, "infe\2\0\0\0\0\1\0\0Exif\0\0\0\0\x15infe", 26);
    memcpy(file + 200, "Exif\0\0", 6);
    memcpy(file + 206, made.bytes, made.size);
    ck_assert(peek(FRAME_HEIF, file, sizeof file, &err));
    check_picture_tags();
    ck_assert(!peek(FRAME_HEIF, file + 100, 100, &err));
}
END_TEST

START_TEST(what_is_no_picture)
{
    const enum frame_file_kind kinds[] = {FRAME_JPEG, FRAME_RAW, FRAME_HEIF, FRAME_CONTAINER, FRAME_OTHER};
    for (size_t i = 0; i < sizeof kinds / sizeof *kinds; i++) {
        struct err err = ERR_INIT;
        ck_assert(!peek(kinds[i], (const uint8_t *)"", 0, &err));
        ck_assert_int_eq(err.code, ERR_FORMAT);
        ck_assert_str_eq(err.message, "the file is empty");
        ck_assert(
            !peek(kinds[i], (const uint8_t *)"swallows at the mill pond, seen from the sluice", 47, &err));
        ck_assert_int_eq(err.code, ERR_FORMAT);
    }
}
END_TEST

/* ITU T.81: a picture needs a frame header before its scans; a file of tables alone (its abbreviated format)
   ends without. A head that is merely cut may go on with one. */
START_TEST(a_jpeg_without_a_frame_header)
{
    static const uint8_t ends[] = {0xff, 0xd8, 0xff, 0xdb, 0, 4, 1, 2, 0xff, 0xd9};
    static const uint8_t scans[] = {0xff, 0xd8, 0xff, 0xda, 0, 8, 1, 1, 0, 0, 63, 0};
    struct err err = ERR_INIT;
    ck_assert(!peek(FRAME_JPEG, ends, sizeof ends, &err));
    ck_assert_int_eq(err.code, ERR_FORMAT);
    ck_assert(!peek(FRAME_JPEG, scans, sizeof scans, &err));
    ck_assert(peek(FRAME_JPEG, ends, sizeof ends - 2, &err));
    ck_assert(!peek(FRAME_JPEG, ends, 2, &err));
    add_picture_tags();
    tags_lay_out(&made);
    size_t tags_end = 2 + 2 + 2 + 6 + made.size;
    (void)tags_jpeg(&made, NULL, jpeg, sizeof jpeg);
    ck_assert(peek(FRAME_JPEG, jpeg, tags_end, &err));
    check_picture_tags();
    ck_assert_uint_eq(meta.width_px, 0);
}
END_TEST

/* A head that is cut anywhere, or has any byte changed, is read or refused: never more, under a sanitizer. */
START_TEST(damage)
{
    struct err err = ERR_INIT;
    add_picture_tags();
    tags_lay_out(&made);
    size_t size = tags_jpeg(&made, "<x Rating='3'/>", jpeg, sizeof jpeg);
    for (size_t cut = 0; cut < size; cut++)
        (void)peek(FRAME_JPEG, jpeg, cut, &err);
    for (size_t cut = 0; cut < made.size; cut += 3)
        (void)peek(FRAME_RAW, made.bytes, cut, &err);
    for (size_t at = 0; at < size; at++) {
        uint8_t before = jpeg[at];
        static const uint8_t values[] = {0, 1, 0x7f, 0x80, 0xff};
        for (size_t v = 0; v < sizeof values; v++) {
            jpeg[at] = values[v];
            (void)peek(FRAME_JPEG, jpeg, size, &err);
        }
        jpeg[at] = before;
    }
    ck_assert(peek(FRAME_JPEG, jpeg, size, &err));
    check_picture_tags();
}
END_TEST

START_TEST(validity)
{
    struct err err = ERR_INIT;
    add_picture_tags();
    peek_made(NULL);
    ck_assert(frame_meta_valid(&meta));
    struct frame_meta bad = meta;
    memset(bad.serial, 'x', sizeof bad.serial);
    ck_assert(!frame_meta_valid(&bad));
    bad = meta;
    bad.lens[0] = '\xff';
    ck_assert(!frame_meta_valid(&bad));
    bad = meta;
    bad.orientation = 0;
    ck_assert(!frame_meta_valid(&bad));
    bad = meta;
    bad.exposure_s = -1;
    ck_assert(!frame_meta_valid(&bad));
    bad = meta;
    memset(&bad.has_time, 7, 1);
    ck_assert(!frame_meta_valid(&bad));
    (void)err;
}
END_TEST

/* ---- real files ------------------------------------------------------------------ */

static void check_shared(const char *name, enum frame_file_kind kind, const char *time, const char *model)
{
    struct bytes b = shared_file(name);
    struct err err = ERR_INIT;
    char text[48];
    if (b.at == NULL)
        return;
    ck_assert_msg(peek(kind, b.at, b.size, &err), "%s: %s", name, err.message);
    frame_time_text(&meta, text);
    ck_assert_msg(strcmp(text, time) == 0 && strcmp(meta.model, model) == 0, "%s: '%s' '%s'", name, text,
                  meta.model);
    free(b.at);
}

/* Raw files, most of them damaged behind their heads. LibRaw would shift the times by the zone. */
START_TEST(real_raws)
{
    static const char *const zones[] = {"UTC", "America/New_York"};
    for (size_t i = 0; i < sizeof zones / sizeof *zones; i++) {
        setenv("TZ", zones[i], 1);
        check_shared("raw/CRW.CRW", FRAME_RAW, "2018-01-01T13:03:32", "EOS D30");
        check_shared("raw/colorchart.dng", FRAME_RAW, "", "Canon EOS Kiss X4");
        check_shared("raw-damaged/CanonRaw.cr2", FRAME_RAW, "2005-08-03T18:59:18", "Canon EOS 350D DIGITAL");
        check_shared("raw-damaged/CanonRaw.cr3", FRAME_RAW, "2018-02-21T12:08:56.21+00:00", "Canon EOS M50");
        check_shared("raw-damaged/DNG.dng", FRAME_RAW, "2005-08-03T18:59:18", "Canon EOS 350D DIGITAL");
        check_shared("raw-damaged/FujiFilm.raf", FRAME_RAW, "2007-05-22T13:58:30", "FinePix S5Pro");
        check_shared("raw-damaged/Nikon.nef", FRAME_RAW, "2004-06-09T16:02:35.00", "NIKON D70");
        check_shared("raw-damaged/Panasonic.rw2", FRAME_RAW, "2008-08-06T15:21:56", "DMC-LX3");
    }
}
END_TEST

/* The samples carry their time in their names: "2011-10-28-17-50-18-sep-...". */
static void check_sample(const char *folder, const char *name, int *dated)
{
    char path[512], expected[20], text[48];
    struct err err = ERR_INIT;
    (void)snprintf(path, sizeof path, "exif/%s/%s", folder, name);
    struct bytes b = shared_file(path);
    ck_assert_ptr_nonnull(b.at);
    ck_assert_msg(peek(FRAME_JPEG, b.at, b.size, &err), "%s: %s", name, err.message);
    free(b.at);
    frame_time_text(&meta, text);
    if (strstr(name, "-sep-") == NULL || name[0] != '2')
        return;
    (void)snprintf(expected, sizeof expected, "%.19s", name);
    expected[10] = 'T';
    expected[13] = expected[16] = ':';
    ck_assert_msg(strncmp(text, expected, 19) == 0, "%s: '%s'", name, text);
    (*dated)++;
}

START_TEST(real_samples)
{
    static const char *const folders[] = {"samples", "corrupt"};
    int dated = 0;
    for (size_t i = 0; i < sizeof folders / sizeof *folders; i++) {
        char path[64];
        (void)snprintf(path, sizeof path, "../shared/data/exif/%s", folders[i]);
        DIR *dir = opendir(path);
        if (dir == NULL) {
            printf("skipped: no shared data (%s)\n", path);
            return;
        }
        for (struct dirent *entry; (entry = readdir(dir)) != NULL;)
            if (entry->d_name[0] != '.')
                check_sample(folders[i], entry->d_name, &dated);
        closedir(dir);
    }
    ck_assert_int_eq(dated, 46);
    check_shared("exif/sample1.jpg", FRAME_JPEG, "2003-11-23T18:07:37.63", "NIKON D2H");
}
END_TEST

/* ---- behind the limits of a worker ------------------------------------------------ */

static void handle(uint32_t kind, const uint8_t *request, size_t size, const int *fds, size_t n_fds,
                   struct worker_reply *reply)
{
    struct err err = ERR_INIT;
    (void)fds;
    (void)n_fds;
    reply->bytes = calloc(1, sizeof(struct frame_meta));
    reply->size = sizeof(struct frame_meta);
    reply->ok = reply->bytes != NULL && frame_peek((enum frame_file_kind)kind, request, size,
                                                   (struct frame_meta *)(void *)reply->bytes, &err);
}

static void check_there(struct worker_pool *pool, enum frame_file_kind kind, const uint8_t *bytes,
                        size_t size)
{
    struct err err = ERR_INIT;
    struct worker_result r;
    struct frame_meta there;
    char a[48], b[48];
    const struct worker_job job = {.kind = kind, .request = bytes, .size = size};
    ck_assert_msg(worker_submit(pool, &job, &err) && worker_wait(pool, NULL, &r, &err), "%s", err.message);
    ck_assert_msg(r.ok && r.size == sizeof there, "%s", r.cause);
    memcpy(&there, r.bytes, sizeof there);
    worker_result_release(&r);
    ck_assert(peek(kind, bytes, size, &err) && frame_meta_valid(&there));
    frame_time_text(&there, a);
    frame_time_text(&meta, b);
    ck_assert_str_eq(a, b);
    ck_assert_str_eq(there.model, meta.model);
    ck_assert_str_eq(there.serial, meta.serial);
    ck_assert_int_eq(there.rating, meta.rating);
    ck_assert_uint_eq(there.width_px, meta.width_px);
}

/* What the libraries need is allowed: their answers are the same there and here. */
START_TEST(peeks_work_behind_the_limits)
{
    static const char *const files[] = {"raw/colorchart.dng", "raw-damaged/Nikon.nef",
                                        "raw-damaged/CanonRaw.cr3", "raw-damaged/FujiFilm.raf"};
    struct err err = ERR_INIT;
    const struct worker_config config = {.handler = handle, .workers = 1, .wall_s = 20};
    struct worker_pool *pool = worker_pool_start(&config, &err);
    ck_assert_msg(pool != NULL, "%s", err.message);
    tags_text(&made, 0, 0x0110, "Demo-1");
    peek_made("<x:xmpmeta xmlns:x='adobe:ns:meta/'><rdf:RDF xmlns:rdf='http://www.w3.org/1999/02/"
              "22-rdf-syntax-ns#'><rdf:Description rdf:about='' xmlns:xmp='http://ns.adobe.com/xap/1.0/' "
              "xmp:Rating='2'/></rdf:RDF></x:xmpmeta>");
    ck_assert_int_eq(meta.rating, 2);
    check_there(pool, FRAME_JPEG, jpeg, sizeof jpeg);
    for (size_t i = 0; i < sizeof files / sizeof *files; i++) {
        struct bytes file = shared_file(files[i]);
        if (file.at != NULL)
            check_there(pool, FRAME_RAW, file.at, file.size);
        free(file.at);
    }
    worker_pool_stop(pool);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("peek");
    TCase *tc = tcase_create("peek");
    tcase_add_checked_fixture(tc, setup, NULL);
    tcase_set_timeout(tc, 60);
    tcase_add_test(tc, all_fields_in_both_byte_orders);
    tcase_add_test(tc, raw_tags_anywhere);
    tcase_add_test(tc, text_of_all_kinds);
    tcase_add_test(tc, a_serial_of_zeros_is_none);
    tcase_add_test(tc, unknown_values);
    tcase_add_test(tc, other_times);
    tcase_add_test(tc, rating_of_the_packet);
    tcase_add_test(tc, rating_of_the_tag_goes_first);
    tcase_add_test(tc, thumbnail);
    tcase_add_test(tc, hints_of_maker_notes);
    tcase_add_test(tc, exif_of_heif);
    tcase_add_test(tc, what_is_no_picture);
    tcase_add_test(tc, a_jpeg_without_a_frame_header);
    tcase_add_test(tc, damage);
    tcase_add_test(tc, validity);
    tcase_add_test(tc, real_raws);
    tcase_add_test(tc, real_samples);
    tcase_add_test(tc, peeks_work_behind_the_limits);
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
