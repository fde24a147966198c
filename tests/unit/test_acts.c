/* Acts of a person: shortlist, recall, areas; and taking them back, in order, also from a log alone. */
#include <math.h>

#include "catalogue_place.h"

static struct place place;
static struct catalogue *c;
static struct err err;
static int64_t a, b;

/* Two ranked bursts of one frame each, in set-ups 1 and 2. */
static void fill(void)
{
    const struct catalogue_burst bursts[] = {{.number = 1, .body = "A1", .n_frames = 1, .mode = "moving"},
                                             {.number = 2, .body = "A1", .n_frames = 1, .mode = "moving"}};
    a = put(c, "A1 aa", "a.JPG", 1, 0);
    b = put(c, "A1 bb", "b.JPG", 2, 0);
    ck_assert(catalogue_put_bursts(c, bursts, 2, &err));
    for (int i = 0; i < 2; i++) {
        struct catalogue_burst burst = bursts[i];
        burst.setup = i + 1;
        burst.stamp = "00ff";
        ck_assert(catalogue_set_burst_ranked(c, &burst, &err));
    }
    propose(c, a, "keep");
    propose(c, b, "reject");
}

static void setup(void)
{
    err = (struct err)ERR_INIT;
    place_make(&place);
    c = must_open(&place, CATALOGUE_WRITE);
    fill();
}

static void teardown(void)
{
    catalogue_close(c);
    place_clean(&place);
}

static void open_again(bool lose)
{
    catalogue_close(c);
    if (lose)
        ck_assert_int_eq(unlink(place.file), 0);
    c = must_open(&place, CATALOGUE_WRITE);
    if (lose)
        fill();
}

/* "word n" of what was taken back, "" when nothing was left. */
static const char *undo(const char *who)
{
    static char text[40];
    struct catalogue_act act;
    ck_assert_msg(catalogue_undo(c, who, &act, &err), "%s", err.message);
    (void)snprintf(text, sizeof text, "%s %zu", act.word, act.n);
    return act.word[0] != '\0' ? text : "";
}

static void decide(int64_t frame, enum catalogue_decision decision, const char *who)
{
    ck_assert_msg(catalogue_decide(c, &frame, 1, decision, who, &err), "%s", err.message);
}

START_TEST(acts_are_taken_back_one_by_one)
{
    const int64_t both[] = {a, b};
    decide(a, CATALOGUE_KEEP, "ann");
    ck_assert(catalogue_decide(c, both, 2, CATALOGUE_REJECT, "ann", &err));
    ck_assert(catalogue_accept(c, 2, true, "ann", &err));
    ck_assert(catalogue_shortlist(c, a, true, "ann", &err));
    ck_assert(look(c, a).shortlist && look(c, b).accepted);
    ck_assert_str_eq(undo("ann"), "shortlist 1");
    ck_assert(!look(c, a).shortlist && look(c, b).accepted);
    open_again(_i == 1);
    ck_assert(!look(c, a).shortlist && look(c, b).accepted);
    ck_assert_str_eq(undo("ann"), "accept-reject 1");
    ck_assert(!look(c, b).accepted);
    ck_assert_int_eq(look(c, a).decision, CATALOGUE_REJECT);
    ck_assert_str_eq(undo("ann"), "reject 2");
    ck_assert_int_eq(look(c, a).decision, CATALOGUE_KEEP);
    ck_assert_int_eq(look(c, b).decision, CATALOGUE_UNDECIDED);
    open_again(_i == 1);
    ck_assert_int_eq(look(c, a).decision, CATALOGUE_KEEP);
    /* What comes after an undo is an act like any other. */
    decide(b, CATALOGUE_KEEP, "ann");
    ck_assert_str_eq(undo("ann"), "keep 1");
    ck_assert_str_eq(undo("ann"), "keep 1");
    ck_assert_int_eq(look(c, a).decision, CATALOGUE_UNDECIDED);
    ck_assert_str_eq(undo("ann"), "");
    open_again(_i == 1);
    ck_assert_str_eq(undo("ann"), "");
}
END_TEST

START_TEST(each_person_takes_back_their_own)
{
    decide(a, CATALOGUE_KEEP, "ann");
    decide(a, CATALOGUE_REJECT, "ben");
    ck_assert_str_eq(undo("ann"), "keep 1");
    ck_assert_int_eq(look(c, a).decision, CATALOGUE_REJECT);
    ck_assert_str_eq(undo("ann"), "");
    ck_assert_str_eq(undo("ben"), "reject 1");
    ck_assert_int_eq(look(c, a).decision, CATALOGUE_UNDECIDED);
}
END_TEST

struct told {
    int n, undone;
    int64_t frame;
};

static bool note_decided(void *context, const struct catalogue_decided *d, struct err *ignored)
{
    struct told *told = context;
    (void)ignored;
    told->n++;
    told->undone += d->undone;
    return true;
}

static bool note_frame(void *context, int64_t frame, struct err *ignored)
{
    struct told *told = context;
    (void)ignored;
    told->n++;
    told->frame = frame;
    return true;
}

START_TEST(history_keeps_what_was_taken_back)
{
    struct told told = {0}, frames = {0};
    struct catalogue_act act;
    decide(a, CATALOGUE_KEEP, "ann");
    decide(a, CATALOGUE_REJECT, "ann");
    ck_assert(catalogue_undo(c, "ann", &act, &err));
    ck_assert(catalogue_history(c, a, note_decided, &told, &err));
    ck_assert(told.n == 2 && told.undone == 1);
    ck_assert(catalogue_each_undone(c, &act, note_frame, &frames, &err));
    ck_assert(frames.n == 1 && frames.frame == a);
}
END_TEST

START_TEST(an_act_of_frames_that_are_gone_is_taken_back_whole)
{
    const int64_t both[] = {a, b};
    ck_assert(catalogue_decide(c, both, 2, CATALOGUE_REJECT, "ann", &err));
    catalogue_close(c);
    ck_assert_int_eq(unlink(place.file), 0);
    c = must_open(&place, CATALOGUE_WRITE);
    a = put(c, "A1 aa", "a.JPG", 1, 0); /* the other one is not there now */
    ck_assert_str_eq(undo("ann"), "reject 2");
    ck_assert_int_eq(look(c, a).decision, CATALOGUE_UNDECIDED);
    b = put(c, "A1 bb", "b.JPG", 2, 0);
    ck_assert_int_eq(look(c, b).decision, CATALOGUE_UNDECIDED);
    ck_assert_str_eq(undo("ann"), "");
}
END_TEST

START_TEST(a_burst_is_recalled)
{
    ck_assert(catalogue_recall(c, 2, true, "ann", &err));
    ck_assert(look(c, b).recalled && !look(c, a).recalled);
    open_again(true);
    ck_assert(look(c, b).recalled);
    ck_assert(catalogue_recall(c, 2, false, "ann", &err));
    ck_assert(!look(c, b).recalled);
    ck_assert_str_eq(undo("ann"), "unrecall 1");
    ck_assert(look(c, b).recalled);
    ck_assert(!catalogue_recall(c, 7, true, "ann", &err));
    ck_assert_int_eq(err_exit_status(&err), 2);
}
END_TEST

struct areas {
    int n;
    struct catalogue_area last;
};

static bool note_area(void *context, const struct catalogue_area *area, struct err *ignored)
{
    struct areas *areas = context;
    (void)ignored;
    areas->n++;
    areas->last = *area;
    return true;
}

static struct areas look_at_areas(void)
{
    struct areas areas = {0};
    ck_assert_msg(catalogue_each_area(c, note_area, &areas, &err), "%s", err.message);
    return areas;
}

START_TEST(areas_follow_their_set_up)
{
    int64_t id = 0;
    const struct catalogue_area area = {.setup = 2, .keep_out = true, .x = .25, .y = .5, .w = .75, .h = .125};
    ck_assert_msg(catalogue_add_area(c, &area, "ann", &id, &err), "%s", err.message);
    struct areas areas = look_at_areas();
    ck_assert(areas.n == 1 && areas.last.setup == 2 && areas.last.id == id && areas.last.keep_out);
    ck_assert(areas.last.x == .25 && areas.last.y == .5 && areas.last.w == .75 && areas.last.h == .125);
    open_again(true);
    areas = look_at_areas();
    ck_assert(areas.n == 1 && areas.last.w == .75);
    /* The set-up gets another number. */
    const struct catalogue_burst burst = {.number = 2, .setup = 5, .mode = "moving", .stamp = "00ff"};
    ck_assert(catalogue_set_burst_ranked(c, &burst, &err));
    ck_assert_int_eq(look_at_areas().last.setup, 5);
    ck_assert_msg(catalogue_remove_area(c, areas.last.id, "ann", &err), "%s", err.message);
    ck_assert_int_eq(look_at_areas().n, 0);
    ck_assert(!catalogue_remove_area(c, areas.last.id, "ann", &err));
    ck_assert_int_eq(err_exit_status(&err), 2);
    ck_assert_str_eq(undo("ann"), "remove-area 1");
    ck_assert_int_eq(look_at_areas().n, 1);
    ck_assert_str_eq(undo("ann"), "keep-out 1");
    open_again(true);
    ck_assert_int_eq(look_at_areas().n, 0);
}
END_TEST

START_TEST(areas_that_make_no_sense)
{
    static const struct catalogue_area bad[] = {
        {.setup = 9, .w = 1, .h = 1},           {.setup = 1, .w = 0, .h = 1},
        {.setup = 1, .x = -.1, .w = 1, .h = 1}, {.setup = 1, .x = .5, .w = .6, .h = 1},
        {.setup = 1, .w = NAN, .h = 1},         {.setup = 1, .w = 1, .h = INFINITY},
    };
    int64_t id;
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        err = (struct err)ERR_INIT;
        ck_assert(!catalogue_add_area(c, &bad[i], "ann", &id, &err));
        ck_assert_int_eq(err_exit_status(&err), 2);
    }
    ck_assert_int_eq(look_at_areas().n, 0);
}
END_TEST

/* A clock that is set back must not mix up the order of acts. */
START_TEST(times_never_run_backwards)
{
    char text[256];
    decide(a, CATALOGUE_KEEP, "ann");
    raw_sql(&place, "UPDATE decision SET at_ns = 4000000000000000000");
    decide(a, CATALOGUE_REJECT, "ann");
    ck_assert_str_eq(raw_value(&place, "SELECT max(at_ns) FROM decision", text), "4000000000000000001");
    ck_assert_str_eq(undo("ann"), "reject 1");
    ck_assert_int_eq(look(c, a).decision, CATALOGUE_KEEP);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("acts");
    TCase *cases = tcase_create("acts");
    tcase_add_checked_fixture(cases, setup, teardown);
    tcase_add_loop_test(cases, acts_are_taken_back_one_by_one, 0, 2);
    tcase_add_test(cases, each_person_takes_back_their_own);
    tcase_add_test(cases, history_keeps_what_was_taken_back);
    tcase_add_test(cases, an_act_of_frames_that_are_gone_is_taken_back_whole);
    tcase_add_test(cases, a_burst_is_recalled);
    tcase_add_test(cases, areas_follow_their_set_up);
    tcase_add_test(cases, areas_that_make_no_sense);
    tcase_add_test(cases, times_never_run_backwards);
    suite_add_tcase(suite, cases);
    return run_suite(suite);
}
