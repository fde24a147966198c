/* ghost.c - a difference that stays in one place is either an animal at rest, seen against the empty place,
 * or the empty place, seen against an animal that the median took for the background because it rested
 * there in most frames. An animal has an outline; the place without it goes on into its surroundings. So
 * the state whose brightness jumps at the outline is the occupied one. */
#include "scene.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

struct place {
    uint8_t *map;   /* 1 = static difference, 2 = done, 3 = the blob at hand */
    uint32_t *cell; /* of the blob */
    size_t n;
    float *on; /* luma while the difference is there, over the box of the blob */
    uint8_t *grown;
    uint8_t *scratch;
};

static bool place_open(struct place *place, size_t cells)
{
    place->map = calloc(cells, 1);
    place->grown = malloc(cells);
    place->scratch = malloc(cells);
    place->cell = malloc(cells * sizeof *place->cell);
    place->on = malloc(cells * sizeof *place->on);
    return place->map != NULL && place->grown != NULL && place->scratch != NULL && place->cell != NULL &&
           place->on != NULL;
}

static void place_release(struct place *place)
{
    free(place->map);
    free(place->grown);
    free(place->scratch);
    free(place->cell);
    free(place->on);
}

/* Cells that belong to something that does not move, in at least an eighth of the frames. */
static void map_static(const struct scene *scene, const struct layer *layer, uint8_t *map)
{
    size_t least = scene->n / 8 < 4 ? 4 : scene->n / 8;
    for (size_t i = 0; i < scene->cells; i++) {
        size_t count = 0;
        for (size_t t = 0; t < scene->n && count < least; t++) {
            uint8_t label = layer_label(&layer[t], i);
            count += label > 0 && layer[t].component[label - 1].moving < 0.15f;
        }
        map[i] = count >= least;
    }
}

/* Frames in which at least half of the blob differs from the background. */
static size_t frames_on(const struct scene *scene, const struct layer *layer, const struct place *place,
                        size_t *on)
{
    size_t n = 0;
    for (size_t t = 0; t < scene->n; t++) {
        size_t set = 0;
        for (size_t k = 0; k < place->n; k++)
            set += layer[t].label[place->cell[k]] > 0;
        if (2 * set >= place->n)
            on[n++] = t;
    }
    return n;
}

/* The grown blob, and the median luma of the `on` frames there. */
static void luma_on(const struct scene *scene, struct place *place, const size_t *on, size_t n)
{
    memset(place->grown, 0, scene->cells);
    for (size_t k = 0; k < place->n; k++)
        place->grown[place->cell[k]] = 1;
    mask_dilate(place->grown, scene->cols, scene->rows, 3, place->scratch);
    size_t sample = n < SCENE_SAMPLE ? n : SCENE_SAMPLE;
    for (size_t i = 0; i < scene->cells; i++) {
        if (!place->grown[i])
            continue;
        float v[SCENE_SAMPLE];
        for (size_t k = 0; k < sample; k++) {
            size_t t = on[(2 * k + 1) * n / (2 * sample)];
            v[k] = grid_luma(scene->grid[t], i) / scene->gain[t];
        }
        place->on[i] = select_median(v, sample);
    }
}

/* Mean brightness jump over the outline of the blob, from one cell inside to two cells outside. */
static float outline_jump(const struct scene *scene, const struct place *place, const float *luma)
{
    static const int step[4][2] = {{1, 0}, {-1, 0}, {0, 1}, {0, -1}};
    float sum = 0;
    size_t count = 0;
    for (size_t k = 0; k < place->n; k++) {
        long c = place->cell[k] % scene->cols, r = place->cell[k] / scene->cols;
        for (int s = 0; s < 4; s++) {
            long nc = c + step[s][0], nr = r + step[s][1];
            long oc = c + 3 * step[s][0], or = r + 3 * step[s][1];
            if (oc < 0 || or < 0 || oc >= (long)scene->cols || or >= (long)scene->rows ||
                place->map[(size_t)nr * scene->cols + (size_t)nc] == 3)
                continue;
            sum += fabsf(luma[place->cell[k]] - luma[(size_t) or *scene->cols + (size_t)oc]);
            count++;
        }
    }
    return count > 0 ? sum / (float)count : 0.0f;
}

static void adopt(struct scene *scene, const struct place *place)
{
    for (size_t i = 0; i < scene->cells; i++)
        if (place->grown[i]) {
            scene->background[i] = place->on[i];
            scene->spread[i] = fminf(scene->spread[i], scene->noise);
        }
}

bool scene_repair_ghosts(struct scene *scene, const struct layer *layer, bool *changed, struct err *err)
{
    *changed = false;
    if (scene->registered) /* the background has cells of its own then */
        return true;
    struct place place = {0};
    size_t *on = malloc((scene->n + 1) * sizeof *on);
    bool done = place_open(&place, scene->cells) && on != NULL;
    if (done)
        map_static(scene, layer, place.map);
    for (size_t i = 0; done && i < scene->cells; i++) {
        if (place.map[i] != 1)
            continue;
        place.n = mask_flood(place.map, scene->cols, scene->rows, i, place.cell);
        size_t n = frames_on(scene, layer, &place, on);
        if ((float)place.n < 6.0f * scene->unit * scene->unit || n < 3 || n == scene->n)
            continue;
        luma_on(scene, &place, on, n);
        for (size_t k = 0; k < place.n; k++)
            place.map[place.cell[k]] = 3;
        if (outline_jump(scene, &place, scene->background) > 1.25f * outline_jump(scene, &place, place.on)) {
            adopt(scene, &place);
            *changed = true;
        }
        for (size_t k = 0; k < place.n; k++)
            place.map[place.cell[k]] = 2;
    }
    place_release(&place);
    free(on);
    return !done ? err_nomem(err) : *changed ? scene_limits(scene, err) : true;
}
