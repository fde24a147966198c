/*
 * picture.c - RGB pictures: cut, shrink, turn upright.
 */
#include <stdlib.h>
#include <string.h>

#include "decoders.h"

enum { RGB = 3 };

bool decode_picture_alloc(struct decode_picture *picture, uint32_t width_px, uint32_t height_px,
                          struct err *err)
{
    uint8_t *rgb = calloc((size_t)width_px * height_px, RGB);
    if (rgb == NULL)
        return err_nomem(err);
    *picture = (struct decode_picture){width_px, height_px, rgb};
    return true;
}

void decode_picture_release(struct decode_picture *picture)
{
    free(picture->rgb);
    *picture = (struct decode_picture){0};
}

uint32_t decode_shrunk(uint32_t length, uint32_t shrink)
{
    return (length + shrink - 1) / shrink;
}

/* The part of [0, full) that `start` and `length` ask for; at least one pixel. */
static void clamp_range(uint32_t start, uint32_t length, uint32_t full, uint32_t *at, uint32_t *size)
{
    *at = start < full ? start : full - 1;
    *size = length < full - *at ? length : full - *at;
    if (*size == 0)
        *size = 1;
}

struct crop decode_crop_plan(const uint32_t box[4], uint32_t max_edge_px, uint32_t width_px,
                             uint32_t height_px)
{
    struct crop plan = {{0, 0, width_px, height_px}, 1};
    if (box[2] > 0 && box[3] > 0) {
        clamp_range(box[0], box[2], width_px, &plan.box[0], &plan.box[2]);
        clamp_range(box[1], box[3], height_px, &plan.box[1], &plan.box[3]);
    }
    uint32_t edge = plan.box[2] > plan.box[3] ? plan.box[2] : plan.box[3];
    uint32_t most = max_edge_px > 0 ? max_edge_px : 1;
    while (decode_shrunk(edge, plan.shrink) > most)
        plan.shrink *= 2;
    return plan;
}

/* Mean of one channel over a box, rounded. */
static uint8_t box_mean(const struct decode_picture *p, uint32_t x, uint32_t y, uint32_t shrink,
                        unsigned channel)
{
    uint32_t right = x + shrink < p->width_px ? x + shrink : p->width_px;
    uint32_t lower = y + shrink < p->height_px ? y + shrink : p->height_px;
    uint64_t sum = 0, count = (uint64_t)(right - x) * (lower - y);
    for (uint32_t j = y; j < lower; j++)
        for (uint32_t i = x; i < right; i++)
            sum += p->rgb[((size_t)j * p->width_px + i) * RGB + channel];
    return (uint8_t)((sum + count / 2) / count);
}

void decode_picture_shrink(struct decode_picture *p, uint32_t shrink)
{
    if (shrink == 1)
        return;
    uint32_t width = decode_shrunk(p->width_px, shrink), height = decode_shrunk(p->height_px, shrink);
    uint8_t *out = p->rgb; /* a box's mean is written at or before its first pixel */
    for (uint32_t y = 0; y < height; y++)
        for (uint32_t x = 0; x < width; x++)
            for (unsigned c = 0; c < RGB; c++)
                *out++ = box_mean(p, x * shrink, y * shrink, shrink, c);
    p->width_px = width;
    p->height_px = height;
}

void decode_picture_cut(struct decode_picture *p, uint32_t x, uint32_t y, uint32_t width, uint32_t height)
{
    for (uint32_t j = 0; j < height; j++)
        memmove(p->rgb + (size_t)j * width * RGB, p->rgb + ((size_t)(y + j) * p->width_px + x) * RGB,
                (size_t)width * RGB);
    p->width_px = width;
    p->height_px = height;
}

/* Exif orientations (TIFF 6.0, from memory): 2 mirrored, 3 turned by 180 degrees, 4 upside down, 5
   transposed, 6 to be turned clockwise, 7 transposed over the other diagonal, 8 to be turned
   counter-clockwise. Each is a transposition or none, then a flip of columns or rows of the upright picture
   or none. */
struct turn {
    bool transpose, flip_x, flip_y;
};

static struct turn turn_of(unsigned orientation)
{
    static const struct turn turns[9] = {
        [2] = {false, true, false}, [3] = {false, true, true}, [4] = {false, false, true},
        [5] = {true, false, false}, [6] = {true, true, false}, [7] = {true, true, true},
        [8] = {true, false, true},
    };
    return turns[orientation <= 8 ? orientation : 0];
}

bool decode_picture_turn(struct decode_picture *p, unsigned orientation, struct err *err)
{
    struct turn t = turn_of(orientation);
    if (!t.transpose && !t.flip_x && !t.flip_y)
        return true;
    struct decode_picture up = {0};
    if (!decode_picture_alloc(&up, t.transpose ? p->height_px : p->width_px,
                              t.transpose ? p->width_px : p->height_px, err))
        return false;
    for (uint32_t y = 0; y < up.height_px; y++)
        for (uint32_t x = 0; x < up.width_px; x++) {
            uint32_t u = t.flip_x ? up.width_px - 1 - x : x, v = t.flip_y ? up.height_px - 1 - y : y;
            size_t from = t.transpose ? (size_t)u * p->width_px + v : (size_t)v * p->width_px + u;
            memcpy(up.rgb + ((size_t)y * up.width_px + x) * RGB, p->rgb + from * RGB, RGB);
        }
    decode_picture_release(p);
    *p = up;
    return true;
}
