/* engine.c - the engine's calls on a rendered burst. */
#include "engine.h"
#include "partial.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include "chaffinch/locate.h"

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (double)t.tv_sec + (double)t.tv_nsec * 1e-9;
}

static void fail(const char *what, const struct err *err)
{
    fprintf(stderr, "bench: %s: %s\n", what, err->message);
    exit(1);
}

static void print_detail(const struct bench_burst *b, const struct subject_burst *found,
                         const struct verdicts *v)
{
    static const char *const mode[] = {"moving", "in place", "followed", "unknown"};
    printf("%s%s, %u passes, noise %.2f\n", mode[found->mode], found->perch ? " (perch)" : "",
           found->n_passes, (double)found->noise_luma);
    for (size_t t = 0; t < b->n; t++) {
        printf("%3zu", t);
        for (int k = 0; k < BENCH_BIRDS; k++) {
            const struct bench_bird *q = &b->frame[t].bird[k];
            if (q->flags & BIRD_PRESENT)
                printf(" [%d blur %.2f head %.2f vis %.2f%s%s%s%s %.0f,%.0f %.0fx%.0f]", k,
                       (double)q->blur_px, (double)q->head_px, (double)q->visible,
                       q->flags & BIRD_CUT ? " cut" : "", q->flags & BIRD_HIDDEN ? " hidden" : "",
                       q->flags & BIRD_LANDED ? " landed" : "", q->flags & BIRD_HOVERING ? " hovers" : "",
                       (double)q->x, (double)q->y, (double)q->w, (double)q->h);
        }
        for (size_t i = 0; i < v->items; i++) {
            const struct rank_item *m = &v->item[i];
            if (m->frame == t)
                printf(" {%u score %.2f %sblur %.2f (%.2f-%.2f) P %.2f flags %x %u,%u %ux%u}", m->pass,
                       m->score, isfinite(m->part[RANK_HEAD_BLUR]) ? "head " : "", m->blur_px, m->blur_low_px,
                       m->blur_high_px, m->p_sharp, m->flags, m->x_px, m->y_px, m->w_px, m->h_px);
        }
        printf(" %s %s %u\n", rank_proposal_token(v->frame[t].proposal),
               rank_reason_token(v->frame[t].reason), v->frame[t].rank);
    }
}

static void judge_setup(struct subject_burst *found, bool same, struct setup *before, struct marks *marks)
{
    if (before->background != NULL && found->background != NULL)
        marks_count(marks, MARK_SETUP,
                    same == subject_same_setup(before->background, found->background, found->cols,
                                               found->rows, fmaxf(before->noise, found->noise_luma)),
                    1);
    free(before->background);
    *before = (struct setup){found->background, found->cols, found->rows, found->noise_luma};
    found->background = NULL;
}

static void decode_parts(const struct bench_burst *b, bool detail, struct grid *grid, struct partial *partial,
                         struct marks *marks)
{
    partial_view(b, grid, partial);
    marks->decoded += partial->cost;
    marks->decoded_bursts++;
    if (detail)
        printf("%s, decoded %.2f (%.0f whole, %.0f not at all, %.0f again) ",
               locate_answer_words((enum locate_answer)partial->answer), partial->cost, partial->whole,
               partial->skipped, partial->again);
}

void engine_judge(const struct bench_burst *b, double exposure_s, bool detail, bool parts, bool same,
                  struct setup *before, struct marks *marks)
{
    struct grid grid[BENCH_FRAMES];
    const struct grid *view[BENCH_FRAMES];
    int64_t time_ns[BENCH_FRAMES];
    struct rank_frame frame[BENCH_FRAMES] = {{0}};
    struct err err = ERR_INIT;
    for (size_t t = 0; t < b->n; t++) {
        if (!grid_view(&grid[t], b->frame[t].packed, b->frame[t].packed_bytes, &err))
            fail("grid", &err);
        view[t] = &grid[t];
        time_ns[t] = frame[t].time_ns = b->frame[t].time_ns;
        frame[t].measured = true;
    }
    struct partial partial = {.cost = 0};
    if (parts)
        decode_parts(b, detail, grid, &partial, marks);
    struct subject_input input = {.grid = view, .time_ns = time_ns, .n = b->n, .exposure_s = exposure_s};
    struct rank_scores scores = {0};
    double start = now_s();
    struct subject_burst *found = subject_find(&input, &err);
    if (found == NULL)
        fail("finding", &err);
    if (!rank_score(&input, found, &scores, &err))
        fail("scoring", &err);
    struct rank_burst kind = {found->mode, found->perch};
    struct rank_options options = {0};
    if (!rank_choose(&kind, scores.item, scores.n, frame, b->n, &options, &err))
        fail("choosing", &err);
    marks->engine_s += now_s() - start;
    struct verdicts v = {found->mode, scores.item, scores.n, frame};
    if (detail)
        print_detail(b, found, &v);
    marks_judge(b, &v, marks);
    judge_setup(found, same, before, marks);
    rank_scores_release(&scores);
    subject_free(found);
    partial_release(&partial);
}
