/* follow.c - the way of a camera that follows its subject, from neighbour to neighbour. */
#include "follow.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const float AS_GOOD = 0.35f; /* of its support that regions of another way must have to stay */

static void shrink(const struct follow *f, size_t t, float *out)
{
    const struct grid *grid = f->scene->grid[t];
    for (uint32_t r = 0; r < f->rows; r++)
        for (uint32_t c = 0; c < f->cols; c++) {
            float sum = 0;
            for (uint32_t y = 0; y < f->factor; y++)
                for (uint32_t x = 0; x < f->factor; x++)
                    sum += grid_luma(grid, (size_t)(r * f->factor + y) * grid->cols + c * f->factor + x);
            out[(size_t)r * f->cols + c] = sum / (float)(f->factor * f->factor);
        }
}

void follow_soften(const float *in, uint32_t cols, uint32_t rows, float *out, float *scratch)
{
    static const float w[5] = {1 / 16.0f, 4 / 16.0f, 6 / 16.0f, 4 / 16.0f, 1 / 16.0f};
    for (uint32_t r = 0; r < rows; r++)
        for (uint32_t c = 0; c < cols; c++) {
            float sum = 0;
            for (int k = -2; k <= 2; k++) {
                long x = (long)c + k;
                x = x < 0 ? 0 : x >= (long)cols ? (long)cols - 1 : x;
                sum += w[k + 2] * in[(size_t)r * cols + (size_t)x];
            }
            scratch[(size_t)r * cols + c] = sum;
        }
    for (uint32_t r = 0; r < rows; r++)
        for (uint32_t c = 0; c < cols; c++) {
            float sum = 0;
            for (int k = -2; k <= 2; k++) {
                long y = (long)r + k;
                y = y < 0 ? 0 : y >= (long)rows ? (long)rows - 1 : y;
                sum += w[k + 2] * scratch[(size_t)y * cols + c];
            }
            out[(size_t)r * cols + c] = sum;
        }
}

bool follow_open(const struct scene *scene, struct follow *f, struct err *err)
{
    uint32_t longer = scene->cols > scene->rows ? scene->cols : scene->rows;
    *f = (struct follow){.scene = scene, .n = scene->n, .factor = (longer + FOLLOW_SIDE - 1) / FOLLOW_SIDE};
    f->cols = scene->cols / f->factor;
    f->rows = scene->rows / f->factor;
    f->cells = (size_t)f->cols * f->rows;
    size_t all = f->n * f->cells;
    f->luma = malloc(all * sizeof *f->luma);
    f->smooth = malloc(all * sizeof *f->smooth);
    f->apart = calloc(all, sizeof *f->apart);
    f->next = malloc(f->n * sizeof *f->next);
    f->own = malloc(f->n * sizeof *f->own);
    f->sum = calloc(all, sizeof *f->sum);
    f->scratch = malloc(f->cells * sizeof *f->scratch);
    f->spare = malloc(f->cells * sizeof *f->spare);
    if (f->luma == NULL || f->smooth == NULL || f->apart == NULL || f->next == NULL || f->own == NULL ||
        f->sum == NULL || f->scratch == NULL || f->spare == NULL)
        return err_nomem(err);
    for (size_t t = 0; t < f->n; t++) {
        shrink(f, t, f->luma + t * f->cells);
        follow_soften(f->luma + t * f->cells, f->cols, f->rows, f->smooth + t * f->cells, f->scratch);
    }
    return true;
}

void follow_release(struct follow *f)
{
    free(f->luma);
    free(f->smooth);
    free(f->apart);
    free(f->next);
    free(f->own);
    free(f->sum);
    free(f->scratch);
    free(f->spare);
    *f = (struct follow){0};
}

struct sheet follow_sheet(const struct follow *f, const float *stack, size_t t)
{
    return (struct sheet){f->cols, f->rows, (float *)stack + t * f->cells};
}

/* The warp with the lower residual of those that start at nothing, at what the camera did before, and at the
   best whole-cell shift. */
static void fit_pair(struct follow *f, size_t t)
{
    enum { REACH = 8 };
    struct sheet a = follow_sheet(f, f->smooth, t), b = follow_sheet(f, f->smooth, t + 1);
    int dx = 0, dy = 0;
    float zero, best = INFINITY;
    if (f->cols > 4 * REACH && f->rows > 4 * REACH)
        (void)plane_search(a.y, b.y, f->cols, f->rows, REACH, &dx, &dy, &zero);
    struct warp start[3] = {warp_none(), t > 0 ? f->next[t - 1] : warp_none(), warp_none()};
    start[2].a[0] = (float)dx;
    start[2].a[3] = (float)dy;
    f->next[t] = warp_none();
    for (int k = 0; k < 3; k++) {
        struct warp warp = start[k];
        float left = warp_refine(&a, &b, NULL, &warp, f->scratch);
        if (left < best) {
            best = left;
            f->next[t] = warp;
        }
    }
}

void follow_chain(struct follow *f)
{
    for (size_t t = 0; t + 1 < f->n; t++)
        fit_pair(f, t);
}

/* Surely there in half of the frames, or it is no subject that the camera followed. */
static bool speaks(const struct follow *f, const struct subject_burst *found,
                   const struct subject_burst *other)
{
    size_t frames = 0;
    for (size_t t = 0; t < f->n; t++) {
        const struct subject_frame *frame = &other->frame[f->scene->index[t]];
        frames += frame->n_regions > 0 && frame->region[0].confidence >= SUBJECT_SURE;
    }
    return 2 * frames >= f->n && follow_support(f, found) < AS_GOOD * follow_support(f, other);
}

bool follow_find(const struct scene *scene, struct subject_burst *found, struct err *err)
{
    struct follow f;
    struct subject_burst other = *found; /* shares all but the frames */
    other.frame = malloc(found->n * sizeof *other.frame);
    bool done = other.frame != NULL ? true : err_nomem(err);
    for (size_t t = 0; done && t < found->n; t++) {
        other.frame[t] = found->frame[t];
        other.frame[t].n_regions = 0;
    }
    bool open = follow_open(scene, &f, err);
    if (done && open)
        follow_chain(&f);
    done = done && open && follow_apart(&f, err) && follow_regions(&f, &other, err);
    if (done && speaks(&f, found, &other)) {
        struct subject_frame *old = found->frame;
        found->frame = other.frame;
        other.frame = old;
        found->n_passes = 1;
        found->mode = SUBJECT_FOLLOWED;
    }
    regions_free(other.frame, found->n);
    follow_release(&f);
    return done;
}
