/* What is still to come while a card is copied, asked from another thread; and the copy in three steps. */
#include <pthread.h>
#include <stdatomic.h>

#include "card_tree.h"

enum { FILES = 200, SECOND_NS = 1000000000 };

static int64_t written_ns(long seconds)
{
    return ((int64_t)TREE_TIME + seconds) * SECOND_NS;
}

static void make_card(void)
{
    char path[64];
    for (int i = 0; i < FILES; i++) {
        (void)snprintf(path, sizeof path, "card/DCIM/100EXMPL/DEMO%04d.JPG", i + 1);
        tree_file(path, 5000, (unsigned)i, 10L * i);
    }
}

struct copying {
    struct card_copying *c;
    struct err err;
    atomic_bool done;
    bool ok;
};

static void *go(void *context)
{
    struct copying *copying = context;
    copying->ok = card_copy_go(copying->c, &copying->err);
    atomic_store(&copying->done, true);
    return NULL;
}

/* Whoever counts as here lies in the session under its name, with its time: the i-th by name is the i-th by
   time on this card. */
static void check_here(const struct card_coming *coming)
{
    char a[64], b[64];
    for (int i = 0; i < FILES; i++) {
        (void)snprintf(a, sizeof a, "card/DCIM/100EXMPL/DEMO%04d.JPG", i + 1);
        (void)snprintf(b, sizeof b, "session/DCIM/100EXMPL/DEMO%04d.JPG", i + 1);
        ck_assert(card_coming_near(coming, written_ns(10L * i), SECOND_NS) || tree_same(a, b));
    }
}

START_TEST(what_is_not_coming_is_there)
{
    struct err err = ERR_INIT;
    struct root root = ROOT_INIT;
    struct card_coming coming;
    struct card_report report = CARD_REPORT_INIT;
    struct card_options options = CARD_OPTIONS_INIT;
    struct copying copying = {.err = ERR_INIT};
    pthread_t thread;
    size_t before = FILES;
    const char *cards[] = {"card"};
    make_card();
    struct card_set *set = card_open(files_system(), cards, 1, "session", NULL, &err);
    ck_assert_ptr_nonnull(set);
    ck_assert(root_open(&root, files_system(), "session", true, true, &err) && root_lock(&root, &err));
    copying.c = card_copy_begin(set, &root, NULL, &options, &report, &err);
    ck_assert_ptr_nonnull(copying.c);
    ck_assert(card_coming_list(set, &coming, &err));
    ck_assert_uint_eq(coming.n, FILES);
    ck_assert_uint_eq(coming.bytes, FILES * 5000);
    card_coming_release(&coming);

    atomic_init(&copying.done, false);
    ck_assert_int_eq(pthread_create(&thread, NULL, go, &copying), 0);
    for (bool last = false; !last;) {
        last = atomic_load(&copying.done);
        ck_assert(card_coming_list(set, &coming, &err));
        ck_assert_uint_le(coming.n, before);
        before = coming.n;
        check_here(&coming);
        card_coming_release(&coming);
    }
    ck_assert_int_eq(pthread_join(thread, NULL), 0);
    ck_assert(copying.ok);
    ck_assert_uint_eq(before, 0);
    ck_assert(card_copy_end(copying.c, NULL, &err));
    ck_assert_uint_eq(report.copied, FILES);
    card_report_release(&report);
    root_close(&root);
    card_close(set);
}
END_TEST

START_TEST(near_takes_both_ends)
{
    int64_t times[] = {100, 200, 200, 900};
    const struct card_coming coming = {.mtime_ns = times, .n = 4}, none = {0};
    ck_assert(card_coming_near(&coming, 100, 0));
    ck_assert(card_coming_near(&coming, 90, 10));
    ck_assert(!card_coming_near(&coming, 89, 10));
    ck_assert(card_coming_near(&coming, 210, 10));
    ck_assert(!card_coming_near(&coming, 550, 349));
    ck_assert(card_coming_near(&coming, 550, 350));
    ck_assert(card_coming_near(&coming, 1000, 100));
    ck_assert(!card_coming_near(&coming, 1001, 100));
    ck_assert(!card_coming_near(&none, 100, 1000));
}
END_TEST

/* The second run finds everything there: it passes through all the same. */
START_TEST(files_that_were_here_are_not_coming_for_long)
{
    struct tree_run run = TREE_RUN("card");
    struct err err = ERR_INIT;
    struct root root = ROOT_INIT;
    struct card_coming coming;
    make_card();
    ck_assert_int_eq(tree_copy(&run), 0);
    card_report_release(&run.report);
    struct card_set *set = card_open(files_system(), run.cards, 1, "session", NULL, &err);
    ck_assert_ptr_nonnull(set);
    ck_assert(root_open(&root, files_system(), "session", true, true, &err) && root_lock(&root, &err));
    ck_assert(card_copy(set, &root, NULL, &run.options, &run.report, &err));
    ck_assert_uint_eq(run.report.present, FILES);
    ck_assert(card_coming_list(set, &coming, &err));
    ck_assert_uint_eq(coming.n, 0);
    card_coming_release(&coming);
    card_report_release(&run.report);
    root_close(&root);
    card_close(set);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("card coming");
    TCase *c = tcase_create("coming");
    tcase_set_timeout(c, 60);
    tcase_add_checked_fixture(c, tree_setup, tree_teardown);
    tcase_add_test(c, what_is_not_coming_is_there);
    tcase_add_test(c, near_takes_both_ends);
    tcase_add_test(c, files_that_were_here_are_not_coming_for_long);
    suite_add_tcase(suite, c);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
