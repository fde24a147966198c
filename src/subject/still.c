/*
 * still.c - a subject that rests or hovers: it is part of the temporal median, so the place is found by what
 * flickers there (wings, a turning head, breathing focus), and the background is filled in from around it.
 */
#include "scene.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const float MOST = 0.25f;   /* of all flicker is in the subject's place */
static const float FLICKER = 0.3f; /* mean excess over the limit there, in limits */

struct work {
    uint8_t *near, *ring, *scratch; /* near: the place and a little more, left out of what is known */
    uint32_t *cell;
    float *weight;
};

static bool work_open(struct work *work, size_t cells)
{
    work->near = malloc(cells);
    work->ring = malloc(cells);
    work->scratch = malloc(cells);
    work->cell = malloc(cells * sizeof(uint32_t));
    work->weight = malloc(cells * sizeof(float));
    return work->near != NULL && work->ring != NULL && work->scratch != NULL && work->cell != NULL &&
           work->weight != NULL;
}

static void work_release(struct work *work)
{
    free(work->near);
    free(work->ring);
    free(work->scratch);
    free(work->cell);
    free(work->weight);
}

bool still_best_blob(uint8_t *map, const float *weight, uint32_t cols, uint32_t rows, float least,
                     uint32_t *cell)
{
    float best = 0, sigma_c = 0.35f * (float)cols, sigma_r = 0.35f * (float)rows;
    size_t cells = (size_t)cols * rows, seed = SIZE_MAX;
    for (size_t i = 0; i < cells; i++) {
        if (map[i] != 1)
            continue;
        size_t n = mask_flood(map, cols, rows, i, cell);
        float sum = 0;
        for (size_t k = 0; k < n; k++) {
            float dc = ((float)(cell[k] % cols) - 0.5f * (float)cols) / sigma_c;
            float dr = ((float)(cell[k] / cols) - 0.5f * (float)rows) / sigma_r;
            sum += weight[cell[k]] * expf(-0.5f * (dc * dc + dr * dr));
        }
        if ((float)n >= least && sum > best) {
            best = sum;
            seed = i;
        }
    }
    for (size_t i = 0; i < cells; i++)
        map[i] = map[i] == 2;
    if (seed != SIZE_MAX)
        mask_flood(map, cols, rows, seed, cell);
    for (size_t i = 0; i < cells; i++)
        map[i] = map[i] == 2;
    return seed != SIZE_MAX;
}

static void percentiles(float *v, size_t n, float *p10, float *p50, float *p90)
{
    *p50 = select_nth(v, n, n / 2);
    *p10 = select_nth(v, n, n / 10);
    *p90 = select_nth(v, n, n - 1 - n / 10);
}

static float count_cells(const uint8_t *mask, size_t cells)
{
    size_t n = 0;
    for (size_t i = 0; i < cells; i++)
        n += mask[i] != 0;
    return (float)n;
}

static float weight_in(const uint8_t *map, const float *weight, size_t cells)
{
    float sum = 0;
    for (size_t i = 0; i < cells; i++)
        sum += map[i] ? weight[i] : 0.0f;
    return sum;
}

/* What was sorted side by side: the SCENE_LANES cells before `end`. */
struct lanes {
    float v[SCENE_SAMPLE][SCENE_LANES];
    size_t seen[SCENE_LANES], end;
};

/* How far luma at scene cell i goes over time, from its 10th to its 90th percentile; -1 where it is not
   known. */
static float luma_range(const struct scene *scene, const size_t *pick, size_t n, size_t i,
                        struct lanes *lanes)
{
    if (i >= lanes->end && scene_is_plain(scene, n, i)) {
        scene_lanes(scene, pick, n, i, lanes->v, lanes->seen);
        lanes->end = i + SCENE_LANES;
    }
    if (i < lanes->end) {
        size_t lane = i + SCENE_LANES - lanes->end, seen = lanes->seen[lane];
        return seen < SCENE_MIN_FRAMES ? -1
                                       : lanes->v[seen - 1 - seen / 10][lane] - lanes->v[seen / 10][lane];
    }
    float v[SCENE_SAMPLE], p10, p50, p90;
    size_t seen = scene_gather(scene, pick, n, (uint32_t)(i % scene->wide), (uint32_t)(i / scene->wide), v);
    if (seen < SCENE_MIN_FRAMES)
        return -1;
    percentiles(v, seen, &p10, &p50, &p90);
    return p90 - p10;
}

/* Where luma varies over time more than noise and shake explain. Leaves and glitter do so in many places; an
   animal is one place with most of it, and does so clearly. */
static bool place_by_luma(const struct scene *scene, struct still *still, struct work *work)
{
    size_t pick[SCENE_SAMPLE], n = scene_sample(scene, pick), i = 0;
    size_t cells = (size_t)scene->wide * scene->high;
    struct lanes lanes;
    lanes.end = 0;
    float floor = fmaxf(9.0f * scene->noise, 3.0f), share = scene->registered ? 0.12f : 0.05f;
    for (uint32_t r = 0; r < scene->high; r++)
        for (uint32_t c = 0; c < scene->wide; c++, i++) {
            float range = luma_range(scene, pick, n, i, &lanes);
            still->place[i] = 0;
            work->weight[i] = 0;
            if (range < 0 || scene_is_ignored(scene, c, r))
                continue;
            float limit = floor + share * plane_slope(scene->background, scene->wide, scene->high, c, r);
            work->weight[i] = fminf(fmaxf(range / limit - 1.0f, 0), 4.0f);
            still->place[i] = range > limit;
        }
    uint32_t shorter = scene->cols < scene->rows ? scene->cols : scene->rows;
    uint32_t reach = (uint32_t)fmaxf(1.0f, 0.015f * (float)shorter);
    mask_dilate(still->place, scene->wide, scene->high, reach, work->scratch);
    mask_erode(still->place, scene->wide, scene->high, reach, work->scratch);
    float all = weight_in(still->place, work->weight, cells);
    still->share = 0;
    if (!still_best_blob(still->place, work->weight, scene->wide, scene->high,
                         40.0f * scene->unit * scene->unit, work->cell))
        return false;
    float here = weight_in(still->place, work->weight, cells);
    still->share = here / fmaxf(all, 1e-6f);
    return still->share >= MOST && here >= FLICKER * count_cells(still->place, cells);
}

static float fine_texture(float noise, float energy)
{
    return fmaxf(energy - noise, 0);
}

/* Fine texture at scene cell i: what it changes by over time, squared, against its amount. */
static float change_of_cell(const struct scene *scene, const size_t *pick, size_t n, size_t i, float noise)
{
    float v[SCENE_SAMPLE], p10, p50, p90;
    size_t seen = 0;
    for (size_t k = 0; k < n; k++) {
        size_t at = scene_cell(scene, pick[k], (uint32_t)(i % scene->wide), (uint32_t)(i / scene->wide));
        if (at != SIZE_MAX)
            v[seen++] = fine_texture(noise, grid_value(scene->grid[pick[k]], GRID_G2, at));
    }
    if (seen < SCENE_MIN_FRAMES)
        return 0;
    percentiles(v, seen, &p10, &p50, &p90);
    return (p90 - p10) * (p90 - p10) / (p50 + 2.0f * noise + 1e-3f);
}

static void byte_lanes(const struct grid *grid, enum grid_plane plane, size_t i, float v[SCENE_LANES])
{
    uint8_t byte[SCENE_LANES];
    grid_bytes(grid, plane, i, SCENE_LANES, byte);
    for (size_t lane = 0; lane < SCENE_LANES; lane++)
        v[lane] = (float)byte[lane];
}

/* The same of SCENE_LANES cells. The value grows with the byte of the plane, so bytes are sorted. */
static void change_of_lanes(const struct scene *scene, const size_t *pick, size_t n, size_t i, float noise,
                            float *out)
{
    float v[SCENE_SAMPLE][SCENE_LANES];
    const float *value = grid_values();
    for (size_t k = 0; k < n; k++)
        byte_lanes(scene->grid[pick[k]], GRID_G2, i, v[k]);
    lanes_sort(v, n);
    for (size_t lane = 0; lane < SCENE_LANES; lane++) {
        float p10 = fine_texture(noise, value[(size_t)v[n / 10][lane]]),
              p50 = fine_texture(noise, value[(size_t)v[n / 2][lane]]),
              p90 = fine_texture(noise, value[(size_t)v[n - 1 - n / 10][lane]]);
        out[lane] = (p90 - p10) * (p90 - p10) / (p50 + 2.0f * noise + 1e-3f);
    }
}

/* Change of fine texture over time against its amount, into `weight`; its spread there is what focus does. */
static void texture_change(const struct scene *scene, float noise, float *weight)
{
    size_t pick[SCENE_SAMPLE], n = scene_sample(scene, pick), cells = (size_t)scene->wide * scene->high;
    for (size_t i = 0; i < cells;) {
        if (!scene->registered && n >= SCENE_MIN_FRAMES && cells - i >= SCENE_LANES) {
            change_of_lanes(scene, pick, n, i, noise, weight + i);
            i += SCENE_LANES;
        } else {
            weight[i] = change_of_cell(scene, pick, n, i, noise);
            i++;
        }
    }
    for (size_t i = 0; scene->ignore != NULL && i < cells; i++)
        if (scene_is_ignored(scene, (uint32_t)(i % scene->wide), (uint32_t)(i / scene->wide)))
            weight[i] = 0;
}

/* Mean of 5 x 5, in place. */
static void box_5(float *plane, uint32_t cols, uint32_t rows, float *copy)
{
    memcpy(copy, plane, (size_t)cols * rows * sizeof *copy);
    for (uint32_t r = 0; r < rows; r++)
        for (uint32_t c = 0; c < cols; c++) {
            float sum = 0;
            uint32_t count = 0;
            for (uint32_t y = r > 2 ? r - 2 : 0; y <= r + 2 && y < rows; y++)
                for (uint32_t x = c > 2 ? c - 2 : 0; x <= c + 2 && x < cols; x++, count++)
                    sum += copy[(size_t)y * cols + x];
            plane[(size_t)r * cols + c] = sum / (float)count;
        }
}

static float noise_of_g2(const struct scene *scene, float *copy)
{
    const struct grid *grid = scene->grid[scene->n / 2];
    for (size_t i = 0; i < scene->cells; i++)
        copy[i] = grid_value(grid, GRID_G2, i);
    return 1.2f * select_nth(copy, scene->cells, scene->cells * 15 / 100);
}

/* Where focus or small movements change the texture. The peak must stand out: in a burst of one and the same
   picture everything is noise. */
static bool place_by_texture(const struct scene *scene, struct still *still, struct work *work,
                             struct err *err)
{
    size_t cells = (size_t)scene->wide * scene->high;
    float *copy = malloc(cells * sizeof *copy);
    if (copy == NULL)
        return err_nomem(err);
    texture_change(scene, noise_of_g2(scene, copy), work->weight);
    box_5(work->weight, scene->wide, scene->high, copy);
    float peak = 0;
    memcpy(copy, work->weight, cells * sizeof *copy);
    float usual = select_median(copy, cells);
    for (size_t i = 0; i < cells; i++)
        peak = fmaxf(peak, work->weight[i]);
    for (size_t i = 0; i < cells; i++)
        still->place[i] = work->weight[i] > 0.3f * peak;
    free(copy);
    still->textural = true;
    still->any = peak > 8.0f * usual && peak > 1e-3f &&
                 still_best_blob(still->place, work->weight, scene->wide, scene->high,
                                 12.0f * scene->unit * scene->unit, work->cell);
    return true;
}

/* Otsu's threshold (1979) over a histogram. */
static size_t otsu(const uint32_t *bin, size_t n)
{
    double total = 0, moment = 0, below = 0, below_moment = 0, best = -1;
    size_t cut = 0;
    for (size_t i = 0; i < n; i++) {
        total += bin[i];
        moment += (double)i * bin[i];
    }
    for (size_t i = 0; i + 1 < n; i++) {
        below += bin[i];
        below_moment += (double)i * bin[i];
        if (below <= 0 || below >= total)
            continue;
        double d = below_moment / below - (moment - below_moment) / (total - below);
        double between = below * (total - below) * d * d;
        if (between > best) {
            best = between;
            cut = i;
        }
    }
    return cut;
}

/* Difference at which the subject stands out from the filled-in background, over all sampled frames. */
static float find_cut(const struct scene *scene, const struct still *still, const struct work *work)
{
    enum { BINS = 512 }; /* of half a luma step */
    uint32_t inside[BINS] = {0}, ring[BINS] = {0}, n_inside = 0, n_ring = 0;
    size_t pick[SCENE_SAMPLE], n = scene_sample(scene, pick), i = 0;
    for (uint32_t r = 0; r < scene->high; r++)
        for (uint32_t c = 0; c < scene->wide; c++, i++) {
            if (!still->place[i] && !work->ring[i])
                continue;
            float v[SCENE_SAMPLE];
            size_t seen = scene_gather(scene, pick, n, c, r, v);
            for (size_t k = 0; k < seen; k++) {
                float d = fminf(fabsf(v[k] - still->filled[i]) * 2.0f, BINS - 1);
                if (still->place[i]) {
                    inside[(int)d]++;
                    n_inside++;
                } else {
                    ring[(int)d]++;
                    n_ring++;
                }
            }
        }
    size_t top = BINS, half = 0;
    for (uint32_t above = 0; top > 1 && above + inside[top - 1] <= n_inside / 100; top--)
        above += inside[top - 1];
    for (uint32_t below = 0; half + 1 < BINS && below + ring[half] <= n_ring / 2; half++)
        below += ring[half];
    float around = fmaxf(1.4826f * ((float)half + 0.5f) / 2.0f, 0.4f);
    return fmaxf(fmaxf((float)(otsu(inside, top) + 1) / 2.0f, 2.5f * around), 2.0f);
}

/* How far the filled-in background misses the true one around the place. */
static bool find_roughness(const struct scene *scene, struct still *still, struct work *work, uint32_t reach,
                           struct err *err)
{
    size_t cells = (size_t)scene->wide * scene->high, n = 0;
    float *plane = malloc(cells * sizeof *plane);
    if (plane == NULL)
        return err_nomem(err);
    memcpy(plane, scene->background, cells * sizeof *plane);
    memcpy(work->near, still->place, cells);
    mask_dilate(work->near, scene->wide, scene->high, reach, work->scratch);
    bool done = plane_fill(plane, work->near, scene->wide, scene->high, err);
    for (size_t i = 0; done && i < cells; i++)
        if (work->ring[i] && scene->background[i] >= 0)
            work->weight[n++] = fabsf(scene->background[i] - plane[i]);
    still->rough = n > 0 ? select_nth(work->weight, n, n * 3 / 4) / still->cut : 1.0f;
    still->vague = still->textural || still->rough > 0.6f;
    free(plane);
    return done;
}

static bool fill_in(const struct scene *scene, struct still *still, struct work *work, struct err *err)
{
    size_t cells = (size_t)scene->wide * scene->high;
    float size = sqrtf(still->area);
    uint32_t close = (uint32_t)fmaxf(1.0f, 0.12f * size), wide = (uint32_t)fmaxf(3.0f, 0.35f * size);
    memcpy(work->near, still->place, cells);
    mask_dilate(work->near, scene->wide, scene->high, close, work->scratch);
    memcpy(work->ring, still->place, cells);
    mask_dilate(work->ring, scene->wide, scene->high, wide, work->scratch);
    for (size_t i = 0; i < cells; i++)
        work->ring[i] = work->ring[i] && !work->near[i];
    memcpy(still->filled, scene->background, cells * sizeof *still->filled);
    memcpy(still->texture, scene->texture, cells * sizeof *still->texture);
    if (!plane_fill(still->filled, work->near, scene->wide, scene->high, err) ||
        !plane_fill(still->texture, work->near, scene->wide, scene->high, err))
        return false;
    still->cut = find_cut(scene, still, work);
    return find_roughness(scene, still, work, wide, err);
}

static bool still_open(const struct scene *scene, struct still *still)
{
    size_t cells = (size_t)scene->wide * scene->high;
    *still = (struct still){0};
    still->place = malloc(cells);
    still->filled = malloc(cells * sizeof *still->filled);
    still->texture = malloc(cells * sizeof *still->texture);
    return still->place != NULL && still->filled != NULL && still->texture != NULL;
}

bool still_find_flicker(const struct scene *scene, struct still *still, struct err *err)
{
    size_t cells = (size_t)scene->wide * scene->high;
    struct work work = {0};
    bool done = still_open(scene, still) && work_open(&work, cells) ? true : err_nomem(err);
    if (done)
        still->any = place_by_luma(scene, still, &work);
    if (done && still->any) {
        done = mask_hull(still->place, scene->wide, scene->high, err);
        still->area = count_cells(still->place, cells);
    }
    work_release(&work);
    return done;
}

bool still_fill(const struct scene *scene, struct still *still, struct err *err)
{
    struct work work = {0};
    bool done = work_open(&work, (size_t)scene->wide * scene->high) ? fill_in(scene, still, &work, err)
                                                                    : err_nomem(err);
    work_release(&work);
    return done;
}

/* Where luma does not flicker at all, texture may. */
static bool find_by_texture(const struct scene *scene, struct still *still, struct err *err)
{
    size_t cells = (size_t)scene->wide * scene->high;
    struct work work = {0};
    bool done = work_open(&work, cells) ? place_by_texture(scene, still, &work, err) : err_nomem(err);
    if (done && still->any)
        still->area = count_cells(still->place, cells);
    work_release(&work);
    return done;
}

bool still_find(const struct scene *scene, struct still *still, struct err *err)
{
    if (!still_find_flicker(scene, still, err))
        return false;
    bool restless = still->share > 0.0f;
    if (!still->any && !restless && !find_by_texture(scene, still, err))
        return false;
    return !still->any || still_fill(scene, still, err);
}

void still_release(struct still *still)
{
    free(still->place);
    free(still->filled);
    free(still->texture);
    *still = (struct still){0};
}
