/* Text logs: any bytes in fields, torn last lines at every length, changed bytes found. */
#include <check.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "chaffinch/textlog.h"

static char folder[64];
static struct root root;

static void setup(void)
{
    struct err err = ERR_INIT;
    strcpy(folder, "/tmp/chaffinch-log-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(folder));
    ck_assert(root_open(&root, files_system(), folder, false, true, &err));
}

static void teardown(void)
{
    char command[128];
    root_close(&root);
    (void)snprintf(command, sizeof command, "rm -rf '%s'", folder);
    ck_assert_int_eq(system(command), 0);
}

struct lines {
    int n;
    char last[3][64];
    size_t fields;
};

static bool note(void *context, char *const *fields, size_t n, struct err *err)
{
    struct lines *l = context;
    (void)err;
    l->n++;
    l->fields = n;
    for (size_t i = 0; i < n && i < 3; i++)
        (void)snprintf(l->last[i], sizeof l->last[i], "%s", fields[i]);
    return true;
}

static const char *const record[] = {"a\tb\nc\r\\\x01", "", "\xff\xfe plain"};

static void write_bytes(const char *bytes, size_t size)
{
    char path[96];
    (void)snprintf(path, sizeof path, "%s/.chaffinch/x.log", folder);
    FILE *f = fopen(path, "w");
    ck_assert_ptr_nonnull(f);
    ck_assert_uint_eq(fwrite(bytes, 1, size, f), size);
    (void)fclose(f);
}

static size_t read_bytes(char *bytes, size_t room)
{
    char path[96];
    (void)snprintf(path, sizeof path, "%s/.chaffinch/x.log", folder);
    FILE *f = fopen(path, "r");
    ck_assert_ptr_nonnull(f);
    size_t n = fread(bytes, 1, room, f);
    (void)fclose(f);
    return n;
}

START_TEST(any_bytes_come_back)
{
    struct err err = ERR_INIT;
    struct lines l = {0};
    ck_assert(textlog_read(&root, "x.log", note, &l, NULL, &err));
    ck_assert_int_eq(l.n, 0);
    ck_assert(textlog_append(&root, "x.log", record, 3, &err));
    ck_assert(textlog_append(&root, "x.log", record, 3, &err));
    ck_assert(textlog_read(&root, "x.log", note, &l, NULL, &err));
    ck_assert_int_eq(l.n, 2);
    ck_assert_uint_eq(l.fields, 3);
    for (int i = 0; i < 3; i++)
        ck_assert_str_eq(l.last[i], record[i]);
}
END_TEST

START_TEST(a_torn_last_line_is_dropped_and_writing_goes_on)
{
    struct err err = ERR_INIT;
    char bytes[512];
    ck_assert(textlog_append(&root, "x.log", record, 3, &err));
    size_t one = read_bytes(bytes, sizeof bytes);
    ck_assert(textlog_append(&root, "x.log", record, 3, &err));
    size_t two = read_bytes(bytes, sizeof bytes);
    for (size_t cut = one + 1; cut < two; cut++) {
        struct lines l = {0};
        bool torn = false;
        write_bytes(bytes, cut);
        ck_assert_msg(textlog_read(&root, "x.log", note, &l, &torn, &err), "cut at %zu: %s", cut,
                      err.message);
        ck_assert_int_eq(l.n, 1);
        ck_assert(torn);
        ck_assert(textlog_append(&root, "x.log", record, 3, &err));
        l = (struct lines){0};
        ck_assert_msg(textlog_read(&root, "x.log", note, &l, &torn, &err), "cut at %zu: %s", cut,
                      err.message);
        /* Cut just before the newline, the first line turns out whole after all. */
        ck_assert_int_eq(l.n, cut == two - 1 ? 3 : 2);
    }
}
END_TEST

START_TEST(changed_bytes_are_found)
{
    struct err err = ERR_INIT;
    char bytes[512];
    ck_assert(textlog_append(&root, "x.log", record, 3, &err));
    size_t one = read_bytes(bytes, sizeof bytes);
    ck_assert(textlog_append(&root, "x.log", record, 3, &err));
    size_t size = read_bytes(bytes, sizeof bytes);
    for (size_t at = 0; at < one - 18; at++) { /* in the text of the first record */
        struct lines l = {0};
        bytes[at] ^= 1;
        write_bytes(bytes, size);
        bool torn = false, ok = textlog_read(&root, "x.log", note, &l, &torn, &err);
        ck_assert_msg(!ok || torn || l.n < 2, "byte %zu", at);
        if (!ok)
            ck_assert_int_eq(err_exit_status(&err), 5);
        bytes[at] ^= 1;
    }
}
END_TEST

static int failing_fsync(void *context, int fd)
{
    (void)context;
    (void)fd;
    errno = ENOSPC;
    return -1;
}

START_TEST(a_log_that_cannot_be_synced_says_so)
{
    struct err err = ERR_INIT;
    struct files broken = *files_system();
    struct root other = root;
    broken.fsync = failing_fsync;
    other.fs = &broken;
    ck_assert(!textlog_append(&other, "x.log", record, 3, &err));
    ck_assert_int_eq(err.code, ERR_NO_SPACE);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("textlog");
    TCase *tc = tcase_create("textlog");
    tcase_add_checked_fixture(tc, setup, teardown);
    tcase_add_test(tc, any_bytes_come_back);
    tcase_add_test(tc, a_torn_last_line_is_dropped_and_writing_goes_on);
    tcase_add_test(tc, changed_bytes_are_found);
    tcase_add_test(tc, a_log_that_cannot_be_synced_says_so);
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
