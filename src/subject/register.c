/* register.c - the camera's own movement. A wrong registration is worse than none, so each step must prove
 * itself: whole-cell shifts only where they explain a good part of the differences, sub-cell shifts only
 * where the residual falls clearly. */
#include "scene.h"

#include <math.h>
#include <stdlib.h>

enum { REACH = 6, PAN_REACH = 12, PAIRS = 9, MAX_CHAIN = 400 /* cells that a pan may cover either way */ };

struct room {
    float *a, *b, *scratch;
    float *chained; /* of each frame: its gain against the first one, beyond what scene->gain has */
};

static bool room_open(struct room *room, size_t cells, size_t frames)
{
    room->a = malloc(cells * sizeof *room->a);
    room->b = malloc(cells * sizeof *room->b);
    room->scratch = malloc(cells * sizeof *room->scratch);
    room->chained = malloc((frames + 1) * sizeof *room->chained);
    return room->a != NULL && room->b != NULL && room->scratch != NULL && room->chained != NULL;
}

static void room_release(struct room *room)
{
    free(room->a);
    free(room->b);
    free(room->scratch);
    free(room->chained);
}

/* Shift of frame t + 1 against frame t in whole cells; 0, 0 unless it removes a fifth of the difference. */
static void pair_shift(const struct scene *scene, const struct room *room, size_t t, int *dx, int *dy)
{
    float zero;
    scene_frame(scene, t, room->a);
    scene_frame(scene, t + 1, room->b);
    float best = plane_search(room->a, room->b, scene->cols, scene->rows, REACH, dx, dy, &zero);
    /* A bird that crosses the picture in half a second takes the camera along by more. */
    bool beyond = !(best < 0.8f * zero) || abs(*dx) == REACH || abs(*dy) == REACH;
    if (beyond && scene->cols > 4 * PAN_REACH && scene->rows > 4 * PAN_REACH)
        best = plane_search(room->a, room->b, scene->cols, scene->rows, PAN_REACH, dx, dy, &zero);
    if (!(best < 0.8f * zero))
        *dx = *dy = 0;
}

static bool pans(const struct scene *scene, const struct room *room)
{
    float size[PAIRS];
    size_t n = scene->n - 1 < PAIRS ? scene->n - 1 : PAIRS;
    for (size_t k = 0; k < n; k++) {
        int dx, dy;
        pair_shift(scene, room, (2 * k + 1) * (scene->n - 1) / (2 * n), &dx, &dy);
        size[k] = hypotf((float)dx, (float)dy);
    }
    return select_median(size, n) >= 1.0f;
}

/* By how much frame t + 1 in room->b is brighter than frame t in room->a, once moved onto it. */
static float brighter(const struct scene *scene, const struct room *room, float dx, float dy)
{
    size_t i = 0;
    for (uint32_t r = 0; r < scene->rows; r++)
        for (uint32_t c = 0; c < scene->cols; c++)
            room->scratch[i++] =
                plane_at(room->b, scene->cols, scene->rows, (float)c + dx, (float)r + dy, -1.0f);
    return plane_gain(room->scratch, room->a, scene->cells);
}

/* Gains were found against frames that show other parts of the scene: bright parts passed for more exposure.
   Those that were chained along with the shifts do not; the middle frame keeps its own. */
static void regain(struct scene *scene, const float *chained)
{
    float middle = chained[scene->n / 2];
    for (size_t t = 0; t < scene->n; t++)
        scene->gain[t] *= chained[t] / middle;
}

/* Chains the shifts of neighbours. False when the pan leaves all bounds: then nothing is registered. */
static bool chain(struct scene *scene, const struct room *room)
{
    room->chained[0] = 1.0f;
    for (size_t t = 0; t + 1 < scene->n; t++) {
        int dx, dy;
        pair_shift(scene, room, t, &dx, &dy);
        float fx = (float)dx, fy = (float)dy;
        plane_refine(room->a, room->b, scene->cols, scene->rows, &fx, &fy, room->scratch);
        if (!(fabsf(fx - (float)dx) <= 1.5f && fabsf(fy - (float)dy) <= 1.5f)) {
            fx = (float)dx;
            fy = (float)dy;
        }
        scene->shift_col[t + 1] = scene->shift_col[t] + fx;
        scene->shift_row[t + 1] = scene->shift_row[t] + fy;
        room->chained[t + 1] = room->chained[t] * brighter(scene, room, fx, fy);
    }
    regain(scene, room->chained);
    for (size_t t = 0; t < scene->n; t++)
        if (fabsf(scene->shift_col[t]) > MAX_CHAIN || fabsf(scene->shift_row[t]) > MAX_CHAIN)
            return false;
    return true;
}

/* Shift of frame t against the plane in room->a, if it is small and clearly explains something. Sub-cell
   steps from nothing find a tremor; a shake of several cells needs the best whole-cell shift to start from.
 */
static bool shake(const struct scene *scene, const struct room *room, size_t t, float *dx, float *dy)
{
    uint32_t cols = scene->cols, rows = scene->rows;
    int whole_x, whole_y;
    float zero;
    scene_frame(scene, t, room->b);
    *dx = *dy = 0;
    float before = plane_residual(room->a, room->b, cols, rows, 0, 0, room->scratch);
    float after = plane_refine(room->a, room->b, cols, rows, dx, dy, room->scratch);
    float best = plane_search(room->a, room->b, cols, rows, REACH, &whole_x, &whole_y, &zero);
    if (best < 0.8f * zero) {
        float far_x = (float)whole_x, far_y = (float)whole_y;
        float far = plane_refine(room->a, room->b, cols, rows, &far_x, &far_y, room->scratch);
        if (far < after) {
            after = far;
            *dx = far_x;
            *dy = far_y;
        }
    }
    return fabsf(*dx) <= (float)REACH && fabsf(*dy) <= (float)REACH && after < 0.9f * before;
}

/* Median of the sampled frames at their present shifts, in the cells of the reference, into room->a. */
static void aligned_median(const struct scene *scene, const struct room *room)
{
    size_t pick[SCENE_SAMPLE], n = scene_sample(scene, pick), i = 0;
    for (uint32_t r = 0; r < scene->rows; r++)
        for (uint32_t c = 0; c < scene->cols; c++, i++) {
            float v[SCENE_SAMPLE];
            size_t seen = 0;
            for (size_t k = 0; k < n; k++) {
                size_t t = pick[k];
                float y =
                    scene_luma_at(scene, t, (float)c + scene->shift_col[t], (float)r + scene->shift_row[t]);
                if (y >= 0.0f)
                    v[seen++] = y;
            }
            if (seen == 0)
                v[seen++] = room->a[i];
            room->a[i] = select_median(v, seen);
        }
}

static void steady_all(struct scene *scene, const struct room *room)
{
    for (size_t t = 0; t < scene->n; t++) {
        float dx, dy;
        bool proven = shake(scene, room, t, &dx, &dy);
        scene->shift_col[t] = proven ? dx : 0.0f;
        scene->shift_row[t] = proven ? dy : 0.0f;
    }
}

/* Hand-held: is there a shake at all? Looks at a few frames before it pays for all. */
static bool shakes(const struct scene *scene, const struct room *room)
{
    size_t proven = 0, n = scene->n < PAIRS ? scene->n : PAIRS;
    for (size_t k = 0; k < n; k++) {
        float dx, dy;
        if (shake(scene, room, (2 * k + 1) * scene->n / (2 * n), &dx, &dy) && hypotf(dx, dy) > 0.1f)
            proven++;
    }
    return proven * 3 >= n;
}

static void clear_shifts(struct scene *scene)
{
    for (size_t t = 0; t < scene->n; t++)
        scene->shift_col[t] = scene->shift_row[t] = 0.0f;
}

/* The reference is the middle frame of the burst: shifts are given against it. */
static void centre_shifts(struct scene *scene)
{
    float c = scene->shift_col[scene->n / 2], r = scene->shift_row[scene->n / 2];
    for (size_t t = 0; t < scene->n; t++) {
        scene->shift_col[t] -= c;
        scene->shift_row[t] -= r;
        float size = hypotf(scene->shift_col[t], scene->shift_row[t]);
        scene->max_shift = fmaxf(scene->max_shift, size);
    }
    scene->registered = scene->max_shift > 0.0f;
}

bool scene_register(struct scene *scene, struct err *err)
{
    struct room room;
    bool roomy = room_open(&room, scene->cells, scene->n);
    if (!roomy || scene->n < SCENE_MIN_FRAMES || scene->cols < 4 * REACH || scene->rows < 4 * REACH) {
        room_release(&room);
        return roomy ? true : err_nomem(err);
    }
    if (pans(scene, &room)) {
        scene->lost = !chain(scene, &room);
        if (scene->lost)
            clear_shifts(scene);
    } else {
        scene_frame(scene, scene->n / 2, room.a);
        if (shakes(scene, &room)) {
            steady_all(scene, &room);
            aligned_median(scene, &room);
            steady_all(scene, &room);
        }
    }
    centre_shifts(scene);
    room_release(&room);
    return true;
}
