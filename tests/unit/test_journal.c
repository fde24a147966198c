/*
 * The log of a run, damaged in every field: each becomes nonsense, each record is left out, doubled,
 * shortened and lengthened, with a checksum that fits, so that only the meaning is wrong. It is refused as
 * damaged, or read as a run in which no index leads astray.
 */
#include <check.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "../../src/apply/journal.h"
#include "chaffinch/textlog.h"

enum { RECORDS = 32, FIELDS = 16, NUMBER = 7 };

struct record {
    char *field[FIELDS];
    size_t n;
};

static char folder[64];
static struct root root;
static struct record records[RECORDS];
static size_t n_records;

static int no_fsync(void *context, int fd)
{
    (void)context, (void)fd;
    return 0;
}

static bool keep(void *context, char *const *fields, size_t n, struct err *err)
{
    (void)context, (void)err;
    ck_assert(n_records < RECORDS && n <= FIELDS);
    records[n_records].n = n;
    for (size_t i = 0; i < n; i++)
        records[n_records].field[i] = strdup(fields[i]);
    n_records++;
    return true;
}

static void fill_run(struct run *run)
{
    run_init(run, RUN_MOVE);
    run->number = NUMBER;
    run->time_s = 1777000000;
    ck_assert_uint_eq(run_add_place(run, "", NULL), 0);
    ck_assert_uint_eq(run_add_place(run, "/media/far", NULL), 1);
    ck_assert_uint_eq(run_add_folder(run, 0, "DCIM", NULL), 0);
    ck_assert_uint_eq(run_add_folder(run, 1, "rejects", NULL), 1);
    run->folders[0].restores = true;
    run->folders[1].made = true;
    for (int i = 0; i < 3; i++) {
        const char *name = i == 0 ? "1.JPG" : i == 1 ? "1.xmp" : "2.JPG";
        struct run_file file = {.picture = i != 1,
                                .from_folder = 0,
                                .to_folder = i == 2 ? RUN_NONE : 1,
                                .from_name = name,
                                .to_name = name,
                                .size = 9,
                                .device_place = i == 2 ? RUN_NONE : 0,
                                .inode = 3,
                                .digest = hash_of(name, 5)};
        ck_assert(i == 1 || run_add_frame(run, name, NULL) != NULL);
        ck_assert(run_add_file(run, &file, NULL));
    }
    run_set_batches(run);
}

/* A run with every kind of record. */
static void write_run(void)
{
    struct run run;
    struct err err = ERR_INIT;
    fill_run(&run);
    ck_assert_msg(journal_write_plan(&root, &run, &err), "%s", err.message);
    struct textlog *log = journal_open(&root, NUMBER, &err);
    ck_assert_ptr_nonnull(log);
    ck_assert(journal_reserved(log, &run, &run.files[0], &err) &&
              journal_copied(log, &run, &run.files[0], &err));
    ck_assert(journal_removing(log, &run, &run.frames[0], &err) && journal_resumed(log, &err));
    run.frames[1].state = FRAME_LEFT;
    run.frames[1].cause = "it is held";
    run.files[2].where = WHERE_SOURCE;
    ck_assert(journal_batch(log, &run, 0, &err));
    run.folders[0].has_after = run.folders[1].has_after = true;
    ck_assert(journal_end(log, &run, &err));
    textlog_discard(log);
    run_release(&run);
}

static void setup(void)
{
    static struct files table;
    struct err err = ERR_INIT;
    table = *files_system();
    table.fsync = no_fsync;
    strcpy(folder,
           access("/dev/shm", W_OK) == 0 ? "/dev/shm/chaffinch-run-XXXXXX" : "/tmp/chaffinch-run-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(folder));
    ck_assert(root_open(&root, &table, folder, false, true, &err));
    write_run();
    n_records = 0;
    ck_assert(textlog_read(&root, "runs/0007.log", keep, NULL, NULL, &err));
    ck_assert_uint_ge(n_records, 14);
}

static void teardown(void)
{
    char command[128];
    for (size_t i = 0; i < n_records; i++)
        for (size_t k = 0; k < records[i].n; k++)
            free(records[i].field[k]);
    root_close(&root);
    (void)snprintf(command, sizeof command, "rm -rf '%s'", folder);
    ck_assert_int_eq(system(command), 0);
}

/* ---- damage -------------------------------------------------------------------------------------------- */

struct damage {
    size_t left_out, doubled; /* records; SIZE_MAX = none */
};

static void write_damaged(const struct damage *d)
{
    struct err err = ERR_INIT;
    ck_assert_int_eq(unlinkat(root.state, "runs/0007.log", 0), 0);
    struct textlog *log = textlog_open(&root, "runs/0007.log", &err);
    ck_assert_ptr_nonnull(log);
    for (size_t i = 0; i < n_records; i++)
        for (int times = i == d->left_out ? 0 : i == d->doubled ? 2 : 1; times > 0; times--)
            ck_assert(textlog_write(log, (const char *const *)records[i].field, records[i].n, &err));
    ck_assert(textlog_close(log, &err));
}

static void expect_in_range(const struct run *run)
{
    for (size_t i = 0; i < run->n_folders; i++)
        ck_assert_uint_lt(run->folders[i].place, run->n_places);
    for (size_t i = 0; i < run->n_files; i++) {
        const struct run_file *f = &run->files[i];
        ck_assert(f->from_folder < run->n_folders && f->frame < run->n_frames);
        ck_assert(f->to_folder == RUN_NONE || f->to_folder < run->n_folders);
        ck_assert(f->device_place == RUN_NONE || f->device_place < run->n_places);
    }
    for (size_t i = 0; i < run->n_frames; i++)
        ck_assert(run->frames[i].first + run->frames[i].n <= run->n_files);
    ck_assert(run->batches_done <= run->batches);
}

/* Whether it is read; else it is damaged, and says which file. */
static bool is_read(const struct damage *d)
{
    struct run run;
    struct err err = ERR_INIT;
    write_damaged(d);
    run_init(&run, RUN_UNDO);
    bool ok = journal_read(&root, NUMBER, &run, &err);
    if (ok)
        expect_in_range(&run);
    else
        ck_assert_msg(err.code == ERR_DAMAGED && strstr(err.message, "runs/0007.log") != NULL, "%s",
                      err.message);
    run_release(&run);
    /* Who does not want to know why is not told. */
    run_init(&run, RUN_UNDO);
    ck_assert(journal_read(&root, NUMBER, &run, NULL) == ok);
    run_release(&run);
    return ok;
}

static const struct damage none = {SIZE_MAX, SIZE_MAX};

static bool is_number(const char *text)
{
    char *end;
    (void)strtoll(text, &end, 10);
    return *text != '\0' && *end == '\0';
}

START_TEST(every_field_may_be_nonsense)
{
    static const char *const junk[] = {"", "x", "3x", "-1", "4294967295", "99999999999999999999", "-", "TT"};
    long refused = 0;
    ck_assert(is_read(&none));
    for (size_t i = 0; i < n_records; i++)
        for (size_t k = 0; k < records[i].n; k++)
            for (size_t j = 0; j < sizeof junk / sizeof junk[0]; j++) {
                char *was = records[i].field[k];
                records[i].field[k] = (char *)(uintptr_t)junk[j];
                bool read = is_read(&none);
                records[i].field[k] = was;
                refused += !read;
                /* A path or a name may be anything; a number is one, or
                   "-" for none, and a record is called what it is. */
                bool free_text = k > 0 && (!is_number(was) || strcmp(junk[j], "-") == 0);
                ck_assert_msg(!read || free_text || (k > 0 && is_number(junk[j])),
                              "'%s' as field %zu of '%s' is read", junk[j], k, records[i].field[0]);
            }
    ck_assert_int_gt(refused, 500);
}
END_TEST

/* The frame, the folder, the file of another: what counts on from there does not fit any more. */
START_TEST(records_may_be_lost_or_doubled)
{
    static const char *const vital[] = {"run", "place", "folder", "frame", "file", "planned", "done"};
    for (size_t i = 0; i < n_records; i++) {
        const struct damage lost = {i, SIZE_MAX}, twice = {SIZE_MAX, i};
        bool read_without = is_read(&lost), read_twice = is_read(&twice);
        for (size_t k = 0; k < sizeof vital / sizeof vital[0]; k++) {
            bool is_it = strcmp(records[i].field[0], vital[k]) == 0;
            ck_assert_msg(!is_it || k == 6 || !read_without, "is read without record %zu, '%s'", i, vital[k]);
            ck_assert_msg(!is_it || k == 0 || !read_twice, "is read with record %zu, '%s', twice", i,
                          vital[k]);
        }
    }
}
END_TEST

START_TEST(records_may_be_longer_or_shorter)
{
    for (size_t i = 0; i < n_records; i++) {
        size_t n = records[i].n;
        records[i].n = n - 1;
        if (n > 1)
            ck_assert_msg(!is_read(&none), "record %zu, '%s', is read without its last field", i,
                          records[i].field[0]);
        records[i].n = n + 1;
        records[i].field[n] = (char *)(uintptr_t) "1";
        ck_assert_msg(!is_read(&none), "record %zu, '%s', is read with one field more", i,
                      records[i].field[0]);
        records[i].n = n;
    }
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("journal");
    TCase *tc = tcase_create("journal");
    tcase_add_checked_fixture(tc, setup, teardown);
    tcase_set_timeout(tc, 60);
    tcase_add_test(tc, every_field_may_be_nonsense);
    tcase_add_test(tc, records_may_be_lost_or_doubled);
    tcase_add_test(tc, records_may_be_longer_or_shorter);
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
