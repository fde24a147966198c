/*
 * score.c - from grids and regions to one stored summary per frame and subject.
 *
 * Here are the measures of each frame by itself; order.c makes the score of them, which needs the burst.
 */
#include "head.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

struct job {
    const struct subject_input *input;
    const struct subject_burst *found;
    struct noise noise;
    uint8_t *sharp;    /* cells of a sharp scene; NULL = not known */
    uint8_t *fixed;    /* in place: one region for all frames, cols * rows; else NULL */
    uint8_t *scratch;  /* cols * rows */
    uint8_t *spare;    /* cols * rows */
    struct sums *sums; /* of each item */
    struct sums *rest; /* the same without the cells in which the scene is sharp; no cells = not known */
    struct blur *blur; /* of each item, without the line of its motion */
    double *line_px;   /* that line */
    double *clear;     /* clear_share of each item */
    double unit2;      /* cells of this grid in one of a grid 250 wide */
};

static const struct grid *any_grid(const struct subject_input *input)
{
    for (size_t t = 0; t < input->n; t++)
        if (input->grid[t] != NULL)
            return input->grid[t];
    return NULL;
}

static size_t count_items(const struct job *job)
{
    size_t n = 0;
    for (size_t t = 0; t < job->found->n; t++)
        n += job->found->mode == SUBJECT_UNKNOWN ? job->input->grid[t] != NULL
                                                 : job->found->frame[t].n_regions;
    return n;
}

/* In place: the cells that at least half of the outlines share, grown by one. A region that stays the same
   lets energies compare from frame to frame. */
static bool fix_region(struct job *job, uint32_t cols, uint32_t rows, struct err *err)
{
    size_t cells = (size_t)cols * rows, frames = 0;
    uint32_t *votes = calloc(cells, sizeof *votes);
    job->fixed = calloc(cells, 1);
    if (votes == NULL || job->fixed == NULL) {
        free(votes);
        return err_nomem(err);
    }
    for (size_t t = 0; t < job->found->n; t++) {
        const struct subject_frame *frame = &job->found->frame[t];
        frames += frame->n_regions > 0;
        for (size_t k = 0; k < frame->n_regions; k++)
            for (uint32_t r = 0; r < frame->region[k].rows; r++)
                for (uint32_t c = 0; c < frame->region[k].cols; c++)
                    votes[(size_t)(frame->region[k].row + r) * cols + frame->region[k].col + c] +=
                        frame->region[k].mask[(size_t)r * frame->region[k].cols + c] != 0;
    }
    for (uint32_t r = 0; r < rows; r++)
        for (uint32_t c = 0; c < cols; c++)
            for (uint32_t y = r > 0 ? r - 1 : 0; y <= r + 1 && y < rows; y++)
                for (uint32_t x = c > 0 ? c - 1 : 0; x <= c + 1 && x < cols; x++)
                    if (frames > 0 && 2 * votes[(size_t)y * cols + x] >= frames)
                        job->fixed[(size_t)r * cols + c] = 1;
    free(votes);
    return true;
}

/* The region without the cells in which the scene itself is sharp, in job->spare; how many remain. */
static size_t leave_out_scene(const struct job *job, const struct grid *grid,
                              const struct subject_region *region)
{
    size_t kept = 0;
    for (uint32_t r = 0; r < region->rows; r++)
        for (uint32_t c = 0; c < region->cols; c++) {
            size_t i = (size_t)r * region->cols + c;
            bool sharp = job->sharp[(size_t)(region->row + r) * grid->cols + region->col + c] != 0;
            job->spare[i] = job->scratch[i] && !sharp;
            kept += job->spare[i];
        }
    return kept;
}

/* Sharp detail of the scene, in front of a blurred subject or behind its edge, can pass for the subject's
   own. So a region that looks sharp is looked at again without the cells in which the scene itself is sharp;
   if what remains is clearly not sharp, it is what counts. Only then: a subject that rests becomes part of
   the sharp scene, and must not lose its sharpest cells. */
static void look_again(const struct job *job, const struct grid *grid, const struct subject_region *region,
                       size_t core, size_t item)
{
    struct sums *sums = &job->sums[item], *rest = &job->rest[item];
    struct blur less;
    size_t kept = leave_out_scene(job, grid, region);
    if ((double)kept < fmax(8.0 * job->unit2, 0.2 * (double)core))
        return;
    sums_over(grid, &job->noise, job->spare, region->col, region->row, region->cols, region->rows, rest);
    if (kept == core || (double)kept < fmax(12.0 * job->unit2, 0.3 * (double)core))
        return;
    blur_estimate(rest, &less);
    if (less.p_sharp < 0.3 && job->blur[item].p_sharp >= 0.3) {
        *sums = *rest;
        job->blur[item] = less;
    }
}

double line_px(const struct subject_input *input, const struct grid *grid,
               const struct subject_region *region)
{
    double cells_s = hypot((double)region->velocity_col_s, (double)region->velocity_row_s);
    return cells_s * grid->cell_px * input->exposure_s;
}

void set_blur(struct rank_item *item, const struct blur *blur)
{
    item->blur_px = item->blur_low_px = item->blur_high_px = NAN;
    item->p_sharp = blur->p_sharp;
    if (!blur->known) {
        item->flags |= RANK_F_NO_BLUR;
        return;
    }
    item->blur_px = exp(blur->log_sigma);
    item->blur_low_px = exp(blur->log_sigma - blur->error);
    item->blur_high_px = exp(blur->log_sigma + blur->error);
}

static void set_parts(struct rank_item *item, const struct sums *sums)
{
    item->part[RANK_ENERGY_1] = sums->signal[ENERGY_G1];
    item->part[RANK_ENERGY_2] = sums->signal[ENERGY_G2];
    item->part[RANK_ENERGY_4] = sums->signal[ENERGY_G4];
    item->part[RANK_ENERGY_8] = sums->g8;
    item->part[RANK_FLOOR_1] = sums->floor[ENERGY_G1];
    item->part[RANK_FLOOR_2] = sums->floor[ENERGY_G2];
    item->part[RANK_FLOOR_4] = sums->floor[ENERGY_G4];
    item->part[RANK_CONTRAST] = sqrt(sums->variance);
    item->part[RANK_HEAD_BLUR] = (double)NAN;
}

/* Score without the parts that need the burst's signal to noise; those follow in order_scores. */
static void set_measures(struct rank_item *item, const struct sums *sums, const struct blur *blur)
{
    item->laplacian_variance = sums->mean[ENERGY_L1];
    item->tenengrad = 64.0 * sums->mean[ENERGY_G1];
    set_parts(item, sums);
    item->score = -blur->log_sigma;
}

static void score_region(const struct job *job, size_t t, const struct subject_region *region,
                         struct rank_item *item, size_t which)
{
    const struct grid *grid = job->input->grid[t];
    struct sums *sums = &job->sums[which];
    struct blur *blur = &job->blur[which];
    *item = (struct rank_item){.frame = (uint32_t)t,
                               .pass = region->pass,
                               .time_ns = job->input->time_ns[t],
                               .area_cells = region->area_cells / job->unit2};
    box_px(item, grid, region);
    outline_of(grid, region, item->outline);
    light_measure(grid, region, item);
    size_t core = mask_core(region->mask, region->cols, region->rows, 12.0 * job->unit2, job->scratch);
    if (job->fixed != NULL)
        sums_over(grid, &job->noise, job->fixed, 0, 0, grid->cols, grid->rows, sums);
    else
        sums_over(grid, &job->noise, job->scratch, region->col, region->row, region->cols, region->rows,
                  sums);
    blur_estimate(sums, blur);
    if (job->fixed == NULL && job->sharp != NULL)
        look_again(job, grid, region, core, which);
    set_measures(item, sums, blur);
    bool moving = job->found->mode == SUBJECT_MOVING;
    item->flags |= region->touches_border ? RANK_F_CUT : 0;
    item->flags |= moving && !region->flying ? RANK_F_AT_REST : 0;
    item->flags |= region->confidence < SUBJECT_SURE ? RANK_F_UNSURE : 0;
}

/* No subject is known: the whole frame, for the curve only. */
static void score_frame(const struct job *job, size_t t, struct rank_item *item, struct sums *sums,
                        struct blur *blur)
{
    const struct grid *grid = job->input->grid[t];
    memset(job->scratch, 1, (size_t)grid->cols * grid->rows);
    *item =
        (struct rank_item){.frame = (uint32_t)t, .time_ns = job->input->time_ns[t], .flags = RANK_F_UNSURE};
    sums_over(grid, &job->noise, job->scratch, 0, 0, grid->cols, grid->rows, sums);
    blur_estimate(sums, blur);
    set_measures(item, sums, blur);
}

/* Blur and score of every item, from all of them. */
static bool settle_blur(const struct job *job, struct rank_scores *scores, struct err *err)
{
    const struct grid *grid = any_grid(job->input);
    if (grid == NULL)
        return true;
    if (!pass_blur_fit(job->found, grid->cell_px, job->sums, scores, job->blur, err) ||
        !doubt_scene(job->found, grid->cell_px, job->sums, job->rest, scores, job->blur, err) ||
        !order_scores(job->found, job->sums, job->blur, scores, err))
        return false;
    for (size_t i = 0; i < scores->n; i++) {
        /* Speed varies less within a pass than it can be measured: it says how sharp, not which is sharper.
         */
        blur_add_line(&job->blur[i], job->line_px[i]);
        set_blur(&scores->item[i], &job->blur[i]);
    }
    return true;
}

static bool job_open(struct job *job, const struct subject_input *input, const struct subject_burst *found,
                     struct err *err)
{
    const struct grid *grid = any_grid(input);
    *job = (struct job){.input = input, .found = found, .unit2 = 1};
    if (grid == NULL)
        return true;
    double unit = (double)(grid->cols > grid->rows ? grid->cols : grid->rows) / 250.0;
    job->unit2 = unit * unit;
    job->scratch = malloc((size_t)grid->cols * grid->rows);
    job->spare = malloc((size_t)grid->cols * grid->rows);
    job->sums = calloc(count_items(job) + 1, sizeof *job->sums);
    job->rest = calloc(count_items(job) + 1, sizeof *job->rest);
    job->blur = calloc(count_items(job) + 1, sizeof *job->blur);
    job->line_px = calloc(count_items(job) + 1, sizeof *job->line_px);
    job->clear = calloc(count_items(job) + 1, sizeof *job->clear);
    if (job->scratch == NULL || job->spare == NULL || job->sums == NULL || job->rest == NULL ||
        job->blur == NULL || job->line_px == NULL || job->clear == NULL)
        return err_nomem(err);
    if (!noise_find(input, &job->noise, err))
        return false;
    if (found->mode == SUBJECT_IN_PLACE)
        return fix_region(job, grid->cols, grid->rows, err);
    return found->mode != SUBJECT_MOVING || sharp_scene(input, found, &job->noise, &job->sharp, err);
}

static void job_release(struct job *job)
{
    free(job->scratch);
    free(job->spare);
    free(job->sums);
    free(job->rest);
    free(job->blur);
    free(job->line_px);
    free(job->clear);
    free(job->sharp);
    free(job->fixed);
}

/* What needs the body of a pass: hidden ones and pieces, and the head end. */
static bool judge_bodies(const struct job *job, struct rank_scores *scores, struct err *err)
{
    const struct subject_burst *found = job->found;
    struct body *bodies = NULL;
    double *cover = malloc((scores->n + 1) * sizeof *cover);
    bool done = cover != NULL ? bodies_find(job->input, found, &bodies, err) : err_nomem(err);
    for (size_t i = 0; done && i < scores->n; i++)
        cover[i] = 0; /* not known */
    for (uint32_t pass = 0; done && pass < found->n_passes; pass++)
        for (size_t k = 0; bodies[pass].cells > 0 && k < bodies[pass].n; k++)
            cover[bodies[pass].member[k].item] = (double)body_cover(&bodies[pass], k);
    done = done && flag_hidden(found, job->clear, cover, scores, err) &&
           edge_flag(found, any_grid(job->input)->cell_px, scores, err) &&
           head_settle(job->input, found, bodies, &job->noise, job->sharp, job->unit2, scores, err);
    bodies_release(bodies, found->n_passes);
    free(cover);
    return done;
}

bool rank_score(const struct subject_input *input, const struct subject_burst *found,
                struct rank_scores *scores, struct err *err)
{
    struct job job;
    struct rank_scores made = {0};
    bool done = job_open(&job, input, found, err);
    if (done) {
        made.item = calloc(count_items(&job) + 1, sizeof *made.item);
        done = made.item != NULL ? true : err_nomem(err);
    }
    for (size_t t = 0; done && t < found->n; t++) {
        if (input->grid[t] == NULL)
            continue;
        for (size_t k = 0; k < found->frame[t].n_regions; k++, made.n++) {
            job.clear[made.n] = clear_share(&found->frame[t].region[k]);
            job.line_px[made.n] = line_px(input, input->grid[t], &found->frame[t].region[k]);
            score_region(&job, t, &found->frame[t].region[k], &made.item[made.n], made.n);
        }
        if (found->mode == SUBJECT_UNKNOWN) {
            score_frame(&job, t, &made.item[made.n], &job.sums[made.n], &job.blur[made.n]);
            made.n++;
        }
    }
    done = done && settle_blur(&job, &made, err) && light_settle(&made, err);
    if (done && found->mode == SUBJECT_MOVING)
        done = judge_bodies(&job, &made, err);
    if (done)
        boxes_settle(input, found, &made);
    job_release(&job);
    if (done)
        *scores = made;
    else
        free(made.item);
    return done;
}

void rank_scores_release(struct rank_scores *scores)
{
    free(scores->item);
    *scores = (struct rank_scores){0};
}
