#include "scoring.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { ONE_WINDOW = 400, WINDOW = PARTS_WINDOW, OVERLAP = PARTS_OVERLAP };

static bool push_item(struct burst_scores *scores, const struct rank_item *item, struct err *err)
{
    if (scores->n == scores->room) {
        size_t room = scores->room > 0 ? scores->room * 2 : 128;
        struct rank_item *grown = realloc(scores->item, room * sizeof *grown);
        if (grown == NULL)
            return err_nomem(err);
        scores->item = grown;
        scores->room = room;
    }
    scores->item[scores->n++] = *item;
    return true;
}

static double overlap_share(const struct rank_item *a, const struct rank_item *b)
{
    double x0 = fmax(a->x_px, b->x_px), x1 = fmin((double)a->x_px + a->w_px, (double)b->x_px + b->w_px);
    double y0 = fmax(a->y_px, b->y_px), y1 = fmin((double)a->y_px + a->h_px, (double)b->y_px + b->h_px);
    if (x1 <= x0 || y1 <= y0)
        return 0;
    double both = (x1 - x0) * (y1 - y0);
    return both / ((double)a->w_px * a->h_px + (double)b->w_px * b->h_px - both);
}

/* A picture judged on a smaller one: boxes and blur are told in px of the full-size picture. */
static void scale_item(struct rank_item *item, const struct member_frame *frame)
{
    if (frame->judged_width_px == 0 || frame->full_width_px == 0 ||
        frame->judged_width_px == frame->full_width_px)
        return;
    double k = (double)frame->full_width_px / frame->judged_width_px;
    item->x_px = (uint32_t)lround(item->x_px * k);
    item->y_px = (uint32_t)lround(item->y_px * k);
    item->w_px = (uint32_t)lround(item->w_px * k);
    item->h_px = (uint32_t)lround(item->h_px * k);
    item->blur_px *= k;
    item->blur_low_px *= k;
    item->blur_high_px *= k;
    item->part[RANK_HEAD_BLUR] *= k;
}

/* The pass of the burst that a pass of the new window continues: the one whose boxes agree most in the shared
 * frames. */
static uint32_t continued_pass(const struct burst_scores *scores, const struct rank_scores *window,
                               uint32_t pass, size_t first)
{
    double best = .5;
    uint32_t found = 0;
    for (size_t i = 0; i < window->n; i++) {
        const struct rank_item *item = &window->item[i];
        for (size_t k = 0; item->pass == pass && k < scores->n; k++) {
            const struct rank_item *old = &scores->item[k];
            double share = old->frame == item->frame + first ? overlap_share(old, item) : 0;
            if (share > best) {
                best = share;
                found = old->pass;
            }
        }
    }
    return found;
}

static uint32_t mapped_pass(struct burst_scores *scores, const struct rank_scores *window, uint32_t pass,
                            size_t first, uint32_t map[SUBJECT_MAX_PASSES + 1])
{
    uint32_t *to = &map[pass <= SUBJECT_MAX_PASSES ? pass : SUBJECT_MAX_PASSES];
    if (*to == 0)
        *to = first > 0 ? continued_pass(scores, window, pass, first) : pass;
    if (*to == 0)
        *to = scores->n_passes + 1;
    if (*to > scores->n_passes)
        scores->n_passes = *to;
    return *to;
}

static bool merge_window(struct burst_scores *scores, const struct members *members,
                         const struct rank_scores *window, size_t first, size_t from, struct err *err)
{
    uint32_t map[SUBJECT_MAX_PASSES + 1] = {0};
    for (size_t i = 0; i < window->n; i++) {
        struct rank_item item = window->item[i];
        /* Pass 0 is a frame that was measured as a whole: it belongs to no subject. */
        if (item.pass > 0)
            item.pass = mapped_pass(scores, window, item.pass, first, map);
        item.frame += (uint32_t)first;
        if (item.frame < from)
            continue;
        scale_item(&item, &members->frame[item.frame]);
        if (!push_item(scores, &item, err))
            return false;
    }
    return true;
}

struct scene {
    struct session *s;
    const struct members *members;
    const struct ignored *ignored;
    int64_t setup;
};

static bool find_mask(const struct scene *scene, const struct burst_grids *grids, uint8_t **mask,
                      struct err *err)
{
    for (size_t i = 0; i < grids->n; i++)
        if (grids->view[i] != NULL)
            return ignored_mask(scene->ignored, scene->setup, grids->view[i], mask, err);
    return true;
}

/* Scores frames first .. first + n - 1, whose cells were read. */
static bool score_grids(const struct scene *scene, struct burst_grids *grids, size_t first, size_t from,
                        struct burst_scores *scores, struct err *err)
{
    const struct members *members = scene->members;
    size_t n = grids->n;
    uint8_t *mask = NULL;
    struct rank_scores window = {0};
    struct subject_burst *found = NULL;
    bool ok = burst_grids_fill(scene->s, grids, err) && find_mask(scene, grids, &mask, err);
    if (ok) {
        const struct subject_input input = {.grid = grids->view,
                                            .time_ns = grids->time_ns,
                                            .n = n,
                                            .ignore = mask,
                                            .exposure_s = members->frame[first + n / 2].exposure_s};
        found = subject_find(&input, err);
        ok = found != NULL && rank_score(&input, found, &window, err) &&
             merge_window(scores, members, &window, first, from, err);
    }
    if (ok && first == 0) {
        scores->mode = found->mode;
        scores->perch = found->perch;
        scores->background = found->background;
        found->background = NULL;
        scores->cols = found->cols;
        scores->rows = found->rows;
        scores->noise_luma = found->noise_luma;
    } else if (ok && found->mode != scores->mode)
        scores->mode = SUBJECT_MOVING; /* it rested in one window and moved in another: it also flew */
    if (ok && first > 0)
        scores->perch = scores->perch && found->perch;
    rank_scores_release(&window);
    subject_free(found);
    free(mask);
    return ok;
}

static bool score_window(const struct scene *scene, size_t first, size_t n, size_t from,
                         struct burst_scores *scores, struct err *err)
{
    struct burst_grids grids = {0};
    bool ok = burst_grids_read(scene->s, scene->members, first, n, &grids, err) &&
              score_grids(scene, &grids, first, from, scores, err);
    burst_grids_release(&grids);
    return ok;
}

/* A burst that is checked and scored in one window is read once. */
static bool score_short(const struct scene *scene, const struct scoring_check *check,
                        struct burst_scores *scores, struct err *err)
{
    struct burst_grids grids = {0};
    size_t before = check->again->n;
    bool ok = burst_grids_read(scene->s, scene->members, 0, scene->members->n, &grids, err) &&
              parts_check_grids(&grids, scene->members, 0, check->as_whole, check->again, err) &&
              (check->again->n > before || score_grids(scene, &grids, 0, 0, scores, err));
    burst_grids_release(&grids);
    return ok;
}

bool scoring_run(struct session *s, const struct members *members, const struct ignored *ignored,
                 int64_t setup, const struct scoring_check *check, struct burst_scores *scores,
                 struct err *err)
{
    const struct scene scene = {s, members, ignored, setup};
    *scores = (struct burst_scores){0};
    if (check != NULL && members->n <= PARTS_WINDOW)
        return score_short(&scene, check, scores, err);
    size_t before = check != NULL ? check->again->n : 0;
    if (check != NULL && !parts_check(s, members, check->as_whole, check->again, err))
        return false;
    if (check != NULL && check->again->n > before)
        return true;
    if (members->n <= ONE_WINDOW)
        return score_window(&scene, 0, members->n, 0, scores, err);
    for (size_t first = 0, from = 0; from < members->n; first += WINDOW - OVERLAP) {
        size_t n = members->n - first < WINDOW ? members->n - first : WINDOW;
        if (!score_window(&scene, first, n, from, scores, err))
            return false;
        from = first + n;
    }
    return true;
}

void burst_scores_release(struct burst_scores *scores)
{
    free(scores->item);
    free(scores->background);
    *scores = (struct burst_scores){0};
}
