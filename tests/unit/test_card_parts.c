/* The parts of copying: names, the read-only view, the manifest, the verdict. */
#include "card_tree.h"

#include "../../src/card/manifest.h"
#include "../../src/card/names.h"
#include "../../src/card/view.h"
#include "chaffinch/hash.h"

/* --- names --- */

START_TEST(names_get_a_suffix_before_the_first_dot)
{
    static const struct {
        const char *path, *family, *second;
    } cases[] = {
        {"DCIM/100DEMO/DSC_0001.JPG", "DCIM/100DEMO/dsc_0001", "DCIM/100DEMO/DSC_0001-2.JPG"},
        {"DCIM/100DEMO/DSC_0001.JPG.xmp", "DCIM/100DEMO/dsc_0001", "DCIM/100DEMO/DSC_0001-2.JPG.xmp"},
        {"a.b/noext", "a.b/noext", "a.b/noext-2"},
        {"._DSC_0001.JPG", "._dsc_0001", "._DSC_0001-2.JPG"},
        {".hidden", ".hidden", ".hidden-2"},
        {"-dash.x", "-dash", "-dash-2.x"},
        {"\xff\xfe.bin", "\xff\xfe", "\xff\xfe-2.bin"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char *family = names_family(cases[i].path, NULL);
        char *second = names_with_suffix(cases[i].path, 2, NULL);
        char *plain = names_with_suffix(cases[i].path, NAMES_NO_SUFFIX, NULL);
        ck_assert_str_eq(family, cases[i].family);
        ck_assert_str_eq(second, cases[i].second);
        ck_assert_str_eq(plain, cases[i].path);
        free(family);
        free(second);
        free(plain);
    }
}
END_TEST

START_TEST(a_name_of_full_length_still_gets_a_suffix)
{
    char leaf[NAMES_LEAF_MAX + 1];
    memset(leaf, 'a', sizeof leaf - 1);
    memcpy(leaf + 246, "\xc3\xa9.JPG", 7);
    leaf[NAMES_LEAF_MAX] = '\0';
    memcpy(leaf + 252, "123", 4);
    char *s = names_with_suffix(leaf, 12, NULL);
    ck_assert_uint_le(strlen(s), NAMES_LEAF_MAX);
    ck_assert_ptr_nonnull(strstr(s, "-12.JPG123"));
    ck_assert(str_is_utf8(s, strlen(s)));
    free(s);
}
END_TEST

/* --- the read-only view --- */

START_TEST(the_view_of_a_card_refuses_everything_that_writes)
{
    struct files view;
    const struct timespec times[2] = {{0}, {0}};
    tree_file("card/a.jpg", 10, 1, 0);
    view_init(&view, files_system());
    int dir = view.openat(view.context, AT_FDCWD, "card", O_RDONLY | O_DIRECTORY, 0);
    int fd = view.openat(view.context, dir, "a.jpg", O_RDONLY, 0);
    ck_assert(dir >= 0 && fd >= 0);
    static const int writing[] = {O_WRONLY, O_RDWR, O_RDONLY | O_CREAT, O_RDONLY | O_APPEND};
    for (size_t i = 0; i < sizeof writing / sizeof writing[0]; i++) {
        errno = 0;
        ck_assert_int_eq(view.openat(view.context, dir, "b.jpg", writing[i], 0666), -1);
        ck_assert_int_eq(errno, EROFS);
    }
    ck_assert_int_eq(view.write(view.context, fd, "x", 1), -1);
    ck_assert_int_eq(view.fsync(view.context, fd), -1);
    ck_assert_int_eq(view.futimens(view.context, fd, times), -1);
    ck_assert_int_eq(view.fchmod(view.context, fd, 0600), -1);
    ck_assert_int_eq(view.mkdirat(view.context, dir, "x", 0777), -1);
    ck_assert_int_eq(view.lock(view.context, fd), -1);
    ck_assert_int_eq(view.renameat2(view.context, dir, "a.jpg", dir, "b.jpg", 0), -1);
    ck_assert_int_eq(view.linkat(view.context, dir, "a.jpg", dir, "b.jpg"), -1);
    ck_assert_int_eq(view.unlinkat(view.context, dir, "a.jpg", 0), -1);
    ck_assert_int_eq(errno, EROFS);
    ck_assert_uint_eq(tree_count("card"), 1);
    (void)close(fd);
    (void)close(dir);
}
END_TEST

/* --- the manifest --- */

static int listed;

static bool note_line(void *context, const char *path, const struct hash_digest *digest, struct err *err)
{
    (void)err;
    struct hash_digest of_x = hash_of("x", 1);
    ck_assert(hash_equal(digest, &of_x));
    ck_assert_str_eq(path, ((const char *const *)context)[listed]);
    listed++;
    return true;
}

static void append_raw(const char *path, const char *text)
{
    FILE *f = fopen(path, "ab");
    ck_assert_ptr_nonnull(f);
    (void)fputs(text, f);
    (void)fclose(f);
}

START_TEST(a_torn_line_of_the_manifest_is_dropped_and_mended)
{
    static const char *const paths[] = {"a.jpg", " b", "c\nd", "e\\f"};
    struct root root = ROOT_INIT;
    struct manifest_lines lines = {0};
    struct hash_digest of_x = hash_of("x", 1);
    bool present;
    ck_assert(root_open(&root, files_system(), "session", true, true, NULL));
    for (size_t i = 0; i < 4; i++)
        manifest_line(&lines, paths[i], &of_x);
    ck_assert(manifest_write(&root, &lines, NULL));
    append_raw("session/.chaffinch/manifest.txt", "0123456789abcdef0123456789abcdef  torn");
    append_raw("session/.chaffinch/manifest.nul", "0123");
    for (int i = 0; i < 2; i++) {
        listed = 0;
        ck_assert(manifest_read(&root, note_line, (void *)(uintptr_t)paths, &present, NULL));
        ck_assert(present);
        ck_assert_int_eq(listed, 4);
        ck_assert(manifest_mend(&root, NULL));
    }
    manifest_line(&lines, "g", &of_x);
    ck_assert(manifest_write(&root, &lines, NULL));
    struct err err = ERR_INIT;
    append_raw("session/.chaffinch/manifest.txt", "not a line\n");
    static const char *const more[] = {"a.jpg", " b", "g"};
    listed = 0;
    ck_assert(!manifest_read(&root, note_line, (void *)(uintptr_t)more, &present, &err));
    ck_assert_int_eq(err.code, ERR_DAMAGED);
    ck_assert_ptr_nonnull(strstr(err.message, "record 4"));
    manifest_lines_release(&lines);
    root_close(&root);
}
END_TEST

/* --- the verdict --- */

START_TEST(the_verdict_counts_kinds_and_disks)
{
    struct card_report r = CARD_REPORT_INIT;
    struct str s = STR_INIT;
    r.verified[CARD_PICTURE] = 3212;
    r.verified[CARD_CLIP] = 14;
    r.verified[CARD_OTHER] = 2;
    r.card_seen = true;
    card_verdict(&r, &s);
    ck_assert_str_eq(s.bytes,
                     "3,212 pictures, 14 clips, 2 other files verified on 1 disk: keep the card until a "
                     "second copy exists");
    str_clear(&s);
    r.disks = 2;
    card_verdict(&r, &s);
    ck_assert_str_eq(s.bytes,
                     "3,212 pictures, 14 clips, 2 other files verified on 2 different disks: the card may "
                     "be formatted");
    ck_assert_int_eq(card_exit_status(&r, NULL), 0);
    str_clear(&s);
    r.n_trouble = 1;
    r.one_is_enough = true;
    card_verdict(&r, &s);
    ck_assert_ptr_null(strstr(s.bytes, "formatted"));
    ck_assert_int_eq(card_exit_status(&r, NULL), 1);
    str_clear(&s);
    r.n_trouble = 0;
    r.interrupted = true;
    card_verdict(&r, &s);
    ck_assert_ptr_null(strstr(s.bytes, "formatted"));
    ck_assert_int_eq(card_exit_status(&r, NULL), 4);
    str_release(&s);
}
END_TEST

static Suite *parts_suite(void)
{
    Suite *suite = suite_create("card parts");
    TCase *c = tcase_create("parts");
    tcase_add_checked_fixture(c, tree_setup, tree_teardown);
    tcase_add_test(c, names_get_a_suffix_before_the_first_dot);
    tcase_add_test(c, a_name_of_full_length_still_gets_a_suffix);
    tcase_add_test(c, the_view_of_a_card_refuses_everything_that_writes);
    tcase_add_test(c, a_torn_line_of_the_manifest_is_dropped_and_mended);
    tcase_add_test(c, the_verdict_counts_kinds_and_disks);
    suite_add_tcase(suite, c);
    return suite;
}

int main(void)
{
    SRunner *runner = srunner_create(parts_suite());
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
