/*
 * Exif times on tables. Source: CIPA DC-008 (DateTimeOriginal, SubSecTimeOriginal, OffsetTimeOriginal) as
 * readers and summaries of it repeat it; RFC 3339 for the text; seconds since 1970 computed with GNU
 * date 9.1.
 */
#include <check.h>
#include <inttypes.h>
#include <string.h>

#include "chaffinch/frame.h"

#define SECOND INT64_C(1000000000)

START_TEST(dates)
{
    const struct {
        const char *date;
        bool known;
        int64_t seconds;
    } table[] = {
        {"1970:01:01 00:00:00", true, 0},
        {"2026:05:01 07:30:15", true, 1777620615},
        {"2000:02:29 23:59:59", true, 951868799},
        {"1999:12:31 23:59:59", true, 946684799},
        {"1900:01:01 00:00:00", true, INT64_C(-2208988800)},
        {"2261:12:31 23:59:59", true, INT64_C(9214646399)},
        {"2026:05:01 07:30:15  ", true, 1777620615}, /* padded */
        {"2026-05-01T07:30:15", true, 1777620615},   /* not DC-008, but met */
        {"", false, 0},
        {"                   ", false, 0}, /* unknown */
        {"    :  :     :  :  ", false, 0}, /* unknown, colons kept */
        {"0000:00:00 00:00:00", false, 0}, /* a clock that was never set */
        {"2026:00:01 07:30:15", false, 0},
        {"2026:13:01 07:30:15", false, 0},
        {"2026:05:00 07:30:15", false, 0},
        {"2026:04:31 07:30:15", false, 0},
        {"2026:02:29 07:30:15", false, 0},
        {"1900:02:29 07:30:15", false, 0}, /* no leap year */
        {"2026:05:01 24:00:00", false, 0}, /* 24 h clock: 00-23 */
        {"2026:05:01 07:60:15", false, 0},
        {"2026:05:01 07:30:60", false, 0},
        {"2026:05:01 07:30", false, 0},
        {"2026:05:01", false, 0},
        {"2026:5:01 07:30:15", false, 0},
        {"2026:05:01 07:30:15x", false, 0},
        {"+026:05:01 07:30:15", false, 0},
        {"1899:12:31 23:59:59", false, 0},
        {"9999:12:31 23:59:59", false, 0}, /* beyond 64-bit nanoseconds */
    };
    for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
        struct frame_meta m = {.has_time = true, .time_ns = 7, .subsec_digits = 3, .has_offset = true};
        frame_time_parse(table[i].date, "5", "+01:00", &m);
        int64_t expected = table[i].known ? table[i].seconds * SECOND + SECOND / 2 : 0;
        ck_assert_msg(m.has_time == table[i].known && m.time_ns == expected,
                      "'%s': %d %" PRId64 ", expected %d %" PRId64, table[i].date, m.has_time, m.time_ns,
                      table[i].known, expected);
        ck_assert(m.has_offset == table[i].known);
    }
    struct frame_meta m = {0};
    frame_time_parse(NULL, NULL, NULL, &m);
    ck_assert(!m.has_time);
}
END_TEST

/* The digits are a decimal fraction of any length, padded on the right with blanks. */
START_TEST(fractions)
{
    const struct {
        const char *subsec;
        int digits;
        int64_t ns;
    } table[] = {
        {"5", 1, 500000000},
        {"05", 2, 50000000},
        {"042", 3, 42000000},
        {"130", 3, 130000000},
        {"00", 2, 0},
        {"0", 1, 0},
        {"13  ", 2, 130000000},
        {"123456", 6, 123456000},
        {"999999999", 9, 999999999},
        {"1234567891", 9, 123456789}, /* digits beyond the ninth do not count */
        {"", 0, 0},
        {"    ", 0, 0},
        {" 5", 0, 0},
        {"5x", 0, 0},
        {"-5", 0, 0},
    };
    for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
        struct frame_meta m = {0};
        frame_time_parse("1970:01:01 00:00:01", table[i].subsec, NULL, &m);
        ck_assert_msg(m.has_time && m.subsec_digits == table[i].digits && m.time_ns == SECOND + table[i].ns,
                      "'%s': %d digits, %" PRId64, table[i].subsec, m.subsec_digits, m.time_ns);
    }
}
END_TEST

START_TEST(offsets)
{
    const struct {
        const char *offset;
        bool known;
        int minutes;
    } table[] = {
        {"+02:00", true, 120}, {"-03:30", true, -210}, {"+00:00", true, 0},    {"-00:30", true, -30},
        {"+05:45", true, 345}, {"+14:00", true, 840},  {"+02:00 ", true, 120}, {"   :  ", false, 0},
        {"      ", false, 0},  {"", false, 0},         {"02:00", false, 0},    {"+2:00", false, 0},
        {"+0200", false, 0},   {"+02:60", false, 0},   {"+14:01", false, 0},   {"+02:00x", false, 0},
    };
    for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
        struct frame_meta m = {0};
        frame_time_parse("2026:05:01 07:30:15", NULL, table[i].offset, &m);
        ck_assert_msg(m.has_offset == table[i].known && m.offset_min == table[i].minutes, "'%s': %d %d",
                      table[i].offset, m.has_offset, m.offset_min);
    }
}
END_TEST

/* RFC 3339, with as many digits as were written and no zone where none was. */
START_TEST(text)
{
    const struct {
        const char *date, *subsec, *offset, *text;
    } table[] = {
        {"2026:05:01 07:30:15", "042", "+02:00", "2026-05-01T07:30:15.042+02:00"},
        {"2026:05:01 07:30:15", "5", NULL, "2026-05-01T07:30:15.5"},
        {"2026:05:01 07:30:15", "00", "-03:30", "2026-05-01T07:30:15.00-03:30"},
        {"2026:05:01 07:30:15", NULL, "+00:00", "2026-05-01T07:30:15+00:00"},
        {"2026:05:01 07:30:15", "123456789", "-00:30", "2026-05-01T07:30:15.123456789-00:30"},
        {"1969:12:31 23:59:59", "25", NULL, "1969-12-31T23:59:59.25"},
        {"1900:03:01 00:00:00", NULL, NULL, "1900-03-01T00:00:00"},
        {"2000:02:29 12:00:00", NULL, NULL, "2000-02-29T12:00:00"},
        {"2261:12:31 23:59:59", "999999999", NULL, "2261-12-31T23:59:59.999999999"},
        {"0000:00:00 00:00:00", "5", "+02:00", ""},
    };
    for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
        struct frame_meta m = {0};
        char out[48];
        frame_time_parse(table[i].date, table[i].subsec, table[i].offset, &m);
        frame_time_text(&m, out);
        ck_assert_str_eq(out, table[i].text);
    }
}
END_TEST

/* Every day of 400 years and more comes back from its text. */
START_TEST(days_round_trip)
{
    char before[48] = "";
    for (int64_t day = -25567; day < 106000; day++) {
        struct frame_meta m = {0};
        char out[48];
        frame_time_format((day * 86400 + 3661) * SECOND, 0, false, 0, out);
        ck_assert_int_gt(strcmp(out, before), 0);
        frame_time_parse(out, NULL, NULL, &m);
        ck_assert_int_eq(m.time_ns, (day * 86400 + 3661) * SECOND);
        memcpy(before, out, sizeof before);
    }
    frame_time_format(INT64_MIN, 9, true, -840, before);
    ck_assert_str_eq(before, "1677-09-21T00:12:43.145224192-14:00");
    frame_time_format(INT64_MAX, 9, true, 840, before);
    ck_assert_str_eq(before, "2262-04-11T23:47:16.854775807+14:00");
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("time");
    TCase *tc = tcase_create("time");
    tcase_add_test(tc, dates);
    tcase_add_test(tc, fractions);
    tcase_add_test(tc, offsets);
    tcase_add_test(tc, text);
    tcase_add_test(tc, days_round_trip);
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
