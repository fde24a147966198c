/* scene_maker.c - draws the bursts of scene_maker.h. Slow and simple. */
#include "scene_maker.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static void *must(void *p)
{
    if (p == NULL)
        abort();
    return p;
}

static uint32_t hash(uint32_t x, uint32_t y, uint32_t salt)
{
    uint32_t h = x * 0x9E3779B1u ^ y * 0x85EBCA77u ^ salt * 0xC2B2AE3Du;
    h = (h ^ h >> 15) * 0x2C1B3C6Du;
    h = (h ^ h >> 12) * 0x297A2D39u;
    return h ^ h >> 15;
}

/* -1..1 at whole places, linear between them. */
static float value_noise(float x, float y, uint32_t salt)
{
    float fx = floorf(x), fy = floorf(y), u = x - fx, v = y - fy;
    uint32_t ix = (uint32_t)(int32_t)fx, iy = (uint32_t)(int32_t)fy;
    float c[4];
    for (uint32_t k = 0; k < 4; k++)
        c[k] = (float)(hash(ix + (k & 1), iy + (k >> 1), salt) >> 8) / 8388608.0f - 1.0f;
    return (c[0] * (1 - u) + c[1] * u) * (1 - v) + (c[2] * (1 - u) + c[3] * u) * v;
}

/* Texture with equal contrast at every scale from 1.5 px up, as feathers and bark have. */
static float texture(float x, float y, uint32_t salt)
{
    float sum = 0, period = 1.5f;
    for (uint32_t octave = 0; octave < 5; octave++, period *= 2)
        sum += value_noise(x / period, y / period, salt + octave);
    return sum * 0.4f;
}

static float scenery(const struct maker *maker, float x, float y)
{
    float h = (float)maker->height_px, w = (float)maker->width_px;
    if (maker->bare)
        return 128.0f;
    float luma = 90.0f + 40.0f * y / h + 12.0f * value_noise(x / 90, y / 70, 5);
    if (y > 0.86f * h)
        luma = 120.0f + 25.0f * texture(x, y, 77); /* a sharp rail */
    if (x > 0.90f * w)
        luma = 100.0f + 30.0f * texture(x * 0.3f, y, 99); /* sharp boards */
    return luma;
}

/* Separable Gaussian over a patch of w x h. */
static void blur_patch(float *patch, int w, int h, float sigma)
{
    int reach = (int)ceilf(3.5f * sigma);
    if (sigma < 0.05f)
        return;
    float *kernel = must(malloc((size_t)(2 * reach + 1) * sizeof *kernel)), total = 0;
    float *line = must(malloc((size_t)(w > h ? w : h) * sizeof *line));
    for (int k = -reach; k <= reach; k++)
        total += kernel[k + reach] = expf(-0.5f * (float)(k * k) / (sigma * sigma));
    for (int pass = 0; pass < 2; pass++) {
        int n = pass == 0 ? w : h, lines = pass == 0 ? h : w, step = pass == 0 ? 1 : w;
        for (int l = 0; l < lines; l++) {
            float *at = patch + (pass == 0 ? l * w : l);
            for (int i = 0; i < n; i++) {
                line[i] = 0;
                for (int k = -reach; k <= reach; k++) {
                    int j = i + k < 0 ? 0 : i + k >= n ? n - 1 : i + k;
                    line[i] += kernel[k + reach] / total * at[j * step];
                }
            }
            for (int i = 0; i < n; i++)
                at[i * step] = line[i];
        }
    }
    free(kernel);
    free(line);
}

static void draw_bird(const struct maker *maker, float *picture, const struct made_bird *bird)
{
    int margin = (int)ceilf(4 * bird->blur_px) + 2;
    int x0 = (int)(bird->x - bird->w / 2) - margin, y0 = (int)(bird->y - bird->h / 2) - margin;
    int w = (int)bird->w + 2 * margin + 2, h = (int)bird->h + 2 * margin + 2;
    float *alpha = must(calloc((size_t)(w * h), sizeof *alpha));
    float *luma = must(calloc((size_t)(w * h), sizeof *luma));
    for (int y = 0; y < h; y++)
        for (int x = 0; x < w; x++) {
            float dx = ((float)(x0 + x) - bird->x) / (bird->w / 2),
                  dy = ((float)(y0 + y) - bird->y) / (bird->h / 2);
            float inside = dx * dx + dy * dy < 1.0f ? 1.0f : 0.0f;
            float own =
                texture((float)(x0 + x) - bird->x + bird->turn, (float)(y0 + y) - bird->y, bird->salt);
            alpha[y * w + x] = inside;
            luma[y * w + x] = inside * (110.0f + bird->lift + 45.0f * own);
        }
    blur_patch(alpha, w, h, bird->blur_px);
    blur_patch(luma, w, h, bird->blur_px);
    for (int y = 0; y < h; y++)
        for (int x = 0; x < w; x++) {
            int px = x0 + x, py = y0 + y;
            if (px < 0 || py < 0 || px >= (int)maker->width_px || py >= (int)maker->height_px)
                continue;
            float *at = &picture[(size_t)py * maker->width_px + (size_t)px];
            *at = *at * (1 - alpha[y * w + x]) + luma[y * w + x];
        }
    free(alpha);
    free(luma);
}

/* Nearly Gaussian: the sum of four uniform numbers, scaled to unit deviation. */
static float grain(uint32_t x, uint32_t y, uint32_t salt)
{
    uint32_t a = hash(x, y, salt), b = hash(x, y, salt ^ 0x5bd1e995u);
    float sum = (float)(a & 0xffff) + (float)(a >> 16) + (float)(b & 0xffff) + (float)(b >> 16);
    return (sum / 65536.0f - 2.0f) * 1.7320508f;
}

static float *draw_scenery(const struct maker *maker, float shift_x, float shift_y)
{
    float *picture = must(malloc((size_t)maker->width_px * maker->height_px * sizeof *picture)),
          *at = picture;
    for (uint32_t y = 0; y < maker->height_px; y++)
        for (uint32_t x = 0; x < maker->width_px; x++)
            *at++ = scenery(maker, (float)x - shift_x, (float)y - shift_y);
    return picture;
}

/* Birds, exposure and grain over a scenery that is drawn already; takes `picture`. */
static uint8_t *finish(const struct maker *maker, const struct made_frame *frame, uint32_t number,
                       float *picture)
{
    float gain = frame->gain > 0 ? frame->gain : 1.0f;
    uint8_t *out = must(malloc((size_t)maker->width_px * maker->height_px));
    size_t i = 0;
    for (size_t k = 0; k < frame->n_birds; k++)
        draw_bird(maker, picture, &frame->bird[k]);
    for (uint32_t y = 0; y < maker->height_px; y++)
        for (uint32_t x = 0; x < maker->width_px; x++, i++) {
            float grains = maker->noise > 0 ? maker->noise * grain(x, y, maker->seed * 4099u + number) : 0;
            float luma = picture[i] * gain + grains + 0.5f;
            out[i] = (uint8_t)(luma < 0 ? 0 : luma > 255 ? 255 : luma);
        }
    free(picture);
    return out;
}

uint8_t *frame_draw(const struct maker *maker, const struct made_frame *frame, uint32_t number)
{
    return finish(maker, frame, number, draw_scenery(maker, frame->shift_x, frame->shift_y));
}

void grid_make(const uint8_t *luma, uint32_t width_px, uint32_t height_px, struct grid *grid,
               uint8_t **packed)
{
    struct measure *measure = must(measure_new(width_px, height_px, NULL));
    size_t size;
    for (uint32_t y = 0; y < height_px; y++)
        measure_row(measure, luma + (size_t)y * width_px);
    struct cells *cells = must(measure_finish(measure, NULL));
    if (!cells_pack(cells, packed, &size, NULL) || !grid_view(grid, *packed, size, NULL))
        abort();
    cells_free(cells);
}

static uint8_t *transpose(uint8_t *luma, uint32_t w, uint32_t h)
{
    uint8_t *out = must(malloc((size_t)w * h));
    for (uint32_t y = 0; y < h; y++)
        for (uint32_t x = 0; x < w; x++)
            out[(size_t)x * h + y] = luma[(size_t)y * w + x];
    free(luma);
    return out;
}

void burst_make(const struct maker *maker, const struct made_frame *frame, size_t n, struct made_burst *out)
{
    uint32_t w = maker->width_px, h = maker->height_px;
    if (n > MAKER_MAX_FRAMES)
        abort();
    *out = (struct made_burst){.n = n};
    size_t bytes = (size_t)w * h * sizeof(float);
    float *still = draw_scenery(maker, 0, 0); /* most frames share it */
    for (size_t t = 0; t < n; t++) {
        bool shifted = frame[t].shift_x != 0 || frame[t].shift_y != 0;
        float *picture =
            shifted ? draw_scenery(maker, frame[t].shift_x, frame[t].shift_y) : must(malloc(bytes));
        if (!shifted)
            memcpy(picture, still, bytes);
        uint8_t *luma = finish(maker, &frame[t], (uint32_t)t, picture);
        if (maker->transposed)
            luma = transpose(luma, w, h);
        grid_make(luma, maker->transposed ? h : w, maker->transposed ? w : h, &out->grid[t], &out->packed[t]);
        free(luma);
        out->pointer[t] = &out->grid[t];
        out->time_ns[t] = (int64_t)t * 10000000;
    }
    free(still);
    out->input = (struct subject_input){.grid = out->pointer, .time_ns = out->time_ns, .n = n};
}

void burst_unmake(struct made_burst *burst)
{
    for (size_t t = 0; t < burst->n; t++)
        free(burst->packed[t]);
}
