/*
 * Where to decode, from thumbnails: what must be inside the boxes, and when everything must be decoded.
 */
#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/locate.h"

enum { COLS = 160, ROWS = 120, MOST = 60 };

static uint32_t state;

static uint32_t chance(uint32_t below)
{
    state = state * 1664525u + 1013904223u;
    return (uint32_t)(((uint64_t)state * below) >> 32);
}

/* A scene of soft hills and posts, with noise of a step or so. */
struct film {
    size_t n;
    uint8_t *luma[MOST];
    struct locate_frame where[MOST];
    enum locate_answer answer;
    uint32_t noise;      /* steps either way */
    float drift;         /* of the camera, px a frame */
    float exposure;      /* swing, share */
    uint32_t bars;       /* black rows above and below */
    uint32_t frame_rows; /* shape of the frames: COLS to this */
};

static void film_open(struct film *f, size_t n)
{
    *f = (struct film){.n = n, .noise = 2, .frame_rows = ROWS};
    state = 11;
    for (size_t t = 0; t < n; t++) {
        f->luma[t] = malloc(COLS * ROWS);
        ck_assert_ptr_nonnull(f->luma[t]);
    }
}

static void film_close(struct film *f)
{
    for (size_t t = 0; t < f->n; t++)
        free(f->luma[t]);
}

static double scene_at(double x, double y)
{
    double post = fmod(x + 1000, 23) - 11;
    return 120 + 40 * sin(x / 17) * cos(y / 13) + 30 * exp(-post * post / 4);
}

static void film_scene(struct film *f)
{
    for (size_t t = 0; t < f->n; t++) {
        double gain = 1 + (double)f->exposure * sin((double)t / 7);
        for (uint32_t y = 0; y < ROWS; y++)
            for (uint32_t x = 0; x < COLS; x++) {
                bool bar = y < f->bars || y >= ROWS - f->bars;
                double v = gain * scene_at(x + (double)f->drift * (double)t, y) + chance(2 * f->noise + 1) -
                           f->noise;
                f->luma[t][y * COLS + x] = bar ? 2 : (uint8_t)fmin(fmax(v, 0), 255);
            }
    }
}

/* A dark subject of w x h px whose corner is at (x, y) in frame t. */
static void film_subject(struct film *f, size_t t, int x, int y, int w, int h)
{
    for (int r = y; r < y + h; r++)
        for (int c = x; c < x + w; c++)
            if (r >= (int)f->bars && r < ROWS - (int)f->bars && c >= 0 && c < COLS)
                f->luma[t][r * COLS + c] = (uint8_t)(30 + chance(8));
}

static void film_look(struct film *f)
{
    struct err err = ERR_INIT;
    const struct locate_input in = {
        f->n, (const uint8_t *const *)f->luma, COLS, ROWS, COLS * 10, f->frame_rows * 10, 0};
    ck_assert_msg(locate_subjects(&in, f->where, &f->answer, &err), "%s", err.message);
}

static bool holds(const struct film *f, size_t t, int x, int y, int w, int h)
{
    const struct locate_box *b = &f->where[t].part;
    if (f->where[t].whole)
        return true;
    double rows = ROWS - 2.0 * f->bars, top = f->bars;
    double x0 = fmax(x, 0), x1 = fmin(x + w, COLS);
    return (double)b->x0 * COLS <= x0 && (double)b->x1 * COLS >= x1 && (double)b->y0 * rows <= y - top &&
           (double)b->y1 * rows >= y + h - top;
}

static void check_pass(struct film *f, int speed)
{
    film_scene(f);
    for (size_t t = 0; t < f->n; t++)
        film_subject(f, t, (int)t * speed - 60, 50, 16, 10);
    film_look(f);
    ck_assert_msg(f->answer == LOCATE_PARTS, "%s", locate_answer_words(f->answer));
    size_t empty = 0, whole = 0;
    for (size_t t = 0; t < f->n; t++) {
        int x = (int)t * speed - 60;
        bool inside = x + 16 > 0 && x < COLS;
        ck_assert_msg(!inside || holds(f, t, x, 50, 16, 10), "frame %zu: subject at %d is not in the part", t,
                      x);
        empty += !f->where[t].whole && !(f->where[t].part.x1 > f->where[t].part.x0);
        whole += f->where[t].whole;
    }
    ck_assert_uint_ge(empty, 10); /* it is outside in 15 frames or more */
    ck_assert(whole >= 3 && whole <= 6);
}

START_TEST(a_pass_is_inside_its_parts)
{
    struct film f;
    film_open(&f, MOST);
    check_pass(&f, 4 + _i * 2);
    film_close(&f);
}
END_TEST

START_TEST(changing_exposure_is_told_and_does_not_matter)
{
    struct film f;
    film_open(&f, MOST);
    f.exposure = .15f;
    check_pass(&f, 5);
    for (size_t t = 0; t < f.n; t++) /* against the median exposure of the burst */
        ck_assert_double_eq_tol((double)f.where[t].gain / (double)f.where[0].gain,
                                1 + .15 * sin((double)t / 7), .02);
    film_close(&f);
}
END_TEST

/* A frame of 3:2 in a thumbnail of 4:3: 106 rows of picture between bars of 7. */
START_TEST(black_bars_are_cut_off)
{
    struct film f;
    film_open(&f, MOST);
    f.bars = 7;
    f.frame_rows = 106;
    check_pass(&f, 5);
    film_close(&f);
    /* Bars where the shape of the frame says there should be none. */
    film_open(&f, MOST);
    f.frame_rows = 106;
    film_scene(&f);
    film_look(&f);
    ck_assert_int_eq(f.answer, LOCATE_ODD_THUMBNAIL);
    film_close(&f);
}
END_TEST

/* It flies in and sits down for the second half: by then it is nearly part of the scene. */
START_TEST(what_comes_to_rest_keeps_its_place)
{
    struct film f;
    film_open(&f, MOST);
    film_scene(&f);
    int x[MOST];
    for (size_t t = 0; t < f.n; t++) {
        x[t] = t < 30 ? (int)t * 4 - 40 : 80;
        film_subject(&f, t, x[t], 50, 18, 12);
    }
    film_look(&f);
    ck_assert_int_eq(f.answer, LOCATE_PARTS);
    for (size_t t = 0; t < f.n; t++)
        ck_assert_msg(x[t] + 18 <= 0 || holds(&f, t, x[t], 50, 18, 12), "frame %zu", t);
    film_close(&f);
}
END_TEST

/* Lost for six frames behind something: the gap is decoded too. */
START_TEST(gaps_are_filled)
{
    struct film f;
    film_open(&f, MOST);
    film_scene(&f);
    for (size_t t = 0; t < f.n; t++)
        if (t < 25 || t > 30)
            film_subject(&f, t, (int)t * 4 - 40, 50, 18, 12);
    film_look(&f);
    ck_assert_int_eq(f.answer, LOCATE_PARTS);
    for (size_t t = 25; t <= 30; t++)
        ck_assert_msg(holds(&f, t, (int)t * 4 - 40, 50, 18, 12), "frame %zu", t);
    film_close(&f);
}
END_TEST

static bool empty(const struct film *f, size_t t)
{
    return !(f->where[t].subject.x1 > f->where[t].subject.x0);
}

/* One leaves to the right, and five frames later another one comes in at the same place. */
START_TEST(who_has_left_is_not_waited_for)
{
    struct film f;
    film_open(&f, 40);
    film_scene(&f);
    for (size_t t = 0; t < 16; t++)
        film_subject(&f, t, 10 + 10 * (int)t, 50, 16, 10);
    for (size_t t = 21; t < 40; t++)
        film_subject(&f, t, 152 - 9 * ((int)t - 21), 50, 16, 10);
    film_look(&f);
    ck_assert_int_eq(f.answer, LOCATE_PARTS);
    ck_assert(empty(&f, 18) && empty(&f, 19));
    for (size_t t = 22; t < 38; t++)
        ck_assert(holds(&f, t, 152 - 9 * ((int)t - 21), 50, 16, 10));
    film_close(&f);
}
END_TEST

/* A spark far below, some frames after a subject was seen for the last time. */
START_TEST(a_lone_spot_after_a_gap_is_no_part_of_a_way)
{
    struct film f;
    film_open(&f, 40);
    film_scene(&f);
    for (size_t t = 3; t < 18; t++)
        film_subject(&f, t, 20 + 5 * (int)t, 50, 16, 10);
    film_subject(&f, 23, 112, 72, 10, 8);
    film_look(&f);
    ck_assert_int_eq(f.answer, LOCATE_PARTS);
    for (size_t t = 3; t < 24; t++)
        ck_assert_msg((double)f.where[t].subject.y1 * ROWS < 72, "frame %zu is looked at down to the spark",
                      t);
    film_close(&f);
}
END_TEST

/* Two that fly far apart, one above the other: the rows below the lower one need not be decoded for the
   distance between them. */
START_TEST(each_way_has_a_margin_of_its_own)
{
    struct film f;
    film_open(&f, 40);
    film_scene(&f);
    for (size_t t = 6; t < 34; t++) {
        film_subject(&f, t, (int)t * 6 - 40, 10, 16, 10);
        film_subject(&f, t, 180 - (int)t * 6, 80, 16, 10);
    }
    film_look(&f);
    ck_assert_int_eq(f.answer, LOCATE_PARTS);
    for (size_t t = 12; t < 26; t++) {
        ck_assert(holds(&f, t, (int)t * 6 - 40, 10, 16, 10) && holds(&f, t, 180 - (int)t * 6, 80, 16, 10));
        ck_assert_double_le((double)f.where[t].subject.y1 * ROWS, 80 + 10 + 2 + .08 * 12 + 1);
    }
    film_close(&f);
}
END_TEST

static enum locate_answer answer_of(struct film *f, bool subject, int size)
{
    film_scene(f);
    for (size_t t = 0; subject && t < f->n; t++)
        film_subject(f, t, (int)t * 3 - 5, 50, size, size);
    film_look(f);
    for (size_t t = 0; t < f->n; t++)
        ck_assert(f->answer == LOCATE_PARTS || f->where[t].whole);
    return f->answer;
}

START_TEST(where_thumbnails_cannot_tell_all_is_decoded)
{
    struct film f;
    struct err err = ERR_INIT;
    film_open(&f, MOST);
    ck_assert_int_eq(answer_of(&f, false, 0), LOCATE_NOTHING_MOVES);
    ck_assert_int_eq(answer_of(&f, true, 3), LOCATE_SMALL_SUBJECT);
    f.noise = 6;
    ck_assert_int_eq(answer_of(&f, true, 16), LOCATE_NOISY);
    f.noise = 2;
    f.drift = .025f;
    ck_assert_int_eq(answer_of(&f, true, 16), LOCATE_CAMERA_MOVES);
    f.drift = 0;
    uint8_t *kept = f.luma[7];
    f.luma[7] = NULL;
    const struct locate_input in = {f.n, (const uint8_t *const *)f.luma, COLS, ROWS, 1600, 1200, 0};
    ck_assert(locate_subjects(&in, f.where, &f.answer, &err));
    ck_assert_int_eq(f.answer, LOCATE_NO_THUMBNAIL);
    f.luma[7] = kept;
    film_close(&f);
    film_open(&f, 15); /* short, and never empty */
    ck_assert_int_eq(answer_of(&f, true, 16), LOCATE_SHORT);
    film_close(&f);
}
END_TEST

static size_t skipped(const struct film *f)
{
    size_t n = 0;
    for (size_t t = 0; t < f->n; t++)
        n += !f->where[t].whole && !(f->where[t].part.x1 > f->where[t].part.x0);
    return n;
}

/* One that sits all the time, its outline trembling by a step or two, while another flies past. */
START_TEST(what_sits_while_another_flies_is_decoded_too)
{
    struct film f;
    film_open(&f, MOST);
    film_scene(&f);
    for (size_t t = 0; t < f.n; t++) {
        film_subject(&f, t, 100, 55, 16, 10);
        for (int k = 0; k < 48; k++)
            f.luma[t][(55 + k / 16) * COLS + 100 + k % 16] = (uint8_t)(50 + 20 * (t % 3));
        film_subject(&f, t, (int)t * 6 - 60, 40, 16, 10);
    }
    film_look(&f);
    ck_assert_int_eq(f.answer, LOCATE_PARTS);
    for (size_t t = 0; t < f.n; t++)
        ck_assert_msg(holds(&f, t, 101, 56, 14, 2), "frame %zu", t);
    ck_assert_uint_eq(skipped(&f), 0);
    film_close(&f);
}
END_TEST

/* Blades that sway by a px or two along the lower edge are no subject that sits there. */
START_TEST(reeds_that_sway_do_not_keep_empty_frames)
{
    struct film f;
    film_open(&f, MOST);
    film_scene(&f);
    for (size_t t = 0; t < f.n; t++) {
        for (int blade = 0; blade < 7; blade++)
            for (int y = 90; y < ROWS; y++) {
                int x = 12 + 21 * blade + (int)lround(1.4 * sin((double)t * .9 + blade));
                f.luma[t][y * COLS + x] = (uint8_t)(200 + chance(8));
            }
        film_subject(&f, t, (int)t * 6 - 60, 20, 16, 10);
    }
    film_look(&f);
    ck_assert_int_eq(f.answer, LOCATE_PARTS);
    ck_assert_uint_ge(skipped(&f), 12);
    film_close(&f);
}
END_TEST

/* It comes out of cover in the middle of the picture: the place is empty before, and not decoded. */
START_TEST(a_way_that_starts_inside_the_picture_leaves_frames_before_it_alone)
{
    struct film f;
    film_open(&f, MOST);
    film_scene(&f);
    for (size_t t = 20; t < f.n; t++)
        film_subject(&f, t, (int)t * 4 - 20, 50, 16, 10);
    film_look(&f);
    ck_assert_int_eq(f.answer, LOCATE_PARTS);
    for (size_t t = 20; t < f.n; t++)
        ck_assert_msg((int)t * 4 - 20 >= COLS || holds(&f, t, (int)t * 4 - 20, 50, 16, 10), "frame %zu", t);
    ck_assert_uint_ge(skipped(&f), 15);
    film_close(&f);
}
END_TEST

/* Every px of the scene is seen without the subject by two frames that are decoded as a whole. */
START_TEST(whole_frames_show_the_scene_twice)
{
    struct film f;
    film_open(&f, 40);
    film_scene(&f);
    for (size_t t = 0; t < f.n; t++)
        film_subject(&f, t, (int)t * 4 - 10, 40, 20, 14);
    film_look(&f);
    ck_assert_int_eq(f.answer, LOCATE_PARTS);
    size_t bare = 0;
    for (uint32_t y = 0; y < ROWS; y += 4)
        for (uint32_t x = 0; x < COLS; x += 4) {
            size_t seen = 0;
            for (size_t t = 0; t < f.n; t++) {
                const struct locate_box *b = &f.where[t].subject;
                float fx = ((float)x + 2) / COLS, fy = ((float)y + 2) / ROWS;
                bool on = b->x0 < fx && b->x1 > fx && b->y0 < fy && b->y1 > fy;
                seen += f.where[t].whole && !on;
            }
            bare += seen < 2;
        }
    ck_assert_uint_le(bare, ROWS / 4 * (COLS / 4) / 50);
    film_close(&f);
}
END_TEST

/* A subject that flies low: its frames are decoded nearly as a whole anyway. */
START_TEST(whole_frames_are_those_that_cost_little_more)
{
    struct film f;
    film_open(&f, 40);
    film_scene(&f);
    for (size_t t = 5; t < 35; t++)
        film_subject(&f, t, ((int)t - 8) * 6, 96, 16, 10);
    film_look(&f);
    ck_assert_int_eq(f.answer, LOCATE_PARTS);
    size_t whole = 0, with_subject = 0;
    for (size_t t = 0; t < f.n; t++) {
        whole += f.where[t].whole;
        with_subject += f.where[t].whole && !empty(&f, t);
    }
    ck_assert_uint_ge(whole, 3);
    ck_assert_uint_eq(with_subject, whole);
    film_close(&f);
}
END_TEST

/* Asks until the top is found; score(t) of what is asked for. Returns how many frames that takes. */
static size_t bracket(const struct locate_frame *frame, size_t n, float (*sharpness)(size_t t), bool *known)
{
    bool wanted[MOST];
    float score[MOST];
    size_t asked = 0;
    for (size_t t = 0; t < n; t++) {
        known[t] = false;
        score[t] = NAN;
    }
    for (size_t more; (more = locate_bracket(frame, n, known, score, wanted)) > 0; asked += more)
        for (size_t t = 0; t < n; t++)
            if (wanted[t]) {
                ck_assert(!known[t] && frame[t].complete && frame[t].way > 0);
                known[t] = true;
                score[t] = sharpness(t);
            }
    return asked;
}

static float one_hill(size_t t)
{
    return -fabsf((float)t - 33.3f);
}

/* Two hills and wing beats: the top is between two frames of the first look. */
static float two_hills(size_t t)
{
    float x = (float)t;
    return 3 * expf(-(x - 18) * (x - 18) / 20) + 4 * expf(-(x - 45) * (x - 45) / 20) + .2f * (float)(t % 2);
}

START_TEST(bracketing_finds_the_top_with_fewer_frames)
{
    struct locate_frame frame[MOST] = {{.whole = false}};
    bool known[MOST];
    for (size_t t = 5; t < 55; t++) {
        frame[t].way = 1;
        frame[t].complete = t > 6;
    }
    ck_assert_uint_le(bracket(frame, MOST, one_hill, known), 26);
    ck_assert(known[33] && known[34] && known[32]);
    ck_assert(!known[5] && !known[6] && !known[58]);
    ck_assert_uint_le(bracket(frame, MOST, two_hills, known), 30);
    ck_assert(known[45] && known[44] && known[46]);
}
END_TEST

/* A short way, and frames with several subjects, of which no score speaks for one. */
START_TEST(bracketing_asks_for_all_where_there_is_no_hill)
{
    struct locate_frame frame[MOST] = {{.whole = false}};
    bool known[MOST];
    for (size_t t = 0; t < 8; t++)
        frame[t] = (struct locate_frame){.way = 1, .complete = true};
    for (size_t t = 20; t < 50; t++)
        frame[t] = (struct locate_frame){.way = LOCATE_SEVERAL, .complete = true};
    ck_assert_uint_eq(bracket(frame, MOST, one_hill, known), 38);
}
END_TEST

/* Nothing scored tells anything: it ends, having asked for each frame once at most. */
static float unknown(size_t t)
{
    (void)t;
    return NAN;
}

START_TEST(bracketing_ends_without_scores)
{
    struct locate_frame frame[MOST] = {{.whole = false}};
    bool known[MOST];
    for (size_t t = 0; t < MOST; t++)
        frame[t] = (struct locate_frame){.way = 1, .complete = true};
    size_t asked = bracket(frame, MOST, unknown, known);
    ck_assert(asked >= MOST / 4 && asked <= MOST);
}
END_TEST

/* Way 1 has its hill at frames 4 to 6 and one frame that tells nothing; way 2 has two frames that were seen.
 */
START_TEST(the_sharpest_three_of_each_way_are_told)
{
    struct locate_frame frame[20] = {{.whole = false}};
    bool known[20], top[20];
    float score[20];
    for (size_t t = 0; t < 20; t++) {
        frame[t].way = t < 12 ? 1 : 2;
        frame[t].complete = t != 3;
        known[t] = t < 12 ? t != 7 : t >= 18;
        score[t] = 10 - fabsf((float)t - 5);
    }
    score[3] = 20; /* cut by the edge */
    score[7] = 30; /* not seen */
    score[8] = NAN;
    locate_tops(frame, 20, known, score, top);
    for (size_t t = 0; t < 20; t++)
        ck_assert_msg(top[t] == ((t >= 4 && t <= 6) || t >= 18), "frame %zu", t);
}
END_TEST

/* The bird is cut while it enters and leaves, and has one way in between. */
START_TEST(ways_and_cut_frames_are_told)
{
    struct film f;
    film_open(&f, MOST);
    film_scene(&f);
    for (size_t t = 0; t < f.n; t++)
        film_subject(&f, t, (int)t * 4 - 40, 50, 18, 12);
    film_look(&f);
    ck_assert_int_eq(f.answer, LOCATE_PARTS);
    for (size_t t = 0; t < f.n; t++) {
        int x = (int)t * 4 - 40;
        if (x > 0 && x + 18 < COLS)
            ck_assert_msg(f.where[t].complete && f.where[t].way == f.where[20].way, "frame %zu", t);
        if ((x < 0 && x + 14 > 0) || (x < COLS - 4 && x + 18 > COLS))
            ck_assert_msg(!f.where[t].complete, "frame %zu", t);
    }
    film_close(&f);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("locate");
    TCase *tc = tcase_create("locate");
    tcase_set_timeout(tc, 20);
    tcase_add_loop_test(tc, a_pass_is_inside_its_parts, 0, 4);
    tcase_add_test(tc, changing_exposure_is_told_and_does_not_matter);
    tcase_add_test(tc, black_bars_are_cut_off);
    tcase_add_test(tc, what_comes_to_rest_keeps_its_place);
    tcase_add_test(tc, gaps_are_filled);
    tcase_add_test(tc, who_has_left_is_not_waited_for);
    tcase_add_test(tc, a_lone_spot_after_a_gap_is_no_part_of_a_way);
    tcase_add_test(tc, each_way_has_a_margin_of_its_own);
    tcase_add_test(tc, where_thumbnails_cannot_tell_all_is_decoded);
    tcase_add_test(tc, what_sits_while_another_flies_is_decoded_too);
    tcase_add_test(tc, reeds_that_sway_do_not_keep_empty_frames);
    tcase_add_test(tc, a_way_that_starts_inside_the_picture_leaves_frames_before_it_alone);
    tcase_add_test(tc, whole_frames_show_the_scene_twice);
    tcase_add_test(tc, whole_frames_are_those_that_cost_little_more);
    tcase_add_test(tc, bracketing_finds_the_top_with_fewer_frames);
    tcase_add_test(tc, bracketing_asks_for_all_where_there_is_no_hill);
    tcase_add_test(tc, bracketing_ends_without_scores);
    tcase_add_test(tc, the_sharpest_three_of_each_way_are_told);
    tcase_add_test(tc, ways_and_cut_frames_are_told);
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
