/* develop.c - from light to what the engine reads: noise, tone, in-camera processing, JPEG, cells. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <jpeglib.h>

#include "../cardgen/canvas.h"
#include "chaffinch/measure.h"
#include "plate.h"

enum { TONES = 4096 };

/* Demosaicing leaves neighbours a little alike: they weigh 1/5. */
float *grain_new(void)
{
    const int n = GRAIN_SIDE;
    struct rng r = rng_from(rng_name("bench"), rng_name("grain"));
    float *white = canvas_alloc((size_t)(n * n), sizeof *white),
          *grain = canvas_alloc((size_t)(n * n), sizeof *grain);
    for (int i = 0; i < n * n; i++)
        white[i] = rng_gauss(&r);
    for (int y = 0; y < n; y++)
        for (int x = 0; x < n; x++) {
            float near = white[y * n + (x + 1) % n] + white[y * n + (x + n - 1) % n] +
                         white[(y + 1) % n * n + x] + white[(y + n - 1) % n * n + x];
            grain[y * n + x] = 0.9285f * (white[y * n + x] + 0.2f * near); /* 1/sqrt(1 + 4 * .2^2) */
        }
    free(white);
    return grain;
}

/* sRGB transfer with a soft shoulder, as cameras do. 0..255, not rounded. */
static float tone_of(float v)
{
    float x = v * 1.6f, soft = x < 0.6f ? x : 0.6f + 0.4f * (1 - expf(-(x - 0.6f) / 0.4f));
    float s = soft <= 0.0031308f ? 12.92f * soft : 1.055f * powf(soft, 1 / 2.4f) - 0.055f;
    return fminf(fmaxf(255 * (s + 0.10f * (s * s * (3 - 2 * s) - s)), 0), 255);
}

/* Shot and read noise in linear light: variance v * iso/(100 * 40000) + (.0009 iso/800)^2 a channel, and .8
 * of that in luma. */
static void expose(struct studio *studio, const struct scene_script *s, const struct plate *light, int frame,
                   float *out)
{
    struct rng r = rng_from(rng_mix(s->seed, (uint64_t)frame), rng_name("noise"));
    float tone[TONES + 1], iso = (float)s->camera.iso, gain = camera_gain(s, frame);
    float shot = 0.8f * iso / (100.0f * 40000.0f), read = 0.0009f * iso / 800.0f;
    uint32_t ox = rng_u32(&r), oy = rng_u32(&r);
    for (int i = 0; i <= TONES; i++)
        tone[i] = tone_of((float)i / TONES * 2.0f - 0.25f);
    for (int y = 0; y < light->h; y++) {
        const float *grain = studio->grain + (size_t)(((uint32_t)y + oy) % GRAIN_SIDE) * GRAIN_SIDE;
        for (int x = 0; x < light->w; x++) {
            size_t i = (size_t)y * (size_t)light->w + (size_t)x;
            float v = gain * light->v[i];
            v += sqrtf(shot * fmaxf(v, 0) + 0.8f * read * read) * grain[((uint32_t)x + ox) % GRAIN_SIDE];
            float at = fminf(fmaxf((v + 0.25f) * (TONES / 2.0f), 0), TONES - 0.01f);
            int k = (int)at;
            out[i] = tone[k] + (tone[k + 1] - tone[k]) * (at - (float)k);
        }
    }
}

/* Sigma filter: the mean of those neighbours that noise alone could have moved apart. */
static void denoise(float *v, int w, int h, float reach, float strength)
{
    float *from = canvas_alloc((size_t)w * (size_t)h, sizeof *from);
    memcpy(from, v, (size_t)w * (size_t)h * sizeof *from);
    for (int y = 2; y < h - 2; y++)
        for (int x = 2; x < w - 2; x++) {
            const float *c = from + (size_t)y * (size_t)w + (size_t)x;
            float sum = 0, n = 0;
            for (int j = -2; j <= 2; j++)
                for (int i = -2; i <= 2; i++) {
                    float q = c[j * w + i], take = fabsf(q - *c) < reach ? 1.0f : 0.0f;
                    sum += take * q;
                    n += take;
                }
            v[(size_t)y * (size_t)w + (size_t)x] = *c + strength * (sum / n - *c);
        }
    free(from);
}

/* Unsharp masking with its halo. */
static void sharpen(float *v, int w, int h, float amount, float radius)
{
    float *rows = canvas_alloc((size_t)w * (size_t)h, sizeof *rows), k[3];
    for (int i = 0; i < 3; i++)
        k[i] = expf(-0.5f * (float)(i * i) / (radius * radius));
    float sum = k[0] + 2 * (k[1] + k[2]);
    for (int i = 0; i < 3; i++)
        k[i] /= sum;
    for (int y = 0; y < h; y++)
        for (int x = 2; x < w - 2; x++) {
            const float *c = v + (size_t)y * (size_t)w + (size_t)x;
            rows[(size_t)y * (size_t)w + (size_t)x] =
                k[0] * c[0] + k[1] * (c[1] + c[-1]) + k[2] * (c[2] + c[-2]);
        }
    for (int y = 2; y < h - 2; y++)
        for (int x = 2; x < w - 2; x++) {
            const float *c = rows + (size_t)y * (size_t)w + (size_t)x;
            float soft = k[0] * c[0] + k[1] * (c[w] + c[-w]) + k[2] * (c[2 * w] + c[-2 * w]);
            float *to = v + (size_t)y * (size_t)w + (size_t)x;
            *to = *to + amount * (*to - soft);
        }
    free(rows);
}

void develop(struct studio *studio, const struct scene_script *s, const struct plate *light, int frame,
             uint8_t *out)
{
    const struct camera *c = &s->camera;
    size_t n = (size_t)light->w * (size_t)light->h;
    float *v = canvas_alloc(n, sizeof *v);
    expose(studio, s, light, frame, v);
    if (c->denoise > 0)
        denoise(v, light->w, light->h, 4 + 0.22f * sqrtf((float)c->iso), c->denoise);
    if (c->sharpen > 0)
        sharpen(v, light->w, light->h, c->sharpen, c->sharpen_px);
    for (size_t i = 0; i < n; i++)
        out[i] = (uint8_t)(fminf(fmaxf(v[i], 0), 255) + 0.5f);
    free(v);
}

static unsigned long encode(const uint8_t *grey, int quality, unsigned char **bytes)
{
    struct jpeg_compress_struct jpeg;
    struct jpeg_error_mgr errors;
    unsigned long size = 0;
    jpeg.err = jpeg_std_error(&errors);
    jpeg_create_compress(&jpeg);
    jpeg_mem_dest(&jpeg, bytes, &size);
    jpeg.image_width = SCENE_W;
    jpeg.image_height = SCENE_H;
    jpeg.input_components = 1;
    jpeg.in_color_space = JCS_GRAYSCALE;
    jpeg_set_defaults(&jpeg);
    jpeg_set_quality(&jpeg, quality, TRUE);
    jpeg_start_compress(&jpeg, TRUE);
    while (jpeg.next_scanline < jpeg.image_height) {
        JSAMPROW row = (JSAMPROW)(uintptr_t)(grey + (size_t)jpeg.next_scanline * SCENE_W);
        jpeg_write_scanlines(&jpeg, &row, 1);
    }
    jpeg_finish_compress(&jpeg);
    jpeg_destroy_compress(&jpeg);
    return size;
}

static struct cells *decode(const unsigned char *bytes, unsigned long size)
{
    struct jpeg_decompress_struct jpeg;
    struct jpeg_error_mgr errors;
    uint8_t *row = canvas_alloc(SCENE_W, 1);
    jpeg.err = jpeg_std_error(&errors);
    jpeg_create_decompress(&jpeg);
    jpeg_mem_src(&jpeg, bytes, size);
    jpeg_read_header(&jpeg, TRUE);
    jpeg_start_decompress(&jpeg);
    struct measure *m = measure_new(SCENE_W, SCENE_H, NULL);
    while (jpeg.output_scanline < jpeg.output_height) {
        jpeg_read_scanlines(&jpeg, &row, 1);
        measure_row(m, row);
    }
    jpeg_finish_decompress(&jpeg);
    jpeg_destroy_decompress(&jpeg);
    free(row);
    return measure_finish(m, NULL);
}

void develop_measure(const uint8_t *grey, int quality, struct bench_frame *out)
{
    unsigned char *bytes = NULL;
    unsigned long size = encode(grey, quality, &bytes);
    struct cells *cells = decode(bytes, size);
    free(bytes);
    if (cells == NULL || !cells_pack(cells, &out->packed, &out->packed_bytes, NULL)) {
        fprintf(stderr, "bench: a rendered frame cannot be measured\n");
        exit(1);
    }
    out->laplacian_variance = cells_laplacian_variance(cells);
    out->tenengrad = cells_tenengrad(cells);
    cells_free(cells);
}
