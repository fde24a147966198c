/*
 * Score, blur and choice: tables of made-up summaries, made-up pictures of known blur, and a real focus
 * series.
 */
#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <jpeglib.h>

#include "chaffinch/rank.h"
#include "../ref/scene_maker.h"

enum { MS = 1000000 };

/* A third of the squares, others for each number: attitudes that have little in common however they are
 * moved. */
static void attitude(uint8_t outline[16], uint32_t number)
{
    uint32_t state = number * 2654435761u + 1;
    memset(outline, 0, 16);
    for (int k = 0; k < 64; k++) {
        state = state * 1664525u + 1013904223u;
        if ((state >> 16) % 3 == 0)
            outline[k / 4] |= (uint8_t)(2 << (2 * (k % 4)));
    }
}

/* A sharp complete frame of pass 1, 50 ms after the one before; its outline is its own. */
static struct rank_item item_at(uint32_t frame, double score, double blur_px)
{
    struct rank_item item = {.frame = frame,
                             .pass = 1,
                             .time_ns = (int64_t)frame * 50 * MS,
                             .w_px = 100,
                             .h_px = 60,
                             .score = score,
                             .blur_px = blur_px,
                             .blur_low_px = blur_px * 0.85,
                             .blur_high_px = blur_px * 1.15,
                             .p_sharp = blur_px < 2.2 ? 0.95 : 0.05,
                             .area_cells = 200};
    attitude(item.outline, frame % 16);
    return item;
}

static void frames_at(struct rank_frame *frame, size_t n)
{
    for (size_t f = 0; f < n; f++)
        frame[f] = (struct rank_frame){.time_ns = (int64_t)f * 50 * MS, .measured = true};
}

static void choose(enum subject_mode mode, bool perch, const struct rank_item *item, size_t n_items,
                   struct rank_frame *frame, size_t n, uint32_t keep)
{
    struct rank_burst burst = {mode, perch};
    struct rank_options options = {.keep = keep};
    struct err err = ERR_INIT;
    ck_assert(rank_choose(&burst, item, n_items, frame, n, &options, &err));
}

#define ck_frame(f, p, r)                                                                                    \
    do {                                                                                                     \
        ck_assert_str_eq(rank_proposal_token((f).proposal), rank_proposal_token(p));                         \
        ck_assert_str_eq(rank_reason_token((f).reason), rank_reason_token(r));                               \
    } while (0)

START_TEST(words)
{
    for (int r = 1; r < RANK_REASONS; r++) {
        const char *token = rank_reason_token((enum rank_reason)r),
                   *say = rank_reason_sentence((enum rank_reason)r);
        ck_assert_uint_gt(strlen(token), 0);
        ck_assert_int_eq(rank_reason_of_token(token), r);
        ck_assert(say[strlen(say) - 1] == '.');
    }
    ck_assert_int_eq(rank_reason_of_token("nonsense"), RANK_REASONS);
    ck_assert_int_eq(rank_reason_of_token(""), RANK_REASONS);
}
END_TEST

START_TEST(good_to)
{
    ck_assert_uint_eq(rank_good_to_px(0.5, 6000), 6000);
    ck_assert_uint_eq(rank_good_to_px(0.7, 6000), 6000);
    ck_assert_uint_eq(rank_good_to_px(1.4, 6000), 3000);
    ck_assert_uint_eq(rank_good_to_px(7.0, 6000), 600);
    ck_assert_uint_eq(rank_good_to_px((double)NAN, 6000), 0);
}
END_TEST

START_TEST(outlines)
{
    uint8_t a[16], b[16], none[16] = {0};
    memset(a, 0x55, 16);
    memset(b, 0xff, 16);
    ck_assert_double_eq(rank_outline_distance(a, a), 0);
    ck_assert_double_eq(rank_outline_distance(a, none), 1);
    ck_assert_double_eq(rank_outline_distance(none, none), 0);
    /* dark against bright all over: the same shape in another light */
    ck_assert_double_eq(rank_outline_distance(a, b), 0.25);
    memset(b, 0xaa, 16);
    ck_assert_double_eq(rank_outline_distance(a, b), 0.125);
    memset(b, 0, 16);
    memset(b, 0x55, 8);
    ck_assert_double_eq(rank_outline_distance(a, b), 0.5);
    ck_assert_double_eq(rank_outline_distance(b, a), 0.5);
    /* one square further: the box of a region grows and shrinks by a cell from frame to frame */
    memset(a, 0, 16);
    memset(b, 0, 16);
    memset(a + 4, 0x55, 6);
    memset(b + 6, 0x55, 6);
    ck_assert_double_eq(rank_outline_distance(a, b), 0);
}
END_TEST

/* The three best distinct frames of one pass; equals beyond them are for the person; the rest is soft. */
START_TEST(best_few)
{
    struct rank_item item[10];
    struct rank_frame frame[12];
    for (uint32_t k = 0; k < 10; k++)
        item[k] = item_at(k, 5.0 - 0.1 * k, k < 5 ? 0.8 + 0.02 * k : 1.5 + 0.2 * k);
    frames_at(frame, 12);
    choose(SUBJECT_MOVING, false, item, 10, frame, 12, 0);
    ck_frame(frame[0], RANK_KEEP, RANK_SHARPEST);
    ck_frame(frame[1], RANK_KEEP, RANK_SHARP_SET);
    ck_frame(frame[2], RANK_KEEP, RANK_SHARP_SET);
    ck_frame(frame[3], RANK_NONE, RANK_SHARP_SET);
    ck_frame(frame[4], RANK_NONE, RANK_SHARP_SET);
    ck_frame(frame[5], RANK_REJECT, RANK_SOFT);
    ck_frame(frame[9], RANK_REJECT, RANK_SOFT);
    ck_frame(frame[10], RANK_REJECT, RANK_NO_SUBJECT);
    for (uint32_t k = 0; k < 10; k++) {
        ck_assert_uint_eq(frame[k].rank, k + 1);
        ck_assert_uint_eq(frame[k].item, k);
        ck_assert_uint_eq(frame[k].pass, 1);
    }
    ck_assert_uint_eq(frame[11].rank, 0);
    ck_assert_uint_eq(frame[11].item, UINT32_MAX);
    choose(SUBJECT_MOVING, false, item, 10, frame, 12, 1);
    ck_frame(frame[0], RANK_KEEP, RANK_SHARPEST);
    ck_frame(frame[1], RANK_NONE, RANK_SHARP_SET);
}
END_TEST

START_TEST(near_twins)
{
    struct rank_item item[8];
    struct rank_frame frame[8];
    for (uint32_t k = 0; k < 8; k++)
        item[k] = item_at(k, 5.0 - 0.1 * k, 0.8);
    item[1].time_ns = item[0].time_ns + 10 * MS; /* close in time, and nearly the same attitude */
    memset(item[0].outline, 0x55, 16);
    memset(item[1].outline, 0, 16);
    memset(item[1].outline, 0x55, 10);
    memcpy(item[3].outline, item[0].outline, 16); /* 150 ms apart, but the same attitude */
    frames_at(frame, 8);
    choose(SUBJECT_MOVING, false, item, 8, frame, 8, 3);
    ck_frame(frame[0], RANK_KEEP, RANK_SHARPEST);
    ck_frame(frame[1], RANK_REJECT, RANK_NEAR_TWIN);
    ck_frame(frame[2], RANK_KEEP, RANK_SHARP_SET);
    ck_frame(frame[3], RANK_REJECT, RANK_NEAR_TWIN);
    ck_frame(frame[4], RANK_KEEP, RANK_SHARP_SET);
}
END_TEST

/* Cut, at rest, hidden: never kept, however sharp. In a perch burst rest is no reason. */
START_TEST(ruled_out)
{
    struct rank_item item[8];
    struct rank_frame frame[8];
    for (uint32_t k = 0; k < 8; k++)
        item[k] = item_at(k, 9.0 - k, 0.8);
    item[0].flags = RANK_F_CUT | RANK_F_HIDDEN;
    item[1].flags = RANK_F_AT_REST;
    item[2].flags = RANK_F_HIDDEN;
    item[3].flags = RANK_F_UNSURE;
    item[4].score = (double)NAN;
    frames_at(frame, 8);
    choose(SUBJECT_MOVING, false, item, 8, frame, 8, 3);
    ck_frame(frame[0], RANK_REJECT, RANK_CUT);
    ck_frame(frame[1], RANK_REJECT, RANK_AT_REST);
    ck_frame(frame[2], RANK_REJECT, RANK_HIDDEN);
    ck_frame(frame[3], RANK_NONE, RANK_NOT_SURE);
    ck_frame(frame[4], RANK_NONE, RANK_NOT_SURE);
    ck_frame(frame[5], RANK_KEEP, RANK_SHARPEST);
    ck_assert_uint_eq(frame[5].rank, 1);
    ck_assert_uint_eq(frame[0].rank, 0);
    choose(SUBJECT_IN_PLACE, true, item, 8, frame, 8, 3);
    ck_frame(frame[1], RANK_KEEP, RANK_SHARPEST);
}
END_TEST

/* At rest: another attitude is only wanted half a second later. */
START_TEST(perch)
{
    struct rank_item item[24];
    struct rank_frame frame[24];
    for (uint32_t k = 0; k < 24; k++)
        item[k] = item_at(k, 5.0 - 0.01 * k, 0.8);
    frames_at(frame, 24);
    choose(SUBJECT_IN_PLACE, true, item, 24, frame, 24, 3);
    ck_frame(frame[0], RANK_KEEP, RANK_SHARPEST);
    for (uint32_t k = 1; k < 10; k++)
        ck_frame(frame[k], RANK_NONE, RANK_SHARP_SET);
    size_t kept = 0;
    int64_t last = -1000 * (int64_t)MS;
    for (uint32_t k = 0; k < 24; k++)
        if (frame[k].proposal == RANK_KEEP) {
            ck_assert_int_ge(frame[k].time_ns - last, 500 * MS);
            last = frame[k].time_ns;
            kept++;
        }
    ck_assert_uint_ge(kept, 2);
    ck_frame(frame[16], RANK_REJECT, RANK_NEAR_TWIN); /* the attitude of frame 0 again */
}
END_TEST

START_TEST(nothing_sharp)
{
    struct rank_item item[8];
    struct rank_frame frame[8];
    for (uint32_t k = 0; k < 8; k++)
        item[k] = item_at(k, 5.0 - 0.1 * k, 3.5 + 0.1 * k);
    item[6].flags |= RANK_F_NO_BLUR;
    item[6].blur_px = (double)NAN;
    item[7].p_sharp = 0.4;
    frames_at(frame, 8);
    choose(SUBJECT_MOVING, false, item, 8, frame, 8, 3);
    for (uint32_t k = 0; k < 6; k++)
        ck_frame(frame[k], RANK_REJECT, RANK_NOTHING_SHARP);
    ck_frame(frame[6], RANK_NONE, RANK_NOT_SURE);
    ck_frame(frame[7], RANK_NONE, RANK_NOT_SURE);
}
END_TEST

/* Where no blur is known nothing is rejected for it. */
START_TEST(blur_unknown)
{
    struct rank_item item[8];
    struct rank_frame frame[8];
    for (uint32_t k = 0; k < 8; k++) {
        item[k] = item_at(k, 5.0 - 0.1 * k, (double)NAN);
        item[k].flags = RANK_F_NO_BLUR;
        item[k].p_sharp = 0.5;
    }
    frames_at(frame, 8);
    choose(SUBJECT_MOVING, false, item, 8, frame, 8, 3);
    for (uint32_t k = 0; k < 8; k++)
        ck_frame(frame[k], RANK_NONE, RANK_NOT_SURE);
}
END_TEST

/* Two subjects: a frame that is kept for one is kept; passes are ranked each for itself. */
START_TEST(two_subjects)
{
    struct rank_item item[16];
    struct rank_frame frame[8];
    for (uint32_t k = 0; k < 8; k++) {
        item[2 * k] = item_at(k, 5.0 - k, 0.8 + 0.5 * k);
        item[2 * k + 1] = item_at(k, k, 0.8 + 0.5 * (7 - k));
        item[2 * k + 1].pass = 2;
    }
    frames_at(frame, 8);
    choose(SUBJECT_MOVING, false, item, 16, frame, 8, 1);
    ck_frame(frame[0], RANK_KEEP, RANK_SHARPEST);
    ck_assert_uint_eq(frame[0].pass, 1);
    ck_frame(frame[7], RANK_KEEP, RANK_SHARPEST);
    ck_assert_uint_eq(frame[7].pass, 2);
    ck_assert_uint_eq(frame[7].rank, 1);
    ck_frame(frame[4], RANK_REJECT, RANK_SOFT);
}
END_TEST

START_TEST(what_is_not_judged)
{
    struct rank_item item[8];
    struct rank_frame frame[8];
    for (uint32_t k = 0; k < 8; k++)
        item[k] = item_at(k, 5.0 - 0.1 * k, 0.8);
    frames_at(frame, 8);
    frame[1].measured = false;
    frame[1].why_not = RANK_UNREADABLE;
    frame[2].measured = false;
    frame[2].why_not = RANK_FORMAT;
    frame[7].camera_mark = true;
    choose(SUBJECT_MOVING, false, item, 8, frame, 8, 3);
    ck_frame(frame[1], RANK_NONE, RANK_UNREADABLE);
    ck_frame(frame[2], RANK_NONE, RANK_FORMAT);
    ck_assert_int_eq(frame[7].reason, RANK_CAMERA_MARK);
    ck_assert_uint_eq(frame[1].item, UINT32_MAX);
    choose(SUBJECT_MOVING, false, item, 4, frame, 4, 3);
    ck_frame(frame[0], RANK_NONE, RANK_TOO_FEW);
    ck_frame(frame[1], RANK_NONE, RANK_UNREADABLE);
    choose(SUBJECT_MOVING, false, NULL, 0, frame, 1, 3);
    ck_frame(frame[0], RANK_NONE, RANK_TOO_FEW);
    frames_at(frame, 8);
    choose(SUBJECT_UNKNOWN, false, NULL, 0, frame, 8, 3);
    ck_frame(frame[5], RANK_NONE, RANK_NOT_SURE);
    choose(SUBJECT_IN_PLACE, true, NULL, 0, frame, 8, 3);
    ck_frame(frame[5], RANK_NONE, RANK_NOT_SURE);
}
END_TEST

static struct made_burst burst;

/* A flight whose blur falls to its least in the middle and rises again. */
static double flight_blur(size_t t, double least)
{
    return least + 0.22 * fabs((double)t - 16);
}

static void make_flight(float noise, double least)
{
    struct maker maker = {.width_px = 880, .height_px = 480, .noise = noise, .seed = 3};
    struct made_frame frame[36] = {0};
    for (size_t t = 2; t < 34; t++) {
        frame[t].bird[0] = (struct made_bird){.x = -90 + 34.0f * (float)(t - 2),
                                              .y = 220,
                                              .w = 150,
                                              .h = 90,
                                              .lift = -50,
                                              .salt = 31,
                                              .blur_px = (float)flight_blur(t, least)};
        frame[t].n_birds = 1;
    }
    burst_make(&maker, frame, 36, &burst);
}

static void score_burst(struct subject_burst **found, struct rank_scores *scores)
{
    struct err err = ERR_INIT;
    *found = subject_find(&burst.input, &err);
    ck_assert_ptr_nonnull(*found);
    ck_assert(rank_score(&burst.input, *found, scores, &err));
}

static double spearman(const double *a, const double *b, size_t n)
{
    double d2 = 0;
    for (size_t i = 0; i < n; i++) {
        double ra = 0, rb = 0;
        for (size_t j = 0; j < n; j++) {
            ra += a[j] < a[i];
            rb += b[j] < b[i];
        }
        d2 += (ra - rb) * (ra - rb);
    }
    return 1.0 - 6.0 * d2 / ((double)n * ((double)n * (double)n - 1));
}

/* Collects score and blur of the complete frames; returns how many. */
static size_t complete_items(const struct rank_scores *scores, double least, double *score, double *truth)
{
    size_t n = 0;
    for (size_t i = 0; i < scores->n; i++) {
        const struct rank_item *item = &scores->item[i];
        if (item->flags & (RANK_F_CUT | RANK_F_HIDDEN))
            continue;
        double blur = hypot(flight_blur(item->frame, least), 0.5); /* 0.5: the sampling */
        score[n] = item->score;
        truth[n++] = -blur;
        if (item->flags & RANK_F_NO_BLUR)
            continue;
        double bar = log(item->blur_high_px / item->blur_px), off = fabs(log(item->blur_px / blur));
        ck_assert_msg(off < 2.5 * bar, "blur %.2f taken for %.2f, bar %.2f", blur, item->blur_px, bar);
        ck_assert_msg(blur > 1.1 || off < 0.5, "blur %.2f taken for %.2f", blur, item->blur_px);
    }
    return n;
}

START_TEST(known_blur_is_ranked)
{
    static const float noise[] = {1.5f, 8.0f};
    double score[40], truth[40];
    struct subject_burst *found;
    struct rank_scores scores;
    make_flight(noise[_i], 0.3);
    score_burst(&found, &scores);
    size_t n = complete_items(&scores, 0.3, score, truth);
    ck_assert_uint_ge(n, 18);
    double rho = spearman(score, truth, n);
    ck_assert_msg(rho > (_i == 0 ? 0.95 : 0.85), "rank correlation %.3f", rho);
    struct rank_frame frame[36];
    frames_at(frame, 36);
    for (size_t t = 0; t < 36; t++)
        frame[t].time_ns = burst.time_ns[t];
    choose(found->mode, found->perch, scores.item, scores.n, frame, 36, 3);
    for (size_t t = 0; t < 36; t++) {
        if (frame[t].rank == 1)
            ck_assert_msg(t >= 14 && t <= 18, "the best frame is %zu", t);
        if (frame[t].proposal == RANK_KEEP)
            ck_assert_msg(t >= 12 && t <= 20, "frame %zu is kept", t);
        if (t < 2 || t > 34)
            ck_frame(frame[t], RANK_REJECT, RANK_NO_SUBJECT);
    }
    rank_scores_release(&scores);
    subject_free(found);
    burst_unmake(&burst);
}
END_TEST

START_TEST(never_sharp)
{
    struct subject_burst *found;
    struct rank_scores scores;
    struct rank_frame frame[36];
    make_flight(2.0f, 4.0);
    score_burst(&found, &scores);
    frames_at(frame, 36);
    choose(found->mode, found->perch, scores.item, scores.n, frame, 36, 3);
    size_t said = 0;
    for (size_t t = 0; t < 36; t++) {
        ck_assert_int_ne(frame[t].proposal, RANK_KEEP);
        said += frame[t].reason == RANK_NOTHING_SHARP;
    }
    ck_assert_uint_ge(said, 10);
    rank_scores_release(&scores);
    subject_free(found);
    burst_unmake(&burst);
}
END_TEST

/* Noise is never a sharp-looking number. */
START_TEST(noise_is_not_sharp)
{
    struct maker maker = {.width_px = 480, .height_px = 320, .noise = 14, .seed = 4, .bare = true};
    struct made_frame frame[8] = {0};
    struct subject_burst *found;
    struct rank_scores scores;
    burst_make(&maker, frame, 8, &burst);
    score_burst(&found, &scores);
    for (size_t i = 0; i < scores.n; i++) {
        ck_assert(isfinite(scores.item[i].score));
        ck_assert_msg(scores.item[i].flags & RANK_F_NO_BLUR, "noise looks %.2f px sharp",
                      scores.item[i].blur_px);
    }
    rank_scores_release(&scores);
    subject_free(found);
    burst_unmake(&burst);
}
END_TEST

/* ---- a real focus series ------------------------------------------------------------------------------- */

static const char folder[] = "../shared/data/focus-series";

static bool read_grid(const char *path, struct grid *grid, uint8_t **packed)
{
    FILE *file = fopen(path, "rb");
    if (file == NULL)
        return false;
    struct jpeg_decompress_struct jpeg;
    struct jpeg_error_mgr errors;
    jpeg.err = jpeg_std_error(&errors);
    jpeg_create_decompress(&jpeg);
    jpeg_stdio_src(&jpeg, file);
    jpeg_read_header(&jpeg, TRUE);
    jpeg.out_color_space = JCS_GRAYSCALE;
    jpeg_start_decompress(&jpeg);
    uint32_t w = jpeg.output_width, h = jpeg.output_height;
    uint8_t *luma = malloc((size_t)w * h);
    while (jpeg.output_scanline < h) {
        uint8_t *row = luma + (size_t)jpeg.output_scanline * w;
        jpeg_read_scanlines(&jpeg, &row, 1);
    }
    grid_make(luma, w, h, grid, packed);
    free(luma);
    jpeg_destroy_decompress(&jpeg);
    fclose(file);
    return true;
}

/* One region, the same in every frame. */
static struct subject_burst *given_region(size_t n, const struct grid *grid, uint32_t col, uint32_t cols)
{
    struct subject_burst *found = calloc(1, sizeof *found);
    found->n = n;
    found->frame = calloc(n, sizeof *found->frame);
    found->mode = SUBJECT_IN_PLACE;
    found->n_passes = 1;
    found->cols = grid->cols;
    found->rows = grid->rows;
    for (size_t t = 0; t < n; t++) {
        struct subject_region *r = &found->frame[t].region[0];
        *r = (struct subject_region){.pass = 1,
                                     .col = col,
                                     .row = 2,
                                     .cols = cols,
                                     .rows = grid->rows - 4,
                                     .confidence = 1,
                                     .area_cells = cols * (grid->rows - 4)};
        r->mask = malloc((size_t)r->cols * r->rows);
        memset(r->mask, SUBJECT_CLEAR, (size_t)r->cols * r->rows);
        found->frame[t].n_regions = 1;
        found->frame[t].gain = 1;
    }
    return found;
}

/* The peak of the region's scores, and how many neighbours rise away from it. */
static size_t peak_of(const struct subject_input *input, const struct grid *grid, uint32_t third,
                      size_t *rises)
{
    struct rank_scores scores;
    struct err err = ERR_INIT;
    struct subject_burst *found =
        given_region(input->n, grid, third * grid->cols / 3 + 2, grid->cols / 3 - 4);
    ck_assert(rank_score(input, found, &scores, &err));
    ck_assert_uint_eq(scores.n, input->n);
    size_t best = 0;
    for (size_t t = 0; t < scores.n; t++)
        if (scores.item[t].score > scores.item[best].score)
            best = t;
    *rises = 0;
    for (size_t t = 0; t + 1 < scores.n; t++)
        *rises += t < best ? scores.item[t].score > scores.item[t + 1].score
                           : scores.item[t].score < scores.item[t + 1].score;
    rank_scores_release(&scores);
    subject_free(found);
    return best;
}

/* Petteri Aimonen, focus-stack d8532c8, examples/depthmap: ten distances, the left third is sharpest in frame
   3, the others in frame 4 (mean squared Laplacian, OpenCV), falling off to both sides. */
START_TEST(focus_series)
{
    enum { N = 10 };
    struct grid grid[N];
    const struct grid *pointer[N];
    uint8_t *packed[N];
    int64_t time_ns[N];
    if (access(folder, R_OK) != 0) {
        printf("focus_series: skipped: no shared data\n");
        return;
    }
    for (int t = 0; t < N; t++) {
        char path[200];
        snprintf(path, sizeof path, "%s/pcb_%03d.JPG", folder, t);
        ck_assert_msg(read_grid(path, &grid[t], &packed[t]), "cannot read %s", path);
        pointer[t] = &grid[t];
        time_ns[t] = (int64_t)t * 1000 * MS;
    }
    struct subject_input input = {.grid = pointer, .time_ns = time_ns, .n = N};
    static const size_t sharpest[3] = {3, 4, 4};
    for (uint32_t third = 0; third < 3; third++) {
        size_t rises, peak = peak_of(&input, &grid[0], third, &rises);
        ck_assert_msg(peak == sharpest[third], "third %u is sharpest in frame %zu", third, peak);
        ck_assert_msg(rises <= 1, "third %u rises %zu times away from its peak", third, rises);
    }
    for (int t = 0; t < N; t++)
        free(packed[t]);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("rank");
    TCase *tables = tcase_create("tables");
    tcase_add_test(tables, words);
    tcase_add_test(tables, good_to);
    tcase_add_test(tables, outlines);
    tcase_add_test(tables, best_few);
    tcase_add_test(tables, near_twins);
    tcase_add_test(tables, ruled_out);
    tcase_add_test(tables, perch);
    tcase_add_test(tables, nothing_sharp);
    tcase_add_test(tables, blur_unknown);
    tcase_add_test(tables, two_subjects);
    tcase_add_test(tables, what_is_not_judged);
    TCase *pictures = tcase_create("pictures");
    tcase_set_timeout(pictures, 60);
    tcase_add_loop_test(pictures, known_blur_is_ranked, 0, 2);
    tcase_add_test(pictures, never_sharp);
    tcase_add_test(pictures, noise_is_not_sharp);
    tcase_add_test(pictures, focus_series);
    suite_add_tcase(suite, tables);
    suite_add_tcase(suite, pictures);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
