/*
 * rest.c - a subject that sits in the picture the whole time while another one flies.
 *
 * It is part of the scene, and what it does moves its outline by less than a px of the thumbnail. But it
 * moves all the time: its outline varies a little more than the noise, in one place of about a subject's
 * size. Reeds and water do so in many places, or in a large one: then nothing is told by it.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "thumbs.h"

enum {
    REST_PX = 8 /* a smaller place is no subject */,
    NEAR_PX = 2,
    RESTING = 2 /* subjects at most */,
    SPARK_PX = 3 /* less is chance */
};
static const float CALM_SHARE =
                       .75f, /* of the deviations of a px, the smallest: what flies past is left out */
    RESTLESS = 1.8f, RESTLESS_LUMA = .3f, /* so many times the usual deviation, and a little */
    SMALL = .1f, LARGE = 4.0f,            /* of the largest subject's area */
    ALONE = .8f;                          /* share of all restless px that they hold */

/* Means of the smallest deviations of px i, i + 1 ... of one row from the scene; returns of how many. */
static size_t deviations(const struct thumbs *th, const size_t *pick, size_t n, size_t i, float *dev)
{
    float v[THUMBS_SAMPLE][LANES];
    size_t rest = th->cols - i % th->cols, here = rest < LANES ? rest : LANES;
    size_t calm = (size_t)((float)n * CALM_SHARE);
    thumbs_lanes(th, pick, n, i, v);
    for (size_t k = 0; k < n; k++)
        for (size_t lane = 0; lane < LANES; lane++)
            v[k][lane] = fabsf(v[k][lane] - th->scene[i + (lane < here ? lane : here - 1)]);
    lanes_sort(v, n);
    for (size_t lane = 0; lane < here; lane++) {
        float sum = 0;
        for (size_t k = 0; k < calm; k++)
            sum += v[k][lane];
        dev[i + lane] = calm > 0 ? sum / (float)calm : 0;
    }
    return here;
}

/* Takes the restless px around `start` out of the map; px up to NEAR_PX apart belong together, since only the
   outline of a subject is restless. */
static struct box take_place(const struct thumbs *th, uint8_t *map, uint32_t *stack, uint32_t start,
                             size_t *px)
{
    struct box b = {(float)th->cols, (float)th->rows, 0, 0};
    size_t depth = 0;
    *px = 0;
    stack[depth++] = start;
    map[start] = 0;
    while (depth > 0) {
        uint32_t i = stack[--depth], col = i % th->cols, row = i / th->cols;
        ++*px;
        b.x0 = fminf(b.x0, (float)col);
        b.y0 = fminf(b.y0, (float)row);
        b.x1 = fmaxf(b.x1, (float)col + 1);
        b.y1 = fmaxf(b.y1, (float)row + 1);
        for (uint32_t r = row > NEAR_PX ? row - NEAR_PX : 0; r <= row + NEAR_PX && r < th->rows; r++)
            for (uint32_t c = col > NEAR_PX ? col - NEAR_PX : 0; c <= col + NEAR_PX && c < th->cols; c++)
                if (map[r * th->cols + c]) {
                    map[r * th->cols + c] = 0;
                    stack[depth++] = r * th->cols + c;
                }
    }
    return b;
}

/* True in every px that varies more than most of them do. */
static void mark_restless(const struct thumbs *th, float *dev, float *room, uint8_t *map)
{
    size_t pick[THUMBS_SAMPLE], n = thumbs_sample(th, pick);
    for (size_t i = 0; i < th->px;)
        i += deviations(th, pick, n, i, dev);
    memcpy(room, dev, th->px * sizeof *dev);
    float limit = RESTLESS * select_nth(room, th->px, th->px / 2) + RESTLESS_LUMA;
    for (size_t i = 0; i < th->px; i++)
        map[i] = dev[i] > limit;
}

static void find_rest(const struct thumbs *th, float largest_px, uint8_t *map, uint32_t *stack,
                      struct box *rest)
{
    size_t found = 0, its_px = 0, all_px = 0;
    for (uint32_t i = 0; i < th->px; i++) {
        size_t px;
        if (!map[i])
            continue;
        struct box b = take_place(th, map, stack, i, &px);
        float area = (b.x1 - b.x0) * (b.y1 - b.y0);
        all_px += px >= SPARK_PX ? px : 0;
        if (px >= REST_PX && area > SMALL * largest_px && area < LARGE * largest_px) {
            box_join(rest, &b);
            its_px += px;
            found++;
        }
    }
    if (found > RESTING || (float)its_px < ALONE * (float)all_px)
        *rest = (struct box){0, 0, 0, 0};
}

bool thumbs_rest(const struct thumbs *th, float largest_px, struct box *rest, struct err *err)
{
    float *dev = malloc(th->px * sizeof *dev), *room = malloc(th->px * sizeof *room);
    uint8_t *map = malloc(th->px);
    uint32_t *stack = malloc(th->px * sizeof *stack);
    bool ok = (dev != NULL && room != NULL && map != NULL && stack != NULL) || err_nomem(err);
    *rest = (struct box){0, 0, 0, 0};
    if (ok) {
        mark_restless(th, dev, room, map);
        find_rest(th, largest_px, map, stack, rest);
    }
    free(dev);
    free(room);
    free(map);
    free(stack);
    return ok;
}
