/*
 * sorted.c - values over time of several cells at once, sorted.
 *
 * A temporal median of each cell is most of what finding subjects costs. A sorting network (Batcher's
 * odd-even merge exchange: Knuth, The Art of Computer Programming 3, 5.2.2, algorithm M) compares the same
 * places whatever the values are, so that it works on neighbouring cells side by side, without a branch to
 * guess wrong.
 */
#include "scene.h"

#include <math.h>

static void exchange(float *restrict a, float *restrict b)
{
    for (int k = 0; k < SCENE_LANES; k++) {
        float low = a[k] < b[k] ? a[k] : b[k], high = a[k] < b[k] ? b[k] : a[k];
        a[k] = low;
        b[k] = high;
    }
}

void lanes_sort(float v[][SCENE_LANES], size_t n)
{
    size_t top = 1;
    while (2 * top < n)
        top *= 2;
    for (size_t p = n > 1 ? top : 0; p > 0; p /= 2) {
        size_t q = top, r = 0, d = p;
        for (;;) {
            for (size_t i = 0; i + d < n; i++)
                if ((i & p) == r)
                    exchange(v[i], v[i + d]);
            if (q == p)
                break;
            d = q - p;
            q /= 2;
            r = p;
        }
    }
}

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
