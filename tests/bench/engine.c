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

/* One burst with what the engine made of it. */
struct look {
    struct grid grid[BENCH_FRAMES];
    const struct grid *view[BENCH_FRAMES];
    int64_t time_ns[BENCH_FRAMES];
    struct rank_frame frame[BENCH_FRAMES];
    struct partial partial;
    struct rank_scores scores;
    struct subject_burst *found;
};

static void look_release(struct look *look)
{
    rank_scores_release(&look->scores);
    subject_free(look->found);
    partial_release(&look->partial);
    free(look);
}

static void rank_burst(struct look *look, size_t n, double exposure_s)
{
    struct err err = ERR_INIT;
    const struct subject_input input = {
        .grid = look->view, .time_ns = look->time_ns, .n = n, .exposure_s = exposure_s};
    look->found = subject_find(&input, &err);
    if (look->found == NULL)
        fail("finding", &err);
    if (!rank_score(&input, look->found, &look->scores, &err))
        fail("scoring", &err);
    struct rank_burst kind = {look->found->mode, look->found->perch};
    struct rank_options options = {0};
    if (!rank_choose(&kind, look->scores.item, look->scores.n, look->frame, n, &options, &err))
        fail("choosing", &err);
}

static struct look *look_at(const struct bench_burst *b, double exposure_s, enum engine_decodes decodes)
{
    struct look *look = calloc(1, sizeof *look);
    struct err err = ERR_INIT;
    if (look == NULL)
        exit(1);
    for (size_t t = 0; t < b->n; t++) {
        if (!grid_view(&look->grid[t], b->frame[t].packed, b->frame[t].packed_bytes, &err))
            fail("grid", &err);
        look->time_ns[t] = look->frame[t].time_ns = b->frame[t].time_ns;
    }
    if (decodes != ENGINE_WHOLE)
        partial_view(b, look->grid, decodes == ENGINE_FAST, &look->partial);
    for (size_t t = 0; t < b->n; t++) {
        look->view[t] = look->partial.missing[t] ? NULL : &look->grid[t];
        look->frame[t].measured = !look->partial.missing[t];
        look->frame[t].why_not = RANK_NOT_SCORED;
    }
    rank_burst(look, b->n, exposure_s);
    return look;
}

/* Is the top of each pass still the top when not all frames are decoded? */
static void compare_tops(const struct bench_burst *b, double exposure_s, const struct look *fast,
                         struct marks *marks)
{
    struct look *all = look_at(b, exposure_s, ENGINE_PARTS);
    for (size_t t = 0; t < b->n; t++)
        if (all->frame[t].rank == 1 && all->frame[t].proposal == RANK_KEEP) {
            marks->tops++;
            marks->same_tops += fast->frame[t].rank == 1;
        }
    marks->decodes_fast += fast->partial.answer == LOCATE_PARTS ? (double)fast->partial.parts : 0;
    marks->decodes_all += fast->partial.answer == LOCATE_PARTS ? (double)all->partial.parts : 0;
    look_release(all);
}

void engine_judge(const struct bench_burst *b, double exposure_s, bool detail, enum engine_decodes decodes,
                  bool same, struct setup *before, struct marks *marks)
{
    double start = now_s();
    struct look *look = look_at(b, exposure_s, decodes);
    marks->engine_s += now_s() - start;
    if (decodes != ENGINE_WHOLE) {
        marks->decoded += look->partial.cost;
        marks->decoded_bursts++;
    }
    if (decodes == ENGINE_FAST)
        compare_tops(b, exposure_s, look, marks);
    if (detail && decodes != ENGINE_WHOLE)
        printf("%s, decoded %.2f (%.0f whole, %.0f not at all, %.0f again) ",
               locate_answer_words((enum locate_answer)look->partial.answer), look->partial.cost,
               look->partial.whole, look->partial.skipped, look->partial.again);
    struct verdicts v = {look->found->mode, look->scores.item, look->scores.n, look->frame};
    if (detail)
        print_detail(b, look->found, &v);
    marks_judge(b, &v, marks);
    judge_setup(look->found, same, before, marks);
    look_release(look);
}
