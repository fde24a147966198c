/*
 * Names and companions on tables. Sources: DCF = JEITA CP-3461 / CIPA DC-009 as makers' manuals repeat it;
 * sidecar names = ISO 16684-3 and the practice NAME.EXT.xmp (both from memory).
 */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/frame.h"

START_TEST(kinds_of_names)
{
    const struct {
        const char *name;
        enum frame_file_kind kind;
    } table[] = {
        {"DEMO0001.JPG", FRAME_JPEG},
        {"demo0001.jpeg", FRAME_JPEG},
        {"DEMO0001.JPE", FRAME_JPEG},
        {"DEMO0001.NEF", FRAME_RAW},
        {"DEMO0001.Dng", FRAME_RAW},
        {"DEMO0001.3FR", FRAME_RAW},
        {"DEMO0001.X3F", FRAME_RAW},
        {"DEMO0001.cr3", FRAME_RAW},
        {"CSI_0001.CR3", FRAME_CONTAINER}, /* from memory */
        {"DEMO0001.HIF", FRAME_HEIF},
        {"DEMO0001.avif", FRAME_HEIF},
        {"DEMO0001.xmp", FRAME_SIDECAR},
        {"DEMO0001.JPG.xmp", FRAME_SIDECAR},
        {"DEMO0001.WAV", FRAME_SOUND},
        {"DEMO0001.THM", FRAME_THUMB},
        {"DEMO0001.MOV", FRAME_OTHER},
        {"DEMO0001.JPGX", FRAME_OTHER},
        {"DEMO0001", FRAME_OTHER},
        {"DEMO0001.", FRAME_OTHER},
        {"._DEMO0001.JPG", FRAME_OTHER}, /* AppleDouble */
        {".JPG", FRAME_OTHER},
        {"", FRAME_OTHER},
        {"DCIM/100EXMPL/DEMO0001.JPG", FRAME_JPEG},
        {"DCIM/100.JPG/DEMO0001", FRAME_OTHER},
        {"a\nb.jpg", FRAME_JPEG},
        {"\xff\xfe.jpg", FRAME_JPEG},
    };
    for (size_t i = 0; i < sizeof table / sizeof *table; i++)
        ck_assert_msg(frame_kind_of_name(table[i].name) == table[i].kind, "'%s' is kind %d, expected %d",
                      table[i].name, (int)frame_kind_of_name(table[i].name), (int)table[i].kind);
    ck_assert(frame_kind_is_picture(FRAME_JPEG) && frame_kind_is_picture(FRAME_RAW));
    ck_assert(frame_kind_is_picture(FRAME_HEIF) && frame_kind_is_picture(FRAME_CONTAINER));
    ck_assert(!frame_kind_is_picture(FRAME_SIDECAR) && !frame_kind_is_picture(FRAME_OTHER));
}
END_TEST

START_TEST(parts_of_names)
{
    const struct {
        const char *path, *prefix;
        int number, digits;
        bool dcf;
        int folder;
    } table[] = {
        {"DCIM/100EXMPL/DEMO0001.JPG", "DEMO", 1, 4, true, 100},
        {"DCIM/999_AB_9/_dsc9999.nef", "_DSC", 9999, 4, true, 999}, /* DC-009: names ignore case */
        {"DSC_0042.JPG", "DSC_", 42, 4, true, -1},
        {"P1010001.RW2", "P101", 1, 4, true, -1},          /* digits are allowed in the four characters */
        {"DEMO0000.JPG", "DEMO", 0, 4, false, -1},         /* DC-009: 0001-9999 */
        {"099EXMPL/DEMO0001.JPG", "DEMO", 1, 4, true, -1}, /* DC-009: folders 100-999 */
        {"100EXMP/DEMO0001.JPG", "DEMO", 1, 4, true, -1},  /* DC-009: five characters */
        {"100EXMPLE/DEMO0001.JPG", "DEMO", 1, 4, true, -1},
        {"100EX-PL/DEMO0001.JPG", "DEMO", 1, 4, true, -1},
        {"DE-O0001.JPG", "DE-O", 1, 4, false, -1},
        {"bird12.jpg", "BIRD", 12, 2, false, -1},
        {"bird.jpg", "BIRD", -1, 0, false, -1},
        {"00017.jpg", "", 17, 5, false, -1},
        {"20260501073015042123.jpg", "20260501073", 15042123, 9, false, -1}, /* nine digits at most */
        {"DEMO0001-2.JPG", "DEMO", 1, 4, false, -1}, /* a second card's frame of that number */
        {"pond-2.jpg", "POND-", 2, 1, false, -1},
        {"", "", -1, 0, false, -1},
    };
    for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
        struct frame_name n;
        frame_name_parse(table[i].path, &n);
        ck_assert_msg(strcmp(n.prefix, table[i].prefix) == 0 && n.number == table[i].number &&
                          n.digits == table[i].digits && n.dcf == table[i].dcf && n.folder == table[i].folder,
                      "'%s': '%s' %d (%d digits) dcf %d folder %d", table[i].path, n.prefix, n.number,
                      n.digits, n.dcf, n.folder);
    }
    char longest[300];
    struct frame_name n;
    memset(longest, 'x', sizeof longest);
    memcpy(longest + 250, "0007.jpg", 9);
    frame_name_parse(longest, &n);
    ck_assert_uint_eq(strlen(n.prefix), sizeof n.prefix - 1);
    ck_assert_int_eq(n.number, 7);
}
END_TEST

/* One folder: names with the frame and kind that each must get. */
struct member {
    const char *name;
    int32_t group;
    enum frame_file_kind kind;
};

static void check_order(const struct member *table, const size_t *order, size_t n, size_t expected)
{
    struct err err = ERR_INIT;
    const char *names[32];
    int32_t group[32];
    enum frame_file_kind kinds[32];
    size_t n_frames = 99;
    for (size_t i = 0; i < n; i++)
        names[i] = table[order[i]].name;
    ck_assert(frame_group(names, n, group, kinds, &n_frames, &err));
    ck_assert_uint_eq(n_frames, expected);
    for (size_t i = 0; i < n; i++)
        ck_assert_msg(group[i] == table[order[i]].group && kinds[i] == table[order[i]].kind,
                      "'%s': frame %d kind %d, expected %d and %d", names[i], group[i], (int)kinds[i],
                      table[order[i]].group, (int)table[order[i]].kind);
}

/* As it stands, backwards, and from every start on: the result must not depend on the order of the names. */
static void check_group(const struct member *table, size_t n, size_t expected)
{
    size_t order[32];
    for (size_t turn = 0; turn < n; turn++) {
        for (size_t i = 0; i < n; i++)
            order[i] = (i + turn) % n;
        check_order(table, order, n, expected);
        for (size_t i = 0; i < n; i++)
            order[i] = (2 * n - 1 - i - turn) % n;
        check_order(table, order, n, expected);
    }
}

#define CHECK_GROUP(expected, ...)                                                                           \
    do {                                                                                                     \
        const struct member table[] = {__VA_ARGS__};                                                         \
        check_group(table, sizeof table / sizeof *table, expected);                                          \
    } while (0)

/* DC-009: all files that share the number are one object. */
START_TEST(files_of_one_number_are_one_frame)
{
    CHECK_GROUP(2, {"DEMO0001.JPG", 0, FRAME_JPEG}, {"DEMO0001.DNG", 0, FRAME_RAW},
                {"DEMO0001.WAV", 0, FRAME_SOUND}, {"DEMO0001.THM", 0, FRAME_THUMB},
                {"DEMO0001.xmp", 0, FRAME_SIDECAR}, {"DEMO0001.JPG.xmp", 0, FRAME_SIDECAR},
                {"demo0001.dng.XMP", 0, FRAME_SIDECAR}, {"DEMO0001.MOV", 0, FRAME_COMPANION},
                {"DEMO0001.HIF", 0, FRAME_HEIF}, {"DEMO0002.JPG", 1, FRAME_JPEG},
                {"DEMO0003.MOV", -1, FRAME_OTHER}, {"DEMO0003.THM", -1, FRAME_OTHER},
                {"DEMO0004.xmp", -1, FRAME_OTHER});
}
END_TEST

START_TEST(what_belongs_to_no_picture)
{
    CHECK_GROUP(1, {"DEMO0001.JPG", 0, FRAME_JPEG}, {"._DEMO0001.JPG", -1, FRAME_OTHER},
                {"._DEMO0001.xmp", -1, FRAME_OTHER}, {".DEMO0001.JPG", -1, FRAME_OTHER},
                {"SETTINGS.DAT", -1, FRAME_OTHER}, {"DEMO00010.xmp", -1, FRAME_OTHER},
                {"DEMO0001X.JPG.xmp", -1, FRAME_OTHER});
    CHECK_GROUP(0, {"notes", -1, FRAME_OTHER});
    check_group(NULL, 0, 0);
}
END_TEST

/* ext4 keeps case twins apart (CIPA DC-009 does not allow them, a merged card may hold them). */
START_TEST(case_twins_stay_two_frames)
{
    CHECK_GROUP(2, {"IMG_0001.JPG", 0, FRAME_JPEG}, {"img_0001.jpg", 1, FRAME_JPEG},
                {"IMG_0001.xmp", 0, FRAME_SIDECAR}, {"img_0001.xmp", 1, FRAME_SIDECAR},
                {"Img_0001.WAV", 0, FRAME_SOUND}, {"img_0001.jpg.xmp", 1, FRAME_SIDECAR},
                {"IMG_0001.JPG.xmp", 0, FRAME_SIDECAR});
    CHECK_GROUP(2, {"IMG_0001.JPG", 0, FRAME_JPEG}, {"IMG_0001.jpg", 1, FRAME_JPEG},
                {"IMG_0001.jpg.xmp", 1, FRAME_SIDECAR}, {"IMG_0001.xmp", 0, FRAME_SIDECAR});
    CHECK_GROUP(2, {"IMG_0001.CR2", 0, FRAME_RAW}, {"IMG_0001.JPG", 0, FRAME_JPEG},
                {"img_0001.cr2", 1, FRAME_RAW}, {"img_0001.jpg", 1, FRAME_JPEG});
    /* A raw and a JPEG that differ in case only are one shot. */
    CHECK_GROUP(1, {"IMG_0001.JPG", 0, FRAME_JPEG}, {"img_0001.cr2", 0, FRAME_RAW});
}
END_TEST

enum { TWIN_LETTERS = 12, TWINS = 1 << TWIN_LETTERS };

/* Every spelling of one name: each is a frame of its own and keeps its raw. Whatever names a disk holds,
   grouping ends soon: .3 s here; looking for twins once per frame took 24 s, and the limit of this program
   is 10 s. */
START_TEST(a_folder_of_twins)
{
    static char text[2 * TWINS][TWIN_LETTERS + 5];
    static const char *names[2 * TWINS];
    static int32_t group[2 * TWINS];
    static enum frame_file_kind kinds[2 * TWINS];
    struct err err = ERR_INIT;
    size_t n_frames = 0;
    for (size_t i = 0; i < 2 * TWINS; i++) {
        for (size_t k = 0; k < TWIN_LETTERS; k++)
            text[i][k] = (char)((i / 2 >> (TWIN_LETTERS - 1 - k) & 1 ? 'a' : 'A') + (char)k);
        memcpy(text[i] + TWIN_LETTERS, i % 2 ? ".JPG" : ".NEF", 5);
        names[i] = text[i];
    }
    ck_assert(frame_group(names, 2 * TWINS, group, kinds, &n_frames, &err));
    ck_assert_uint_eq(n_frames, TWINS);
    for (size_t i = 0; i < 2 * TWINS; i++)
        ck_assert_int_eq(group[i], (int32_t)(i / 2));
}
END_TEST

/* Dots in names are no extensions of pictures: these are two photographs, each with its sidecar. */
START_TEST(dots_in_names)
{
    CHECK_GROUP(2, {"pond.1.jpg", 0, FRAME_JPEG}, {"pond.2.jpg", 1, FRAME_JPEG}, {"pond.1.cr2", 0, FRAME_RAW},
                {"pond.1.xmp", 0, FRAME_SIDECAR}, {"pond.2.jpg.xmp", 1, FRAME_SIDECAR},
                {"pond.xmp", -1, FRAME_OTHER});
}
END_TEST

/* Numbered in byte order of the base names; bytes that are not UTF-8, newlines and dashes are names like any.
 */
START_TEST(frames_are_numbered_in_byte_order)
{
    CHECK_GROUP(5, {"-a.jpg", 0, FRAME_JPEG}, {"B.jpg", 1, FRAME_JPEG}, {"a\n.jpg", 2, FRAME_JPEG},
                {"a\n.jpg.xmp", 2, FRAME_SIDECAR}, {"b2.jpg", 3, FRAME_JPEG}, {"\xff\xfe.jpg", 4, FRAME_JPEG},
                {"\xff\xfe.xmp", 4, FRAME_SIDECAR});
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("name");
    TCase *tc = tcase_create("name");
    tcase_add_test(tc, kinds_of_names);
    tcase_add_test(tc, parts_of_names);
    tcase_add_test(tc, files_of_one_number_are_one_frame);
    tcase_add_test(tc, what_belongs_to_no_picture);
    tcase_add_test(tc, case_twins_stay_two_frames);
    tcase_add_test(tc, a_folder_of_twins);
    tcase_set_timeout(tc, 10);
    tcase_add_test(tc, dots_in_names);
    tcase_add_test(tc, frames_are_numbered_in_byte_order);
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
