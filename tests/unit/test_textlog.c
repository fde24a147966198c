/* Text logs: any bytes in fields, torn last lines at every length, changed bytes found. */
#include <check.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "chaffinch/textlog.h"

static char folder[64];
static struct root root;

/* Whether the disk really has it is not asked here, and thousands of syncs would take minutes. */
static int no_fsync(void *context, int fd)
{
    (void)context;
    (void)fd;
    return 0;
}

static void setup(void)
{
    static struct files table;
    struct err err = ERR_INIT;
    table = *files_system();
    table.fsync = no_fsync;
    strcpy(folder, "/tmp/chaffinch-log-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(folder));
    ck_assert(root_open(&root, &table, folder, false, true, &err));
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

/* In place: a file that is emptied first is flushed by some file systems when it is closed. */
static void write_bytes(const char *bytes, size_t size)
{
    int fd = openat(root.state, "x.log", O_RDWR | O_CREAT, 0666);
    ck_assert_int_ge(fd, 0);
    ck_assert_int_eq(pwrite(fd, bytes, size, 0), (ssize_t)size);
    ck_assert_int_eq(ftruncate(fd, (off_t)size), 0);
    (void)close(fd);
}

static size_t read_bytes(char *bytes, size_t room)
{
    int fd = openat(root.state, "x.log", O_RDONLY);
    ck_assert_int_ge(fd, 0);
    ssize_t n = read(fd, bytes, room);
    ck_assert_int_ge(n, 0);
    (void)close(fd);
    return (size_t)n;
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
    /* One empty field is a record; none is not, and neither are more than a reader takes. */
    const char *const many[17] = {"", "", "", "", "", "", "", "", "", "", "", "", "", "", "", "", ""};
    ck_assert(textlog_append(&root, "x.log", many, 1, &err));
    ck_assert(textlog_append(&root, "x.log", many, 16, &err));
    ck_assert(!textlog_append(&root, "x.log", many, 0, NULL));
    ck_assert(!textlog_append(&root, "x.log", many, 17, NULL));
    l = (struct lines){0};
    ck_assert(textlog_read(&root, "x.log", note, &l, NULL, &err));
    ck_assert_int_eq(l.n, 4);
    ck_assert_uint_eq(l.fields, 16);
}
END_TEST

/* The checksum of one known line: xxhsum 0.8.1 -H3 of the bytes "swallow\tkeep" prints it. */
START_TEST(the_checksum_is_that_of_xxhsum)
{
    struct err err = ERR_INIT;
    char bytes[512];
    const char *const fields[] = {"swallow", "keep"};
    ck_assert(textlog_append(&root, "x.log", fields, 2, &err));
    bytes[read_bytes(bytes, sizeof bytes - 1)] = '\0';
    ck_assert_str_eq(bytes, "swallow\tkeep\tbcac97eb40294396\n");
}
END_TEST

START_TEST(a_torn_last_line_is_dropped_and_writing_goes_on)
{
    struct err err = ERR_INIT;
    char bytes[512], closed[512];
    ck_assert(textlog_append(&root, "x.log", record, 3, &err));
    size_t one = read_bytes(bytes, sizeof bytes);
    ck_assert(textlog_append(&root, "x.log", record, 3, &err));
    size_t two = read_bytes(bytes, sizeof bytes);
    for (size_t cut = 1; cut < two; cut++) {
        int whole = cut >= one;
        struct lines l = {0};
        bool torn = false;
        write_bytes(bytes, cut);
        ck_assert_msg(textlog_read(&root, "x.log", note, &l, &torn, &err), "cut at %zu: %s", cut,
                      err.message);
        ck_assert_int_eq(l.n, whole);
        ck_assert_int_eq(torn, cut != one);
        /* The append after it may be torn as well, in the middle of the mark too. */
        ck_assert(textlog_append(&root, "x.log", record, 3, &err));
        size_t size = read_bytes(closed, sizeof closed);
        for (size_t again = cut; again <= size; again++) {
            l = (struct lines){0};
            write_bytes(closed, again);
            ck_assert_msg(textlog_append(&root, "x.log", record, 3, &err), "%s", err.message);
            ck_assert_msg(textlog_read(&root, "x.log", note, &l, &torn, &err), "cut at %zu and %zu: %s", cut,
                          again, err.message);
            ck_assert_msg(l.n == whole + 1 + (again == size), "cut at %zu and %zu: %d records", cut, again,
                          l.n);
        }
    }
}
END_TEST

/* What a power cut leaves of an append that was not synced: sectors as they should be, zeroes, or noise. */
START_TEST(noise_at_the_end_is_dropped_and_writing_goes_on)
{
    char bytes[4096];
    for (int i = 0; i < 3; i++)
        ck_assert(textlog_append(&root, "x.log", record, 3, NULL));
    size_t size = read_bytes(bytes, sizeof bytes), line = size / 3;
    uint32_t x = 2463534242u; /* xorshift32: Marsaglia 2003 */
    for (int round = 0; round < 300; round++) {
        struct err err = ERR_INIT;
        struct lines l = {0};
        bool torn = false;
        size_t from = line + line * (size_t)(round % 2);
        for (size_t i = from; i < size; i++) {
            x ^= x << 13, x ^= x >> 17, x ^= x << 5;
            bytes[i] = (char)(i % 40 == 39 ? '\n' : (char)x);
        }
        write_bytes(bytes, size - (size_t)(round % 5));
        ck_assert_msg(textlog_read(&root, "x.log", note, &l, &torn, &err), "round %d: %s", round,
                      err.message);
        ck_assert_int_eq(l.n, 1 + round % 2);
        ck_assert(torn);
        for (int again = 1; again < 3; again++) {
            ck_assert(textlog_append(&root, "x.log", record, 3, &err));
            l = (struct lines){0};
            ck_assert_msg(textlog_read(&root, "x.log", note, &l, &torn, &err), "round %d: %s", round,
                          err.message);
            ck_assert_int_eq(l.n, 1 + round % 2 + again);
        }
        /* The mark and what follows it may be lost too. */
        char more[4096];
        size_t longer = read_bytes(more, sizeof more);
        for (size_t cut = size; cut < longer; cut += 7) {
            write_bytes(more, cut);
            l = (struct lines){0};
            ck_assert_msg(textlog_read(&root, "x.log", note, &l, &torn, &err), "round %d: %s", round,
                          err.message);
            ck_assert_int_ge(l.n, 1 + round % 2);
        }
        memcpy(bytes + line, bytes, line);
    }
}
END_TEST

START_TEST(every_changed_bit_is_found)
{
    struct err err = ERR_INIT;
    char bytes[512];
    for (int i = 0; i < 3; i++)
        ck_assert(textlog_append(&root, "x.log", record, 3, &err));
    size_t size = read_bytes(bytes, sizeof bytes), line = size / 3;
    for (size_t bit = 0; bit < size * 8; bit++) {
        struct lines l = {0};
        char place[32];
        (void)snprintf(place, sizeof place, "line %zu of ", bit / 8 / line + 1);
        bytes[bit / 8] = (char)(bytes[bit / 8] ^ (1 << bit % 8));
        write_bytes(bytes, size);
        err = (struct err)ERR_INIT;
        ck_assert_msg(!textlog_read(&root, "x.log", note, &l, NULL, &err), "bit %zu", bit);
        ck_assert_int_eq(err_exit_status(&err), 5);
        ck_assert_msg(strncmp(err.message, place, strlen(place)) == 0, "bit %zu: %s", bit, err.message);
        ck_assert_int_eq(l.n, (int)(bit / 8 / line));
        bytes[bit / 8] = (char)(bytes[bit / 8] ^ (1 << bit % 8));
    }
    /* A file system that lost the last block may hand back zeroes: a torn line like any other. */
    memset(bytes + 2 * line + 5, 0, line - 5);
    write_bytes(bytes, size);
    struct lines l = {0};
    bool torn = false;
    ck_assert_msg(textlog_read(&root, "x.log", note, &l, &torn, &err), "%s", err.message);
    ck_assert(torn && l.n == 2);
}
END_TEST

static const char *const odd_firsts[] = {"\t", "\\cut", "\\void\t3", "\\+", "\x01", "\r\n"};

START_TEST(a_first_field_may_begin_with_anything)
{
    for (size_t i = 0; i < sizeof odd_firsts / sizeof odd_firsts[0]; i++) {
        struct err err = ERR_INIT;
        struct lines l = {0};
        bool torn = true;
        const char *const fields[] = {odd_firsts[i], "keep"};
        write_bytes("", 0);
        ck_assert(textlog_append(&root, "x.log", fields, 2, &err));
        ck_assert(textlog_append(&root, "x.log", fields, 2, &err));
        ck_assert_msg(textlog_read(&root, "x.log", note, &l, &torn, &err), "%s", err.message);
        ck_assert_msg(l.n == 2 && !torn, "first field %zu: %d records", i, l.n);
        ck_assert_str_eq(l.last[0], odd_firsts[i]);
    }
}
END_TEST

/* One append of n records. */
static void append_together(int n)
{
    struct err err = ERR_INIT;
    struct textlog *log = textlog_open(&root, "x.log", &err);
    ck_assert_ptr_nonnull(log);
    for (int i = 0; i < n; i++)
        ck_assert(textlog_write(log, record, 3, &err));
    ck_assert(textlog_close(log, &err));
}

/*
 * A power cut spoils any stretch of an append of many records and leaves what stands behind it whole. The
 * append counts up to there, everything before it is kept, and writing goes on. With a later append behind
 * it, the same stretch was synced once: it is damage, and is told.
 */
START_TEST(noise_within_an_append_is_told_from_damage)
{
    enum { BEFORE = 2, TOGETHER = 12 };
    char bytes[4096], spoiled[4096];
    uint32_t x = 2463534242u; /* xorshift32: Marsaglia 2003 */
    for (int i = 0; i < BEFORE; i++)
        ck_assert(textlog_append(&root, "x.log", record, 3, NULL));
    size_t start = read_bytes(bytes, sizeof bytes), line = start / BEFORE;
    append_together(TOGETHER);
    size_t end = read_bytes(bytes, sizeof bytes), rest = (end - start - line) / (TOGETHER - 1);
    for (size_t from = start; from < end; from += 13) {
        struct err err = ERR_INIT;
        struct lines l = {0};
        bool torn = false;
        /* Whole records, if any: how many end before the noise. */
        int kept = BEFORE + (from < start + line ? 0 : 1 + (int)((from - start - line) / rest));
        size_t to = from + 100 < end ? from + 100 : end;
        memcpy(spoiled, bytes, end);
        for (size_t i = from; i < to; i++) {
            x ^= x << 13, x ^= x >> 17, x ^= x << 5;
            spoiled[i] = (char)(i % 40 == 39 ? '\n' : (char)x);
        }
        write_bytes(spoiled, end);
        ck_assert_msg(textlog_read(&root, "x.log", note, &l, &torn, &err), "at %zu: %s", from, err.message);
        ck_assert_msg(l.n == kept && torn, "at %zu: %d of %d records", from, l.n, kept);
        append_together(3);
        l = (struct lines){0};
        ck_assert_msg(textlog_read(&root, "x.log", note, &l, &torn, &err), "at %zu: %s", from, err.message);
        ck_assert_msg(l.n == kept + 3 && torn, "at %zu, written on: %d of %d records", from, l.n, kept + 3);
        /* As it was, with an append behind it; then spoiled. */
        write_bytes(bytes, end);
        ck_assert(textlog_append(&root, "x.log", record, 3, &err));
        size_t longer = read_bytes(spoiled, sizeof spoiled);
        for (size_t i = from; i < to; i++)
            spoiled[i] = (char)(spoiled[i] ^ 0x55);
        write_bytes(spoiled, longer);
        ck_assert_msg(!textlog_read(&root, "x.log", note, &l, &torn, &err), "at %zu", from);
        ck_assert_int_eq(err_exit_status(&err), 5);
    }
}
END_TEST

START_TEST(a_changed_bit_in_an_append_of_many_is_found)
{
    char bytes[512];
    append_together(4);
    size_t size = read_bytes(bytes, sizeof bytes);
    for (size_t bit = 0; bit < size * 8; bit++) {
        struct err err = ERR_INIT;
        struct lines l = {0};
        bytes[bit / 8] = (char)(bytes[bit / 8] ^ (1 << bit % 8));
        write_bytes(bytes, size);
        ck_assert_msg(!textlog_read(&root, "x.log", note, &l, NULL, &err), "bit %zu", bit);
        ck_assert_int_eq(err_exit_status(&err), 5);
        bytes[bit / 8] = (char)(bytes[bit / 8] ^ (1 << bit % 8));
    }
}
END_TEST

static bool refuse(void *context, char *const *fields, size_t n, struct err *err)
{
    (void)context;
    (void)n;
    return err_set(err, ERR_USAGE, "'%s' is not wanted", fields[1]);
}

START_TEST(a_visitor_can_stop)
{
    struct err err = ERR_INIT;
    ck_assert(textlog_append(&root, "x.log", record, 3, &err));
    ck_assert(!textlog_read(&root, "x.log", refuse, NULL, NULL, &err));
    ck_assert_int_eq(err.code, ERR_USAGE);
}
END_TEST

static int failing_fsync(void *context, int fd)
{
    (void)context;
    (void)fd;
    errno = ENOSPC;
    return -1;
}

static size_t bytes_left;
static ssize_t full_disk(void *context, int fd, const void *bytes, size_t size)
{
    (void)context;
    if (bytes_left == 0) {
        errno = ENOSPC;
        return -1;
    }
    size_t n = size < bytes_left ? size : bytes_left;
    bytes_left -= n;
    return write(fd, bytes, n);
}

START_TEST(a_log_that_cannot_be_synced_says_so)
{
    struct err err = ERR_INIT;
    struct files broken = *root.fs;
    struct root other = root;
    broken.fsync = failing_fsync;
    other.fs = &broken;
    ck_assert(!textlog_append(&other, "x.log", record, 3, &err));
    ck_assert_int_eq(err.code, ERR_NO_SPACE);
    /* The same handle is not trusted again, even if the disk has recovered. */
    struct textlog *log = textlog_open(&other, "x.log", &err);
    ck_assert_ptr_nonnull(log);
    ck_assert(textlog_write(log, record, 3, &err) && !textlog_sync(log, &err));
    broken.fsync = no_fsync;
    ck_assert(textlog_write(log, record, 3, &err) && !textlog_sync(log, &err));
    ck_assert_ptr_nonnull(strstr(err.message, "could not be written"));
    ck_assert(!textlog_close(log, &err));
}
END_TEST

START_TEST(a_full_disk_leaves_whole_records)
{
    struct files full = *root.fs;
    struct root other = root;
    char bytes[512];
    full.write = full_disk;
    other.fs = &full;
    ck_assert(textlog_append(&root, "x.log", record, 3, NULL));
    size_t one = read_bytes(bytes, sizeof bytes);
    for (size_t room = 0; room < 2 * one; room++) {
        struct err err = ERR_INIT;
        struct lines l = {0};
        write_bytes(bytes, one);
        bytes_left = room;
        struct textlog *log = textlog_open(&other, "x.log", &err);
        ck_assert_msg(log != NULL, "%s", err.message);
        ck_assert(textlog_write(log, record, 3, &err) && textlog_write(log, record, 3, &err));
        ck_assert(!textlog_close(log, &err));
        ck_assert_int_eq(err.code, ERR_NO_SPACE);
        ck_assert(textlog_read(&root, "x.log", note, &l, NULL, &err));
        ck_assert_int_eq(l.n, room < one ? 1 : 2);
        ck_assert(textlog_append(&root, "x.log", record, 3, &err));
        l = (struct lines){0};
        ck_assert(textlog_read(&root, "x.log", note, &l, NULL, &err));
        ck_assert_int_eq(l.n, room < one ? 2 : 3);
    }
}
END_TEST

START_TEST(what_is_discarded_is_not_written)
{
    struct err err = ERR_INIT;
    struct lines l = {0};
    struct textlog *log = textlog_open(&root, "runs/0001.log", &err);
    ck_assert_ptr_nonnull(log);
    ck_assert(textlog_write(log, record, 3, &err) && textlog_sync(log, &err));
    ck_assert(textlog_write(log, record, 3, &err));
    textlog_discard(log);
    ck_assert(textlog_read(&root, "runs/0001.log", note, &l, NULL, &err));
    ck_assert_int_eq(l.n, 1);
    ck_assert(textlog_close(NULL, &err));
    textlog_discard(NULL);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("textlog");
    TCase *tc = tcase_create("textlog");
    tcase_add_checked_fixture(tc, setup, teardown);
    tcase_add_test(tc, any_bytes_come_back);
    tcase_add_test(tc, a_torn_last_line_is_dropped_and_writing_goes_on);
    tcase_add_test(tc, the_checksum_is_that_of_xxhsum);
    tcase_add_test(tc, noise_at_the_end_is_dropped_and_writing_goes_on);
    tcase_add_test(tc, every_changed_bit_is_found);
    tcase_add_test(tc, a_first_field_may_begin_with_anything);
    tcase_add_test(tc, noise_within_an_append_is_told_from_damage);
    tcase_add_test(tc, a_changed_bit_in_an_append_of_many_is_found);
    tcase_add_test(tc, a_visitor_can_stop);
    tcase_add_test(tc, a_log_that_cannot_be_synced_says_so);
    tcase_add_test(tc, a_full_disk_leaves_whole_records);
    tcase_add_test(tc, what_is_discarded_is_not_written);
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
