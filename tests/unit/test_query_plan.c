/*
 * What is asked again and again while a person looks must not grow with the session: the statements that one
 * burst, one frame, one choice need are looked up by an index, and the line of hours is read in the order of
 * one. The plans are SQLite's own words (EXPLAIN QUERY PLAN, sqlite.org/eqp.html).
 */
#include <check.h>
#include <stdlib.h>

#include "../../src/catalogue/sql.h"
#include "ranked_session.h"

enum { BURSTS = 12, PER_BURST = 20 };

static char folder[64];
static struct session *s;
static size_t opening; /* statements that opening took: once a session, whatever they cost */

static void setup(void)
{
    struct err err = ERR_INIT;
    (void)snprintf(folder, sizeof folder, "/tmp/chaffinch-plan-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(folder));
    s = session_open(files_system(), folder, SESSION_CREATE, NULL, NULL, &err);
    ck_assert_msg(s != NULL && ranked_fill(s, BURSTS, PER_BURST, &err), "%s", err.message);
    /* A connection that has prepared nothing else yet. */
    session_close(s);
    s = session_open(files_system(), folder, SESSION_CREATE, NULL, NULL, &err);
    ck_assert_ptr_nonnull(s);
    opening = s->catalogue->n_cached;
}

static void teardown(void)
{
    char command[96];
    session_close(s);
    (void)snprintf(command, sizeof command, "rm -rf '%s'", folder);
    ck_assert_int_eq(system(command), 0);
}

static bool is_word(const char *text, const char *word)
{
    size_t n = strlen(word);
    return strncmp(text, word, n) == 0 && (text[n] == '\0' || text[n] == ' ');
}

/* "SCAN x": every row. With an index it is read in that order, which is good where every row is wanted. */
static bool reads_all(const char *step, bool all_wanted)
{
    if (strncmp(step, "SCAN ", 5) != 0 || is_word(step + 5, "CONSTANT") || step[5] == '(')
        return false;
    /* The rows of bursts: a hundredth of the frames, by their number, which is the order of the table. */
    if (is_word(step + 5, "burst"))
        return false;
    return !all_wanted || strstr(step, " USING INDEX frame_burst") == NULL;
}

static void check_plan(const char *text, bool all_wanted)
{
    sqlite3_stmt *plan = NULL;
    char *explain = sqlite3_mprintf("EXPLAIN QUERY PLAN %s", text);
    ck_assert_int_eq(sqlite3_prepare_v2(s->catalogue->db, explain, -1, &plan, NULL), SQLITE_OK);
    while (sqlite3_step(plan) == SQLITE_ROW) {
        const char *step = (const char *)sqlite3_column_text(plan, 3);
        ck_assert_msg(!reads_all(step, all_wanted), "'%s' in the plan of: %s", step, text);
        /* Not of a question within: the files of one frame are sorted there. */
        bool outermost = sqlite3_column_int(plan, 1) == 0;
        ck_assert_msg(!all_wanted || !outermost || strstr(step, "USE TEMP B-TREE FOR ORDER BY") == NULL,
                      "'%s' in the plan of: %s", step, text);
    }
    (void)sqlite3_finalize(plan);
    sqlite3_free(explain);
}

/* Of everything that was asked since the connection was opened. */
static void check_plans(bool all_wanted)
{
    ck_assert_uint_gt(s->catalogue->n_cached, opening);
    for (size_t i = opening; i < s->catalogue->n_cached; i++)
        check_plan(s->catalogue->text[i], all_wanted);
}

static bool see_row(void *context, const struct catalogue_row *row, struct err *err)
{
    (void)err;
    *(int64_t *)context = row->frame.id;
    return true;
}

static bool see_item(void *context, const struct catalogue_item *item, struct err *err)
{
    (void)err;
    *(int64_t *)context = item->frame;
    return true;
}

static bool see_file(void *context, const struct catalogue_file *file, struct err *err)
{
    (void)err;
    *(int64_t *)context = file->frame;
    return true;
}

static bool see_burst(void *context, const struct catalogue_burst *burst, struct err *err)
{
    (void)err;
    *(int64_t *)context = burst->number;
    return true;
}

START_TEST(one_burst_and_one_frame_are_looked_up)
{
    const struct catalogue_filter burst = {.burst = 3};
    struct err err = ERR_INIT;
    int64_t frame = 0, other = 0;
    ck_assert(catalogue_each_row(s->catalogue, &burst, see_row, &frame, &err));
    ck_assert_int_gt(frame, 0);
    const struct catalogue_filter one = {.frame = frame};
    ck_assert(catalogue_each_row(s->catalogue, &one, see_row, &other, &err));
    ck_assert_int_eq(other, frame);
    ck_assert(catalogue_each_file(s->catalogue, frame, see_file, &other, &err));
    ck_assert(catalogue_each_item(s->catalogue, 3, see_item, &other, &err));
    ck_assert(catalogue_find_path(s->catalogue, "DCIM/100EXMPL/DEMO0300.JPG", &other, &err));
    check_plans(false);
}
END_TEST

START_TEST(choosing_a_burst_looks_up_what_it_needs)
{
    const struct session_rank_options how = SESSION_RANK_OPTIONS_INIT;
    struct err err = ERR_INIT;
    ck_assert_msg(session_choose_burst(s, 3, &how, &err), "%s", err.message);
    check_plans(false);
}
END_TEST

START_TEST(deciding_looks_up_what_it_needs)
{
    const struct catalogue_filter burst = {.burst = 3};
    struct err err = ERR_INIT;
    int64_t frame = 0;
    ck_assert(catalogue_each_row(s->catalogue, &burst, see_row, &frame, &err));
    ck_assert(catalogue_decide(s->catalogue, &frame, 1, CATALOGUE_KEEP, "test", &err));
    ck_assert(catalogue_accept(s->catalogue, 3, true, "test", &err));
    check_plans(false);
}
END_TEST

START_TEST(the_line_of_hours_is_read_in_the_order_of_an_index)
{
    const struct catalogue_filter every = {.burst = 0};
    struct err err = ERR_INIT;
    int64_t frame = 0, number = 0;
    ck_assert(catalogue_each_burst(s->catalogue, see_burst, &number, &err));
    ck_assert_int_eq(number, BURSTS);
    ck_assert(catalogue_each_row(s->catalogue, &every, see_row, &frame, &err));
    check_plans(true);
}
END_TEST

/* The check itself: a question without an index is found out. */
START_TEST(a_question_without_an_index_is_found_out)
{
    ck_assert(reads_all("SCAN frame", false));
    ck_assert(reads_all("SCAN f USING INDEX frame_burst", false));
    ck_assert(!reads_all("SCAN f USING INDEX frame_burst", true));
    ck_assert(reads_all("SCAN f", true));
    ck_assert(!reads_all("SEARCH f USING INDEX frame_burst (burst=?)", false));
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("query plan");
    TCase *c = tcase_create("plan");
    tcase_add_checked_fixture(c, setup, teardown);
    tcase_add_test(c, one_burst_and_one_frame_are_looked_up);
    tcase_add_test(c, choosing_a_burst_looks_up_what_it_needs);
    tcase_add_test(c, deciding_looks_up_what_it_needs);
    tcase_add_test(c, the_line_of_hours_is_read_in_the_order_of_an_index);
    tcase_add_test(c, a_question_without_an_index_is_found_out);
    suite_add_tcase(suite, c);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
