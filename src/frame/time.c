/*
 * Times as Exif writes them (CIPA DC-008) and as RFC 3339 text.
 *
 * The camera's clock is a civil clock: no zone unless OffsetTimeOriginal says one. Days are counted in the
 * proleptic Gregorian calendar, without the C library's time zone.
 */
#include "chaffinch/frame.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#define SECOND_NS INT64_C(1000000000)
enum {
    SECONDS_A_DAY = 86400,
    YEAR_FIRST = 1900, /* no camera's clock starts before; int64_t nanoseconds end in 2262 */
    YEAR_LAST = 2261,
    SUBSEC_DIGITS_MAX = 9,
    OFFSET_MAX_MIN = 14 * 60
};

/* Days since 1970-01-01. Years are counted from March, so that the leap day is the last day of a year. */
static int64_t days_of_date(int year, int month, int day)
{
    int y = month > 2 ? year : year - 1, m = (month + 9) % 12;
    return INT64_C(365) * y + y / 4 - y / 100 + y / 400 + (153 * m + 2) / 5 + day - 1 - 719468;
}

static void date_of_days(int64_t days, int *year, int *month, int *day)
{
    int y = (int)((days + 719468) * 400 / 146097);
    while (days_of_date(y + 1, 3, 1) <= days)
        y++;
    while (days_of_date(y, 3, 1) > days)
        y--;
    int of_year = (int)(days - days_of_date(y, 3, 1)), m = (5 * of_year + 2) / 153;
    *day = of_year - (153 * m + 2) / 5 + 1;
    *month = m < 10 ? m + 3 : m - 9;
    *year = *month > 2 ? y : y + 1;
}

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

/* n digits, or false. */
static bool take_number(const char **at, int n, int *number)
{
    *number = 0;
    for (int i = 0; i < n; i++, (*at)++) {
        if (!is_digit(**at))
            return false;
        *number = *number * 10 + (**at - '0');
    }
    return true;
}

static bool take_char(const char **at, const char *any_of)
{
    return **at != '\0' && strchr(any_of, **at) != NULL && *(*at)++ != '\0';
}

static bool only_padding(const char *at)
{
    return at[strspn(at, " ")] == '\0';
}

static int days_in_month(int year, int month)
{
    return (int)(month == 12 ? 31 : days_of_date(year, month + 1, 1) - days_of_date(year, month, 1));
}

/* "YYYY:MM:DD HH:MM:SS"; some writers put '-', '/' or '.' into the date and 'T' before the hour. */
static bool parse_date(const char *at, int64_t *seconds)
{
    static const char *const separator[] = {":-/.", ":-/.", " T", ":", ":"};
    int part[6];
    for (int i = 0; i < 6; i++)
        if (!take_number(&at, i == 0 ? 4 : 2, &part[i]) || (i < 5 && !take_char(&at, separator[i])))
            return false;
    if (!only_padding(at) || part[0] < YEAR_FIRST || part[0] > YEAR_LAST || part[1] < 1 || part[1] > 12 ||
        part[2] < 1 || part[2] > days_in_month(part[0], part[1]) || part[3] > 23 || part[4] > 59 ||
        part[5] > 59)
        return false;
    *seconds =
        days_of_date(part[0], part[1], part[2]) * SECONDS_A_DAY + part[3] * 3600 + part[4] * 60 + part[5];
    return true;
}

/* The digits are a decimal fraction, however many there are: "5" = .5, "05" = .05, "042" = .042. */
static int64_t parse_fraction(const char *digits, int *n_digits)
{
    int64_t ns = 0, unit = SECOND_NS;
    int n = 0;
    while (is_digit(digits[n])) {
        unit /= 10;
        ns += unit * (digits[n] - '0');
        n++;
    }
    if (!only_padding(digits + n))
        n = 0;
    *n_digits = n < SUBSEC_DIGITS_MAX ? n : SUBSEC_DIGITS_MAX;
    return n > 0 ? ns : 0;
}

/* "+HH:MM"; the sign is always written. */
static bool parse_offset(const char *at, int *minutes)
{
    int sign = *at == '-' ? -1 : 1, hour, minute;
    if (!take_char(&at, "+-") || !take_number(&at, 2, &hour) || !take_char(&at, ":") ||
        !take_number(&at, 2, &minute) || !only_padding(at) || minute > 59 ||
        hour * 60 + minute > OFFSET_MAX_MIN)
        return false;
    *minutes = sign * (hour * 60 + minute);
    return true;
}

void frame_time_parse(const char *date, const char *subsec, const char *offset, struct frame_meta *meta)
{
    int64_t seconds;
    meta->has_time = meta->has_offset = false;
    meta->time_ns = 0;
    meta->subsec_digits = meta->offset_min = 0;
    if (date == NULL || !parse_date(date, &seconds))
        return;
    meta->has_time = true;
    meta->time_ns = seconds * SECOND_NS;
    if (subsec != NULL)
        meta->time_ns += parse_fraction(subsec, &meta->subsec_digits);
    meta->has_offset = offset != NULL && parse_offset(offset, &meta->offset_min);
}

void frame_time_format(int64_t time_ns, int subsec_digits, bool has_offset, int offset_min, char out[48])
{
    int64_t ns = time_ns % SECOND_NS, seconds = time_ns / SECOND_NS;
    if (ns < 0) {
        ns += SECOND_NS;
        seconds--;
    }
    int64_t of_day = seconds % SECONDS_A_DAY, days = seconds / SECONDS_A_DAY;
    if (of_day < 0) {
        of_day += SECONDS_A_DAY;
        days--;
    }
    int year, month, day, digits = subsec_digits < SUBSEC_DIGITS_MAX ? subsec_digits : SUBSEC_DIGITS_MAX;
    date_of_days(days, &year, &month, &day);
    int n = snprintf(out, 48, "%04d-%02d-%02dT%02d:%02d:%02d", year, month, day, (int)(of_day / 3600),
                     (int)(of_day / 60 % 60), (int)(of_day % 60));
    if (digits > 0)
        n += snprintf(out + n, 48 - (size_t)n, ".%09" PRId64, ns) - (SUBSEC_DIGITS_MAX - digits);
    out[n] = '\0';
    int minutes = offset_min < 0 ? -offset_min : offset_min;
    if (has_offset)
        (void)snprintf(out + n, 48 - (size_t)n, "%c%02d:%02d", offset_min < 0 ? '-' : '+', minutes / 60 % 100,
                       minutes % 60);
}

void frame_time_text(const struct frame_meta *meta, char out[48])
{
    out[0] = '\0';
    if (meta->has_time)
        frame_time_format(meta->time_ns, meta->subsec_digits, meta->has_offset, meta->offset_min, out);
}
