/*
 * track.c - which components of neighbouring frames are one subject.
 *
 * The best way through the burst is a Viterbi path over {nothing, components of the frame}: a component
 * earns by its size, strength and motion, a step costs by distance and change of size, appearing and
 * vanishing cost a fixed sum. Its components are taken out and the next best way is sought. Pieces that
 * continue each other are joined; a subject that lands is followed while it rests.
 */
#include "track.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { NONE = 0, STATES = SCENE_MAX_COMPONENTS + 1 };
static const float BASE_COST = 4.0f;   /* a frame must earn this much to be worth a component */
static const float EDGE_COST = 15.0f;  /* to appear or to vanish */
static const float STRIDE = 16.0f;     /* cells */
static const float LEAST_GAIN = 30.0f; /* of a whole track, after appearing and vanishing */

const struct component *track_component(const struct layer *layer, const struct track *track, size_t t)
{
    return track->pick[t] < 0 ? NULL : &layer[t].component[track->pick[t]];
}

float component_size(const struct component *c)
{
    return sqrtf((float)c->area);
}

/* Distance between centres on the scene, that is without the camera's own shift. */
float component_distance(const struct scene *scene, size_t t, const struct component *a, size_t u,
                         const struct component *b)
{
    float dc = (b->col - scene->shift_col[u]) - (a->col - scene->shift_col[t]);
    float dr = (b->row - scene->shift_row[u]) - (a->row - scene->shift_row[t]);
    return hypotf(dc, dr);
}

static float earns(const struct scene *scene, const struct component *c, bool resting)
{
    float motion = resting ? 1.0f : fminf(c->moving / 0.25f, 1.0f);
    return component_size(c) / scene->unit * fminf(c->strength, 4.0f) * motion * motion - BASE_COST;
}

static float step_cost(const struct scene *scene, float stride, size_t t, const struct component *a,
                       const struct component *b)
{
    float size = fmaxf(fmaxf(component_size(a), component_size(b)), stride);
    float least = fminf(component_size(a), component_size(b)) / scene->unit;
    float far = component_distance(scene, t, a, t + 1, b) / size;
    float grown = fabsf(logf((float)a->area / (float)b->area));
    return (8.0f * fmaxf(far - 0.6f, 0) + 6.0f * fmaxf(grown - 0.4f, 0)) * fmaxf(least / 4.0f, 1.5f);
}

struct path {
    float score[STATES];
    uint8_t *from; /* n * STATES */
};

static float enter(const struct scene *scene, const struct layer *layer, float stride, size_t t, size_t from,
                   size_t to)
{
    if (from == NONE || to == NONE)
        return from == to ? 0.0f : EDGE_COST;
    return step_cost(scene, stride, t, &layer[t].component[from - 1], &layer[t + 1].component[to - 1]);
}

static bool is_free(const struct tracks *tracks, size_t t, size_t k)
{
    return tracks->owner[t * SCENE_MAX_COMPONENTS + k] == 0;
}

/* Advances the path scores from frame t to t + 1. */
static void advance(const struct scene *scene, const struct layer *layer, const struct tracks *tracks,
                    size_t t, bool resting, struct path *path)
{
    float next[STATES];
    size_t states = layer[t].n + 1;
    for (size_t to = 0; to <= layer[t + 1].n; to++) {
        next[to] = -INFINITY;
        if (to != NONE && !is_free(tracks, t + 1, to - 1))
            continue;
        for (size_t from = 0; from < states; from++) {
            float score = path->score[from] - enter(scene, layer, tracks->stride, t, from, to);
            if (score > next[to]) {
                next[to] = score;
                path->from[(t + 1) * STATES + to] = (uint8_t)from;
            }
        }
        if (to != NONE)
            next[to] += earns(scene, &layer[t + 1].component[to - 1], resting);
    }
    memcpy(path->score, next, sizeof next);
}

/* The best path over what is free: pick[t] = component or -1. */
static void best_path(const struct scene *scene, const struct layer *layer, const struct tracks *tracks,
                      bool resting, struct path *path, int8_t *pick)
{
    path->score[NONE] = 0;
    for (size_t k = 0; k < layer[0].n; k++)
        path->score[k + 1] =
            is_free(tracks, 0, k) ? earns(scene, &layer[0].component[k], resting) - EDGE_COST : -INFINITY;
    for (size_t t = 0; t + 1 < scene->n; t++)
        advance(scene, layer, tracks, t, resting, path);
    size_t at = NONE;
    for (size_t k = 1; k <= layer[scene->n - 1].n; k++)
        if (path->score[k] - EDGE_COST > path->score[at] - (at == NONE ? 0 : EDGE_COST))
            at = k;
    for (size_t t = scene->n; t-- > 0;) {
        pick[t] = (int8_t)((int)at - 1);
        at = path->from[t * STATES + at];
    }
}

/* A part that came loose (a wing behind a reed) belongs to the component beside it, unless it is large
   enough to be a subject of its own. */
static void absorb(const struct scene *scene, const struct layer *layer, struct tracks *tracks, size_t which,
                   size_t t)
{
    const struct component *main = track_component(layer, &tracks->track[which], t);
    float gap = 0.175f * fminf(component_size(main), 30.0f * scene->unit);
    for (size_t k = 0; k < layer[t].n; k++) {
        const struct component *c = &layer[t].component[k];
        float dc = fmaxf((float)c->col0 - (float)main->col1, (float)main->col0 - (float)c->col1);
        float dr = fmaxf((float)c->row0 - (float)main->row1, (float)main->row0 - (float)c->row1);
        bool near = fmaxf(dc, 0) <= gap + 1 && fmaxf(dr, 0) <= gap + 1;
        float share = (float)c->area / (float)main->area;
        if (near && is_free(tracks, t, k) && share >= 0.06f && share <= 0.6f && c->moving >= 0.15f)
            tracks->owner[t * SCENE_MAX_COMPONENTS + k] = tracks->track[which].id;
    }
}

static void own(const struct scene *scene, const struct layer *layer, struct tracks *tracks, size_t which)
{
    struct track *track = &tracks->track[which];
    for (size_t t = track->first; t <= track->last; t++)
        if (track->pick[t] >= 0)
            tracks->owner[t * SCENE_MAX_COMPONENTS + (size_t)track->pick[t]] = tracks->track[which].id;
    for (size_t t = track->first; t <= track->last; t++)
        if (track->pick[t] >= 0)
            absorb(scene, layer, tracks, which, t);
}

static float piece_gain(const struct scene *scene, const struct layer *layer, float stride,
                        const int8_t *pick, size_t first, size_t last, bool resting)
{
    float gain = -2 * EDGE_COST;
    for (size_t t = first; t <= last; t++) {
        const struct component *here = &layer[t].component[pick[t]];
        gain += earns(scene, here, resting);
        if (t < last)
            gain -= step_cost(scene, stride, t, here, &layer[t + 1].component[pick[t + 1]]);
    }
    return gain;
}

static bool add_piece(const struct scene *scene, const struct layer *layer, struct tracks *tracks,
                      const int8_t *pick, size_t first, size_t last, bool resting)
{
    struct track *track = &tracks->track[tracks->n];
    track->pick = malloc(scene->n);
    if (track->pick == NULL)
        return false;
    memset(track->pick, -1, scene->n);
    memcpy(track->pick + first, pick + first, last - first + 1);
    track->id = ++tracks->last_id;
    track->first = first;
    track->last = last;
    track->resting = resting;
    track->gain = piece_gain(scene, layer, tracks->stride, pick, first, last, resting);
    own(scene, layer, tracks, tracks->n++);
    return true;
}

/* Cuts a path where nothing was seen and adds the pieces. *added counts them. */
static bool add_pieces(const struct scene *scene, const struct layer *layer, struct tracks *tracks,
                       const int8_t *pick, bool resting, size_t *added)
{
    *added = 0;
    for (size_t t = 0; t < scene->n && tracks->n < TRACKS_MAX && tracks->last_id < UINT8_MAX; t++) {
        if (pick[t] < 0)
            continue;
        size_t last = t;
        while (last + 1 < scene->n && pick[last + 1] >= 0)
            last++;
        if (piece_gain(scene, layer, tracks->stride, pick, t, last, resting) > LEAST_GAIN) {
            if (!add_piece(scene, layer, tracks, pick, t, last, resting))
                return false;
            ++*added;
        }
        t = last;
    }
    return true;
}

static bool seek(const struct scene *scene, const struct layer *layer, struct tracks *tracks, bool resting,
                 struct err *err)
{
    struct path path = {.from = calloc(scene->n, STATES)};
    int8_t *pick = malloc(scene->n);
    bool done = path.from != NULL && pick != NULL;
    size_t added = 1;
    while (done && added > 0 && tracks->n < TRACKS_MAX) {
        best_path(scene, layer, tracks, resting, &path, pick);
        done = add_pieces(scene, layer, tracks, pick, resting, &added);
    }
    free(path.from);
    free(pick);
    return done ? true : err_nomem(err);
}

void tracks_release(struct tracks *tracks)
{
    for (size_t i = 0; i < tracks->n; i++)
        free(tracks->track[i].pick);
    free(tracks->owner);
    *tracks = (struct tracks){0};
}

static bool seek_all(const struct scene *scene, const struct layer *layer, struct tracks *tracks,
                     struct err *err)
{
    tracks->owner = calloc(scene->n, SCENE_MAX_COMPONENTS);
    if (tracks->owner == NULL)
        return err_nomem(err);
    if (!seek(scene, layer, tracks, false, err) || !tracks_split(scene, layer, tracks, err))
        return false;
    tracks_join(scene, layer, tracks);
    for (size_t i = 0; i < tracks->n; i++)
        track_follow_way(scene, layer, tracks, i);
    for (size_t i = 0; i < tracks->n; i++)
        track_follow_rest(scene, layer, tracks, i);
    if (!seek(scene, layer, tracks, true, err))
        return false;
    tracks_sort(tracks);
    return tracks_prune(scene, layer, tracks, err);
}

static bool any_travels(const struct tracks *tracks)
{
    bool any = false;
    for (size_t i = 0; i < tracks->n; i++)
        any = any || tracks->track[i].travels;
    return any;
}

/* A small subject that moves by several times its size from frame to frame looks like several that come and
   go. So where nothing travels, steps of a few cells are forgiven; what is found then must keep its way. */
bool tracks_find(const struct scene *scene, const struct layer *layer, struct tracks *tracks, struct err *err)
{
    *tracks = (struct tracks){0};
    if (!seek_all(scene, layer, tracks, err))
        return false;
    if (any_travels(tracks))
        return true;
    struct tracks hasty = {.stride = STRIDE * scene->unit};
    bool done = seek_all(scene, layer, &hasty, err), better = done && any_travels(&hasty);
    tracks_release(better ? tracks : &hasty);
    if (better)
        *tracks = hasty;
    return done;
}
