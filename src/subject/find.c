/* find.c - from grids to regions: which of the ways of looking fits this burst. */
#include "track.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const float ROAMS = 12.0f; /* cells that a camera moves by when it does more than tremble */

static const float EXPLAINED = 2.0f; /* luma: frames on one another agree as well as a shift can make them */

/* What travelling tracks say about the burst as a whole. */
struct motion {
    size_t moving_frames; /* with a moving component on a track that travels */
    float drift;          /* cells between the median places of the first and the last quarter */
    float roam;           /* cells between the 10th and the 90th percentile of the place */
    float inside_share;   /* off the border */
};

static void measure_motion(const struct scene *scene, const struct layer *layer, const struct tracks *tracks,
                           float *scratch, struct motion *motion)
{
    size_t n = 0, inside = 0;
    float *col = scratch, *row = scratch + scene->n, *copy = scratch + 2 * scene->n;
    *motion = (struct motion){0};
    for (size_t t = 0; t < scene->n; t++) {
        const struct component *largest = NULL;
        for (size_t i = 0; i < tracks->n; i++) {
            const struct component *c = track_component(layer, &tracks->track[i], t);
            if (c != NULL && c->moving >= 0.15f && (largest == NULL || c->area > largest->area))
                largest = c;
        }
        if (largest == NULL)
            continue;
        inside += !largest->border;
        col[n] = largest->col - scene->shift_col[t];
        row[n++] = largest->row - scene->shift_row[t];
    }
    motion->moving_frames = n;
    if (n == 0)
        return;
    motion->inside_share = (float)inside / (float)n;
    size_t quarter = n / 4 > 0 ? n / 4 : 1;
    float place[2][2], spread[2];
    for (int axis = 0; axis < 2; axis++) {
        float *v = axis == 0 ? col : row;
        memcpy(copy, v, quarter * sizeof *copy);
        place[0][axis] = select_median(copy, quarter);
        memcpy(copy, v + n - quarter, quarter * sizeof *copy);
        place[1][axis] = select_median(copy, quarter);
        spread[axis] = select_nth(v, n, n - 1 - n / 10);
        spread[axis] -= select_nth(v, n, n / 10);
    }
    motion->drift = hypotf(place[1][0] - place[0][0], place[1][1] - place[0][1]);
    motion->roam = hypotf(spread[0], spread[1]);
}

/* Could the subject keep to one spot off the border? No place is taller than half of the picture. */
static bool may_stay(const struct scene *scene, const struct motion *motion)
{
    float most = 0.5f * sqrtf((float)scene->cells);
    return scene->max_shift < ROAMS && motion->inside_share >= 0.8f && motion->drift < 0.5f * most &&
           motion->roam < most;
}

/* A subject that hovers: what moves keeps to the place that was found, and the scene around it is smooth
   enough to be filled in. */
static bool hovers(const struct motion *motion, const struct still *still)
{
    float size = sqrtf(still->area);
    return still->any && !still->textural && motion->drift < 0.5f * size && motion->roam < size &&
           still->rough <= 0.25f;
}

static bool travels(const struct scene *scene, const struct tracks *tracks, const struct motion *motion)
{
    bool any = false;
    for (size_t i = 0; i < tracks->n; i++)
        any = any || tracks->track[i].travels;
    return any && (float)motion->moving_frames >= fmaxf(2.0f, 0.08f * (float)scene->n);
}

/* A camera that follows its subject, or moves about, leaves no empty scene to compare with. Then tracks are
   believed only where they cover nearly all frames: a frame without one is no proof that nothing was there.
 */
static bool beyond_telling(const struct scene *scene, const struct layer *layer, const struct tracks *tracks)
{
    size_t covered = 0, upset = 0;
    for (size_t t = 0; t < scene->n; t++) {
        bool seen = false;
        for (size_t i = 0; i < tracks->n; i++)
            seen = seen || track_component(layer, &tracks->track[i], t) != NULL;
        covered += seen;
        upset += 2 * layer[t].changed > scene->cells;
    }
    return scene->lost || 2 * upset > scene->n || (scene->max_shift >= ROAMS && 5 * covered < 4 * scene->n);
}

static struct subject_burst *burst_open(const struct scene *scene, size_t n)
{
    struct subject_burst *found = calloc(1, sizeof *found);
    if (found == NULL)
        return NULL;
    found->frame = calloc(n > 0 ? n : 1, sizeof *found->frame);
    found->n = n;
    found->cols = scene->cols;
    found->rows = scene->rows;
    found->mode = SUBJECT_UNKNOWN;
    if (found->frame == NULL) {
        free(found);
        return NULL;
    }
    for (size_t i = 0; i < n; i++)
        found->frame[i].gain = 1.0f;
    return found;
}

void subject_free(struct subject_burst *found)
{
    if (found == NULL)
        return;
    regions_free(found->frame, found->n);
    free(found->background);
    free(found);
}

/* Shifts, gains, and the background in the cells of the middle frame. */
static bool describe(const struct scene *scene, struct subject_burst *found, struct err *err)
{
    for (size_t t = 0; t < scene->n; t++) {
        struct subject_frame *frame = &found->frame[scene->index[t]];
        frame->shift_col = scene->shift_col[t];
        frame->shift_row = scene->shift_row[t];
        frame->gain = scene->gain[t];
    }
    found->noise_luma = scene->noise;
    found->background = malloc(scene->cells * sizeof *found->background);
    float *own = malloc(scene->cells * sizeof *own);
    bool done = found->background != NULL && own != NULL;
    if (done) {
        scene_frame(scene, scene->n / 2, own);
        scene_background_at(scene, scene->n / 2, own, found->background, NULL);
    }
    free(own);
    return done ? true : err_nomem(err);
}

/* The camera follows its subject, or tracks of a wide pan leave doubt: looks the other way as well. */
static bool decide_roaming(const struct scene *scene, const struct layer *layer, const struct tracks *tracks,
                           bool lost, struct subject_burst *found, struct err *err)
{
    if (!lost) {
        found->mode = SUBJECT_MOVING;
        if (!regions_build(scene, layer, tracks, found, err))
            return false;
    }
    return (!lost && scene->noise < EXPLAINED) || follow_find(scene, found, err);
}

static bool decide(struct scene *scene, const struct layer *layer, const struct tracks *tracks,
                   struct subject_burst *found, struct err *err)
{
    struct motion motion;
    struct still still = {0};
    bool lost = beyond_telling(scene, layer, tracks);
    if (lost || scene->max_shift >= ROAMS) {
        bool told = decide_roaming(scene, layer, tracks, lost, found, err);
        if (told)
            regions_flying(scene, found);
        return told;
    }
    float *scratch = malloc(3 * scene->n * sizeof *scratch);
    if (scratch == NULL)
        return err_nomem(err);
    measure_motion(scene, layer, tracks, scratch, &motion);
    free(scratch);
    bool flies = travels(scene, tracks, &motion), done = true;
    if (!flies || may_stay(scene, &motion))
        done = still_find(scene, &still, err);
    if (done && flies && !hovers(&motion, &still)) {
        found->mode = SUBJECT_MOVING;
        done = regions_build(scene, layer, tracks, found, err);
    } else if (done && still.any) {
        found->mode = SUBJECT_IN_PLACE;
        done = still_regions(scene, &still, found, err);
        found->perch = still.moved_share < 0.2f;
    }
    still_release(&still);
    if (done)
        regions_flying(scene, found);
    return done && (found->mode != SUBJECT_MOVING || rest_find(scene, found, err));
}

static bool find_tracks(const struct scene *scene, struct layer *layer, struct tracks *tracks,
                        struct err *err)
{
    tracks_release(tracks);
    return layers_find(scene, layer, err) && tracks_find(scene, layer, tracks, err);
}

static bool find_all(struct scene *scene, struct layer *layer, struct tracks *tracks,
                     struct subject_burst *found, struct err *err)
{
    bool repaired = false, restless = false;
    if (!scene_soften(scene, err) || !scene_background(scene, err) || !layers_find(scene, layer, err) ||
        !scene_repair_ghosts(scene, layer, &repaired, err) || (repaired && !layers_find(scene, layer, err)) ||
        !tracks_find(scene, layer, tracks, err))
        return false;
    if (tracks->n > 0 && (!scene_allow_unrest(scene, layer, tracks, &restless, err) ||
                          (restless && !find_tracks(scene, layer, tracks, err))))
        return false;
    return describe(scene, found, err) && decide(scene, layer, tracks, found, err);
}

struct subject_burst *subject_find(const struct subject_input *input, struct err *err)
{
    struct scene scene;
    struct tracks tracks = {0};
    struct layer *layer = NULL;
    struct subject_burst *found = NULL;
    bool done = scene_open(&scene, input, err);
    if (!done)
        goto out;
    found = burst_open(&scene, input->n);
    layer = calloc(scene.n > 0 ? scene.n : 1, sizeof *layer);
    done = found != NULL && layer != NULL ? true : err_nomem(err);
    if (done && scene.n >= SCENE_MIN_FRAMES)
        done = find_all(&scene, layer, &tracks, found, err);
out:
    tracks_release(&tracks);
    layers_release(layer, scene.n);
    scene_release(&scene);
    if (!done) {
        subject_free(found);
        return NULL;
    }
    return found;
}
