/* fill.c - what a place would look like without the subject: its surroundings carried inwards. */
#include "scene.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { LEVELS = 20, RELAXATIONS = 200 };

/* One level of the pyramid: mean of what is known (weight > 0) of each 2 x 2. */
struct level {
    uint32_t cols, rows;
    float *value, *weight;
};

static bool level_open(struct level *level, uint32_t cols, uint32_t rows)
{
    level->cols = cols;
    level->rows = rows;
    level->value = calloc((size_t)cols * rows, sizeof(float));
    level->weight = calloc((size_t)cols * rows, sizeof(float));
    return level->value != NULL && level->weight != NULL;
}

static void pull(const struct level *fine, struct level *coarse)
{
    for (uint32_t r = 0; r < fine->rows; r++)
        for (uint32_t c = 0; c < fine->cols; c++) {
            size_t i = (size_t)r * fine->cols + c, up = (size_t)(r / 2) * coarse->cols + c / 2;
            float w = fminf(fine->weight[i], 1.0f);
            coarse->value[up] += w * fine->value[i];
            coarse->weight[up] += w;
        }
    for (size_t i = 0; i < (size_t)coarse->cols * coarse->rows; i++)
        if (coarse->weight[i] > 0)
            coarse->value[i] /= coarse->weight[i];
}

static void push(const struct level *coarse, struct level *fine)
{
    for (uint32_t r = 0; r < fine->rows; r++)
        for (uint32_t c = 0; c < fine->cols; c++) {
            size_t i = (size_t)r * fine->cols + c;
            if (fine->weight[i] > 0)
                continue;
            fine->value[i] = plane_at(coarse->value, coarse->cols, coarse->rows,
                                      fminf(fmaxf((float)c / 2 - 0.25f, 0), (float)(coarse->cols - 1)),
                                      fminf(fmaxf((float)r / 2 - 0.25f, 0), (float)(coarse->rows - 1)), 0);
        }
}

/* Means of 3 x 3 inside the hole: the membrane that the pyramid only approximates. */
static void relax(float *plane, const uint8_t *hole, uint32_t cols, uint32_t rows)
{
    uint32_t c0 = cols, c1 = 0, r0 = rows, r1 = 0; /* of the hole, without the border of the plane */
    for (uint32_t r = 1; r + 1 < rows; r++)
        for (uint32_t c = 1; c + 1 < cols; c++)
            if (hole[(size_t)r * cols + c]) {
                c0 = c < c0 ? c : c0;
                c1 = c > c1 ? c : c1;
                r0 = r < r0 ? r : r0;
                r1 = r;
            }
    for (int pass = 0; pass < RELAXATIONS; pass++)
        for (uint32_t r = r0; r <= r1; r++)
            for (uint32_t c = c0; c <= c1; c++) {
                float *p = plane + (size_t)r * cols + c;
                if (!hole[(size_t)r * cols + c])
                    continue;
                const float *up = p - cols, *low = p + cols;
                *p = (up[-1] + up[0] + up[1] + p[-1] + p[1] + low[-1] + low[0] + low[1]) * 0.125f;
            }
}

bool plane_fill(float *plane, const uint8_t *hole, uint32_t cols, uint32_t rows, struct err *err)
{
    struct level level[LEVELS] = {{0}};
    size_t n = 1;
    bool done = level_open(&level[0], cols, rows);
    for (size_t i = 0; done && i < (size_t)cols * rows; i++) {
        level[0].weight[i] = !hole[i] && plane[i] >= 0.0f;
        level[0].value[i] = level[0].weight[i] > 0 ? plane[i] : 0.0f;
    }
    while (done && n < LEVELS && level[n - 1].cols * level[n - 1].rows > 1) {
        done = level_open(&level[n], (level[n - 1].cols + 1) / 2, (level[n - 1].rows + 1) / 2);
        if (done)
            pull(&level[n - 1], &level[n]);
        n++;
    }
    for (size_t k = n; done && k-- > 1;)
        push(&level[k], &level[k - 1]);
    if (done) {
        memcpy(plane, level[0].value, (size_t)cols * rows * sizeof *plane);
        relax(plane, hole, cols, rows);
    }
    for (size_t k = 0; k < n; k++) {
        free(level[k].value);
        free(level[k].weight);
    }
    return done ? true : err_nomem(err);
}
