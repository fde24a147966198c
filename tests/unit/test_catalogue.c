/* The catalogue: rows in and out, decisions that survive, versions and damage that are refused. */
#include <check.h>
#include <math.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "chaffinch/catalogue.h"
#include "chaffinch/textlog.h"

struct place {
    char path[64];
    struct root root;
};

static void place_open(struct place *p)
{
    struct err err = ERR_INIT;
    ck_assert_msg(root_open(&p->root, files_system(), p->path, false, true, &err), "%s", err.message);
}

static void place_make(struct place *p)
{
    strcpy(p->path, "/tmp/chaffinch-cat-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(p->path));
    place_open(p);
}

static void place_clean(struct place *p)
{
    char command[128];
    root_close(&p->root);
    (void)snprintf(command, sizeof command, "rm -rf '%s'", p->path);
    ck_assert_int_eq(system(command), 0);
}

static struct catalogue *must_open(struct place *p, enum catalogue_access access)
{
    struct err err = ERR_INIT;
    struct catalogue *c = catalogue_open(&p->root, access, &err);
    ck_assert_msg(c != NULL, "%s", err.message);
    return c;
}

static int64_t put(struct catalogue *c, const char *identity, const char *path, int64_t burst,
                   uint32_t position)
{
    struct err err = ERR_INIT;
    int64_t id = 0;
    const struct catalogue_frame frame = {.identity = identity,
                                          .body = "A1",
                                          .folder = "DCIM/100EXMPL",
                                          .name = "DEMO0001",
                                          .prefix = "DEMO",
                                          .number = 1,
                                          .folder_number = 100,
                                          .has_time = true,
                                          .time_ns = 42,
                                          .orientation = 1};
    const struct catalogue_file file = {.path = path,
                                        .kind = "jpeg",
                                        .size = 7,
                                        .mtime_ns = 9,
                                        .has_fingerprint = true,
                                        .fingerprint = {{1, 2, 3}}};
    ck_assert_msg(catalogue_put_frame(c, &frame, &id, &err), "%s", err.message);
    ck_assert_msg(catalogue_put_files(c, id, &file, 1, &err), "%s", err.message);
    ck_assert(catalogue_set_place(c, id, burst, position, 42, &err));
    return id;
}

struct seen {
    int n;
    char path[256], outcome[16], who[32];
    enum catalogue_decision decision, last;
    bool camera, accepted, has_item;
    double blur;
};

static bool see_row(void *context, const struct catalogue_row *row, struct err *err)
{
    struct seen *s = context;
    (void)err;
    s->n++;
    (void)snprintf(s->path, sizeof s->path, "%s", row->path != NULL ? row->path : "");
    (void)snprintf(s->outcome, sizeof s->outcome, "%s", row->outcome);
    s->decision = row->decision;
    s->camera = row->decided_in_camera;
    s->accepted = row->accepted;
    s->has_item = row->has_item;
    s->blur = row->item.blur_px;
    return true;
}

static bool see_history(void *context, const struct catalogue_decided *d, struct err *err)
{
    struct seen *s = context;
    (void)err;
    s->n++;
    s->last = d->decision;
    (void)snprintf(s->who, sizeof s->who, "%s", d->who);
    return true;
}

static struct seen look(struct catalogue *c, int64_t frame)
{
    struct err err = ERR_INIT;
    struct seen s = {0};
    const struct catalogue_filter filter = {.frame = frame};
    ck_assert_msg(catalogue_each_row(c, &filter, see_row, &s, &err), "%s", err.message);
    return s;
}

START_TEST(rows_come_back_as_they_went_in)
{
    struct place p;
    struct err err = ERR_INIT;
    place_make(&p);
    struct catalogue *c = must_open(&p, CATALOGUE_WRITE);
    int64_t id = put(c, "A1 ff", "DCIM/a\n\xff.JPG", 1, 0);
    struct catalogue_item item = {.frame = id, .pass = 2, .blur_px = (double)NAN, .score = 1.5};
    const struct catalogue_choice choice = {
        .frame = id, .pass = 2, .rank = 1, .proposal = "reject", .reason = "soft"};
    ck_assert(catalogue_put_items(c, 1, &item, 1, &err));
    ck_assert(catalogue_put_choice(c, &choice, &err));
    struct seen s = look(c, id);
    ck_assert_int_eq(s.n, 1);
    ck_assert_str_eq(s.path, "DCIM/a\n\xff.JPG");
    ck_assert_str_eq(s.outcome, "reject");
    ck_assert(s.has_item && isnan(s.blur));
    /* The same identity is the same frame, wherever its file went. */
    ck_assert_int_eq(put(c, "A1 ff", "other/name.JPG", 1, 0), id);
    int64_t found = -1;
    ck_assert(catalogue_find_path(c, "other/name.JPG", &found, &err));
    ck_assert_int_eq(found, id);
    ck_assert(catalogue_find_path(c, "DCIM/a\n\xff.JPG", &found, &err));
    ck_assert_int_eq(found, 0);
    ck_assert(catalogue_check(c, &err));
    catalogue_close(c);
    place_clean(&p);
}
END_TEST

START_TEST(a_file_that_changed_belongs_to_the_new_frame)
{
    struct place p;
    place_make(&p);
    struct catalogue *c = must_open(&p, CATALOGUE_WRITE);
    int64_t before = put(c, "A1 aa", "DCIM/x.JPG", 1, 0);
    int64_t after = put(c, "A1 bb", "DCIM/x.JPG", 1, 1);
    ck_assert_int_ne(before, after);
    ck_assert_str_eq(look(c, before).path, "");
    ck_assert_str_eq(look(c, after).path, "DCIM/x.JPG");
    catalogue_close(c);
    place_clean(&p);
}
END_TEST

START_TEST(decisions_win_and_survive_a_lost_catalogue)
{
    struct place p;
    struct err err = ERR_INIT;
    char file[96];
    place_make(&p);
    struct catalogue *c = must_open(&p, CATALOGUE_WRITE);
    int64_t id = put(c, "A1 \xc3\xa4\t1", "a.JPG", 3, 0);
    const struct catalogue_choice choice = {.frame = id, .proposal = "reject", .reason = "soft"};
    ck_assert(catalogue_put_choice(c, &choice, &err));
    ck_assert_msg(catalogue_decide(c, &id, 1, CATALOGUE_REJECT, "ann", &err), "%s", err.message);
    ck_assert(catalogue_decide(c, &id, 1, CATALOGUE_KEEP, "ben", &err));
    ck_assert(catalogue_accept(c, 3, true, "ben", &err));
    ck_assert(catalogue_put_choice(c, &choice, &err)); /* ranking again changes nothing */
    ck_assert_str_eq(look(c, id).outcome, "keep");
    catalogue_close(c);
    (void)snprintf(file, sizeof file, "%s/.chaffinch/catalogue.db", p.path);
    ck_assert_int_eq(unlink(file), 0);

    c = must_open(&p, CATALOGUE_WRITE);
    (void)put(c, "A1 other", "b.JPG", 3, 0);
    id = put(c, "A1 \xc3\xa4\t1", "renamed.JPG", 3, 1);
    struct seen s = look(c, id), history = {0};
    ck_assert_int_eq(s.decision, CATALOGUE_KEEP);
    ck_assert(s.accepted);
    ck_assert(catalogue_history(c, id, see_history, &history, &err));
    ck_assert_int_eq(history.n, 2);
    ck_assert_int_eq(history.last, CATALOGUE_KEEP);
    ck_assert_str_eq(history.who, "ben");
    ck_assert(catalogue_decide(c, &id, 1, CATALOGUE_UNDECIDED, "ben", &err));
    ck_assert_int_eq(look(c, id).decision, CATALOGUE_UNDECIDED);
    catalogue_close(c);
    place_clean(&p);
}
END_TEST

START_TEST(an_unknown_frame_decides_nothing)
{
    struct place p;
    struct err err = ERR_INIT;
    place_make(&p);
    struct catalogue *c = must_open(&p, CATALOGUE_WRITE);
    int64_t id = put(c, "A1 aa", "a.JPG", 1, 0);
    const int64_t frames[] = {id, 999};
    ck_assert(!catalogue_decide(c, frames, 2, CATALOGUE_KEEP, "ann", &err));
    ck_assert_int_eq(err_exit_status(&err), 2);
    ck_assert_int_eq(look(c, id).decision, CATALOGUE_UNDECIDED);
    catalogue_close(c);
    place_clean(&p);
}
END_TEST

START_TEST(marks_made_in_the_camera_count_until_a_person_decides)
{
    struct place p;
    struct err err = ERR_INIT;
    int64_t id = 0;
    place_make(&p);
    struct catalogue *c = must_open(&p, CATALOGUE_WRITE);
    const struct catalogue_frame frame = {.identity = "A1 cc", .body = "A1", .orientation = 1, .rating = 3};
    ck_assert(catalogue_put_frame(c, &frame, &id, &err));
    struct seen s = look(c, id);
    ck_assert(s.camera && s.decision == CATALOGUE_KEEP);
    ck_assert_str_eq(s.outcome, "keep");
    ck_assert(catalogue_decide(c, &id, 1, CATALOGUE_REJECT, "ann", &err));
    s = look(c, id);
    ck_assert(!s.camera);
    ck_assert_str_eq(s.outcome, "reject");
    catalogue_close(c);
    place_clean(&p);
}
END_TEST

static void raw_sql(struct place *p, const char *text)
{
    char file[96];
    sqlite3 *db;
    (void)snprintf(file, sizeof file, "%s/.chaffinch/catalogue.db", p->path);
    ck_assert_int_eq(sqlite3_open(file, &db), SQLITE_OK);
    ck_assert_int_eq(sqlite3_exec(db, text, NULL, NULL, NULL), SQLITE_OK);
    ck_assert_int_eq(sqlite3_close(db), SQLITE_OK);
}

START_TEST(other_versions_and_other_files_are_refused)
{
    struct place p;
    struct err err = ERR_INIT;
    char file[96];
    place_make(&p);
    ck_assert_ptr_null(catalogue_open(&p.root, CATALOGUE_READ, &err));
    ck_assert_int_eq(err_exit_status(&err), 2);
    catalogue_close(must_open(&p, CATALOGUE_WRITE));
    catalogue_close(must_open(&p, CATALOGUE_READ));
    raw_sql(&p, "PRAGMA user_version = 99");
    ck_assert_ptr_null(catalogue_open(&p.root, CATALOGUE_WRITE, &err));
    ck_assert_int_eq(err_exit_status(&err), 3);
    raw_sql(&p, "PRAGMA application_id = 1");
    ck_assert_ptr_null(catalogue_open(&p.root, CATALOGUE_WRITE, &err));
    ck_assert_int_eq(err_exit_status(&err), 5);
    (void)snprintf(file, sizeof file, "%s/.chaffinch/catalogue.db", p.path);
    FILE *f = fopen(file, "w");
    ck_assert_ptr_nonnull(f);
    for (int i = 0; i < 2000; i++)
        (void)fputs("not a database ", f);
    (void)fclose(f);
    ck_assert_ptr_null(catalogue_open(&p.root, CATALOGUE_WRITE, &err));
    ck_assert_int_eq(err_exit_status(&err), 5);
    place_clean(&p);
}
END_TEST

START_TEST(moves_are_followed)
{
    struct place p;
    struct err err = ERR_INIT;
    struct catalogue_counts n;
    place_make(&p);
    struct catalogue *c = must_open(&p, CATALOGUE_WRITE);
    int64_t id = put(c, "A1 aa", "a.JPG", 1, 0), found = 0;
    ck_assert(catalogue_set_file_path(c, 1, "rejects/a.JPG", "a.JPG", &err));
    ck_assert(catalogue_find_path(c, "a.JPG", &found, &err));
    ck_assert_int_eq(found, id);
    ck_assert_str_eq(look(c, id).path, "rejects/a.JPG");
    /* What apply moved is not forgotten when the walk no longer sees it. */
    ck_assert(catalogue_put_files(c, id, NULL, 0, &err));
    ck_assert_str_eq(look(c, id).path, "rejects/a.JPG");
    ck_assert(catalogue_forget_file(c, 1, &err));
    ck_assert(catalogue_count(c, &n, &err));
    ck_assert_uint_eq(n.frames, 0);
    ck_assert_uint_eq(n.missing, 1);
    catalogue_close(c);
    place_clean(&p);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("catalogue");
    TCase *tc = tcase_create("catalogue");
    tcase_add_test(tc, rows_come_back_as_they_went_in);
    tcase_add_test(tc, a_file_that_changed_belongs_to_the_new_frame);
    tcase_add_test(tc, decisions_win_and_survive_a_lost_catalogue);
    tcase_add_test(tc, an_unknown_frame_decides_nothing);
    tcase_add_test(tc, marks_made_in_the_camera_count_until_a_person_decides);
    tcase_add_test(tc, other_versions_and_other_files_are_refused);
    tcase_add_test(tc, moves_are_followed);
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
