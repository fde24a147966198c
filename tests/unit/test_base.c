/* The base: messages, strings, hashes, paths that must not lead out, names that are never replaced, locks,
 * options. */
#include <check.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "chaffinch/hash.h"
#include "chaffinch/log.h"
#include "chaffinch/options.h"
#include "chaffinch/publish.h"
#include "chaffinch/root.h"
#include "chaffinch/str.h"

static char folder[64];
static struct root root;

static void setup(void)
{
    struct err err = ERR_INIT;
    strcpy(folder, "/tmp/chaffinch-base-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(folder));
    ck_assert_msg(root_open(&root, files_system(), folder, false, true, &err), "%s", err.message);
}

static void teardown(void)
{
    char command[128];
    root_close(&root);
    (void)snprintf(command, sizeof command, "rm -rf '%s'", folder);
    ck_assert_int_eq(system(command), 0);
}

START_TEST(messages_say_cause_and_subject)
{
    struct err err = ERR_INIT;
    char out[64];
    errno = ENOENT;
    ck_assert(!err_sys(&err, "open", "a\nb'\xff"));
    ck_assert_str_eq(err.message, "cannot open 'a\\x0ab\\x27\\xff': no such file or directory");
    ck_assert_int_eq(err.code, ERR_NOT_FOUND);
    ck_assert_int_eq(err_exit_status(&err), 4);
    err_wrap(&err, "frame 3");
    ck_assert_ptr_nonnull(strstr(err.message, "frame 3: cannot open"));
    ck_assert_str_eq(err_escape(out, sizeof out, "m\xc3\xbchle.jpg"), "m\xc3\xbchle.jpg");
    ck_assert_str_eq(err_escape(out, 12, "a very long name"), "a very l...");
    ck_assert_int_eq(err_exit_status(NULL), 0);
}
END_TEST

/* The shell itself says whether a path in a command that is told to be typed is one word. */
START_TEST(a_path_to_type_is_one_word)
{
    const char *const path[] = {"/m/pond-0611", "/m/Karte \xc3\xa4 2",
                                "it's \"a\" $HOME `b`; \\ (c)&<d>|*?[e]{f}~!#^"};
    char word[200], command[300], back[200];
    for (size_t i = 0; i < sizeof path / sizeof *path; i++) {
        (void)snprintf(command, sizeof command, "printf %%s %s", err_word(word, sizeof word, path[i]));
        FILE *shell = popen(command, "r");
        ck_assert_ptr_nonnull(shell);
        back[fread(back, 1, sizeof back - 1, shell)] = '\0';
        ck_assert_int_eq(pclose(shell), 0);
        ck_assert_str_eq(back, path[i]);
    }
    ck_assert_str_eq(err_word(word, sizeof word, "/m/pond-0611"), "/m/pond-0611");
    ck_assert_str_eq(err_word(word, sizeof word, "a\nb"), "a$'\\x0a'b");
    ck_assert_str_eq(err_word(word, 12, "a very long name"), "a\\ very...");
}
END_TEST

START_TEST(strings_grow_to_their_ceiling)
{
    struct err err = ERR_INIT;
    struct str s = STR_INIT;
    str_append_html(&s, "<a href=\"x\">&'\xff\x01");
    ck_assert_str_eq(s.bytes, "&lt;a href=&quot;x&quot;&gt;&amp;&#39;\xef\xbf\xbd\xef\xbf\xbd");
    str_clear(&s);
    /* RFC 4648 section 10, test vectors. */
    static const char *const vectors[][2] = {
        {"", ""}, {"f", "Zg=="}, {"fo", "Zm8="}, {"foo", "Zm9v"}, {"foobar", "Zm9vYmFy"}};
    for (size_t i = 0; i < 5; i++) {
        str_clear(&s);
        str_append_base64(&s, vectors[i][0], strlen(vectors[i][0]));
        str_append(&s, "");
        ck_assert_str_eq(s.bytes, vectors[i][1]);
    }
    str_release(&s);
    s.limit = 10;
    for (int i = 0; i < 20; i++)
        str_printf(&s, "%d", i);
    ck_assert(!str_ok(&s, &err));
    ck_assert_int_eq(err.code, ERR_NOMEM);
    ck_assert_ptr_null(str_take(&s, &err));
    /* RFC 3629: overlong forms, surrogates and what is beyond U+10FFFF are no UTF-8. */
    static const char *const bad[] = {"\xc0\x80",         "\xe0\x9f\xbf", "\xed\xa0\x80",
                                      "\xf4\x90\x80\x80", "\xc3",         "\x80"};
    for (size_t i = 0; i < 6; i++)
        ck_assert(!str_is_utf8(bad[i], strlen(bad[i])));
    ck_assert(str_is_utf8("\xf0\x9f\x90\xa6 ok", 7));
}
END_TEST

/* Values printed by xxhsum 0.8.1 (Debian 12) -H128. */
START_TEST(hashes_equal_xxhsum)
{
    char text[HASH_TEXT_SIZE], thousand[1000];
    struct err err = ERR_INIT;
    memset(thousand, 'a', sizeof thousand);
    struct hash_digest d = hash_of("", 0), parsed;
    ck_assert_str_eq(hash_text(&d, text), "99aa06d3014798d86001c324468d497f");
    d = hash_of("swallow", 7);
    ck_assert_str_eq(hash_text(&d, text), "f839759cfbe3414e39b7fb8a15cae0c5");
    struct hash *h = hash_new(&err);
    ck_assert_ptr_nonnull(h);
    for (int i = 0; i < 10; i++)
        hash_update(h, thousand, 100);
    hash_digest(h, &d);
    hash_free(h);
    ck_assert_str_eq(hash_text(&d, text), "b01da365eddaa29cb3e7af627147db7c");
    ck_assert(hash_parse(text, &parsed) && hash_equal(&d, &parsed));
    ck_assert(!hash_parse("99aa", &parsed));
    /* Size and first bytes both count. */
    struct hash_digest a = hash_fingerprint(1000, thousand, 1000), b = hash_fingerprint(1001, thousand, 1000);
    ck_assert(!hash_equal(&a, &b));
}
END_TEST

START_TEST(paths_never_lead_out)
{
    struct err err = ERR_INIT;
    const struct files *fs = root.fs;
    static const char *const bad[] = {"../x", "a/../../x", "/etc/passwd", "..", "a/..", ""};
    const char *leaf;
    ck_assert_int_eq(mkdirat(root.fd, "a", 0777), 0);
    for (size_t i = 0; i < 6; i++)
        ck_assert_msg(files_parent(fs, root.fd, bad[i], false, &leaf, &err) < 0, "%s", bad[i]);
    ck_assert_int_eq(symlinkat("/etc", root.fd, "link"), 0);
    ck_assert_int_lt(files_open_path(fs, root.fd, "link/passwd", NULL, &err), 0);
    ck_assert_int_eq(symlinkat("/etc/passwd", root.fd, "a/file"), 0);
    ck_assert_int_lt(files_open_path(fs, root.fd, "a/file", NULL, &err), 0);
    ck_assert_int_eq(err_exit_status(&err), 1);
    ck_assert_int_eq(mkfifoat(root.fd, "pipe", 0666), 0);
    ck_assert_int_lt(files_open_path(fs, root.fd, "pipe", NULL, &err), 0);
    ck_assert_ptr_nonnull(strstr(err.message, "not a regular file"));
}
END_TEST

static int publish_way; /* 0: rename without replacing, 1: link, 2: reserve */
static int picky_renameat2(void *context, int dir, const char *name, int to_dir, const char *to_name,
                           unsigned flags)
{
    if (publish_way >= 1 && flags != 0) {
        errno = EINVAL; /* rename(2): the file system does not support this flag */
        return -1;
    }
    return files_system()->renameat2(context, dir, name, to_dir, to_name, flags);
}

static int picky_linkat(void *context, int dir, const char *name, int to_dir, const char *to_name)
{
    if (publish_way >= 2) {
        errno = EPERM; /* link(2): the file system does not support hard links */
        return -1;
    }
    return files_system()->linkat(context, dir, name, to_dir, to_name);
}

static void put_temp(const struct root *r, const char *text)
{
    struct err err = ERR_INIT;
    int fd = publish_temp(r, "incoming/1", &err);
    ck_assert_msg(fd >= 0, "%s", err.message);
    ck_assert(files_write_full(r->fs, fd, text, strlen(text), "1", &err));
    ck_assert(files_close(r->fs, fd, "1", &err));
}

static void expect(const char *path, const char *text)
{
    struct err err = ERR_INIT;
    char *bytes;
    size_t size;
    ck_assert_msg(files_read_all(root.fs, root.fd, path, 1000, &bytes, &size, &err), "%s", err.message);
    ck_assert_str_eq(bytes, text);
    free(bytes);
}

START_TEST(publishing_never_replaces)
{
    struct err err = ERR_INIT;
    struct files picky = *files_system();
    struct root r = root;
    picky.renameat2 = picky_renameat2;
    picky.linkat = picky_linkat;
    r.fs = &picky;
    for (publish_way = 0; publish_way <= 2; publish_way++) {
        char name[16];
        (void)snprintf(name, sizeof name, "way%d", publish_way);
        put_temp(&r, "first");
        ck_assert_msg(publish_new(&r, "incoming/1", r.fd, name, name, &err), "%s", err.message);
        expect(name, "first");
        put_temp(&r, "second");
        err = (struct err)ERR_INIT;
        ck_assert(!publish_new(&r, "incoming/1", r.fd, name, name, &err));
        ck_assert_int_eq(err.code, ERR_EXISTS);
        expect(name, "first");
        expect(".chaffinch/incoming/1", "second");
        ck_assert_int_ne(faccessat(root.state, "reserved", F_OK, 0), 0);
    }
}
END_TEST

START_TEST(a_reservation_that_a_crash_left_is_taken_back)
{
    struct err err = ERR_INIT;
    ck_assert(publish_replace(&root, "reserved", "x.jpg", 5, &err));
    int fd = openat(root.fd, "x.jpg", O_CREAT | O_WRONLY, 0666);
    (void)close(fd);
    ck_assert(publish_recover(&root, &err));
    ck_assert_int_ne(faccessat(root.fd, "x.jpg", F_OK, 0), 0);
    /* A file that has content is a picture, whatever the note says. */
    ck_assert(publish_replace(&root, "reserved", "y.jpg", 5, &err));
    fd = openat(root.fd, "y.jpg", O_CREAT | O_WRONLY, 0666);
    ck_assert_int_eq(write(fd, "z", 1), 1);
    (void)close(fd);
    ck_assert(publish_recover(&root, &err));
    expect("y.jpg", "z");
}
END_TEST

START_TEST(a_user_file_is_never_replaced)
{
    struct err err = ERR_INIT;
    char path[96];
    (void)snprintf(path, sizeof path, "%s/list.csv", folder);
    ck_assert(publish_user_file(root.fs, path, "a", 1, &err));
    ck_assert(!publish_user_file(root.fs, path, "b", 1, &err));
    ck_assert_int_eq(err_exit_status(&err), 3);
    expect("list.csv", "a");
}
END_TEST

START_TEST(one_run_at_a_time)
{
    struct err err = ERR_INIT;
    struct root other;
    ck_assert(root_lock(&root, &err));
    ck_assert(root_open(&other, files_system(), folder, false, true, &err));
    ck_assert(!root_lock(&other, &err));
    ck_assert_int_eq(err_exit_status(&err), 3);
    root_close(&other);
    ck_assert(!root_open(&other, files_system(), "/tmp/no/such/folder", false, false, &err));
    ck_assert_int_eq(err_exit_status(&err), 2);
}
END_TEST

struct walked {
    char text[512];
};

static bool note_path(void *context, const char *path, const struct stat *st, bool *descend, struct err *err)
{
    struct walked *w = context;
    (void)err;
    size_t used = strlen(w->text);
    *descend = strcmp(path, "skip") != 0;
    (void)snprintf(w->text + used, sizeof w->text - used, "%s%s ", path, S_ISDIR(st->st_mode) ? "/" : "");
    return true;
}

START_TEST(walks_in_byte_order_and_not_through_links)
{
    struct err err = ERR_INIT;
    struct walked w = {""};
    const struct files_walk walk = {.context = &w, .visit = note_path};
    ck_assert(mkdirat(root.fd, "b", 0777) == 0 && mkdirat(root.fd, "skip", 0777) == 0);
    ck_assert_int_eq(symlinkat("b", root.fd, "link"), 0);
    static const char *const names[] = {"b/z", "b/A", "a.jpg", "skip/x", "B.jpg"};
    for (size_t i = 0; i < 5; i++)
        (void)close(openat(root.fd, names[i], O_CREAT | O_WRONLY, 0666));
    ck_assert(files_walk_tree(root.fs, root.fd, &walk, &err));
    ck_assert_str_eq(w.text, ".chaffinch/ B.jpg a.jpg b/ b/A b/z link skip/ ");
}
END_TEST

START_TEST(options_are_checked)
{
    struct err err = ERR_INIT;
    struct options_arguments a;
    bool all = false;
    uint32_t keep = 3;
    int64_t gap = 0, age = 0;
    const char *to = NULL;
    const struct option_spec table[] = {
        {"all", OPTION_FLAG, &all, NULL, "", 0, 0},          {"keep", OPTION_COUNT, &keep, "N", "", 1, 10},
        {"gap", OPTION_SECONDS, &gap, "S", "", 0.001, 60},   {"to", OPTION_TEXT, &to, "DIR", "", 0, 0},
        {"older-than", OPTION_DAYS, &age, "D", "", 0, 1000},
    };
    const struct command_spec spec = {"x y", "A [B]", "p", table, 5, 1, 2};
    char *good[] = {"one", "--all", "--keep", "7",  "--gap=250ms", "--older-than",
                    "90d", "--to",  "-d",     "--", "--two"};
    ck_assert_msg(options_parse(&spec, 11, good, &a, &err), "%s", err.message);
    ck_assert(all && keep == 7 && gap == 250000000 && age == 90 * 86400);
    ck_assert_str_eq(to, "-d");
    ck_assert_uint_eq(a.n, 2);
    ck_assert_str_eq(a.arg[1], "--two");
    static char *const bad[][3] = {{"a", "--keep", "11"},  {"a", "--keep", "x"}, {"a", "--keep", "1.5"},
                                   {"a", "--ke", "3"},     {"a", "--gap", "2h"}, {"a", "--all=1", "b"},
                                   {"a", "b", "c"},        {"a", "-q", "b"},     {"a", "b", "--keep"},
                                   {"a", "--keep", "nan"}, {"a", "--keep", ""}};
    for (size_t i = 0; i < 11; i++) {
        char *argv[3] = {bad[i][0], bad[i][1], bad[i][2]};
        ck_assert_msg(!options_parse(&spec, 3, argv, &a, &err), "case %zu", i);
        ck_assert_int_eq(err_exit_status(&err), 2);
    }
    ck_assert(!options_parse(&spec, 0, NULL, &a, &err));
}
END_TEST

START_TEST(a_one_letter_option_has_one_dash)
{
    struct err err = ERR_INIT;
    struct options_arguments a;
    const char *output = NULL;
    const struct option_spec table[] = {{"output", OPTION_TEXT, &output, "FILE", "", 0, 0},
                                        {"o", OPTION_TEXT, &output, "FILE", "", 0, 0}};
    const struct command_spec spec = {"x y", "A", "p", table, 2, 1, 1};
    char *good[] = {"one", "-o", "page.html"};
    ck_assert_msg(options_parse(&spec, 3, good, &a, &err), "%s", err.message);
    ck_assert_str_eq(output, "page.html");
    static char *const bad[][3] = {
        {"a", "--o", "f"}, {"a", "-output", "f"}, {"a", "b", "-o"}, {"a", "-of", "f"}, {"a", "-o=f", "f"}};
    for (size_t i = 0; i < 5; i++) {
        char *argv[3] = {bad[i][0], bad[i][1], bad[i][2]};
        ck_assert_msg(!options_parse(&spec, 3, argv, &a, &err), "case %zu", i);
    }
}
END_TEST

START_TEST(a_text_may_be_given_again)
{
    struct err err = ERR_INIT;
    struct options_arguments a;
    struct option_texts scale = {.n = 0};
    const struct option_spec table[] = {{"scale", OPTION_TEXTS, &scale, "WORDS", "", 0, 0}};
    const struct command_spec spec = {"x y", "A", "p", table, 1, 1, 1};
    char *good[] = {"--scale", "one", "pond", "--scale=two"};
    ck_assert_msg(options_parse(&spec, 4, good, &a, &err), "%s", err.message);
    ck_assert(scale.n == 2 && a.n == 1);
    ck_assert_str_eq(scale.text[0], "one");
    ck_assert_str_eq(scale.text[1], "two");
    char *many[2 * OPTION_TEXTS_MAX];
    for (size_t i = 0; i < OPTION_TEXTS_MAX; i++) {
        many[2 * i] = "--scale";
        many[2 * i + 1] = "more";
    }
    ck_assert(!options_parse(&spec, 2 * OPTION_TEXTS_MAX, many, &a, &err)); /* two are there already */
    ck_assert_int_eq(err.code, ERR_USAGE);
}
END_TEST

START_TEST(numbers_for_people)
{
    char out[32];
    ck_assert_str_eq(log_count(0, out), "0");
    ck_assert_str_eq(log_count(1234567, out), "1,234,567");
    ck_assert_str_eq(log_bytes(8123456789, out), "8.1 GB");
    ck_assert_str_eq(log_bytes(312000000, out), "312 MB");
    ck_assert_str_eq(log_bytes(999, out), "999 bytes");
    ck_assert_str_eq(log_duration(3900, out), "1 h 5 min");
    ck_assert_str_eq(log_duration(59.6, out), "1 min 0 s");
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("base");
    TCase *tc = tcase_create("base");
    tcase_add_checked_fixture(tc, setup, teardown);
    tcase_add_test(tc, messages_say_cause_and_subject);
    tcase_add_test(tc, a_path_to_type_is_one_word);
    tcase_add_test(tc, strings_grow_to_their_ceiling);
    tcase_add_test(tc, hashes_equal_xxhsum);
    tcase_add_test(tc, paths_never_lead_out);
    tcase_add_test(tc, publishing_never_replaces);
    tcase_add_test(tc, a_reservation_that_a_crash_left_is_taken_back);
    tcase_add_test(tc, a_user_file_is_never_replaced);
    tcase_add_test(tc, one_run_at_a_time);
    tcase_add_test(tc, walks_in_byte_order_and_not_through_links);
    tcase_add_test(tc, options_are_checked);
    tcase_add_test(tc, a_one_letter_option_has_one_dash);
    tcase_add_test(tc, a_text_may_be_given_again);
    tcase_add_test(tc, numbers_for_people);
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
