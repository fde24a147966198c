/* components.c - what differs from the empty scene, frame by frame, as connected components. */
#include "scene.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

struct work {
    float *now, *before, *after, *back, *limit;
    uint8_t *mask, *scratch;
    uint32_t *cell;
};

static bool work_open(struct work *work, size_t cells)
{
    work->now = malloc(cells * sizeof(float));
    work->before = malloc(cells * sizeof(float));
    work->after = malloc(cells * sizeof(float));
    work->back = malloc(cells * sizeof(float));
    work->limit = malloc(cells * sizeof(float));
    work->mask = malloc(cells);
    work->scratch = malloc(cells);
    work->cell = malloc(cells * sizeof(uint32_t));
    return work->now != NULL && work->before != NULL && work->after != NULL && work->back != NULL &&
           work->limit != NULL && work->mask != NULL && work->scratch != NULL && work->cell != NULL;
}

static void work_release(struct work *work)
{
    free(work->now);
    free(work->before);
    free(work->after);
    free(work->back);
    free(work->limit);
    free(work->mask);
    free(work->scratch);
    free(work->cell);
}

/* Planes of frame t and its neighbours. Cell for cell they are those of the frame before, one further. */
static void move_on(const struct scene *scene, size_t t, struct work *work)
{
    if (!scene->registered && t > 0) {
        float *free_plane = work->before;
        work->before = work->now;
        work->now = work->after;
        work->after = free_plane;
        scene_frame(scene, t + 1 < scene->n ? t + 1 : t, work->after);
        return;
    }
    scene_frame(scene, t, work->now);
    scene_frame_from(scene, t > 0 ? t - 1 : t, t, work->now, work->before);
    scene_frame_from(scene, t + 1 < scene->n ? t + 1 : t, t, work->now, work->after);
}

/* These planes and the background; the closed mask of changes. */
static void changes(const struct scene *scene, size_t t, struct work *work)
{
    move_on(scene, t, work);
    scene_background_at(scene, t, work->now, work->back, work->limit);
    for (size_t i = 0; i < scene->cells; i++)
        work->mask[i] = fabsf(work->now[i] - work->back[i]) > work->limit[i];
    scene_clear_ignored(scene, t, work->mask);
    mask_dilate(work->mask, scene->cols, scene->rows, 1, work->scratch);
    mask_erode(work->mask, scene->cols, scene->rows, 1, work->scratch);
}

/* Clears, in every set of changes that is wider than a subject can be, what differs by less than `times` the
   limit; all of it when `times` is 0. Returns whether there was one. */
static bool thin_wide(const struct scene *scene, float times, struct work *work)
{
    bool any = false;
    memcpy(work->scratch, work->mask, scene->cells);
    for (size_t i = 0; i < scene->cells; i++) {
        if (work->scratch[i] != 1)
            continue;
        size_t n = mask_flood(work->scratch, scene->cols, scene->rows, i, work->cell);
        uint32_t col0 = scene->cols, col1 = 0;
        for (size_t k = 0; k < n; k++) {
            uint32_t c = work->cell[k] % scene->cols;
            col0 = c < col0 ? c : col0;
            col1 = c > col1 ? c : col1;
        }
        if ((float)(col1 - col0 + 1) <= SUBJECT_WIDEST * (float)scene->cols)
            continue;
        any = true;
        for (size_t k = 0; k < n; k++) {
            uint32_t at = work->cell[k];
            work->mask[at] = times > 0 && fabsf(work->now[at] - work->back[at]) > times * work->limit[at];
        }
    }
    return any;
}

/* An arm, or a gust that joins half of the scene into one, is no subject; what stands out within it may be.
 */
static void split_wide(const struct scene *scene, struct work *work)
{
    static const float times[] = {1.5f, 2.2f, 3.3f, 5.0f, 0.0f};
    for (size_t k = 0; k < sizeof times / sizeof *times && thin_wide(scene, times[k], work); k++)
        continue;
}

/* Describes the n cells; returns its strongest difference in limits. */
static float describe(const struct scene *scene, size_t t, const struct work *work, size_t n,
                      struct component *out)
{
    float peak = 0, strength = 0, col = 0, row = 0;
    size_t moving = 0, restless = 0;
    *out = (struct component){.area = (uint32_t)n, .col0 = scene->cols, .row0 = scene->rows};
    for (size_t k = 0; k < n; k++) {
        uint32_t i = work->cell[k], c = i % scene->cols, r = i / scene->cols;
        float d = fabsf(work->now[i] - work->back[i]) / work->limit[i];
        float step = fmaxf(fabsf(work->now[i] - work->before[i]), fabsf(work->now[i] - work->after[i]));
        peak = fmaxf(peak, d);
        strength += fminf(d, 6.0f);
        moving += step > work->limit[i];
        restless += scene_is_restless(scene, t, c, r);
        col += (float)c;
        row += (float)r;
        out->col0 = c < out->col0 ? c : out->col0;
        out->row0 = r < out->row0 ? r : out->row0;
        out->col1 = c > out->col1 ? c : out->col1;
        out->row1 = r > out->row1 ? r : out->row1;
    }
    float count = (float)n;
    out->strength = strength / count;
    out->moving = (float)moving / count;
    out->restless = (float)restless / count;
    out->col = col / count;
    out->row = row / count;
    out->border =
        out->col0 == 0 || out->row0 == 0 || out->col1 + 1 == scene->cols || out->row1 + 1 == scene->rows;
    return peak;
}

static float weight(const struct component *c)
{
    return (float)c->area * c->strength;
}

/* Where the new component goes: the next free place, or that of the weakest if that is weaker; -1 nowhere. */
static int place_for(const struct scene *scene, struct layer *layer, const struct component *fresh)
{
    if (layer->n < SCENE_MAX_COMPONENTS)
        return (int)layer->n++;
    size_t weakest = 0;
    for (size_t k = 1; k < layer->n; k++)
        if (weight(&layer->component[k]) < weight(&layer->component[weakest]))
            weakest = k;
    if (weight(fresh) <= weight(&layer->component[weakest]))
        return -1;
    const struct component *old = &layer->component[weakest];
    for (uint32_t r = old->row0; r <= old->row1; r++)
        for (uint32_t c = old->col0; c <= old->col1; c++) {
            uint8_t *label = &layer->label[(size_t)r * scene->cols + c];
            *label = (*label & ~LAYER_CLOSED) == (int)weakest + 1 ? 0 : *label;
        }
    return (int)weakest;
}

static void label_frame(const struct scene *scene, size_t t, struct work *work, struct layer *layer)
{
    float least = 6.0f * scene->unit * scene->unit;
    for (size_t i = 0; i < scene->cells; i++) {
        if (work->mask[i] != 1)
            continue;
        size_t n = mask_flood(work->mask, scene->cols, scene->rows, i, work->cell);
        struct component fresh;
        if ((float)n < least || describe(scene, t, work, n, &fresh) <= 1.8f)
            continue;
        int k = place_for(scene, layer, &fresh);
        if (k < 0)
            continue;
        layer->component[k] = fresh;
        for (size_t j = 0; j < n; j++) {
            uint32_t at = work->cell[j];
            bool closed = !(fabsf(work->now[at] - work->back[at]) > work->limit[at]);
            layer->label[at] = (uint8_t)((k + 1) | (closed ? LAYER_CLOSED : 0));
        }
    }
}

bool layers_find(const struct scene *scene, struct layer *layer, struct err *err)
{
    struct work work = {0};
    bool done = work_open(&work, scene->cells);
    for (size_t t = 0; done && t < scene->n; t++) {
        layer[t].n = 0;
        if (layer[t].label == NULL)
            layer[t].label = malloc(scene->cells);
        done = layer[t].label != NULL;
        if (!done)
            break;
        memset(layer[t].label, 0, scene->cells);
        changes(scene, t, &work);
        layer[t].changed = 0;
        for (size_t i = 0; i < scene->cells; i++)
            layer[t].changed += work.mask[i];
        split_wide(scene, &work);
        label_frame(scene, t, &work, &layer[t]);
    }
    work_release(&work);
    return done ? true : err_nomem(err);
}

void layers_release(struct layer *layer, size_t n)
{
    for (size_t t = 0; layer != NULL && t < n; t++)
        free(layer[t].label);
    free(layer);
}
