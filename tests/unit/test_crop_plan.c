/* Where crops lie: rules that hold for any subject, and the cases in which there is none. */
#include <check.h>
#include <math.h>
#include <stdlib.h>

#include "../../src/report/crop_plan.h"

static uint32_t random_state = 2463534242u; /* xorshift32: Marsaglia 2003 */

static uint32_t below(uint32_t n)
{
    random_state ^= random_state << 13;
    random_state ^= random_state >> 17;
    random_state ^= random_state << 5;
    return random_state % n;
}

static void check_rules(const struct crop_wish *wish, const struct crop_box *crop)
{
    int axis = wish->turned ? 1 : 0, ahead = crop_ahead(wish);
    double aspect = wish->turned ? 1 / wish->aspect : wish->aspect;
    for (int i = 0; i < 2; i++) {
        ck_assert_uint_eq(crop->at[i] % CROP_BLOCK_PX, 0);
        ck_assert_uint_le(crop->at[i] + crop->size[i], wish->picture[i]);
        ck_assert_uint_le(crop->at[i], wish->subject.at[i]);
        ck_assert_uint_ge(crop->at[i] + crop->size[i], wish->subject.at[i] + wish->subject.size[i]);
    }
    ck_assert(fabs(crop->size[1] - crop->size[0] / aspect) <= 0.51);
    double behind = (double)wish->subject.at[axis] - crop->at[axis];
    double in_all = (double)crop->size[axis] - wish->subject.size[axis];
    if (ahead != 0)
        ck_assert((ahead > 0 ? in_all - behind : behind) >= CROP_AHEAD_SHARE * in_all);
    for (size_t i = 0; i < wish->n_keep_out; i++) {
        const struct crop_box *out = &wish->keep_out[i];
        ck_assert(crop->at[0] >= out->at[0] + out->size[0] || out->at[0] >= crop->at[0] + crop->size[0] ||
                  crop->at[1] >= out->at[1] + out->size[1] || out->at[1] >= crop->at[1] + crop->size[1]);
    }
}

START_TEST(rules_hold)
{
    static const double aspects[] = {1.5, 1, 0.8, 16.0 / 9};
    int possible = 0;
    for (int i = 0; i < 4000; i++) {
        struct crop_box out = {{below(2400), below(1800)}, {50 + below(300), 50 + below(300)}};
        struct crop_wish wish = {.picture = {2400, 1800},
                                 .subject = {.size = {40 + below(500), 40 + below(400)}},
                                 .turned = below(4) == 0,
                                 .velocity = {(double)below(2001) - 1000, (double)below(801) - 400},
                                 .aspect = aspects[below(4)],
                                 .fill = 0.2 + below(50) / 100.0,
                                 .keep_out = &out,
                                 .n_keep_out = below(2)};
        wish.subject.at[0] = below(2400 - wish.subject.size[0]);
        wish.subject.at[1] = below(1800 - wish.subject.size[1]);
        struct crop_box crop;
        if (!crop_plan(&wish, &crop))
            continue;
        possible++;
        check_rules(&wish, &crop);
    }
    ck_assert_int_gt(possible, 2400);
}
END_TEST

/* In the middle of the picture nothing is in the way: the wished size, and .4 of the room behind. */
START_TEST(wished_size_where_there_is_room)
{
    struct crop_wish wish = {.picture = {4000, 3000},
                             .subject = {{1800, 1400}, {400, 200}},
                             .velocity = {900, 20},
                             .aspect = 2,
                             .fill = 0.25};
    struct crop_box crop;
    ck_assert(crop_plan(&wish, &crop));
    ck_assert_uint_eq(crop.size[0], 1600);
    ck_assert_uint_eq(crop.size[1], 800);
    ck_assert(1800 - crop.at[0] <= 480 && 1800 - crop.at[0] > 480 - CROP_BLOCK_PX);
    wish.velocity[0] = -900;
    ck_assert(crop_plan(&wish, &crop));
    ck_assert(1800 - crop.at[0] >= 720 && 1800 - crop.at[0] < 720 + CROP_BLOCK_PX);
}
END_TEST

START_TEST(no_such_crop)
{
    struct crop_box feeder = {{900, 700}, {300, 300}}, crop;
    struct crop_wish wish = {.picture = {2400, 1800},
                             .subject = {{1000, 800}, {200, 150}},
                             .velocity = {0, 0},
                             .aspect = 1.5,
                             .fill = 0.35,
                             .keep_out = &feeder,
                             .n_keep_out = 1};
    ck_assert(!crop_plan(&wish, &crop)); /* the bird sits on the feeder */
    wish.n_keep_out = 0;
    ck_assert(crop_plan(&wish, &crop));
    wish.subject = (struct crop_box){{2195, 800}, {200, 150}};
    wish.velocity[0] = 500;
    ck_assert(!crop_plan(&wish, &crop)); /* it flies out of the picture: nothing is ahead */
    wish.velocity[0] = -500;
    ck_assert(crop_plan(&wish, &crop));
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("crop plan");
    TCase *one = tcase_create("plan");
    tcase_add_test(one, rules_hold);
    tcase_add_test(one, wished_size_where_there_is_room);
    tcase_add_test(one, no_such_crop);
    suite_add_tcase(suite, one);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed != 0;
}
