/* join.c - pieces of tracks become passes. */
#include "track.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Cells a second at one end of a track, over at most three steps; forward = at its last frame. */
static void end_velocity(const struct scene *scene, const struct layer *layer, const struct track *track,
                         bool forward, float *vc, float *vr)
{
    size_t near = forward ? track->last : track->first, far = near;
    for (int step = 0; step < 3; step++)
        if (forward && far > track->first && track->pick[far - 1] >= 0)
            far--;
        else if (!forward && far < track->last && track->pick[far + 1] >= 0)
            far++;
    const struct component *a = track_component(layer, track, near), *b = track_component(layer, track, far);
    double dt = scene->time_s[near] - scene->time_s[far];
    *vc = *vr = 0;
    if (fabs(dt) < 1e-6)
        return;
    *vc = (float)(((a->col - scene->shift_col[near]) - (b->col - scene->shift_col[far])) / dt);
    *vr = (float)(((a->row - scene->shift_row[near]) - (b->row - scene->shift_row[far])) / dt);
}

/* How badly `b` continues `a`: distance from where a was heading, in what is allowed; > 1 = it does not. */
static float misfit(const struct scene *scene, const struct layer *layer, const struct track *a,
                    const struct track *b)
{
    size_t gap = b->first - a->last;
    double dt = scene->time_s[b->first] - scene->time_s[a->last];
    if (gap > 12 || (gap > 4 && dt > 0.25))
        return 2.0f;
    const struct component *end = track_component(layer, a, a->last);
    const struct component *start = track_component(layer, b, b->first);
    if (end->border && start->border) /* one has left, another has come */
        return 2.0f;
    float vc, vr, wc, wr;
    end_velocity(scene, layer, a, true, &vc, &vr);
    end_velocity(scene, layer, b, false, &wc, &wr);
    float half = 0.5f * (float)dt;
    float dc = (start->col - scene->shift_col[b->first]) - (end->col - scene->shift_col[a->last]);
    float dr = (start->row - scene->shift_row[b->first]) - (end->row - scene->shift_row[a->last]);
    float off = hypotf(dc - half * (vc + wc), dr - half * (vr + wr));
    float size = fmaxf(component_size(end), component_size(start));
    return off / (size * (0.5f + 0.15f * (float)gap));
}

static void merge(struct tracks *tracks, size_t into, size_t from, size_t frames)
{
    struct track *a = &tracks->track[into], *b = &tracks->track[from];
    memcpy(a->pick + b->first, b->pick + b->first, b->last - b->first + 1);
    a->last = b->last;
    a->gain += b->gain;
    for (size_t i = 0; i < frames * SCENE_MAX_COMPONENTS; i++)
        if (tracks->owner[i] == b->id)
            tracks->owner[i] = a->id;
    free(b->pick);
    memmove(b, b + 1, (--tracks->n - from) * sizeof *b);
}

void tracks_join(const struct scene *scene, const struct layer *layer, struct tracks *tracks)
{
    for (;;) {
        float best = 1.0f;
        size_t into = 0, from = 0;
        for (size_t i = 0; i < tracks->n; i++)
            for (size_t j = 0; j < tracks->n; j++) {
                if (i == j || tracks->track[j].first <= tracks->track[i].last)
                    continue;
                float m = misfit(scene, layer, &tracks->track[i], &tracks->track[j]);
                if (m < best) {
                    best = m;
                    into = i;
                    from = j;
                }
            }
        if (best >= 1.0f)
            return;
        merge(tracks, into, from, scene->n);
    }
}

/* The free component of frame u that is where `here` was; -1 if there is none. */
static int same_place(const struct scene *scene, const struct layer *layer, const struct tracks *tracks,
                      size_t t, const struct component *here, size_t u)
{
    int best = -1;
    float nearest = 0.35f * component_size(here);
    for (size_t k = 0; k < layer[u].n; k++) {
        const struct component *c = &layer[u].component[k];
        float ratio = (float)c->area / (float)here->area;
        float far = component_distance(scene, t, here, u, c);
        if (tracks->owner[u * SCENE_MAX_COMPONENTS + k] == 0 && far < nearest && ratio > 0.5f &&
            ratio < 2.0f) {
            nearest = far;
            best = (int)k;
        }
    }
    return best;
}

static void follow(const struct scene *scene, const struct layer *layer, struct tracks *tracks, size_t which,
                   int step)
{
    enum { MISSES = 3 };
    struct track *track = &tracks->track[which];
    size_t t = step > 0 ? track->last : track->first;
    const struct component *here = track_component(layer, track, t);
    int missed = 0;
    for (size_t u = t + (size_t)step; u < scene->n && missed <= MISSES; u += (size_t)step) {
        int k = same_place(scene, layer, tracks, t, here, u);
        missed = k < 0 ? missed + 1 : 0;
        if (k < 0)
            continue;
        track->pick[u] = (int8_t)k;
        tracks->owner[u * SCENE_MAX_COMPONENTS + (size_t)k] = track->id;
        here = &layer[u].component[k];
        t = u;
        if (step > 0)
            track->last = u;
        else
            track->first = u;
    }
}

void track_follow_rest(const struct scene *scene, const struct layer *layer, struct tracks *tracks,
                       size_t which)
{
    follow(scene, layer, tracks, which, 1);
    follow(scene, layer, tracks, which, -1);
}

static int by_gain(const void *a, const void *b)
{
    const struct track *x = a, *y = b;
    if (x->resting != y->resting)
        return x->resting ? 1 : -1;
    return x->gain < y->gain ? 1 : x->gain > y->gain ? -1 : 0;
}

static int by_start(const void *a, const void *b)
{
    const struct track *x = a, *y = b;
    return x->first > y->first ? 1 : x->first < y->first ? -1 : 0;
}

void tracks_sort(struct tracks *tracks)
{
    qsort(tracks->track, tracks->n, sizeof *tracks->track, by_gain);
    while (tracks->n > SUBJECT_MAX_PASSES)
        free(tracks->track[--tracks->n].pick);
    qsort(tracks->track, tracks->n, sizeof *tracks->track, by_start);
}
