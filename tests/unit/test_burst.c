/*
 * Grouping on tables. Sources named at each case: DC-008 = Exif (CIPA DC-008), DC-009 = DCF (JEITA CP-3461 /
 * CIPA DC-009), manuals = makers' camera manuals on rollover and pre-capture, reasoning = what follows from
 * the clock's resolution, computed here.
 */
#include <check.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "chaffinch/burst.h"
#include "chaffinch/frame.h"

#define MS INT64_C(1000000)
#define SECOND INT64_C(1000000000)
enum { ROOM = 400 };

struct table {
    struct burst_frame frame[ROOM];
    size_t n;
};

static struct burst_frame *add(struct table *t, const char *body, const char *folder, int number,
                               int64_t time_ns, int digits)
{
    struct burst_frame *f = &t->frame[t->n++];
    int folder_number = strlen(folder) >= 3 ? atoi(folder) : -1;
    *f = (struct burst_frame){.body = body,
                              .folder = folder,
                              .prefix = "DEMO",
                              .number = number,
                              .folder_number = folder_number >= 100 ? folder_number : -1,
                              .has_time = time_ns >= 0,
                              .time_ns = time_ns >= 0 ? time_ns : 0,
                              .subsec_digits = digits,
                              .orientation = 1};
    return f;
}

/* A burst of n frames: true interval in us, written with so many digits (cut, as clocks do). */
static int64_t add_burst(struct table *t, const char *body, const char *folder, int first, int n,
                         int64_t start_ns, int64_t interval_us, int digits)
{
    int64_t step = SECOND;
    for (int i = 0; i < digits; i++)
        step /= 10;
    for (int i = 0; i < n; i++) {
        int64_t at = start_ns + i * interval_us * 1000;
        add(t, body, folder, first + i, at / step * step, digits);
    }
    return start_ns + n * interval_us * 1000;
}

static uint32_t seed = 1;
static uint32_t next_random(void)
{
    seed = seed * 1664525u + 1013904223u;
    return seed >> 8;
}

/* Groups the table as it stands and shuffled: both must agree on every frame. */
static struct burst_result group(struct table *t, int64_t gap_ns)
{
    struct err err = ERR_INIT;
    const struct burst_options options = {.gap_ns = gap_ns};
    struct burst_result result = {0}, again = {0};
    static struct burst_frame shuffled[ROOM];
    uint32_t at[ROOM];
    ck_assert_msg(burst_group(t->frame, t->n, &options, &result, &err), "%s", err.message);
    for (uint32_t i = 0; i < t->n; i++)
        at[i] = i;
    for (size_t i = t->n; i > 1; i--) {
        size_t k = next_random() % i;
        uint32_t swap = at[i - 1];
        at[i - 1] = at[k];
        at[k] = swap;
    }
    for (size_t i = 0; i < t->n; i++)
        shuffled[i] = t->frame[at[i]];
    ck_assert(burst_group(shuffled, t->n, &options, &again, &err));
    ck_assert_uint_eq(result.n_bursts, again.n_bursts);
    for (size_t i = 0; i < t->n; i++) {
        ck_assert_uint_eq(shuffled[i].burst, t->frame[at[i]].burst);
        ck_assert_uint_eq(shuffled[i].position, t->frame[at[i]].position);
    }
    for (size_t i = 0; i < t->n; i++) {
        const struct burst_info *b = &result.bursts[t->frame[i].burst];
        ck_assert_uint_eq(result.order[b->first + t->frame[i].position], i);
        if (t->frame[i].position > 0)
            ck_assert_int_gt(t->frame[i].estimated_ns,
                             t->frame[result.order[b->first + t->frame[i].position - 1]].estimated_ns);
    }
    burst_result_release(&again);
    return result;
}

/* The table was filled in the true order of one burst: positions must be 0, 1, 2 ... from `from` on. */
static void in_order(const struct table *t, size_t from, size_t n, uint32_t burst)
{
    for (size_t i = 0; i < n; i++) {
        ck_assert_msg(t->frame[from + i].burst == burst && t->frame[from + i].position == i,
                      "frame %zu: burst %u position %u, expected %u and %zu", from + i,
                      t->frame[from + i].burst, t->frame[from + i].position, burst, i);
    }
}

static struct table table;
static void setup(void)
{
    memset(&table, 0, sizeof table);
}

/* reasoning: 120 frames a second in hundredths leave at most 100 values, so at least 20 ties; the number
 * decides. */
START_TEST(ties_in_hundredths_at_120_fps)
{
    add_burst(&table, "A", "100EXMPL", 1, 120, 5 * SECOND, 8333, 2);
    add_burst(&table, "A", "100EXMPL", 121, 60, 30 * SECOND, 8333, 2);
    struct burst_result r = group(&table, 0);
    ck_assert_uint_eq(r.n_bursts, 2);
    in_order(&table, 0, 120, 0);
    in_order(&table, 120, 60, 1);
    burst_result_release(&r);
}
END_TEST

/* DC-008 leaves the digits of SubSecTimeOriginal to the maker; constant "00" and none at all both occur (from
 * memory): whole seconds. */
START_TEST(whole_seconds_and_constant_digits)
{
    for (int digits = 0; digits <= 2; digits += 2) {
        setup();
        add_burst(&table, "A", "100EXMPL", 1, 150, 10 * SECOND + 700 * MS, 16667, 0);
        size_t n = table.n;
        add_burst(&table, "A", "100EXMPL", 200, 90, 40 * SECOND + 100 * MS, 16667, 0);
        for (size_t i = 0; i < table.n; i++)
            table.frame[i].subsec_digits = digits;
        struct burst_result r = group(&table, 0);
        ck_assert_uint_eq(r.n_bursts, 2);
        in_order(&table, 0, n, 0);
        in_order(&table, n, 90, 1);
        burst_result_release(&r);
    }
}
END_TEST

/* reasoning: neighbours that read one second apart at a border of seconds are no pause; three seconds are. */
START_TEST(short_pauses_in_whole_seconds)
{
    for (int i = 0; i < 6; i++)
        add_burst(&table, "A", "100EXMPL", 1 + 40 * i, 40, (10 + 5 * i) * SECOND + 300 * MS, 50000, 0);
    struct burst_result r = group(&table, 0);
    ck_assert_uint_eq(r.n_bursts, 6);
    for (size_t i = 0; i < 6; i++)
        in_order(&table, 40 * i, 40, (uint32_t)i);
    burst_result_release(&r);
}
END_TEST

/* reasoning: at 60 fps hundredths never tie, but pauses read 10 or 20 ms. */
START_TEST(uneven_pauses_at_60_fps)
{
    add_burst(&table, "A", "100EXMPL", 1, 60, 5 * SECOND, 16667, 2);
    add_burst(&table, "A", "100EXMPL", 61, 60, 8 * SECOND, 16667, 2);
    struct burst_result r = group(&table, 0);
    ck_assert_uint_eq(r.n_bursts, 2);
    in_order(&table, 0, 60, 0);
    in_order(&table, 60, 60, 1);
    burst_result_release(&r);
}
END_TEST

/* Without a clock: consecutive numbers in one folder; DC-009: 9999 is followed by 0001 in
 * a new folder. */
START_TEST(no_times_at_all)
{
    for (int i = 0; i < 10; i++)
        add(&table, "", "100EXMPL", 9990 + i, -1, 0);
    for (int i = 0; i < 5; i++)
        add(&table, "", "101EXMPL", 1 + i, -1, 0);
    for (int i = 0; i < 4; i++)
        add(&table, "", "101EXMPL", 40 + i, -1, 0);
    add(&table, "", "101EXMPL", -1, -1, 0);
    struct burst_result r = group(&table, 0);
    ck_assert_uint_eq(r.n_bursts, 3);
    uint32_t first = table.frame[0].burst;
    in_order(&table, 0, 15, first);
    in_order(&table, 15, 4, table.frame[15].burst);
    ck_assert_uint_eq(r.bursts[table.frame[19].burst].count, 1);
    ck_assert(!r.bursts[0].has_time);
    burst_result_release(&r);
}
END_TEST

/* DC-009 and manuals: after 9999 numbering goes on with 0001, in the next folder (one maker) or in the same
   one (another keeps the frames of one burst together). */
START_TEST(rollover_within_a_burst)
{
    for (int same_folder = 0; same_folder <= 1; same_folder++) {
        setup();
        const char *after = same_folder ? "100EXMPL" : "101EXMPL";
        int64_t t = 100 * SECOND;
        for (int i = 0; i < 40; i++)
            add(&table, "A", i < 20 ? "100EXMPL" : after, i < 20 ? 9980 + i : i - 19,
                (t + i * 8333000) / (10 * MS) * (10 * MS), 2);
        struct burst_result r = group(&table, 0);
        ck_assert_uint_eq(r.n_bursts, 1);
        in_order(&table, 0, 40, 0);
        burst_result_release(&r);
        /* The same with whole seconds, where only the numbers know. */
        for (int i = 0; i < 40; i++) {
            table.frame[i].time_ns = t;
            table.frame[i].subsec_digits = 0;
        }
        r = group(&table, 0);
        ck_assert_uint_eq(r.n_bursts, 1);
        in_order(&table, 0, 40, 0);
        burst_result_release(&r);
    }
}
END_TEST

/* manuals: the prefix tells the colour space (DSC_ or _DSC) and says nothing about order. */
START_TEST(prefixes_do_not_matter)
{
    add_burst(&table, "A", "100EXMPL", 1, 30, 5 * SECOND, 8333, 2);
    for (size_t i = 0; i < table.n; i++)
        table.frame[i].prefix = i % 2 ? "_DSC" : "DSC_";
    struct burst_result r = group(&table, 0);
    ck_assert_uint_eq(r.n_bursts, 1);
    in_order(&table, 0, 30, 0);
    burst_result_release(&r);
}
END_TEST

/* reasoning: two bodies at one pond, equal names, pressed at the same time. DC-008 BodySerialNumber tells
 * them apart. */
START_TEST(two_bodies_interleaved)
{
    add_burst(&table, "A", "100EXMPL", 1, 40, 5 * SECOND, 16667, 3);
    add_burst(&table, "B", "100EXMPL", 1, 40, 5 * SECOND + 4 * MS, 16667, 3);
    struct burst_result r = group(&table, 0);
    ck_assert_uint_eq(r.n_bursts, 2);
    in_order(&table, 0, 40, 0);
    in_order(&table, 40, 40, 1);
    burst_result_release(&r);
}
END_TEST

/* DC-008 OffsetTimeOriginal includes daylight saving: bodies are sorted by UTC where every one has it, else
 * by civil time. */
START_TEST(offsets_order_the_bodies)
{
    add_burst(&table, "A", "100EXMPL", 1, 10, 7200 * SECOND, 16667, 3); /* 02:00 +02:00 = 00:00 UTC */
    add_burst(&table, "B", "100EXMPL", 1, 10, 3600 * SECOND, 16667, 3); /* 01:00 +00:00 = 01:00 UTC */
    for (size_t i = 0; i < 20; i++) {
        table.frame[i].has_offset = true;
        table.frame[i].offset_min = i < 10 ? 120 : 0;
    }
    struct burst_result r = group(&table, 0);
    ck_assert_uint_eq(table.frame[0].burst, 0);
    burst_result_release(&r);
    for (size_t i = 10; i < 20; i++)
        table.frame[i].has_offset = false;
    r = group(&table, 0);
    ck_assert_uint_eq(table.frame[0].burst, 1);
    burst_result_release(&r);
}
END_TEST

/* reasoning: end of summer time or a clock set in the field: a later burst lies over an earlier one in time.
   Its numbers tell, be they far on or the very next, at every resolution of the clock. */
START_TEST(clock_set_back_over_a_burst)
{
    static const int firsts[] = {61, 3000};
    for (int digits = 0; digits <= 3; digits++)
        for (size_t i = 0; i < sizeof firsts / sizeof *firsts; i++) {
            setup();
            add_burst(&table, "A", "100EXMPL", 1, 60, 5000 * SECOND, 33333, digits);
            add_burst(&table, "A", "100EXMPL", firsts[i], 60, 5000 * SECOND + 300 * MS, 33333, digits);
            struct burst_result r = group(&table, 0);
            ck_assert_uint_eq(r.n_bursts, 2);
            in_order(&table, 0, 60, table.frame[0].burst);
            in_order(&table, 60, 60, table.frame[60].burst);
            burst_result_release(&r);
        }
}
END_TEST

/* reasoning: an hour back, and three bursts of the hour before are bridged by one of the hour after. */
START_TEST(a_bridge_of_the_hour_after)
{
    add_burst(&table, "A", "100EXMPL", 1, 30, 5000 * SECOND, 16667, 2);
    add_burst(&table, "A", "100EXMPL", 31, 30, 5003 * SECOND, 16667, 2);
    add_burst(&table, "A", "100EXMPL", 61, 30, 5006 * SECOND, 16667, 2);
    add_burst(&table, "A", "100EXMPL", 91, 300, 5000 * SECOND + 200 * MS, 25000, 2);
    struct burst_result r = group(&table, SECOND);
    ck_assert_uint_eq(r.n_bursts, 4);
    in_order(&table, 0, 30, 0);
    in_order(&table, 90, 300, 1);
    in_order(&table, 30, 30, 2);
    in_order(&table, 60, 30, 3);
    burst_result_release(&r);
}
END_TEST

/* reasoning: right behind each other by the set-back clock, but 800 frames were shot in between. */
START_TEST(more_numbers_than_time)
{
    add_burst(&table, "A", "100EXMPL", 1, 60, 5000 * SECOND, 16667, 2);
    add_burst(&table, "A", "100EXMPL", 861, 60, 5001 * SECOND + 100 * MS, 16667, 2);
    struct burst_result r = group(&table, 0);
    ck_assert_uint_eq(r.n_bursts, 2);
    in_order(&table, 0, 60, 0);
    in_order(&table, 60, 60, 1);
    burst_result_release(&r);
}
END_TEST

/* reasoning: without an overlap the times alone decide: bursts are numbered by the clock as it was. */
START_TEST(clock_set_back_between_bursts)
{
    add_burst(&table, "A", "100EXMPL", 1, 20, 8600 * SECOND, 16667, 2);
    add_burst(&table, "A", "100EXMPL", 21, 20, 5000 * SECOND, 16667, 2);
    struct burst_result r = group(&table, 0);
    ck_assert_uint_eq(r.n_bursts, 2);
    in_order(&table, 20, 20, 0);
    in_order(&table, 0, 20, 1);
    burst_result_release(&r);
}
END_TEST

/* DC-008 OffsetTimeOriginal: +02:00 becomes +01:00 at the end of summer time, so nothing overlaps in UTC. */
START_TEST(offsets_undo_a_clock_set_back)
{
    add_burst(&table, "A", "100EXMPL", 1, 3, 9000 * SECOND, 16667, 2);
    add_burst(&table, "A", "100EXMPL", 4, 3, 9000 * SECOND, 16667, 2);
    for (size_t i = 0; i < 6; i++) {
        table.frame[i].has_offset = true;
        table.frame[i].offset_min = i < 3 ? 120 : 60;
    }
    struct burst_result r = group(&table, 0);
    ck_assert_uint_eq(r.n_bursts, 2);
    in_order(&table, 0, 3, 0);
    in_order(&table, 3, 3, 1);
    ck_assert_int_eq(table.frame[5].estimated_ns / SECOND, 9000); /* civil time, as it was */
    burst_result_release(&r);
}
END_TEST

/* reasoning: two card slots, the first one full within a burst; by name its folder comes last. */
START_TEST(a_burst_goes_on_in_the_other_slot)
{
    for (int digits = 1; digits <= 3; digits++) {
        setup();
        int64_t t = add_burst(&table, "A", "slot-b/100EXMPL", 1, 40, 5 * SECOND, 8333, digits);
        add_burst(&table, "A", "slot-a/100EXMPL", 41, 40, t, 8333, digits);
        struct burst_result r = group(&table, 0);
        ck_assert_uint_eq(r.n_bursts, 1);
        in_order(&table, 0, 80, 0);
        burst_result_release(&r);
    }
}
END_TEST

/* reasoning: names given later hold numbers that say nothing; the clock alone decides. */
START_TEST(numbers_that_say_nothing)
{
    add_burst(&table, "A", "pond", 1, 60, 5 * SECOND, 16667, 3);
    for (size_t i = 0; i < 60; i++)
        table.frame[i].number = (int)(i * 37 % 60) + 1;
    struct burst_result r = group(&table, 0);
    ck_assert_uint_eq(r.n_bursts, 1);
    in_order(&table, 0, 60, 0);
    burst_result_release(&r);
    setup(); /* milliseconds as numbers: "20260501-073015-042" */
    add_burst(&table, "A", "pond", 1, 150, 5 * SECOND, 16667, 3);
    for (size_t i = 0; i < 150; i++)
        table.frame[i].number = (int)(table.frame[i].time_ns / MS % 1000);
    r = group(&table, 0);
    ck_assert_uint_eq(r.n_bursts, 1);
    in_order(&table, 0, 150, 0);
    burst_result_release(&r);
}
END_TEST

/* reasoning: a crop setting is changed by hand, between two presses; turning the camera is no change. */
START_TEST(mixed_sizes)
{
    add_burst(&table, "A", "100EXMPL", 1, 60, 5 * SECOND, 16667, 3);
    for (size_t i = 0; i < 60; i++) {
        table.frame[i].width_px = i < 20 ? 6000 : 3984;
        table.frame[i].height_px = i < 20 ? 4000 : 2656;
    }
    struct burst_result r = group(&table, 0);
    ck_assert_uint_eq(r.n_bursts, 2);
    in_order(&table, 0, 20, 0);
    in_order(&table, 20, 40, 1);
    burst_result_release(&r);
    for (size_t i = 0; i < 60; i++) {
        table.frame[i].width_px = i % 3 == 0 ? 0 : i < 20 ? 6000 : 4000; /* 0 = unknown */
        table.frame[i].height_px = i % 3 == 0 ? 0 : i < 20 ? 4000 : 6000;
        table.frame[i].orientation = i < 20 ? 1 : 6;
    }
    r = group(&table, 0);
    ck_assert_uint_eq(r.n_bursts, 1);
    in_order(&table, 0, 60, 0);
    burst_result_release(&r);
    setup(); /* and of two bursts in one stretch of time, either stays whole */
    add_burst(&table, "A", "100EXMPL", 1, 60, 5 * SECOND, 16667, 3);
    add_burst(&table, "A", "100EXMPL", 61, 60, 5 * SECOND + 200 * MS, 16667, 3);
    for (size_t i = 0; i < 120; i++) {
        table.frame[i].width_px = i < 60 ? 6000 : 3984;
        table.frame[i].height_px = i < 60 ? 4000 : 2656;
    }
    r = group(&table, 0);
    ck_assert_uint_eq(r.n_bursts, 2);
    in_order(&table, 0, 60, 0);
    in_order(&table, 60, 60, 1);
    burst_result_release(&r);
}
END_TEST

/* reasoning: frames deleted in the camera leave holes in the numbers, not in the burst. */
START_TEST(deleted_frames_leave_one_burst)
{
    add_burst(&table, "A", "100EXMPL", 1, 60, 5 * SECOND, 16667, 2);
    memmove(&table.frame[20], &table.frame[30], 30 * sizeof *table.frame);
    table.n = 50;
    struct burst_result r = group(&table, 0);
    ck_assert_uint_eq(r.n_bursts, 1);
    in_order(&table, 0, 50, 0);
    burst_result_release(&r);
}
END_TEST

START_TEST(single_frames_and_nothing)
{
    struct burst_result r = group(&table, 0);
    ck_assert_uint_eq(r.n_bursts, 0);
    burst_result_release(&r);
    for (int i = 0; i < 5; i++)
        add(&table, "A", "100EXMPL", i + 1, (10 + 7 * i) * SECOND, 2);
    r = group(&table, 0);
    ck_assert_uint_eq(r.n_bursts, 5);
    burst_result_release(&r);
    for (size_t i = 0; i < 5; i++) { /* 2 s apart in whole seconds: still no burst */
        table.frame[i].time_ns = (10 + 2 * (int64_t)i) * SECOND;
        table.frame[i].subsec_digits = 0;
    }
    r = group(&table, 0);
    ck_assert_uint_eq(r.n_bursts, 5);
    burst_result_release(&r);
    setup(); /* 2 s apart: apart at the default, together when asked */
    add_burst(&table, "A", "100EXMPL", 1, 20, 5 * SECOND, 16667, 3);
    add_burst(&table, "A", "100EXMPL", 21, 20, 7 * SECOND + 333 * MS, 16667, 3);
    r = group(&table, 0);
    ck_assert_uint_eq(r.n_bursts, 2);
    burst_result_release(&r);
    r = group(&table, 3 * SECOND);
    ck_assert_uint_eq(r.n_bursts, 1);
    burst_result_release(&r);
}
END_TEST

/* manuals (Canon SequenceNumber and the like, as read by ExifTool 12.57): a hint where times tie. Within a
   whole second it may begin anew with a second press: then there is a hole, and the numbers decide. */
START_TEST(sequence_hint_before_numbers)
{
    for (int i = 0; i < 10; i++)
        add(&table, "A", "100EXMPL", 10 - i, 5 * SECOND, 0)->sequence = (uint32_t)i + 1;
    struct burst_result r = group(&table, 0);
    ck_assert_uint_eq(r.n_bursts, 1);
    in_order(&table, 0, 10, 0);
    burst_result_release(&r);
    setup();
    for (int i = 0; i < 10; i++)
        add(&table, "A", "100EXMPL", 1 + i, 5 * SECOND, 0)->sequence = (uint32_t)(i < 7 ? 20 + i : i - 6);
    r = group(&table, 0);
    in_order(&table, 0, 10, 0);
    burst_result_release(&r);
}
END_TEST

/* No serial: bodies are told by maker, model and the run of folders, as the caller puts it into `body`. Both
   cards lie in one session, shot at the same time with the same names. */
START_TEST(no_serial)
{
    add_burst(&table, "Example|Demo-1|card-1/DCIM", "card-1/DCIM/100EXMPL", 1, 40, 5 * SECOND, 16667, 2);
    add_burst(&table, "Example|Demo-1|card-2/DCIM", "card-2/DCIM/100EXMPL", 1, 40, 5 * SECOND, 16667, 2);
    struct burst_result r = group(&table, 0);
    ck_assert_uint_eq(r.n_bursts, 2);
    in_order(&table, 0, 40, 0);
    in_order(&table, 40, 40, 1);
    burst_result_release(&r);
    for (size_t i = 0; i < 80; i++) /* even if the caller could not tell them apart */
        table.frame[i].body = "Example|Demo-1|";
    r = group(&table, 0);
    ck_assert_uint_eq(r.n_bursts, 2);
    in_order(&table, 0, 40, 0);
    in_order(&table, 40, 40, 1);
    burst_result_release(&r);
}
END_TEST

/* DC-009: a raw and a JPEG of one number are one frame, so a burst counts them once. */
START_TEST(pairs_are_one_frame)
{
    struct err err = ERR_INIT;
    char text[40][16];
    const char *names[40];
    int32_t of[40];
    enum frame_file_kind kinds[40];
    size_t n_frames = 0;
    for (int i = 0; i < 40; i++) {
        (void)snprintf(text[i], sizeof text[i], "DEMO%04d.%s", i / 2 + 1, i % 2 ? "DNG" : "JPG");
        names[i] = text[i];
    }
    ck_assert(frame_group(names, 40, of, kinds, &n_frames, &err));
    ck_assert_uint_eq(n_frames, 20);
    for (int i = 0; i < 40; i += 2) {
        struct frame_name name;
        ck_assert_int_eq(of[i], of[i + 1]);
        frame_name_parse(names[i], &name);
        add(&table, "A", "100EXMPL", name.number, 5 * SECOND + i * 8 * MS, 3)->prefix = "DEMO";
    }
    struct burst_result r = group(&table, 0);
    ck_assert_uint_eq(r.n_bursts, 1);
    ck_assert_uint_eq(r.bursts[0].count, 20);
    in_order(&table, 0, 20, 0);
    burst_result_release(&r);
}
END_TEST

/* manuals: rollover with both ends deleted in the camera, seen only as hundredths that tie across it. */
START_TEST(rollover_with_deleted_ends)
{
    for (int i = 0; i < 60; i++)
        if (i < 27 || i > 33)
            add(&table, "A", "100EXMPL", i < 30 ? 9970 + i : i - 29,
                (100 * SECOND + i * 4 * MS) / (100 * MS) * (100 * MS), 1);
    struct burst_result r = group(&table, 0);
    ck_assert_uint_eq(r.n_bursts, 1);
    in_order(&table, 0, table.n, 0);
    burst_result_release(&r);
}
END_TEST

/* Sessions with a known truth: bodies, rates, digits, rollovers and pauses by chance. All must come back. */
static void add_session(int bodies)
{
    static const char *const names[] = {"A", "B", "C"};
    static const int64_t intervals_us[] = {8333, 16667, 33333, 50000, 100000};
    for (int b = 0; b < bodies; b++) {
        int digits = (int)(next_random() % 4), number = (int)(next_random() % 9999) + 1;
        int64_t interval_us = intervals_us[next_random() % 5], t = 40000 * SECOND + next_random() % 1000 * MS;
        const char *folder = "100EXMPL";
        for (int burst = 0; burst < 4; burst++, t += (8 + next_random() % 60) * SECOND)
            for (int i = 5 + (int)(next_random() % 26); i > 0; i--, t += interval_us * 1000) {
                int64_t step = digits == 0 ? SECOND : digits == 1 ? 100 * MS : digits == 2 ? 10 * MS : MS;
                add(&table, names[b], folder, number, t / step * step, digits)->burst_group =
                    (uint32_t)(4 * b + burst);
                if (number++ == 9999) {
                    number = 1;
                    folder = "101EXMPL";
                }
            }
    }
}

START_TEST(sessions_by_chance)
{
    for (int round = 0; round < 300; round++) {
        setup();
        seed = (uint32_t)round;
        add_session(1 + round % 3);
        struct burst_result r = group(&table, 0);
        ck_assert_msg(r.n_bursts == 4 * (size_t)(1 + round % 3), "round %d: %zu bursts", round, r.n_bursts);
        for (size_t from = 0, end; from < table.n; from = end) {
            for (end = from + 1;
                 end < table.n && table.frame[end].burst_group == table.frame[from].burst_group;)
                end++;
            in_order(&table, from, end - from, table.frame[from].burst);
            ck_assert_uint_eq(r.bursts[table.frame[from].burst].count, end - from);
        }
        burst_result_release(&r);
    }
}
END_TEST

/* Ties are spread evenly: whole seconds at 60 fps come back with a mean error under half a frame where the
 * second is full. */
START_TEST(estimated_times_follow_the_pace)
{
    add_burst(&table, "A", "100EXMPL", 1, 150, 10 * SECOND + 500 * MS, 16667, 0);
    struct burst_result r = group(&table, 0);
    double worst = 0;
    for (int i = 0; i < 150; i++) {
        double truth = 10.5e9 + i * 16667e3, error = (double)table.frame[i].estimated_ns - truth;
        worst = error < 0 ? (worst > -error ? worst : -error) : (worst > error ? worst : error);
    }
    ck_assert_double_lt(worst, 40e6);
    burst_result_release(&r);
}
END_TEST

/* The gap: a table of pauses and the range that the choice must lie in. */
START_TEST(the_gap_lies_in_the_empty_stretch)
{
    const int64_t clear[] = {8 * MS, 8 * MS, 9 * MS, 10 * MS, 8000 * MS, 20000 * MS};
    int64_t gap = burst_choose_gap(clear, 6);
    ck_assert_int_ge(gap, BURST_GAP_FLOOR_MS * MS);
    ck_assert_int_le(gap, BURST_GAP_CEILING_MS * MS);
    const int64_t slow[] = {8 * MS, 450 * MS, 500 * MS, 520 * MS, 3000 * MS, 4000 * MS};
    gap = burst_choose_gap(slow, 6);
    ck_assert_int_gt(gap, 520 * MS);
    ck_assert_int_lt(gap, 3000 * MS);
    gap = burst_choose_gap(NULL, 0);
    ck_assert_int_gt(gap, BURST_GAP_FLOOR_MS * MS);
    ck_assert_int_lt(gap, BURST_GAP_CEILING_MS * MS);
}
END_TEST

START_TEST(a_hundred_thousand_frames)
{
    struct err err = ERR_INIT;
    enum { N = 100000 };
    struct burst_frame *frames = calloc(N, sizeof *frames);
    struct burst_result r;
    const struct burst_options options = {0};
    ck_assert_ptr_nonnull(frames);
    for (int i = 0; i < N; i++)
        frames[i] = (struct burst_frame){.body = "A",
                                         .folder = "x",
                                         .prefix = "DEMO",
                                         .number = i % 9999 + 1,
                                         .folder_number = -1,
                                         .has_time = true,
                                         .time_ns = (i / 50) * 20 * SECOND + i % 50 * 10 * MS,
                                         .subsec_digits = 2};
    clock_t before = clock();
    ck_assert(burst_group(frames, N, &options, &r, &err));
    ck_assert_uint_eq(r.n_bursts, N / 50);
    /* .05 s measured; a square would take minutes, under a sanitizer too */
    ck_assert_int_lt(clock() - before, 2 * CLOCKS_PER_SEC);
    burst_result_release(&r);
    free(frames);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("burst");
    TCase *tc = tcase_create("burst");
    tcase_add_checked_fixture(tc, setup, NULL);
    tcase_add_test(tc, ties_in_hundredths_at_120_fps);
    tcase_add_test(tc, whole_seconds_and_constant_digits);
    tcase_add_test(tc, short_pauses_in_whole_seconds);
    tcase_add_test(tc, uneven_pauses_at_60_fps);
    tcase_add_test(tc, no_times_at_all);
    tcase_add_test(tc, rollover_within_a_burst);
    tcase_add_test(tc, prefixes_do_not_matter);
    tcase_add_test(tc, two_bodies_interleaved);
    tcase_add_test(tc, offsets_order_the_bodies);
    tcase_add_test(tc, clock_set_back_over_a_burst);
    tcase_add_test(tc, a_bridge_of_the_hour_after);
    tcase_add_test(tc, more_numbers_than_time);
    tcase_add_test(tc, clock_set_back_between_bursts);
    tcase_add_test(tc, offsets_undo_a_clock_set_back);
    tcase_add_test(tc, a_burst_goes_on_in_the_other_slot);
    tcase_add_test(tc, numbers_that_say_nothing);
    tcase_add_test(tc, mixed_sizes);
    tcase_add_test(tc, no_serial);
    tcase_add_test(tc, pairs_are_one_frame);
    tcase_add_test(tc, rollover_with_deleted_ends);
    tcase_add_test(tc, sessions_by_chance);
    tcase_add_test(tc, deleted_frames_leave_one_burst);
    tcase_add_test(tc, single_frames_and_nothing);
    tcase_add_test(tc, sequence_hint_before_numbers);
    tcase_add_test(tc, estimated_times_follow_the_pace);
    tcase_add_test(tc, the_gap_lies_in_the_empty_stretch);
    tcase_add_test(tc, a_hundred_thousand_frames);
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
