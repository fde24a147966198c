/*
 * travel.c - which tracks are subjects. Reeds in the wind, ripples and glitter change too, but they go
 * nowhere: a track counts when it travels by more than its own size, and small ones only beside nothing
 * larger. What keeps changing on one spot while something else travels is put down as restless scenery.
 */
#include "track.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Median over the track's components of their area, or of the diagonal of their box. */
static float median_of(const struct scene *scene, const struct layer *layer, const struct track *track,
                       bool diagonal, float *scratch)
{
    size_t n = 0;
    for (size_t t = track->first; t <= track->last && t < scene->n; t++) {
        const struct component *c = track_component(layer, track, t);
        if (c == NULL)
            continue;
        float box = hypotf((float)(c->col1 - c->col0 + 1), (float)(c->row1 - c->row0 + 1));
        scratch[n++] = diagonal ? box : (float)c->area;
    }
    return select_median(scratch, n);
}

/* Steps of the track from frame to frame while it moves, cells; returns how many. */
static size_t steps_of(const struct scene *scene, const struct layer *layer, const struct track *track,
                       float *col, float *row)
{
    size_t n = 0, before = track->first;
    for (size_t t = track->first + 1; t <= track->last; t++) {
        const struct component *a = track_component(layer, track, before);
        const struct component *b = track_component(layer, track, t);
        if (b == NULL)
            continue;
        if (a->moving < 0.15f && b->moving < 0.15f) { /* at rest */
            before = t;
            continue;
        }
        col[n] = (b->col - scene->shift_col[t]) - (a->col - scene->shift_col[before]);
        row[n++] = (b->row - scene->shift_row[t]) - (a->row - scene->shift_row[before]);
        before = t;
    }
    return n;
}

/* The longest way between two moments, in lengths of the subject. A step counts for at most three times what
   is usual for the track: where components of waving reeds join and part, the centre leaps now and then. */
static float travel_of(const struct scene *scene, const struct layer *layer, const struct track *track,
                       float *scratch)
{
    float *col = scratch, *row = scratch + scene->n, *length = scratch + 2 * scene->n, far = 0;
    size_t n = steps_of(scene, layer, track, col, row);
    if (n == 0)
        return 0;
    for (size_t i = 0; i < n; i++)
        length[i] = hypotf(col[i], row[i]);
    float most = 3.0f * select_nth(length, n, n * 3 / 4);
    for (size_t i = 0; i < n; i++) {
        float share = fminf(1.0f, most / fmaxf(hypotf(col[i], row[i]), 1e-6f));
        col[i] = col[i] * share + (i > 0 ? col[i - 1] : 0);
        row[i] = row[i] * share + (i > 0 ? row[i - 1] : 0);
    }
    for (size_t i = 0; i < n; i++) {
        far = fmaxf(far, hypotf(col[i], row[i]));
        for (size_t k = 0; k < i; k++)
            far = fmaxf(far, hypotf(col[i] - col[k], row[i] - row[k]));
    }
    return far / fmaxf(median_of(scene, layer, track, true, length), 1.0f);
}

/* Does it go on as it went? Sparkles that light up one after another do not. */
static bool keeps_way(const struct scene *scene, const struct layer *layer, const struct track *track,
                      float *scratch)
{
    enum { LEAST_STEPS = 5 };
    float *col = scratch, *row = scratch + scene->n, *length = scratch + 2 * scene->n;
    size_t n = steps_of(scene, layer, track, col, row);
    if (n < LEAST_STEPS)
        return false;
    for (size_t i = 0; i < n; i++)
        length[i] = hypotf(col[i], row[i]);
    float usual = select_median(length, n);
    for (size_t i = 0; i + 1 < n; i++)
        length[i] = hypotf(col[i + 1] - col[i], row[i + 1] - row[i]);
    return select_median(length, n - 1) < 0.5f * usual;
}

/* An animal at rest fills a good part of its box and is off the border in most frames; reeds that lean over
   do neither. */
static bool is_compact(const struct scene *scene, const struct layer *layer, const struct track *track)
{
    size_t frames = 0, good = 0;
    for (size_t t = track->first; t <= track->last && t < scene->n; t++) {
        const struct component *c = track_component(layer, track, t);
        if (c == NULL)
            continue;
        float box = (float)(c->col1 - c->col0 + 1) * (float)(c->row1 - c->row0 + 1);
        frames++;
        good += !c->border && (float)c->area >= 0.3f * box;
    }
    return 2 * good > frames;
}

/* Lengths that a subject travels: with nothing else about, and beside one that travels farther. */
static const float ALONE = 0.5f, BESIDE = 1.0f;

/* Where much changes at once, in leaves or on water, pieces of it join to tracks that wander by their own
   length or two. A subject there keeps its way, or is gone too far for a leaf. */
static const float CROWD = 6.0f; /* components a frame */
static const float FAR = 3.0f;   /* lengths */

static bool is_crowded(const struct scene *scene, const struct layer *layer)
{
    size_t all = 0;
    for (size_t t = 0; t < scene->n; t++)
        all += layer[t].n;
    return (float)all > CROWD * (float)scene->n;
}

static void drop(struct tracks *tracks, size_t which, size_t frames)
{
    struct track *track = &tracks->track[which];
    for (size_t i = 0; i < frames * SCENE_MAX_COMPONENTS; i++)
        if (tracks->owner[i] == track->id)
            tracks->owner[i] = 0;
    free(track->pick);
    memmove(track, track + 1, (--tracks->n - which) * sizeof *track);
}

/* Is the track at frame t still (or again) on waving scenery: mostly restless cells or something far smaller
   than its subject, and hardly a step within the next few frames? */
static bool idles(const struct scene *scene, const struct layer *layer, const struct track *track, size_t t,
                  int direction, float usual_step, float usual_area)
{
    enum { AHEAD = 3 };
    const struct component *here = track_component(layer, track, t);
    size_t last = direction > 0 ? track->last : track->first, u = t;
    int steps = 0;
    while (u != last && steps < AHEAD) {
        u += (size_t)direction;
        steps++;
    }
    const struct component *there = track_component(layer, track, u);
    bool doubtful = here->restless >= 0.5f || (float)here->area < 0.25f * usual_area;
    if (!doubtful || there == NULL)
        return false;
    return component_distance(scene, t, here, u, there) < 0.25f * usual_step * (float)steps;
}

static void give_up(const struct layer *layer, struct tracks *tracks, struct track *track, size_t t)
{
    for (size_t k = 0; k < layer[t].n; k++) {
        uint8_t *owner = &tracks->owner[t * SCENE_MAX_COMPONENTS + k];
        *owner = *owner == track->id ? 0 : *owner;
    }
    track->pick[t] = -1;
}

/* Cuts off the ends of a travelling track where it had not yet found its subject, or had lost it. */
static void trim(const struct scene *scene, const struct layer *layer, struct tracks *tracks,
                 struct track *track, float *scratch)
{
    float *col = scratch, *row = scratch + scene->n, *length = scratch + 2 * scene->n;
    size_t n = steps_of(scene, layer, track, col, row);
    for (size_t i = 0; i < n; i++)
        length[i] = hypotf(col[i], row[i]);
    float usual = select_median(length, n), area = median_of(scene, layer, track, false, length);
    while (track->first < track->last &&
           (track->pick[track->first] < 0 || idles(scene, layer, track, track->first, 1, usual, area)))
        give_up(layer, tracks, track, track->first++);
    while (track->first < track->last &&
           (track->pick[track->last] < 0 || idles(scene, layer, track, track->last, -1, usual, area)))
        give_up(layer, tracks, track, track->last--);
}

bool tracks_prune(const struct scene *scene, const struct layer *layer, struct tracks *tracks,
                  struct err *err)
{
    float *scratch = malloc(3 * scene->n * sizeof *scratch);
    float area[TRACKS_MAX], travel[TRACKS_MAX], largest = 0, farthest = 0;
    bool compact[TRACKS_MAX], crowded = is_crowded(scene, layer);
    if (scratch == NULL)
        return err_nomem(err);
    for (size_t i = 0; i < tracks->n; i++) {
        struct track *track = &tracks->track[i];
        area[i] = median_of(scene, layer, track, false, scratch);
        compact[i] = is_compact(scene, layer, track);
        bool strays = !keeps_way(scene, layer, track, scratch);
        bool goes = !track->resting && (tracks->stride <= 0 || !strays);
        travel[i] = goes ? travel_of(scene, layer, track, scratch) : 0;
        if (crowded && strays && travel[i] < FAR)
            travel[i] = 0;
        farthest = fmaxf(farthest, travel[i]);
        if (travel[i] >= ALONE)
            largest = fmaxf(largest, area[i]);
    }
    for (size_t i = tracks->n; i-- > 0;) {
        struct track *track = &tracks->track[i];
        track->travels = travel[i] >= fminf(BESIDE, fmaxf(farthest, ALONE)) && area[i] >= 0.15f * largest;
        bool rests = track->resting && area[i] >= 0.25f * largest && compact[i];
        if (!track->travels && !rests)
            drop(tracks, i, scene->n);
        else if (track->travels)
            trim(scene, layer, tracks, track, scratch);
    }
    free(scratch);
    return true;
}

/* What the scenery does at a cell, over the frames in which no subject covers it. A component much larger
   than usual for its track has run together with scenery and covers nothing. */
static size_t unrest(const struct scene *scene, const struct layer *layer, const struct tracks *tracks,
                     const float *usual_area, uint32_t c, uint32_t r, float *v)
{
    size_t n = 0, i = (size_t)r * scene->wide + c;
    for (size_t t = 0; t < scene->n; t++) {
        size_t at = scene_cell(scene, t, c, r);
        if (at == SIZE_MAX)
            continue;
        uint8_t label = layer_label(&layer[t], at);
        uint8_t id = label > 0 ? tracks->owner[t * SCENE_MAX_COMPONENTS + label - 1u] : 0;
        bool covered = id > 0 && (float)layer[t].component[label - 1].area <= 1.5f * usual_area[id];
        float y = covered ? -1.0f
                          : scene_luma_at(scene, t, (float)c - scene->origin_col + scene->shift_col[t],
                                          (float)r - scene->origin_row + scene->shift_row[t]);
        if (y >= 0.0f)
            v[n++] = fabsf(y - scene->background[i]);
    }
    return n;
}

/* In how many frames some component covers each scene cell. */
static void count_changes(const struct scene *scene, const struct layer *layer, uint16_t *count)
{
    for (size_t t = 0; t < scene->n; t++) {
        size_t i = 0;
        for (uint32_t r = 0; r < scene->high; r++)
            for (uint32_t c = 0; c < scene->wide; c++, i++) {
                size_t at = scene->registered ? scene_cell(scene, t, c, r) : i;
                count[i] = (uint16_t)(count[i] + (at != SIZE_MAX && layer[t].label[at] > 0));
            }
    }
}

bool scene_allow_unrest(struct scene *scene, const struct layer *layer, const struct tracks *tracks,
                        bool *changed, struct err *err)
{
    size_t cells = (size_t)scene->wide * scene->high, i = 0;
    uint16_t *count = calloc(cells, sizeof *count);
    float *v = malloc(scene->n * sizeof *v), usual_area[UINT8_MAX + 1] = {0};
    size_t beyond = scene->n / 8 > 6 ? scene->n / 8 : 6;
    *changed = false;
    if (scene->restless == NULL)
        scene->restless = calloc(cells, 1);
    bool done = count != NULL && v != NULL && scene->restless != NULL;
    if (done)
        count_changes(scene, layer, count);
    for (size_t k = 0; done && k < tracks->n; k++)
        usual_area[tracks->track[k].id] = median_of(scene, layer, &tracks->track[k], false, v);
    for (uint32_t r = 0; done && r < scene->high; r++)
        for (uint32_t c = 0; c < scene->wide; c++, i++) {
            if (count[i] < 2 || count[i] * 12u < scene->n || scene->background[i] < 0.0f)
                continue;
            size_t n = unrest(scene, layer, tracks, usual_area, c, r, v);
            if (n <= beyond)
                continue;
            float usual = 1.3f * select_nth(v, n, n - 1 - beyond);
            if (usual > scene->limit[i]) {
                scene->limit[i] = usual;
                scene->restless[i] = 1;
                *changed = true;
            }
        }
    free(count);
    free(v);
    return done ? true : err_nomem(err);
}
