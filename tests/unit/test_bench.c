/* The bench's own arithmetic, on tables small enough to check by hand: a metric that cannot fail proves
 * nothing. */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "../bench/marks.h"
#include "../bench/scene.h"

enum { N = 6 };

/* Six frames of one bird that flies past, 100 x 50 px, moving 100 px a frame; blur falls and rises again. */
struct table {
    struct bench_frame frame[N];
    struct bench_burst burst;
    struct rank_item item[2 * N];
    struct rank_frame verdict[N];
    struct verdicts v;
};

static const float blur[N] = {3.0f, 1.5f, 0.8f, 0.6f, 1.0f, 2.5f};

static void set_item(struct table *t, size_t i, size_t frame, double score)
{
    const struct bench_bird *b = &t->frame[frame].bird[0];
    t->item[i] = (struct rank_item){.frame = (uint32_t)frame,
                                    .pass = 1,
                                    .x_px = (uint32_t)b->x,
                                    .y_px = (uint32_t)b->y,
                                    .w_px = (uint32_t)b->w,
                                    .h_px = (uint32_t)b->h,
                                    .score = score,
                                    .blur_px = (double)b->blur_px * 1.1};
}

static void make_table(struct table *t)
{
    *t = (struct table){0};
    t->burst = (struct bench_burst){.n = N, .width_px = 1600, .frame = t->frame};
    for (size_t f = 0; f < N; f++) {
        t->frame[f].laplacian_variance = (double)f; /* misled: the last one looks sharpest to it */
        t->frame[f].tenengrad = -(double)blur[f];   /* right */
        t->frame[f].bird[0] =
            (struct bench_bird){BIRD_PRESENT, 100.0f * (float)f, 200, 100, 50, blur[f], blur[f], 1};
        set_item(t, f, f, -(double)blur[f]);
        t->verdict[f] =
            (struct rank_frame){.pass = 1, .proposal = RANK_REJECT, .reason = RANK_SOFT, .rank = 9};
    }
    t->verdict[3].rank = 1;
    t->verdict[3].proposal = RANK_KEEP;
    t->verdict[3].reason = RANK_SHARPEST;
    t->v = (struct verdicts){SUBJECT_MOVING, t->item, N, t->verdict};
}

static double mean_of(const struct marks *m, enum mark mark)
{
    return marks_mean(m, 1, mark).value;
}

static struct marks judged(const struct table *t)
{
    struct marks m = {0};
    marks_judge(&t->burst, &t->v, &m);
    return m;
}

START_TEST(right_answers_score_full)
{
    struct table t;
    make_table(&t);
    struct marks m = judged(&t);
    ck_assert_double_eq(mean_of(&m, MARK_HIT), 1);
    ck_assert_double_eq(mean_of(&m, MARK_REGRET), 0);
    ck_assert_double_eq_tol(mean_of(&m, MARK_RHO), 1, 1e-12);
    ck_assert_double_eq(mean_of(&m, MARK_IOU_MOVING), 1);
    ck_assert_double_eq(mean_of(&m, MARK_KEPT_EMPTY), 0);
    ck_assert_double_eq(mean_of(&m, MARK_SHARP_NOTHING), 0);
    ck_assert_double_eq(mean_of(&m, MARK_LOST), 0);
    ck_assert(isnan(mean_of(&m, MARK_NEVER_KEPT)));
    ck_assert_double_eq_tol(marks_blur_error(&m, 1, 0.5).value, 0.1, 1e-6);
    ck_assert_double_eq(mean_of(&m, MARK_TG_HIT), 1);
}
END_TEST

/* Best three: .6, .8, 1.0. */
START_TEST(hit_and_regret_fail_on_a_soft_top)
{
    struct table t;
    make_table(&t);
    t.verdict[3].rank = 2;
    t.verdict[1].rank = 1; /* blur 1.5 */
    struct marks m = judged(&t);
    ck_assert_double_eq(mean_of(&m, MARK_HIT), 0);
    ck_assert_double_eq_tol(mean_of(&m, MARK_REGRET), 0.9, 1e-6);
    t.verdict[1].rank = 2;
    t.verdict[4].rank = 1; /* the third best still is a hit */
    m = judged(&t);
    ck_assert_double_eq(mean_of(&m, MARK_HIT), 1);
    ck_assert_double_eq_tol(mean_of(&m, MARK_REGRET), 0.4, 1e-6);
}
END_TEST

START_TEST(a_tie_with_the_third_is_a_hit)
{
    struct table t;
    make_table(&t);
    t.frame[1].bird[0].blur_px = 1.04f;
    t.verdict[3].rank = 2;
    t.verdict[1].rank = 1;
    struct marks m = judged(&t);
    ck_assert_double_eq(mean_of(&m, MARK_HIT), 1);
    t.frame[1].bird[0].blur_px = 1.06f;
    m = judged(&t);
    ck_assert_double_eq(mean_of(&m, MARK_HIT), 0);
}
END_TEST

START_TEST(a_cut_top_is_no_hit)
{
    struct table t;
    make_table(&t);
    t.frame[3].bird[0].flags |= BIRD_CUT;
    struct marks m = judged(&t);
    ck_assert_double_eq(mean_of(&m, MARK_HIT), 0);
    ck_assert_double_eq(mean_of(&m, MARK_KEPT_CUT), 1);
}
END_TEST

START_TEST(a_pass_that_is_not_found_is_a_miss)
{
    struct table t;
    make_table(&t);
    t.v.items = 0;
    for (size_t f = 0; f < N; f++)
        t.verdict[f] = (struct rank_frame){.proposal = RANK_REJECT, .reason = RANK_NO_SUBJECT};
    struct marks m = judged(&t);
    ck_assert_double_eq(mean_of(&m, MARK_HIT), 0);
    ck_assert(isnan(mean_of(&m, MARK_REGRET)));
    ck_assert_double_eq(mean_of(&m, MARK_IOU_ALL), 0);
    ck_assert_double_eq(mean_of(&m, MARK_LOST), 1);
    ck_assert_double_eq(mean_of(&m, MARK_SHARP_NOTHING), 1);
}
END_TEST

START_TEST(whole_frame_measures_are_judged_on_their_own)
{
    struct table t;
    make_table(&t);
    struct marks m = judged(&t);
    ck_assert_double_eq(mean_of(&m, MARK_VL_HIT), 0);
    ck_assert_double_eq_tol(mean_of(&m, MARK_VL_REGRET), 1.9, 1e-6);
    ck_assert_double_lt(mean_of(&m, MARK_VL_RHO), 0.5);
    ck_assert_double_eq_tol(mean_of(&m, MARK_TG_RHO), 1, 1e-12);
}
END_TEST

START_TEST(empty_frames_that_are_kept_count)
{
    struct table t;
    make_table(&t);
    t.frame[0].bird[0].flags = 0;
    t.verdict[0].proposal = RANK_KEEP;
    struct marks m = judged(&t);
    ck_assert_double_eq(mean_of(&m, MARK_KEPT_EMPTY), 0.5);
}
END_TEST

START_TEST(landed_counts_only_beside_a_sharper_flight)
{
    struct table t;
    make_table(&t);
    t.frame[4].bird[0].flags |= BIRD_LANDED;
    t.verdict[4].proposal = RANK_KEEP;
    struct marks m = judged(&t);
    ck_assert_double_eq(mean_of(&m, MARK_KEPT_LANDED), 0.5);
    t.frame[4].bird[0].blur_px = 0.5f; /* now the portrait is the sharper one */
    m = judged(&t);
    ck_assert_double_eq(mean_of(&m, MARK_KEPT_LANDED), 0);
}
END_TEST

START_TEST(a_never_sharp_burst_may_keep_nothing)
{
    struct table t;
    make_table(&t);
    for (size_t f = 0; f < N; f++)
        t.frame[f].bird[0].blur_px += 2.5f;
    struct marks m = judged(&t);
    ck_assert_double_eq(mean_of(&m, MARK_NEVER_KEPT), 1);
    ck_assert(isnan(mean_of(&m, MARK_HIT)));
    t.verdict[3].proposal = RANK_REJECT;
    m = judged(&t);
    ck_assert_double_eq(mean_of(&m, MARK_NEVER_KEPT), 0);
}
END_TEST

START_TEST(hovering_is_not_resting)
{
    struct table t;
    make_table(&t);
    t.frame[1].bird[0].flags |= BIRD_HOVERING;
    t.frame[2].bird[0].flags |= BIRD_HOVERING;
    t.verdict[2].reason = RANK_AT_REST;
    struct marks m = judged(&t);
    ck_assert_double_eq(mean_of(&m, MARK_HOVER_REST), 0.5);
}
END_TEST

/* A second bird in frames 4 and 5 that nobody keeps. */
START_TEST(every_arrival_wants_one)
{
    struct table t;
    make_table(&t);
    for (size_t f = 4; f < N; f++)
        t.frame[f].bird[1] = (struct bench_bird){BIRD_PRESENT, 900, 700, 100, 50, 0.7f, 0.7f, 1};
    struct marks m = judged(&t);
    ck_assert_double_eq(mean_of(&m, MARK_ARRIVED), 0.5);
    ck_assert_double_eq(mean_of(&m, MARK_HIT), 0.5);
    t.verdict[4].proposal = RANK_KEEP;
    m = judged(&t);
    ck_assert_double_eq(mean_of(&m, MARK_ARRIVED), 1);
}
END_TEST

START_TEST(a_bird_of_the_set_is_no_pass)
{
    struct table t;
    make_table(&t);
    for (size_t f = 0; f < N; f++)
        t.frame[f].bird[1] =
            (struct bench_bird){BIRD_PRESENT | BIRD_PROP | BIRD_LANDED, 900, 700, 100, 50, 0.6f, 0.6f, 1};
    struct marks m = judged(&t);
    ck_assert_double_eq(mean_of(&m, MARK_HIT), 1);
    ck_assert_double_eq(mean_of(&m, MARK_ARRIVED), 1);
    ck_assert_double_eq(mean_of(&m, MARK_KEPT_LANDED), 0);
    t.frame[0].bird[0].flags = 0;
    t.verdict[0].proposal = RANK_KEEP; /* kept for the sitting one alone, as sharp as the best flight */
    m = judged(&t);
    ck_assert_double_eq(mean_of(&m, MARK_KEPT_LANDED), 0);
    ck_assert_double_eq(mean_of(&m, MARK_KEPT_EMPTY), 0);
    t.frame[0].bird[1].blur_px = 0.9f;
    m = judged(&t);
    ck_assert_double_eq(mean_of(&m, MARK_KEPT_LANDED), 0.5);
}
END_TEST

START_TEST(the_head_decides_where_the_bird_is_tilted)
{
    struct table t;
    make_table(&t);
    t.burst.head_decides = true;
    for (size_t f = 0; f < N; f++)
        t.frame[f].bird[0].head_px = (float)(f + 1); /* the head is sharpest in the first frame */
    struct marks m = judged(&t);
    ck_assert_double_eq(mean_of(&m, MARK_HIT), 0);
    ck_assert_double_eq_tol(mean_of(&m, MARK_HEAD_REGRET), 3, 1e-6);
    ck_assert(isnan(mean_of(&m, MARK_REGRET)));
}
END_TEST

START_TEST(a_miss_has_a_cause)
{
    struct table t;
    make_table(&t);
    struct marks m = judged(&t);
    for (int k = 0; k < MISSES; k++)
        ck_assert_uint_eq(m.miss[k], 0);
    t.verdict[3].rank = 2;
    t.verdict[0].rank = 1;
    m = judged(&t);
    ck_assert_uint_eq(m.miss[MISS_ORDER], 1);
    t.frame[0].bird[0].h = 35;
    m = judged(&t);
    ck_assert_uint_eq(m.miss[MISS_POSE], 1);
    t.frame[0].bird[0].flags |= BIRD_CUT;
    m = judged(&t);
    ck_assert_uint_eq(m.miss[MISS_INCOMPLETE], 1);
    t.item[2].flags = t.item[3].flags = RANK_F_HIDDEN; /* two of the best three */
    m = judged(&t);
    ck_assert_uint_eq(m.miss[MISS_RULED_OUT], 1);
    t.item[2].y_px = t.item[3].y_px = 170; /* overlap a quarter */
    m = judged(&t);
    ck_assert_uint_eq(m.miss[MISS_REGION], 1);
    t.v.items = 0;
    m = judged(&t);
    ck_assert_uint_eq(m.miss[MISS_NOT_FOUND], 1);
}
END_TEST

START_TEST(rank_correlation_by_hand)
{
    const double a[5] = {1, 2, 3, 4, 5}, b[5] = {5, 6, 7, 8, 7}, flat[5] = {1, 1, 1, 1, 1};
    /* ranks of b: 1 2 3.5 5 3.5; covariance 8, variances 10 and 9.5 */
    ck_assert_double_eq_tol(marks_spearman(a, b, 5), 8 / sqrt(95.0), 1e-12);
    ck_assert(isnan(marks_spearman(a, flat, 5)));
    ck_assert(isnan(marks_spearman(a, b, 2)));
}
END_TEST

/* Bursts 1/2, 0/1, 2/2: ratio .6; residuals -.2, -.6, .8; s.e. = sqrt(3/2 * 1.04) / 5. */
START_TEST(standard_error_takes_bursts_as_the_unit)
{
    struct marks m[3] = {{.errors = 0}};
    m[0].of[MARK_RHO] = (struct mark_sum){1, 2};
    m[1].of[MARK_RHO] = (struct mark_sum){0, 1};
    m[2].of[MARK_RHO] = (struct mark_sum){2, 2};
    struct estimate e = marks_mean(m, 3, MARK_RHO);
    ck_assert_double_eq_tol(e.value, 0.6, 1e-12);
    ck_assert_double_eq_tol(e.error, sqrt(1.5 * 1.04) / 5, 1e-12);
    ck_assert_double_eq(e.weight, 5);
}
END_TEST

START_TEST(five_hits_of_five_are_not_certain)
{
    struct marks m[5] = {{.errors = 0}};
    for (int i = 0; i < 5; i++)
        m[i].of[MARK_HIT] = (struct mark_sum){1, 1};
    struct estimate e = marks_mean(m, 5, MARK_HIT);
    ck_assert_double_eq(e.value, 1);
    ck_assert_double_eq_tol(e.error, sqrt(6.0 / 7 * (1.0 / 7) / 7), 1e-12);
    ck_assert(isnan(marks_mean(m, 5, MARK_RHO).value));
}
END_TEST

START_TEST(scripts_differ_and_repeat)
{
    for (int c = 0; c < condition_count(); c++) {
        struct scene_script a = condition_script(c, 1, 0), b = condition_script(c, 1, 0),
                            other = condition_script(c, 2, 0);
        ck_assert_int_eq(condition_by_name(condition_name(c)), c);
        ck_assert(a.seed == b.seed && a.seed != other.seed);
        ck_assert(a.frames == b.frames && a.frames >= 5 && a.frames <= BENCH_FRAMES);
        ck_assert(a.actors == b.actors && a.actors <= BENCH_BIRDS);
        for (int k = 0; k < a.actors; k++) {
            ck_assert(a.actor[k].p.x == b.actor[k].p.x && a.actor[k].v.z == b.actor[k].v.z);
            ck_assert_msg(k >= other.actors || a.actor[k].salt != other.actor[k].salt, "%s: the same bird",
                          condition_name(c));
            ck_assert_msg(k >= other.actors || a.actor[k].p.x != other.actor[k].p.x, "%s: the same way",
                          condition_name(c));
        }
    }
    ck_assert_int_eq(condition_by_name("no such thing"), -1);
}
END_TEST

START_TEST(kept_bursts_come_back)
{
    struct table t;
    struct bench_burst in = {0};
    char path[] = "/tmp/chaffinch-bench-XXXXXX";
    int fd = mkstemp(path);
    ck_assert_int_ge(fd, 0);
    close(fd);
    ck_assert(!cache_load(path, &in));
    make_table(&t);
    for (size_t f = 0; f < N; f++) {
        t.frame[f].packed = (uint8_t *)&t.item[f]; /* any bytes */
        t.frame[f].packed_bytes = 40 + f;
    }
    ck_assert(cache_store(path, &t.burst));
    ck_assert(cache_load(path, &in));
    ck_assert_uint_eq(in.n, N);
    for (size_t f = 0; f < N; f++) {
        ck_assert(memcmp(in.frame[f].packed, &t.item[f], 40 + f) == 0);
        ck_assert_float_eq(in.frame[f].bird[0].blur_px, blur[f]);
    }
    burst_release(&in);
    ck_assert_int_eq(truncate(path, 300), 0);
    ck_assert(!cache_load(path, &in));
    ck_assert_ptr_null(in.frame);
    unlink(path);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("bench");
    TCase *judge = tcase_create("judge"), *mean = tcase_create("mean"), *burst = tcase_create("burst");
    tcase_add_test(judge, right_answers_score_full);
    tcase_add_test(judge, hit_and_regret_fail_on_a_soft_top);
    tcase_add_test(judge, a_tie_with_the_third_is_a_hit);
    tcase_add_test(judge, a_cut_top_is_no_hit);
    tcase_add_test(judge, a_pass_that_is_not_found_is_a_miss);
    tcase_add_test(judge, whole_frame_measures_are_judged_on_their_own);
    tcase_add_test(judge, empty_frames_that_are_kept_count);
    tcase_add_test(judge, landed_counts_only_beside_a_sharper_flight);
    tcase_add_test(judge, a_never_sharp_burst_may_keep_nothing);
    tcase_add_test(judge, hovering_is_not_resting);
    tcase_add_test(judge, every_arrival_wants_one);
    tcase_add_test(judge, a_bird_of_the_set_is_no_pass);
    tcase_add_test(judge, the_head_decides_where_the_bird_is_tilted);
    tcase_add_test(judge, a_miss_has_a_cause);
    tcase_add_test(mean, rank_correlation_by_hand);
    tcase_add_test(mean, standard_error_takes_bursts_as_the_unit);
    tcase_add_test(mean, five_hits_of_five_are_not_certain);
    tcase_add_test(burst, scripts_differ_and_repeat);
    tcase_add_test(burst, kept_bursts_come_back);
    suite_add_tcase(suite, judge);
    suite_add_tcase(suite, mean);
    suite_add_tcase(suite, burst);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
