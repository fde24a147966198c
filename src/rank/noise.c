/* noise.c - the noise floor of a burst, from the calmest cells of a few frames. */
#include "score.h"

#include <stdlib.h>

enum { FRAMES = 5, FEW = 60 /* cells below which a brightness says nothing */ };
static const double CALM = 0.15;  /* part of the cells of a brightness that is taken for bare */
static const float MARGIN = 1.2f; /* from that quantile to the mean of bare cells */

enum grid_plane energy_plane(int energy)
{
    static const enum grid_plane plane[ENERGIES] = {GRID_L1, GRID_G1, GRID_G2, GRID_G4};
    return plane[energy];
}

typedef uint32_t histogram[LUMA_BINS][256];

static void count(const struct grid *grid, histogram *bins)
{
    for (size_t i = 0; i < (size_t)grid->cols * grid->rows; i++) {
        if (grid->plane[GRID_CLIP][i] > 0)
            continue;
        size_t luma = grid->luma[i] / (128 * 16);
        for (int e = 0; e < ENERGIES; e++)
            bins[e][luma < LUMA_BINS ? luma : LUMA_BINS - 1][grid->plane[energy_plane(e)][i]]++;
    }
}

/* The CALM quantile of one brightness, or a negative number. */
static float quantile(const uint32_t bin[256])
{
    uint32_t total = 0, below = 0;
    for (int v = 0; v < 256; v++)
        total += bin[v];
    if (total < FEW)
        return -1.0f;
    int v = 0;
    while (v < 255 && below + bin[v] <= (uint32_t)(CALM * total))
        below += bin[v++];
    return grid_values()[v];
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

bool noise_find(const struct subject_input *input, struct noise *noise, struct err *err)
{
    histogram *bins = calloc(ENERGIES, sizeof *bins);
    if (bins == NULL)
        return err_nomem(err);
    size_t there = 0, seen = 0;
    for (size_t t = 0; t < input->n; t++)
        there += input->grid[t] != NULL;
    size_t take = there < FRAMES ? there : FRAMES, next = 0;
    for (size_t t = 0; t < input->n && next < take; t++) {
        if (input->grid[t] == NULL)
            continue;
        if (seen++ == (2 * next + 1) * there / (2 * take)) {
            count(input->grid[t], bins);
            next++;
        }
    }
    for (int e = 0; e < ENERGIES; e++) {
        for (int b = 0; b < LUMA_BINS; b++)
            noise->floor[e][b] = MARGIN * quantile(bins[e][b]);
        complete(noise->floor[e]);
    }
    free(bins);
    return true;
}

float noise_at(const struct noise *noise, int energy, float luma)
{
    float x = luma / 16.0f - 0.5f;
    if (!(x > 0))
        return noise->floor[energy][0];
    int b = (int)x;
    if (b >= LUMA_BINS - 1)
        return noise->floor[energy][LUMA_BINS - 1];
    float part = x - (float)b;
    return noise->floor[energy][b] * (1 - part) + noise->floor[energy][b + 1] * part;
}
