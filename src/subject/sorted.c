/* sorted.c - luma over time of several cells at once, sorted: see lanes.h. */
#include "scene.h"

#include <math.h>

bool scene_is_plain(const struct scene *scene, size_t n, size_t i)
{
    return !scene->registered && n >= SCENE_MIN_FRAMES && scene->cells - i >= SCENE_LANES;
}

void scene_lanes(const struct scene *scene, const size_t *pick, size_t n, size_t i, float v[][SCENE_LANES],
                 size_t seen[SCENE_LANES])
{
    for (size_t lane = 0; lane < SCENE_LANES; lane++)
        seen[lane] = n;
    for (size_t k = 0; k < n; k++) {
        const struct grid *grid = scene->grid[pick[k]];
        float gain = scene->gain[pick[k]];
        for (size_t lane = 0; lane < SCENE_LANES; lane++)
            v[k][lane] = grid_luma(grid, i + lane) / gain;
        if (scene->covered == NULL)
            continue;
        const uint8_t *covered = scene->covered + pick[k] * scene->cells + i;
        for (size_t lane = 0; lane < SCENE_LANES; lane++) {
            v[k][lane] = covered[lane] ? INFINITY : v[k][lane];
            seen[lane] -= covered[lane] != 0;
        }
    }
    lanes_sort(v, n);
}
