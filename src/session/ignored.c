#include "ignored.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static bool add_area(void *context, const struct catalogue_area *area, struct err *err)
{
    struct ignored *ignored = context;
    if (area->keep_out) /* says nothing about subjects */
        return true;
    if (ignored->n == ignored->room) {
        size_t room = ignored->room > 0 ? ignored->room * 2 : 8;
        struct catalogue_area *grown = realloc(ignored->area, room * sizeof *grown);
        if (grown == NULL)
            return err_nomem(err);
        ignored->area = grown;
        ignored->room = room;
    }
    ignored->area[ignored->n++] = *area;
    return true;
}

bool ignored_load(struct session *s, struct ignored *ignored, struct err *err)
{
    *ignored = (struct ignored){0};
    if (catalogue_each_area(s->catalogue, add_area, ignored, err))
        return true;
    ignored_release(ignored);
    return false;
}

void ignored_release(struct ignored *ignored)
{
    free(ignored->area);
    *ignored = (struct ignored){0};
}

void ignored_stamp(const struct ignored *ignored, int64_t setup, struct hash_digest *digest)
{
    for (size_t i = 0; i < ignored->n; i++) {
        const struct catalogue_area *a = &ignored->area[i];
        unsigned char bytes[4 * sizeof(double) + HASH_SIZE];
        const double place[4] = {a->x, a->y, a->w, a->h};
        if (a->setup != setup)
            continue;
        memcpy(bytes, place, sizeof place);
        memcpy(bytes + sizeof place, digest->bytes, HASH_SIZE);
        *digest = hash_of(bytes, sizeof bytes);
    }
}

/* Length of what two stretches share. */
static double shared(double a, double a_size, double b, double b_size)
{
    return fmax(fmin(a + a_size, b + b_size) - fmax(a, b), 0);
}

static void cover(const struct catalogue_area *a, const struct grid *grid, uint8_t *mask)
{
    double cell = grid->cell_px, x = a->x * grid->width_px, y = a->y * grid->height_px;
    double w = a->w * grid->width_px, h = a->h * grid->height_px;
    for (uint32_t r = 0; r < grid->rows; r++)
        for (uint32_t c = 0; c < grid->cols; c++)
            if (shared(c * cell, cell, x, w) * shared(r * cell, cell, y, h) >= 0.5 * cell * cell)
                mask[(size_t)r * grid->cols + c] = 1;
}

bool ignored_mask(const struct ignored *ignored, int64_t setup, const struct grid *grid, uint8_t **mask,
                  struct err *err)
{
    *mask = NULL;
    for (size_t i = 0; i < ignored->n; i++) {
        if (ignored->area[i].setup != setup)
            continue;
        if (*mask == NULL)
            *mask = calloc((size_t)grid->cols * grid->rows, 1);
        if (*mask == NULL)
            return err_nomem(err);
        cover(&ignored->area[i], grid, *mask);
    }
    return true;
}
