/*
 * rear.c - where the rear end of a subject that travels is, told from several frames.
 *
 * A tail is thin: before scenery of its own brightness it is gone for a frame, and a glint or a leaf may
 * lengthen it. But its length is steady. So of each frame the rear end is seen as a profile of lines across
 * the way, each with the share of the subject's contrast that it shows. Profiles of neighbours in time, laid
 * on one another by the front end, which is thick and well known, are put to the vote line by line; the rear
 * end is where what they agree on has fallen below a part of the contrast.
 */
#include "edges.h"
#include "track.h"

#include <math.h>
#include <stdlib.h>

enum { NEAR = 3, FEWEST = 4, MOST = 2 * NEAR + 1 }; /* frames on either side; that must see it; that may */
static const float SHARE = 0.23f;                   /* of the contrast, where no more is known */
static const float PART = 0.6f;     /* of the frames near by are on the smaller side of what is believed */
static const float FADES = 0.3f;    /* weight of a frame: 1 / (1 + FADES x frames away) */
static const float TRAVELS = 0.5f;  /* of its length, over the frames near by */
static const float BELIEVED = 0.6f; /* of a change: a difference beyond the mask */

/* The way along the picture around frame t, as components go; 0 where it does not travel. */
static float way_of(const struct scene *scene, const struct layer *layer, const struct track *track, size_t t,
                    bool level)
{
    float from = 0, to = 0;
    bool any = false;
    for (size_t u = t > track->first + NEAR ? t - NEAR : track->first; u <= t + NEAR && u <= track->last;
         u++) {
        const struct component *c = track_component(layer, track, u);
        if (c == NULL || c->border)
            continue;
        float at = level ? c->col - scene->shift_col[u] : c->row - scene->shift_row[u];
        from = any ? from : at;
        to = at;
        any = true;
    }
    return to - from;
}

bool rear_side(const struct scene *scene, const struct layer *layer, const struct track *track, size_t t,
               struct rear *rear)
{
    const struct component *here = track_component(layer, track, t);
    float dc = way_of(scene, layer, track, t, true), dr = way_of(scene, layer, track, t, false);
    bool level = fabsf(dc) >= fabsf(dr);
    float way = level ? dc : dr;
    float length = (float)(level ? here->col1 - here->col0 : here->row1 - here->row0) + 1.0f;
    *rear = (struct rear){.upright = level, .step = way > 0 ? 1 : -1};
    return !here->border && fabsf(way) >= TRAVELS * length;
}

/* Does the cell belong to another subject? */
static bool is_taken(const struct rear_view *view, size_t i)
{
    uint8_t label = layer_label(&view->layer[view->t], i);
    if (label == 0)
        return false;
    uint8_t owner = view->tracks->owner[view->t * SCENE_MAX_COMPONENTS + label - 1u];
    return owner != 0 && owner != view->id;
}

/* The most different cell of a line between two places: its contrast, and where it is. False where there is
   none that counts. */
static bool look_at_line(const struct rear_view *view, const struct edge_view *edge,
                         const struct edge_side *side, long line, bool inside, float *amplitude, long *tip)
{
    float most = -1;
    for (long k = side->from; k <= side->to; k++) {
        size_t i = edge_cell(edge->scene, side, line, k);
        if (i == SIZE_MAX || (inside && !edge->full[i]) || (!inside && is_taken(view, i)))
            continue;
        float d = edge_difference(edge, i);
        if (!inside && d < BELIEVED * edge->backdrop->limit[i])
            continue;
        if (d > most) {
            most = d;
            *amplitude = edge_amplitude(edge, i, d);
            *tip = k;
        }
    }
    return most >= 0;
}

bool rear_look(const struct rear_view *view, const uint8_t *full, const struct backdrop *backdrop,
               const struct subject_region *region, struct rear *rear, struct err *err)
{
    struct edge_view edge = {view->scene, backdrop, full, view->t};
    long c0 = region->col, c1 = c0 + region->cols - 1, r0 = region->row, r1 = r0 + region->rows - 1;
    long first = rear->upright ? (rear->step > 0 ? c0 : c1) : (rear->step > 0 ? r0 : r1);
    struct edge_side side = {rear->upright, first, rear->step, rear->upright ? r0 : c0,
                             rear->upright ? r1 : c1};
    long length = rear->upright ? c1 - c0 + 1 : r1 - r0 + 1;
    float contrast, amplitude = 0;
    if (!edge_contrast(&edge, region, &contrast))
        return err_nomem(err);
    long tip = side.from, other;
    for (long in = 0; in < REAR_IN; in++) {
        bool any = in < length && look_at_line(view, &edge, &side, first + in * rear->step, true, &amplitude,
                                               in == 0 ? &tip : &other);
        rear->share[REAR_OUT + in] = any ? fminf(amplitude / contrast, 1.0f) : 1.0f;
    }
    for (long out = 1; out <= REAR_OUT; out++) {
        side.from = tip - 1;
        side.to = tip + 1;
        bool any = look_at_line(view, &edge, &side, first - out * rear->step, false, &amplitude, &tip);
        rear->share[REAR_OUT - out] = any ? fminf(amplitude / contrast, 1.0f) : 0.0f;
    }
    rear->known = contrast > 0;
    return true;
}

/* Cells from the front end of the box to its outermost line at the rear end. */
static float mask_length(const struct rear *rear, const struct subject_region *region)
{
    if (rear->upright)
        return (float)region->cols - (rear->step > 0 ? region->inset_right : region->inset_left);
    return (float)region->rows - (rear->step > 0 ? region->inset_low : region->inset_top);
}

/* Share of the contrast at a distance from the front end; everything nearer than the profile is inside. */
static float share_at(const struct rear *rear, float length, float distance)
{
    float at = (float)REAR_OUT + length - 0.5f - distance;
    if (at >= (float)(REAR_LINES - 1))
        return 1.0f;
    if (at <= 0)
        return 0.0f;
    int k = (int)at;
    return rear->share[k] + (at - (float)k) * (rear->share[k + 1] - rear->share[k]);
}

static struct subject_region *region_of(struct subject_frame *frame, uint32_t pass)
{
    for (size_t k = 0; k < frame->n_regions; k++)
        if (frame->region[k].pass == pass)
            return &frame->region[k];
    return NULL;
}

/* The weighted quantile PART; reorders. A mean would be pulled by a glint or a leaf of one frame. */
static float middle(float *v, float *w, size_t n)
{
    float sum = 0, below = 0;
    for (size_t i = 0; i < n; i++) {
        sum += w[i];
        for (size_t k = i; k > 0 && v[k - 1] > v[k]; k--) {
            float value = v[k], weight = w[k];
            v[k] = v[k - 1];
            w[k] = w[k - 1];
            v[k - 1] = value;
            w[k - 1] = weight;
        }
    }
    for (size_t i = 0; i < n; i++) {
        below += w[i];
        if (below >= PART * sum)
            return v[i];
    }
    return n > 0 ? v[n - 1] : 0;
}

/* What the profiles around frame t agree on, line for line of its own; false where too few see it. */
static bool agree(const struct scene *scene, const struct track *track, const struct rear *rear, size_t t,
                  uint32_t pass, struct subject_burst *found, float share[REAR_LINES])
{
    const struct rear *there[MOST];
    float length[MOST], weight[MOST],
        own = mask_length(&rear[t], region_of(&found->frame[scene->index[t]], pass));
    size_t n = 0;
    for (size_t u = t > track->first + NEAR ? t - NEAR : track->first; u <= t + NEAR && u <= track->last;
         u++) {
        const struct subject_region *region = region_of(&found->frame[scene->index[u]], pass);
        if (!rear[u].known || region == NULL || rear[u].upright != rear[t].upright ||
            rear[u].step != rear[t].step)
            continue;
        weight[n] = 1.0f / (1.0f + FADES * fabsf((float)u - (float)t));
        length[n] = mask_length(&rear[u], region);
        there[n++] = &rear[u];
    }
    for (int k = 0; k < REAR_LINES; k++) {
        float v[MOST], w[MOST];
        for (size_t i = 0; i < n; i++) {
            v[i] = share_at(there[i], length[i], own - 0.5f + (float)(REAR_OUT - k));
            w[i] = weight[i];
        }
        share[k] = middle(v, w, n);
    }
    return n >= FEWEST;
}

/* Cells by which the rear end is inside of the mask's outermost line; negative beyond it. */
static float inset_of(const float share[REAR_LINES], float least)
{
    int at = 0;
    while (at < REAR_LINES - 1 && share[at] < least)
        at++;
    float beyond = at > 0 ? share[at - 1] : 0.0f;
    float part = fminf(fmaxf((share[at] - least) / fmaxf(share[at] - beyond, 1e-3f), 0), 1);
    return (float)(at - REAR_OUT) + 1.0f - part;
}

float subject_rear_share(int k)
{
    return 0.14f + 0.05f * (float)k;
}

void rear_settle(const struct scene *scene, const struct track *track, const struct rear *rear, uint32_t pass,
                 struct subject_burst *found)
{
    for (size_t t = track->first; t <= track->last; t++) {
        struct subject_region *region = region_of(&found->frame[scene->index[t]], pass);
        float share[REAR_LINES];
        if (region == NULL || !rear[t].known || !agree(scene, track, rear, t, pass, found, share))
            continue;
        float *inset = rear[t].upright ? (rear[t].step > 0 ? &region->inset_left : &region->inset_right)
                                       : (rear[t].step > 0 ? &region->inset_top : &region->inset_low);
        *inset = inset_of(share, SHARE);
        region->rear =
            (struct subject_rear){.known = true, .upright = rear[t].upright, .step = (int8_t)rear[t].step};
        for (int k = 0; k < SUBJECT_REAR_SHARES; k++)
            region->rear.inset[k] = inset_of(share, subject_rear_share(k));
    }
}
