/* Order statistics of finding subjects, against qsort: values side by side, and one list at a time. */
#include <check.h>
#include <stdlib.h>
#include <string.h>

#include "../../src/subject/scene.h"

static uint32_t state = 5;

static float chance(uint32_t below)
{
    state = state * 1664525u + 1013904223u;
    return (float)(((uint64_t)state * below) >> 32);
}

static int by_value(const void *a, const void *b)
{
    float x = *(const float *)a, y = *(const float *)b;
    return (x > y) - (x < y);
}

/* Every number of values, with many equal ones and with hardly any. */
START_TEST(lanes_are_sorted)
{
    for (size_t n = 1; n <= SCENE_SAMPLE; n++) {
        float v[SCENE_SAMPLE][SCENE_LANES], lane[SCENE_LANES][SCENE_SAMPLE];
        for (size_t k = 0; k < n; k++)
            for (size_t i = 0; i < SCENE_LANES; i++)
                v[k][i] = lane[i][k] = chance(_i == 0 ? 4 : 1000000);
        lanes_sort(v, n);
        for (size_t i = 0; i < SCENE_LANES; i++) {
            qsort(lane[i], n, sizeof lane[i][0], by_value);
            for (size_t k = 0; k < n; k++)
                ck_assert_msg(v[k][i] == lane[i][k], "%zu values, lane %zu, place %zu", n, i, k);
        }
    }
}
END_TEST

START_TEST(the_nth_value_is_found)
{
    static const size_t size[] = {1, 2, 3, 7, 31, 64, 65, 500};
    for (size_t s = 0; s < sizeof size / sizeof size[0]; s++) {
        float v[500], sorted[500], copy[500];
        for (size_t k = 0; k < size[s]; k++)
            v[k] = sorted[k] = chance(_i == 0 ? 4 : 1000000);
        qsort(sorted, size[s], sizeof sorted[0], by_value);
        for (size_t k = 0; k < size[s]; k++) {
            memcpy(copy, v, sizeof copy);
            ck_assert_msg(select_nth(copy, size[s], k) == sorted[k], "%zu of %zu", k, size[s]);
        }
    }
}
END_TEST

/* Masks grow and shrink by a square, as the definition says, cell by cell. */
START_TEST(masks_grow_and_shrink_by_squares)
{
    enum { COLS = 37, ROWS = 29 };
    for (int reach = 1; reach < 9; reach++)
        for (int want = 0; want < 2; want++) {
            uint8_t mask[COLS * ROWS], before[COLS * ROWS], scratch[COLS * ROWS];
            for (int i = 0; i < COLS * ROWS; i++)
                mask[i] = before[i] = (chance(40) < 1) == want;
            (want ? mask_dilate : mask_erode)(mask, COLS, ROWS, (uint32_t)reach, scratch);
            for (int r = 0; r < ROWS; r++)
                for (int c = 0; c < COLS; c++) {
                    bool any = false;
                    for (int y = r - reach; y <= r + reach; y++)
                        for (int x = c - reach; x <= c + reach; x++)
                            any = any ||
                                  (x >= 0 && y >= 0 && x < COLS && y < ROWS && before[y * COLS + x] == want);
                    ck_assert_int_eq(mask[r * COLS + c], any ? want : !want);
                }
        }
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("sorted");
    TCase *tc = tcase_create("sorted");
    tcase_add_loop_test(tc, lanes_are_sorted, 0, 2);
    tcase_add_loop_test(tc, the_nth_value_is_found, 0, 2);
    tcase_add_test(tc, masks_grow_and_shrink_by_squares);
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
