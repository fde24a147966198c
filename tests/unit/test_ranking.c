/* Choosing anew for a whole session, from summaries alone: the total, and what is remembered. */
#include "catalogue_place.h"

#include "../../src/session/grouping.h"
#include "ranked_session.h"

enum { BURSTS = 6, FRAMES = 20 };

static struct place place;
static struct session *session;
static const struct session_rank_options as_last_time = SESSION_RANK_OPTIONS_INIT;

static void setup(void)
{
    struct err err = ERR_INIT;
    place_make(&place);
    session = session_open(files_system(), place.path, SESSION_WRITE, NULL, NULL, &err);
    ck_assert_msg(session != NULL && ranked_fill(session, BURSTS, FRAMES, &err), "%s", err.message);
}

static void teardown(void)
{
    session_close(session);
    place_clean(&place);
}

struct outcome {
    size_t keep, reject, none;
    size_t kept_of[BURSTS + 1];
    bool all_equals; /* every none is one of the sharp set */
};

static bool see(void *context, const struct catalogue_row *row, struct err *err)
{
    struct outcome *seen = context;
    (void)err;
    bool keep = strcmp(row->choice.proposal, "keep") == 0, none = strcmp(row->choice.proposal, "none") == 0;
    seen->keep += keep;
    seen->none += none;
    seen->reject += strcmp(row->choice.proposal, "reject") == 0;
    seen->kept_of[row->frame.burst] += keep;
    seen->all_equals = seen->all_equals && (!none || strcmp(row->choice.reason, "sharp-set") == 0);
    return true;
}

static struct outcome rank(struct session_rank_options options)
{
    struct err err = ERR_INIT;
    struct session_ranked totals;
    struct outcome seen = {.all_equals = true};
    const struct catalogue_filter all = {0};
    ck_assert_msg(session_rank(session, &options, &totals, &err), "%s", err.message);
    ck_assert(catalogue_each_row(session->catalogue, &all, see, &seen, &err));
    ck_assert_uint_eq(seen.keep + seen.reject + seen.none, BURSTS * FRAMES);
    ck_assert_uint_eq(totals.kept, seen.keep);
    ck_assert_uint_eq(totals.rejected, seen.reject);
    ck_assert_uint_eq(totals.none, seen.none);
    ck_assert_uint_eq(totals.bursts, BURSTS);
    return seen;
}

/* The best of each burst before the second of any; the later bursts are the less blurred ones. */
START_TEST(total)
{
    struct session_rank_options options = as_last_time;
    options.keep = 3;
    struct outcome free_choice = rank(options);
    ck_assert_uint_eq(free_choice.keep, BURSTS * 3);
    options.keep_total = 4;
    struct outcome four = rank(options);
    ck_assert_uint_eq(four.keep, 4);
    ck_assert_uint_eq(four.reject, free_choice.reject); /* a total rejects nothing */
    ck_assert(four.all_equals);
    for (size_t b = 1; b <= BURSTS; b++)
        ck_assert_uint_eq(four.kept_of[b], b > BURSTS - 4);
    options.keep_total = 8;
    struct outcome eight = rank(options);
    for (size_t b = 1; b <= BURSTS; b++)
        ck_assert_uint_eq(eight.kept_of[b], b > BURSTS - 2 ? 2 : 1);
    options.keep_total = 0;
    ck_assert_uint_eq(rank(options).keep, free_choice.keep);
}
END_TEST

START_TEST(remembered)
{
    struct session_rank_options options = as_last_time;
    ck_assert_uint_eq(rank(as_last_time).keep, BURSTS * 3);
    options.keep = 1;
    options.keep_total = 5;
    options.min_gap_ns = 2000000000;
    ck_assert_uint_eq(rank(options).keep, 5);
    ck_assert_uint_eq(rank(as_last_time).keep, 5);
    options = as_last_time;
    options.keep_total = 0;
    ck_assert_uint_eq(rank(options).keep, BURSTS);
    options.max_blur_px = 0.2;
    ck_assert_uint_eq(rank(options).keep, 0);
    ck_assert_uint_eq(rank(as_last_time).keep, 0);
    options.max_blur_px = 0;
    ck_assert_uint_eq(rank(options).keep, BURSTS);
}
END_TEST

/* What a person accepted stands and counts; one burst chosen anew gets what the others leave. */
START_TEST(accepted_counts)
{
    struct err err = ERR_INIT;
    struct session_rank_options options = as_last_time;
    rank(as_last_time);
    ck_assert(catalogue_accept(session->catalogue, 1, true, "test", &err));
    options.keep_total = 5;
    struct outcome seen = rank(options);
    ck_assert_uint_eq(seen.keep, 5);
    ck_assert_uint_eq(seen.kept_of[1], 3);
    ck_assert_uint_eq(seen.kept_of[BURSTS], 1);
    options.keep_total = 6;
    ck_assert(session_choose_burst(session, BURSTS, &options, &err));
    seen = (struct outcome){.all_equals = true};
    const struct catalogue_filter all = {0};
    ck_assert(catalogue_each_row(session->catalogue, &all, see, &seen, &err));
    ck_assert_uint_eq(seen.keep, 6);
    ck_assert_uint_eq(seen.kept_of[BURSTS], 2);
    ck_assert(!session_choose_burst(session, BURSTS + 1, &options, &err));
    ck_assert_int_eq(err.code, ERR_USAGE);
}
END_TEST

static struct outcome look_again(void)
{
    struct err err = ERR_INIT;
    struct outcome seen = {.all_equals = true};
    const struct catalogue_filter all = {0};
    ck_assert(catalogue_each_row(session->catalogue, &all, see, &seen, &err));
    return seen;
}

/* Rejects of a burst are deleted, frame by frame: what is left of it is neither split nor too short, and its
   choice stands. A burst without any frame is gone. */
START_TEST(deleted_rejects)
{
    struct err err = ERR_INIT;
    struct session_ranked totals;
    uint64_t n = 0;
    rank(as_last_time);
    for (int64_t id = 1; id <= FRAMES; id++) /* burst 1: the last three stay */
        if (id <= FRAMES - 3)
            ck_assert(catalogue_set_missing(session->catalogue, id, true, &err));
    for (int64_t id = FRAMES + 1; id <= 2 * FRAMES; id++) /* burst 2: none stays */
        ck_assert(catalogue_set_missing(session->catalogue, id, true, &err));
    struct outcome before = look_again();
    ck_assert_msg(grouping_store(session, 1000000000, &n, &err), "%s", err.message);
    ck_assert_uint_eq(n, BURSTS - 1);
    ck_assert_msg(session_rank(session, &as_last_time, &totals, &err), "%s", err.message);
    struct outcome after = look_again();
    ck_assert_uint_eq(after.keep, before.keep);
    ck_assert_uint_eq(after.reject, before.reject);
    ck_assert_uint_eq(after.none, before.none);
    ck_assert_uint_eq(after.kept_of[1], before.kept_of[1]);
    ck_assert_uint_gt(after.kept_of[1], 0);
    ck_assert_uint_eq(after.kept_of[2], before.kept_of[3]);
    ck_assert_uint_eq(totals.bursts, BURSTS - 1);
    /* They come back. */
    for (int64_t id = 1; id <= 2 * FRAMES; id++)
        ck_assert(catalogue_set_missing(session->catalogue, id, false, &err));
    ck_assert(grouping_store(session, 1000000000, &n, &err));
    ck_assert_uint_eq(n, BURSTS);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("ranking");
    TCase *sessions = tcase_create("sessions");
    tcase_add_checked_fixture(sessions, setup, teardown);
    tcase_add_test(sessions, total);
    tcase_add_test(sessions, remembered);
    tcase_add_test(sessions, accepted_counts);
    tcase_add_test(sessions, deleted_rejects);
    suite_add_tcase(suite, sessions);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
