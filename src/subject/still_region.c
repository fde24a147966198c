/* still_region.c - the outline of a resting or hovering subject, frame by frame. */
#include "scene.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

struct work {
    uint8_t *mask, *scratch;
    uint32_t *cell;
    float *now, *before, *after;
    float *back, *texture; /* of the place without the subject */
};

/* Cells of frame t inside the place that stand out from the filled-in background; where only texture told the
   place, all of it. */
static void raw_mask(const struct scene *scene, const struct still *still, size_t t, const struct work *work)
{
    memset(work->mask, 0, scene->cells);
    size_t i = 0;
    for (uint32_t r = 0; r < scene->high; r++)
        for (uint32_t c = 0; c < scene->wide; c++, i++) {
            size_t at = still->place[i] ? scene_cell(scene, t, c, r) : SIZE_MAX;
            if (at != SIZE_MAX)
                work->mask[at] = still->vague || fabsf(work->now[at] - still->filled[i]) > still->cut;
        }
}

/* Drops parts under 8 % of the largest. */
static void drop_crumbs(const struct scene *scene, const struct work *work)
{
    size_t largest = 0;
    memcpy(work->scratch, work->mask, scene->cells);
    for (size_t i = 0; i < scene->cells; i++)
        if (work->scratch[i] == 1) {
            size_t n = mask_flood(work->scratch, scene->cols, scene->rows, i, work->cell);
            largest = n > largest ? n : largest;
        }
    memcpy(work->scratch, work->mask, scene->cells);
    for (size_t i = 0; i < scene->cells; i++) {
        if (work->scratch[i] != 1)
            continue;
        size_t n = mask_flood(work->scratch, scene->cols, scene->rows, i, work->cell);
        for (size_t k = 0; (float)n < 0.08f * (float)largest && k < n; k++)
            work->mask[work->cell[k]] = 0;
    }
}

static void outline(const struct scene *scene, const struct still *still, size_t t, const struct work *work)
{
    raw_mask(scene, still, t, work);
    if (still->vague)
        return;
    mask_dilate(work->mask, scene->cols, scene->rows, 1, work->scratch);
    mask_erode(work->mask, scene->cols, scene->rows, 1, work->scratch);
    drop_crumbs(scene, work);
    mask_fill_holes(work->mask, scene->cols, scene->rows, work->cell);
}

/* Share of the subject's cells that trade places with the background: wings do, a turning head hardly. */
static float moved(const struct scene *scene, const struct still *still, const struct work *work)
{
    float limit = fmaxf(fmaxf(5.0f * scene->noise, 2.5f), 0.7f * still->cut);
    size_t area = 0, changed = 0;
    for (size_t i = 0; i < scene->cells; i++) {
        if (!work->mask[i])
            continue;
        float step = fmaxf(fabsf(work->now[i] - work->before[i]), fabsf(work->now[i] - work->after[i]));
        area++;
        changed += step > limit;
    }
    return area > 0 ? (float)changed / (float)area : 0.0f;
}

bool still_regions(const struct scene *scene, struct still *still, struct subject_burst *found,
                   struct err *err)
{
    size_t cells = scene->cells;
    struct work work = {malloc(cells),
                        malloc(cells),
                        malloc(cells * sizeof(uint32_t)),
                        malloc(cells * sizeof(float)),
                        malloc(cells * sizeof(float)),
                        malloc(cells * sizeof(float)),
                        malloc(cells * sizeof(float)),
                        malloc(cells * sizeof(float))};
    const struct backdrop backdrop = {work.back, work.texture, NULL};
    bool done = work.mask != NULL && work.scratch != NULL && work.cell != NULL && work.now != NULL &&
                work.before != NULL && work.after != NULL && work.back != NULL && work.texture != NULL;
    if (!done)
        err_nomem(err);
    still->moved_share = 0;
    for (size_t t = 0; done && t < scene->n; t++) {
        scene_frame(scene, t, work.now);
        scene_frame_from(scene, t > 0 ? t - 1 : t, t, work.now, work.before);
        scene_frame_from(scene, t + 1 < scene->n ? t + 1 : t, t, work.now, work.after);
        outline(scene, still, t, &work);
        float share = moved(scene, still, &work);
        scene_plane_at(scene, t, still->filled, -1.0f, work.back);
        scene_plane_at(scene, t, still->texture, 0.0f, work.texture);
        still->moved_share += share / (float)scene->n;
        done = region_add(scene, t, work.mask, found->n_passes + 1, share, still->textural ? 0.5f : 1.0f,
                          still->vague ? NULL : &backdrop, found, err);
    }
    found->n_passes++;
    free(work.mask);
    free(work.scratch);
    free(work.cell);
    free(work.now);
    free(work.before);
    free(work.after);
    free(work.back);
    free(work.texture);
    return done;
}
