/* join.c - pieces of tracks become passes; where one left as another came, one track becomes two. */
#include "track.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Cells a second at one end of a track, over at most three steps; forward = at its last frame. */
static void end_velocity(const struct scene *scene, const struct layer *layer, const struct track *track,
                         bool forward, float *vc, float *vr)
{
    size_t near = forward ? track->last : track->first, far = near;
    for (int step = 0; step < 3; step++) {
        size_t next = far; /* over frames in which it was missed */
        while (forward ? next > track->first : next < track->last) {
            next = forward ? next - 1 : next + 1;
            if (track->pick[next] >= 0)
                break;
        }
        far = track->pick[next] >= 0 ? next : far;
    }
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

/* Does the subject go out over the border at frame t and another come in at t + 1? The first one gets less
   and goes one way, the second gets more and goes the other, and between them is a leap. */
static bool relieved(const struct scene *scene, const struct layer *layer, const struct track *track,
                     size_t t)
{
    enum { AWAY = 2 };
    if (t < track->first + AWAY || t + 1 + AWAY > track->last)
        return false;
    const struct component *c[] = {track_component(layer, track, t - AWAY), track_component(layer, track, t),
                                   track_component(layer, track, t + 1),
                                   track_component(layer, track, t + 1 + AWAY)};
    if (c[0] == NULL || c[1] == NULL || c[2] == NULL || c[3] == NULL || !c[1]->border || !c[2]->border ||
        c[1]->area >= c[0]->area || c[2]->area >= c[3]->area)
        return false;
    float out_c = (c[1]->col - scene->shift_col[t]) - (c[0]->col - scene->shift_col[t - AWAY]);
    float out_r = (c[1]->row - scene->shift_row[t]) - (c[0]->row - scene->shift_row[t - AWAY]);
    float in_c = (c[3]->col - scene->shift_col[t + 1 + AWAY]) - (c[2]->col - scene->shift_col[t + 1]);
    float in_r = (c[3]->row - scene->shift_row[t + 1 + AWAY]) - (c[2]->row - scene->shift_row[t + 1]);
    float leap = component_distance(scene, t, c[1], t + 1, c[2]);
    return out_c * in_c + out_r * in_r < 0 && leap > fminf(component_size(c[1]), component_size(c[2]));
}

/* Gives what a track has after frame t to a new one. False when there is no memory. */
static bool cut_after(const struct layer *layer, struct tracks *tracks, size_t which, size_t t, size_t frames)
{
    struct track *old = &tracks->track[which], *made = &tracks->track[tracks->n];
    *made = *old;
    made->pick = malloc(frames);
    if (made->pick == NULL)
        return false;
    memset(made->pick, -1, frames);
    memcpy(made->pick + t + 1, old->pick + t + 1, old->last - t);
    memset(old->pick + t + 1, -1, old->last - t);
    made->id = ++tracks->last_id;
    made->first = t + 1;
    old->last = t;
    for (size_t u = t + 1; u < frames; u++)
        for (size_t k = 0; k < layer[u].n; k++) {
            uint8_t *owner = &tracks->owner[u * SCENE_MAX_COMPONENTS + k];
            *owner = *owner == old->id ? made->id : *owner;
        }
    float share = (float)(old->last - old->first + 1) / (float)(made->last - old->first + 1);
    made->gain *= 1 - share;
    old->gain *= share;
    tracks->n++;
    return true;
}

bool tracks_split(const struct scene *scene, const struct layer *layer, struct tracks *tracks,
                  struct err *err)
{
    for (size_t i = 0; i < tracks->n; i++)
        for (size_t t = tracks->track[i].first; t < tracks->track[i].last; t++) {
            if (!relieved(scene, layer, &tracks->track[i], t))
                continue;
            if (tracks->n == TRACKS_MAX || tracks->last_id == UINT8_MAX)
                return true;
            if (!cut_after(layer, tracks, i, t, scene->n))
                return err_nomem(err);
        }
    return true;
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

/* The free component of frame u that is where a track goes on to, if it goes on as at that end; -1 if there
   is none. */
static int along_way(const struct scene *scene, const struct layer *layer, const struct tracks *tracks,
                     const struct track *track, bool forward, size_t u)
{
    size_t t = forward ? track->last : track->first;
    const struct component *end = track_component(layer, track, t);
    float vc, vr, nearest = 0.5f * component_size(end);
    int best = -1;
    end_velocity(scene, layer, track, forward, &vc, &vr);
    float dt = (float)(scene->time_s[u] - scene->time_s[t]);
    if (hypotf(vc, vr) * fabsf(dt) < nearest) /* what stays is followed in another way */
        return -1;
    for (size_t k = 0; k < layer[u].n; k++) {
        const struct component *c = &layer[u].component[k];
        float dc = (c->col - scene->shift_col[u]) - (end->col - scene->shift_col[t]) - vc * dt;
        float dr = (c->row - scene->shift_row[u]) - (end->row - scene->shift_row[t]) - vr * dt;
        float ratio = (float)c->area / (float)end->area;
        if (tracks->owner[u * SCENE_MAX_COMPONENTS + k] == 0 && hypotf(dc, dr) < nearest && ratio > 0.4f &&
            ratio < 2.5f && c->moving >= 0.5f) {
            nearest = hypotf(dc, dr);
            best = (int)k;
        }
    }
    return best;
}

void track_follow_way(const struct scene *scene, const struct layer *layer, struct tracks *tracks,
                      size_t which)
{
    enum { MISSES = 2, LEAST = 5 };
    struct track *track = &tracks->track[which];
    for (int forward = 0; forward < 2; forward++) {
        size_t missed = 0, t = forward ? track->last : track->first;
        if (track->last - track->first < LEAST)
            return;
        while (missed <= MISSES && (forward ? t + 1 < scene->n : t > 0)) {
            t = forward ? t + 1 : t - 1;
            int k = along_way(scene, layer, tracks, track, forward, t);
            missed = k < 0 ? missed + 1 : 0;
            if (k < 0)
                continue;
            track->pick[t] = (int8_t)k;
            tracks->owner[t * SCENE_MAX_COMPONENTS + (size_t)k] = track->id;
            *(forward ? &track->last : &track->first) = t;
        }
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
