/* noise.c - the noise floor of a burst, from the calmest cells of a few frames. */
#include "score.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { FRAMES = 5, FEW = 60 /* cells below which a brightness says nothing */ };
static const double CALM = 0.10; /* part of the cells of a brightness that is taken for bare */

/* From that quantile to the mean of bare cells, for cells of 8, 16 and 32 px: the fewer pixels of a scale a
   cell has, the more its energy scatters. Measured on Gaussian noise whose neighbours weigh 1/5. */
static const float margin[3][ENERGIES] = {
    {1.30f, 1.40f, 1.84f, 2.90f},
    {1.14f, 1.19f, 1.37f, 1.81f},
    {1.06f, 1.09f, 1.17f, 1.36f},
};

/* Where no cell is bare the calmest ones still hold texture. Noise is never coarser than some bounds: of two
   neighbouring energies the finer is at least this much of the coarser. (White noise: 53, 4, 4; smoothed
   until neighbours weigh 1/5: 18, 2.8, 3.4; JPEG of quality 80 takes the first to 8.) */
static const float least_ratio[ENERGIES - 1] = {8.0f, 2.5f, 3.4f};

enum grid_plane energy_plane(int energy)
{
    static const enum grid_plane plane[ENERGIES] = {GRID_L1, GRID_G1, GRID_G2, GRID_G4};
    return plane[energy];
}

typedef uint32_t histogram[LUMA_BINS][256];

static void count(const struct grid *grid, histogram *bins)
{
    enum { SOME = 256 };
    uint8_t clipped[SOME], energy[ENERGIES][SOME];
    size_t cells = (size_t)grid->cols * grid->rows;
    for (size_t first = 0, n; first < cells; first += n) {
        n = cells - first < SOME ? cells - first : SOME;
        grid_bytes(grid, GRID_CLIP, first, n, clipped);
        for (int e = 0; e < ENERGIES; e++)
            grid_bytes(grid, energy_plane(e), first, n, energy[e]);
        for (size_t i = 0; i < n; i++) {
            size_t luma = grid->luma[first + i] / (128 * 16);
            for (int e = 0; e < ENERGIES && clipped[i] == 0; e++)
                bins[e][luma < LUMA_BINS ? luma : LUMA_BINS - 1][energy[e][i]]++;
        }
    }
}

/* A quantile of one brightness, or a negative number. */
static float quantile(const uint32_t bin[256], double part)
{
    uint32_t total = 0, below = 0;
    for (int v = 0; v < 256; v++)
        total += bin[v];
    if (total < FEW)
        return -1.0f;
    int v = 0;
    while (v < 255 && below + bin[v] <= (uint32_t)(part * total))
        below += bin[v++];
    return grid_values()[v];
}

/* A brightness that is only there as reeds, or as the edge of something, has no bare cells at all, and its
   calmest ones are all texture. But noise changes slowly with brightness, so what other brightnesses show
   bounds it. The bound is looser towards the light: shadows may have been denoised. Black and white, where
   clipping takes noise away, bound nothing. */
static void bound_by_others(float floor[LUMA_BINS])
{
    enum { FIRST = 1, LAST = 13 };
    static const float darker = 1.7f, brighter = 2.0f; /* at most so many times as much, a bin on */
    float known[LUMA_BINS];
    memcpy(known, floor, sizeof known);
    for (int b = 0; b < LUMA_BINS; b++)
        for (int other = FIRST; other <= LAST; other++) {
            if (floor[b] < 0 || known[other] < 0)
                continue;
            float most = known[other] * powf(b < other ? darker : brighter, (float)abs(other - b));
            floor[b] = fminf(floor[b], most);
        }
}

/* Brightnesses that are not there take the floor of the nearest one that is. */
static void complete(float floor[LUMA_BINS])
{
    float known[LUMA_BINS];
    for (int b = 0; b < LUMA_BINS; b++)
        known[b] = floor[b];
    for (int b = 0; b < LUMA_BINS; b++) {
        for (int far = 1; floor[b] < 0 && far < LUMA_BINS; far++) {
            if (b - far >= 0 && known[b - far] >= 0)
                floor[b] = known[b - far];
            else if (b + far < LUMA_BINS && known[b + far] >= 0)
                floor[b] = known[b + far];
        }
        floor[b] = floor[b] < 0 ? 0 : floor[b];
    }
}

/* How far the floor may be off, as a part of it. Where bare cells abound the next calmest tell the same
   floor; where they do not, even the calmest may hold some texture. */
static float floor_error(const uint32_t bin[256], int size)
{
    static const float wider[3] = {1.18f, 1.08f, 1.04f}; /* margin at three times CALM */
    float low = margin[size][ENERGY_G1] * quantile(bin, CALM);
    float high = wider[size] * quantile(bin, 3 * CALM);
    if (!(low > 0))
        return low < 0 ? -1.0f : 0.35f;
    return fminf(fmaxf(0.1f + 0.5f * logf(high / low), 0.1f), 0.35f);
}

bool noise_find(const struct subject_input *input, struct noise *noise, struct err *err)
{
    histogram *bins = calloc(ENERGIES, sizeof *bins);
    if (bins == NULL)
        return err_nomem(err);
    size_t there = 0, seen = 0;
    uint32_t cell_px = 8;
    for (size_t t = 0; t < input->n; t++)
        there += input->grid[t] != NULL;
    size_t take = there < FRAMES ? there : FRAMES, next = 0;
    for (size_t t = 0; t < input->n && next < take; t++) {
        if (input->grid[t] == NULL)
            continue;
        if (seen++ == (2 * next + 1) * there / (2 * take)) {
            count(input->grid[t], bins);
            cell_px = input->grid[t]->cell_px;
            next++;
        }
    }
    int size = cell_px > 16 ? 2 : cell_px > 8;
    for (int b = 0; b < LUMA_BINS; b++)
        noise->error[b] = floor_error(bins[ENERGY_G1][b], size);
    complete(noise->error);
    for (int e = 0; e < ENERGIES; e++) {
        for (int b = 0; b < LUMA_BINS; b++) {
            noise->floor[e][b] = margin[size][e] * quantile(bins[e][b], CALM);
            if (e > 0)
                noise->floor[e][b] = fminf(noise->floor[e][b], noise->floor[e - 1][b] / least_ratio[e - 1]);
        }
        bound_by_others(noise->floor[e]);
        complete(noise->floor[e]);
    }
    free(bins);
    return true;
}

static float between(const float bin[LUMA_BINS], float luma)
{
    float x = luma / 16.0f - 0.5f;
    if (!(x > 0))
        return bin[0];
    int b = (int)x;
    if (b >= LUMA_BINS - 1)
        return bin[LUMA_BINS - 1];
    float part = x - (float)b;
    return bin[b] * (1 - part) + bin[b + 1] * part;
}

float noise_at(const struct noise *noise, int energy, float luma)
{
    return between(noise->floor[energy], luma);
}

float noise_error_at(const struct noise *noise, float luma)
{
    return between(noise->error, luma);
}
