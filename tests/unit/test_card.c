/* Copy and check: what lands where, under which name, and what is said about it. */
#include "card_tree.h"

static void expect_same(const char *a, const char *b)
{
    ck_assert_msg(tree_same(a, b), "'%s' and '%s' differ", a, b);
}

static bool troubled(const struct tree_run *run, const char *path)
{
    for (size_t i = 0; i < run->report.n_trouble; i++)
        if (strcmp(run->report.trouble[i].path, path) == 0)
            return true;
    return false;
}

/* --- copying --- */

static void make_card(const char *card)
{
    static const struct {
        const char *path;
        size_t size;
        long seconds;
    } files[] = {
        {"DCIM/100DEMO/DSC_0001.JPG", 3 << 20, 0},
        {"DCIM/100DEMO/DSC_0001.NEF", 100001, 2},
        {"DCIM/100DEMO/DSC_0002.JPG", 65536, 4},
        {"PRIVATE/M4ROOT/C0001.MP4", 1 << 20, 6},
        {"empty.dat", 0, -900000000},
        {"-dash", 1, 0},
        {"new\nline", 2, 0},
        {"\xff\xfe.jpg", 3, 0},
    };
    char path[TREE_PATH];
    for (size_t i = 0; i < sizeof files / sizeof files[0]; i++) {
        (void)snprintf(path, sizeof path, "%s/%s", card, files[i].path);
        tree_file(path, files[i].size, (unsigned)i + 1, files[i].seconds);
    }
}

START_TEST(every_regular_file_arrives_with_its_time)
{
    struct tree_run run = TREE_RUN("card/");
    make_card("card");
    ck_assert_int_eq(chmod("card/DCIM/100DEMO/DSC_0002.JPG", 0444), 0);
    ck_assert_int_eq(tree_copy(&run), 0);
    expect_same("card/DCIM/100DEMO/DSC_0001.JPG", "session/DCIM/100DEMO/DSC_0001.JPG");
    expect_same("card/PRIVATE/M4ROOT/C0001.MP4", "session/PRIVATE/M4ROOT/C0001.MP4");
    expect_same("card/empty.dat", "session/empty.dat");
    expect_same("card/new\nline", "session/new\nline");
    expect_same("card/\xff\xfe.jpg", "session/\xff\xfe.jpg");
    ck_assert_uint_eq(tree_count("session"), 8);
    ck_assert_uint_eq(tree_count("card"), 8);
    struct stat st;
    ck_assert_int_eq(stat("session/DCIM/100DEMO/DSC_0002.JPG", &st), 0);
    ck_assert_uint_eq(st.st_mode & 0222, 0); /* the camera's protection mark */
    ck_assert_str_eq(tree_verdict(&run),
                     "4 pictures, 1 clip, 3 other files verified on 1 disk: keep the card until "
                     "a second copy exists");
    ck_assert_uint_eq(run.report.copied, 8);
    run.options.one_is_enough = true;
    ck_assert_int_eq(tree_copy(&run), 0);
    ck_assert_uint_eq(run.report.copied, 0);
    ck_assert_uint_eq(run.report.present, 8);
    ck_assert_str_eq(tree_verdict(&run),
                     "4 pictures, 1 clip, 3 other files verified on 1 disk: the card may be formatted");
    card_report_release(&run.report);
}
END_TEST

START_TEST(what_is_not_a_regular_file_is_named)
{
    struct tree_run run = TREE_RUN("card");
    tree_file("card/a.jpg", 10, 1, 0);
    ck_assert_int_eq(symlink("/etc/passwd", "card/link.jpg"), 0);
    ck_assert_int_eq(symlink("/", "card/DCIM"), 0);
    ck_assert_int_eq(mkfifo("card/pipe.jpg", 0666), 0);
    tree_file("card/rejects/b.jpg", 10, 2, 0);
    ck_assert_int_eq(tree_copy(&run), 1);
    ck_assert_uint_eq(tree_count("session"), 1);
    ck_assert_uint_eq(run.report.n_trouble, 4);
    ck_assert(troubled(&run, "card/link.jpg") && troubled(&run, "card/DCIM") &&
              troubled(&run, "card/pipe.jpg") && troubled(&run, "card/rejects"));
    ck_assert_ptr_nonnull(strstr(tree_verdict(&run), "4 files are not: keep the card"));
    card_report_release(&run.report);
}
END_TEST

START_TEST(a_second_run_copies_only_what_is_missing)
{
    struct tree_run run = TREE_RUN("card");
    make_card("card");
    ck_assert_int_eq(tree_copy(&run), 0);
    ck_assert_int_eq(unlink("session/DCIM/100DEMO/DSC_0001.NEF"), 0);
    tree_file("card/DCIM/100DEMO/DSC_0003.JPG", 70000, 33, 8);
    ck_assert_int_eq(tree_copy(&run), 0);
    ck_assert_uint_eq(run.report.copied, 2);
    ck_assert_uint_eq(run.report.present, 7);
    expect_same("card/DCIM/100DEMO/DSC_0001.NEF", "session/DCIM/100DEMO/DSC_0001.NEF");
    ck_assert_uint_eq(tree_count("session"), 9);
    /* apply keeps the path below rejects/; without a catalogue the folder itself tells */
    ck_assert_int_eq(mkdir("session/rejects", 0777), 0);
    ck_assert_int_eq(rename("session/DCIM", "session/rejects/DCIM"), 0);
    ck_assert_int_eq(tree_copy(&run), 0);
    ck_assert_uint_eq(run.report.copied, 0);
    ck_assert_uint_eq(run.report.moved, 4);
    ck_assert_uint_eq(tree_count("session"), 9);
    card_report_release(&run.report);
}
END_TEST

START_TEST(without_its_log_files_are_known_by_their_bytes)
{
    struct tree_run run = TREE_RUN("card");
    make_card("card");
    ck_assert_int_eq(tree_copy(&run), 0);
    ck_assert_int_eq(unlink("session/.chaffinch/copies.log"), 0);
    ck_assert_int_eq(tree_copy(&run), 0);
    ck_assert_uint_eq(run.report.copied, 0);
    ck_assert_uint_eq(run.report.present, 8);
    /* and without the manifest what lies there is listed again, not doubled */
    ck_assert_int_eq(unlink("session/.chaffinch/copies.log"), 0);
    ck_assert_int_eq(unlink("session/.chaffinch/manifest.txt"), 0);
    ck_assert_int_eq(tree_copy(&run), 0);
    ck_assert_uint_eq(run.report.copied, 0);
    ck_assert_uint_eq(tree_count("session"), 8);
    struct stat st;
    ck_assert_int_eq(stat("session/.chaffinch/manifest.txt", &st), 0);
    ck_assert_int_gt(st.st_size, 7 * 35);
    card_report_release(&run.report);
}
END_TEST

START_TEST(a_changed_copy_withholds_the_verdict)
{
    struct tree_run run = TREE_RUN("card");
    make_card("card");
    ck_assert_int_eq(tree_copy(&run), 0);
    tree_file("session/DCIM/100DEMO/DSC_0002.JPG", 65536, 99, 5000);
    ck_assert_int_eq(tree_copy(&run), 1);
    ck_assert(troubled(&run, "card/DCIM/100DEMO/DSC_0002.JPG"));
    ck_assert_uint_eq(tree_count("session"), 8);
    card_report_release(&run.report);
}
END_TEST

START_TEST(a_reused_card_brings_other_pictures_under_old_names)
{
    struct tree_run run = TREE_RUN("card");
    tree_file("card/D/DSC_0001.JPG", 70000, 1, 0);
    ck_assert_int_eq(tree_copy(&run), 0);
    /* name, size and time as they were: only the first bytes tell */
    tree_file("card/D/DSC_0001.JPG", 70000, 2, 0);
    ck_assert_int_eq(tree_copy(&run), 0);
    ck_assert_uint_eq(run.report.copied, 1);
    expect_same("card/D/DSC_0001.JPG", "session/D/DSC_0001-2.JPG");
    ck_assert_uint_eq(tree_count("session"), 2);
    card_report_release(&run.report);
}
END_TEST

/* --- names that are taken --- */

START_TEST(all_files_of_a_frame_get_the_same_suffix)
{
    struct tree_run a = TREE_RUN("a"), b = TREE_RUN("b");
    tree_file("a/D/DSC_0001.JPG", 5000, 1, 0);
    tree_file("a/D/DSC_0001.NEF", 9000, 2, 0);
    tree_file("b/D/DSC_0001.JPG", 5000, 3, 0);
    tree_file("b/D/DSC_0001.NEF", 9000, 4, 0);
    tree_file("b/D/dsc_0001.XMP", 90, 5, 0);
    tree_file("b/D/DSC_0002.JPG", 5000, 6, 10);
    ck_assert_int_eq(tree_copy(&a), 0);
    ck_assert_int_eq(tree_copy(&b), 0);
    expect_same("a/D/DSC_0001.JPG", "session/D/DSC_0001.JPG");
    expect_same("b/D/DSC_0001.JPG", "session/D/DSC_0001-2.JPG");
    expect_same("b/D/DSC_0001.NEF", "session/D/DSC_0001-2.NEF");
    expect_same("b/D/dsc_0001.XMP", "session/D/dsc_0001-2.XMP");
    expect_same("b/D/DSC_0002.JPG", "session/D/DSC_0002.JPG");
    ck_assert_int_eq(tree_copy(&b), 0);
    ck_assert_uint_eq(b.report.present, 4);
    /* a file that joins its frame later goes where the frame went */
    tree_file("b/D/DSC_0001.WAV", 80, 7, 0);
    ck_assert_int_eq(tree_copy(&b), 0);
    expect_same("b/D/DSC_0001.WAV", "session/D/DSC_0001-2.WAV");
    ck_assert_uint_eq(tree_count("session"), 7);
    card_report_release(&a.report);
    card_report_release(&b.report);
}
END_TEST

START_TEST(a_suffix_never_joins_two_frames_of_one_card)
{
    struct tree_run a = TREE_RUN("a"), b = TREE_RUN("b");
    tree_file("a/D/DSC_0001.JPG", 5000, 1, 0);
    tree_file("b/D/DSC_0001.JPG", 5000, 3, 0);
    tree_file("b/D/DSC_0001-2.NEF", 5000, 4, 900); /* another frame: its name is what the first one gets */
    ck_assert_int_eq(tree_copy(&a), 0);
    ck_assert_int_eq(tree_copy(&b), 0);
    expect_same("b/D/DSC_0001.JPG", "session/D/DSC_0001-2.JPG");
    expect_same("b/D/DSC_0001-2.NEF", "session/D/DSC_0001-2-2.NEF");
    ck_assert_int_eq(tree_copy(&b), 0);
    ck_assert_uint_eq(b.report.present, 2);
    card_report_release(&a.report);
    card_report_release(&b.report);
}
END_TEST

START_TEST(a_lost_picture_comes_back_to_its_sidecar)
{
    struct tree_run run = TREE_RUN("card");
    tree_file("card/D/DSC_0001.JPG", 5000, 1, 0);
    ck_assert_int_eq(tree_copy(&run), 0);
    tree_file("session/D/DSC_0001.xmp", 50, 2, 9000); /* made by other software since */
    ck_assert_int_eq(unlink("session/D/DSC_0001.JPG"), 0);
    ck_assert_int_eq(tree_copy(&run), 0);
    expect_same("card/D/DSC_0001.JPG", "session/D/DSC_0001.JPG");
    ck_assert_uint_eq(tree_count("session"), 2);
    card_report_release(&run.report);
}
END_TEST

START_TEST(a_long_series_of_one_base_name_stays_together)
{
    struct tree_run a = TREE_RUN("a"), b = TREE_RUN("b");
    char path[TREE_PATH];
    for (unsigned i = 0; i < 150; i++) {
        (void)snprintf(path, sizeof path, "a/D/clip.%04u.dng", i);
        tree_file(path, 100, i + 1, 10 * (long)i);
        (void)snprintf(path, sizeof path, "b/D/clip.%04u.dng", i + 70);
        tree_file(path, 100, i + 1000, 10 * (long)i + 90000);
    }
    ck_assert_int_eq(tree_copy(&a), 0);
    ck_assert_int_eq(tree_copy(&b), 0);
    expect_same("a/D/clip.0149.dng", "session/D/clip.0149.dng");
    expect_same("b/D/clip.0070.dng", "session/D/clip-2.0070.dng");
    expect_same("b/D/clip.0219.dng", "session/D/clip-2.0219.dng");
    ck_assert_uint_eq(b.report.verified[CARD_PICTURE], 150);
    card_report_release(&a.report);
    card_report_release(&b.report);
}
END_TEST

START_TEST(the_users_own_file_is_never_replaced)
{
    struct tree_run run = TREE_RUN("card");
    tree_file("session/D/DSC_0001.JPG", 77, 9, 0);
    tree_file("keep.JPG", 77, 9, 0);
    ck_assert_int_eq(mkdir("session/D/DSC_0001-2.NEF", 0777), 0); /* a folder has the next name */
    tree_file("card/D/DSC_0001.JPG", 77, 1, 0);
    tree_file("card/D/DSC_0001.NEF", 78, 2, 0);
    ck_assert_int_eq(tree_copy(&run), 0);
    expect_same("keep.JPG", "session/D/DSC_0001.JPG");
    expect_same("card/D/DSC_0001.JPG", "session/D/DSC_0001-3.JPG");
    expect_same("card/D/DSC_0001.NEF", "session/D/DSC_0001-3.NEF");
    card_report_release(&run.report);
}
END_TEST

START_TEST(a_link_in_the_session_leads_nowhere)
{
    struct tree_run run = TREE_RUN("card");
    ck_assert_int_eq(mkdir("outside", 0777), 0);
    ck_assert_int_eq(mkdir("session", 0777), 0);
    ck_assert_int_eq(symlink("../outside", "session/D"), 0);
    tree_file("card/D/DSC_0001.JPG", 77, 1, 0);
    tree_file("card/E/DSC_0001.JPG", 77, 1, 0);
    ck_assert_int_eq(tree_copy(&run), 1);
    ck_assert(troubled(&run, "card/D/DSC_0001.JPG"));
    ck_assert_uint_eq(tree_count("outside"), 0);
    expect_same("card/E/DSC_0001.JPG", "session/E/DSC_0001.JPG");
    card_report_release(&run.report);
}
END_TEST

/* --- two cards --- */

START_TEST(raw_and_jpeg_from_two_slots_become_one_frame)
{
    struct tree_run run = TREE_RUN("raw", "jpeg");
    tree_file("raw/D/DSC_0001.NEF", 9000, 1, 2);
    tree_file("jpeg/D/DSC_0001.JPG", 5000, 2, 0);
    tree_file("raw/D/DSC_0002.NEF", 9000, 3, 2);
    tree_file("jpeg/D/DSC_0002.JPG", 5000, 4, 100); /* another day's number */
    ck_assert_int_eq(tree_copy(&run), 0);
    expect_same("raw/D/DSC_0001.NEF", "session/D/DSC_0001.NEF");
    expect_same("jpeg/D/DSC_0001.JPG", "session/D/DSC_0001.JPG");
    expect_same("raw/D/DSC_0002.NEF", "session/D/DSC_0002.NEF");
    expect_same("jpeg/D/DSC_0002.JPG", "session/D/DSC_0002-2.JPG");
    ck_assert_int_eq(tree_copy(&run), 0);
    ck_assert_uint_eq(run.report.present, 4);
    card_report_release(&run.report);
}
END_TEST

static enum card_same answer;
static int asked;

static enum card_same same_exposure(void *context, int fd_a, const char *path_a, int fd_b, const char *path_b)
{
    char byte;
    ck_assert_ptr_eq(context, &answer);
    ck_assert_int_eq(read(fd_a, &byte, 1), 1);
    ck_assert_int_eq(read(fd_b, &byte, 1), 1);
    ck_assert_str_eq(path_a, "D/DSC_0001.NEF");
    ck_assert_str_eq(path_b, "D/DSC_0001.JPG");
    asked++;
    return answer;
}

START_TEST(the_pictures_themselves_outvote_the_times)
{
    static const struct {
        enum card_same answer;
        long seconds;
        const char *lands;
    } cases[] = {
        {CARD_SAME_YES, 500, "session/D/DSC_0001.JPG"},
        {CARD_SAME_NO, 0, "session/D/DSC_0001-2.JPG"},
        {CARD_SAME_UNKNOWN, 4, "session/D/DSC_0001.JPG"},
        {CARD_SAME_UNKNOWN, 5, "session/D/DSC_0001-2.JPG"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct tree_run run = TREE_RUN("raw", "jpeg");
        run.options.same_exposure = same_exposure;
        run.options.same_context = &answer;
        answer = cases[i].answer;
        asked = 0;
        tree_file("raw/D/DSC_0001.NEF", 9000, 1, 0);
        tree_file("jpeg/D/DSC_0001.JPG", 5000, 2, cases[i].seconds);
        ck_assert_int_eq(tree_copy(&run), 0);
        ck_assert_int_gt(asked, 0);
        expect_same("jpeg/D/DSC_0001.JPG", cases[i].lands);
        card_report_release(&run.report);
        tree_remove("session");
    }
}
END_TEST

START_TEST(mirrored_bytes_are_stored_once_and_a_bad_mirror_is_kept_too)
{
    struct tree_run run = TREE_RUN("one", "two");
    for (unsigned i = 0; i < 2; i++) {
        tree_file(i == 0 ? "one/D/DSC_0001.JPG" : "two/D/DSC_0001.JPG", 300000, 1, 0);
        tree_file(i == 0 ? "one/D/DSC_0002.JPG" : "two/D/DSC_0002.JPG", 300000, 2, 10);
    }
    /* one byte behind the first 64 KiB: name, size, time and fingerprint agree, the bytes do not */
    int fd = open("two/D/DSC_0002.JPG", O_WRONLY);
    ck_assert_int_eq(pwrite(fd, "?!", 2, 200000), 2);
    const struct timespec times[2] = {{.tv_sec = TREE_TIME + 10}, {.tv_sec = TREE_TIME + 10}};
    ck_assert_int_eq(futimens(fd, times), 0);
    (void)close(fd);
    ck_assert_int_eq(tree_copy(&run), 0);
    ck_assert_uint_eq(run.report.mirrored, 1);
    ck_assert_uint_eq(run.report.copied, 3);
    expect_same("one/D/DSC_0002.JPG", "session/D/DSC_0002.JPG");
    expect_same("two/D/DSC_0002.JPG", "session/D/DSC_0002-2.JPG");
    ck_assert_uint_eq(tree_count("session"), 3);
    ck_assert_int_eq(tree_copy(&run), 0);
    ck_assert_uint_eq(run.report.copied, 0);
    card_report_release(&run.report);
}
END_TEST

/* --- the second copy --- */

START_TEST(a_second_copy_on_the_same_disk_does_not_count)
{
    struct tree_run run = TREE_RUN("card");
    run.options.second = "second";
    make_card("card");
    ck_assert_int_eq(tree_copy(&run), 0);
    expect_same("card/DCIM/100DEMO/DSC_0001.JPG", "second/DCIM/100DEMO/DSC_0001.JPG");
    ck_assert_uint_eq(tree_count("second"), 8);
    ck_assert_uint_eq(run.report.disks, 1);
    /* a first copy without, then with: only the second is written */
    tree_remove("second");
    ck_assert_int_eq(tree_copy(&run), 0);
    ck_assert_uint_eq(run.report.copied, 0);
    ck_assert_uint_eq(tree_count("second"), 8);
    expect_same("card/new\nline", "second/new\nline");
    card_report_release(&run.report);
}
END_TEST

START_TEST(folders_in_one_another_are_refused)
{
    static const struct {
        const char *card, *session, *second;
        enum err_code code;
    } cases[] = {
        {"card", "card/session", NULL, ERR_REFUSED}, {"card", "card", NULL, ERR_REFUSED},
        {"card/D", "card", NULL, ERR_REFUSED},       {"card", "card/D/new", NULL, ERR_REFUSED},
        {"card", "link/x", NULL, ERR_REFUSED},       {"card", "session", "card/second", ERR_REFUSED},
        {"card", "there", "there/in", ERR_REFUSED},  {"card", "there/in", "there", ERR_REFUSED},
        {"none", "session", NULL, ERR_USAGE},        {"card/D/a.jpg", "session", NULL, ERR_USAGE},
        {"there", "session", NULL, ERR_USAGE},
    };
    tree_file("card/D/a.jpg", 5, 1, 0);
    ck_assert_int_eq(mkdir("there", 0777), 0);
    ck_assert_int_eq(symlink("card/D", "link"), 0);
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct err err = ERR_INIT;
        struct card_set *set =
            card_open(files_system(), &cases[i].card, 1, cases[i].session, cases[i].second, &err);
        ck_assert_ptr_null(set);
        ck_assert_msg(err.code == cases[i].code, "case %zu: %s", i, err.message);
    }
    ck_assert_uint_eq(tree_count("card"), 1);
    const char *const twice[] = {"card", "card/D"};
    struct err err = ERR_INIT;
    ck_assert_ptr_null(card_open(files_system(), twice, 2, "session", NULL, &err));
    ck_assert_int_eq(err.code, ERR_USAGE);
}
END_TEST

START_TEST(a_second_folder_inside_a_new_session_is_refused)
{
    struct tree_run run = TREE_RUN("card");
    run.options.second = "session/second";
    tree_file("card/a.jpg", 5, 1, 0);
    ck_assert_int_eq(tree_copy(&run), 3);
    ck_assert(!tree_there("session/second"));
    run.options.second = "session";
    ck_assert_int_eq(tree_copy(&run), 3);
    card_report_release(&run.report);
}
END_TEST

/* --- checking --- */

struct findings {
    char line[16][TREE_PATH];
    size_t n;
};

static void note_finding(void *context, const char *what, const char *path, const char *detail)
{
    struct findings *f = context;
    ck_assert_uint_lt(f->n, 16);
    (void)snprintf(f->line[f->n++], TREE_PATH, "%s|%s|%s", what, path, detail);
}

static bool found(const struct findings *f, const char *line)
{
    for (size_t i = 0; i < f->n; i++)
        if (strcmp(f->line[i], line) == 0)
            return true;
    return false;
}

static int check(const char *card, struct findings *f, struct card_report *report)
{
    struct root root = ROOT_INIT;
    struct card_options options = {0};
    struct err err = ERR_INIT;
    struct card_set *set = card != NULL ? card_open(files_system(), &card, 1, NULL, NULL, &err) : NULL;
    *f = (struct findings){.n = 0};
    card_report_release(report);
    bool ok = root_open(&root, files_system(), "session", false, false, &err) &&
              card_check(&root, NULL, set, &options, note_finding, f, report, &err);
    root_close(&root);
    card_close(set);
    return card_exit_status(report, ok ? NULL : &err);
}

START_TEST(check_finds_what_is_missing_changed_and_moved)
{
    struct tree_run run = TREE_RUN("card");
    struct card_report report = CARD_REPORT_INIT;
    static struct findings f;
    make_card("card");
    ck_assert_int_eq(tree_copy(&run), 0);
    ck_assert_int_eq(check(NULL, &f, &report), 0);
    ck_assert_uint_eq(f.n, 0);
    ck_assert_uint_eq(report.verified[CARD_PICTURE], 4);
    ck_assert_int_eq(check("card", &f, &report), 0);
    /* one flipped byte, size and time as they were */
    int fd = open("session/DCIM/100DEMO/DSC_0001.JPG", O_WRONLY);
    ck_assert_int_eq(pwrite(fd, "?", 1, 2 << 20), 1);
    const struct timespec times[2] = {{.tv_sec = TREE_TIME}, {.tv_sec = TREE_TIME}};
    ck_assert_int_eq(futimens(fd, times), 0);
    (void)close(fd);
    ck_assert_int_eq(unlink("session/PRIVATE/M4ROOT/C0001.MP4"), 0);
    tree_folders("session/rejects/DCIM/100DEMO/x");
    ck_assert_int_eq(rename("session/DCIM/100DEMO/DSC_0002.JPG", "session/rejects/DCIM/100DEMO/DSC_0002.JPG"),
                     0);
    ck_assert_int_eq(check(NULL, &f, &report), 1);
    ck_assert(found(&f, "changed|DCIM/100DEMO/DSC_0001.JPG|"));
    ck_assert(found(&f, "missing|PRIVATE/M4ROOT/C0001.MP4|"));
    ck_assert(found(&f, "moved|DCIM/100DEMO/DSC_0002.JPG|rejects/DCIM/100DEMO/DSC_0002.JPG"));
    ck_assert_uint_eq(f.n, 3);
    tree_file("card/late.jpg", 50, 50, 0);
    ck_assert_int_eq(check("card", &f, &report), 1);
    ck_assert(found(&f, "not copied|card/late.jpg|"));
    ck_assert(found(&f, "not copied|card/DCIM/100DEMO/DSC_0001.JPG|"));
    card_report_release(&report);
    card_report_release(&run.report);
}
END_TEST

START_TEST(check_needs_a_manifest)
{
    struct card_report report = CARD_REPORT_INIT;
    static struct findings f;
    ck_assert_int_eq(mkdir("session", 0777), 0);
    ck_assert_int_eq(check(NULL, &f, &report), 2);
    card_report_release(&report);
}
END_TEST

/* --- with the catalogue --- */

START_TEST(what_apply_moved_or_deleted_is_not_missing)
{
    struct tree_run run = TREE_RUN("card");
    struct root root = ROOT_INIT;
    struct catalogue_frame frame = {.identity = "body 1",
                                    .body = "body",
                                    .folder = "D",
                                    .name = "DSC_0001",
                                    .prefix = "DSC_",
                                    .maker = "",
                                    .model = "",
                                    .serial = "",
                                    .lens = "",
                                    .state = "new",
                                    .cause = "",
                                    .judged_on = ""};
    int64_t id;
    tree_file("card/D/DSC_0001.JPG", 5000, 1, 0);
    tree_file("card/D/DSC_0001.NEF", 6000, 2, 0);
    tree_file("card/D/DSC_0002.JPG", 7000, 3, 0);
    ck_assert_int_eq(tree_copy(&run), 0);
    ck_assert(root_open(&root, files_system(), "session", false, true, NULL));
    struct catalogue *c = catalogue_open(&root, CATALOGUE_WRITE, NULL);
    ck_assert_ptr_nonnull(c);
    const struct catalogue_file files[] = {
        {.path = "moved/a.JPG", .home = "D/DSC_0001.JPG", .kind = "jpeg", .size = 5000},
        {.path = "moved/a.NEF", .home = "D/DSC_0001.NEF", .kind = "raw", .size = 6000, .missing = true},
    };
    ck_assert(catalogue_put_frame(c, &frame, &id, NULL));
    ck_assert(catalogue_put_files(c, id, files, 2, NULL));
    ck_assert_int_eq(mkdir("session/moved", 0777), 0);
    ck_assert_int_eq(rename("session/D/DSC_0001.JPG", "session/moved/a.JPG"), 0);
    ck_assert_int_eq(unlink("session/D/DSC_0001.NEF"), 0);
    ck_assert_int_eq(unlink("session/D/DSC_0002.JPG"), 0);
    run.catalogue = c;
    ck_assert_int_eq(tree_copy(&run), 0);
    ck_assert_uint_eq(run.report.copied, 1);
    ck_assert_uint_eq(run.report.moved, 1);
    ck_assert_uint_eq(run.report.deleted, 1);
    ck_assert(!tree_there("session/D/DSC_0001.JPG") && !tree_there("session/D/DSC_0001.NEF"));
    expect_same("card/D/DSC_0002.JPG", "session/D/DSC_0002.JPG");
    catalogue_close(c);
    root_close(&root);
    card_report_release(&run.report);
}
END_TEST

static bool count_row(void *context, const struct catalogue_copy *copy, struct err *err)
{
    (void)err;
    ck_assert_str_eq(copy->card, "Tuesday");
    ck_assert_uint_eq(strlen(copy->second), 0);
    ++*(int *)context;
    return true;
}

START_TEST(the_index_follows_the_manifest)
{
    struct tree_run run = TREE_RUN("card");
    struct root root = ROOT_INIT;
    int rows = 0;
    make_card("card");
    run.options.label = "Tuesday";
    ck_assert_int_eq(tree_copy(&run), 0); /* without: as if the run had died before the index */
    ck_assert(root_open(&root, files_system(), "session", false, true, NULL));
    run.catalogue = catalogue_open(&root, CATALOGUE_WRITE, NULL);
    ck_assert_ptr_nonnull(run.catalogue);
    for (int i = 0; i < 2; i++) {
        ck_assert_int_eq(tree_copy(&run), 0);
        rows = 0;
        ck_assert(catalogue_each_copy(run.catalogue, count_row, &rows, NULL));
        ck_assert_int_eq(rows, 8);
    }
    catalogue_close(run.catalogue);
    root_close(&root);
    card_report_release(&run.report);
}
END_TEST

static Suite *card_suite(void)
{
    Suite *suite = suite_create("card");
    TCase *c = tcase_create("card");
    tcase_add_checked_fixture(c, tree_setup, tree_teardown);
    tcase_set_timeout(c, 60);
    tcase_add_test(c, every_regular_file_arrives_with_its_time);
    tcase_add_test(c, what_is_not_a_regular_file_is_named);
    tcase_add_test(c, a_second_run_copies_only_what_is_missing);
    tcase_add_test(c, without_its_log_files_are_known_by_their_bytes);
    tcase_add_test(c, a_changed_copy_withholds_the_verdict);
    tcase_add_test(c, a_reused_card_brings_other_pictures_under_old_names);
    tcase_add_test(c, all_files_of_a_frame_get_the_same_suffix);
    tcase_add_test(c, a_suffix_never_joins_two_frames_of_one_card);
    tcase_add_test(c, a_lost_picture_comes_back_to_its_sidecar);
    tcase_add_test(c, a_long_series_of_one_base_name_stays_together);
    tcase_add_test(c, the_users_own_file_is_never_replaced);
    tcase_add_test(c, a_link_in_the_session_leads_nowhere);
    tcase_add_test(c, raw_and_jpeg_from_two_slots_become_one_frame);
    tcase_add_test(c, the_pictures_themselves_outvote_the_times);
    tcase_add_test(c, mirrored_bytes_are_stored_once_and_a_bad_mirror_is_kept_too);
    tcase_add_test(c, a_second_copy_on_the_same_disk_does_not_count);
    tcase_add_test(c, folders_in_one_another_are_refused);
    tcase_add_test(c, a_second_folder_inside_a_new_session_is_refused);
    tcase_add_test(c, check_finds_what_is_missing_changed_and_moved);
    tcase_add_test(c, check_needs_a_manifest);
    tcase_add_test(c, what_apply_moved_or_deleted_is_not_missing);
    tcase_add_test(c, the_index_follows_the_manifest);
    suite_add_tcase(suite, c);
    return suite;
}

int main(void)
{
    SRunner *runner = srunner_create(card_suite());
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
