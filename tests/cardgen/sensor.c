#include "sensor.h"
#include "rng.h"
#include <math.h>
#include <stdlib.h>

#define TILE 1024 /* side of the noise tile, a power of two */
#define TONES 8192
#define RAW_NOISE (1 << 18)

struct sensor {
    float *tile;  /* TILE*TILE*3, correlated, deviation 1 */
    float *white; /* RAW_NOISE values, deviation 1 */
    uint8_t tone[TONES];
};

const float sensor_neutral[3] = {0.52f, 1.0f, 0.64f};

/* sRGB transfer function with a soft shoulder and a little contrast, as cameras do. */
static uint8_t tone_of(float v)
{
    float x = v * 1.6f, shoulder = x < 0.6f ? x : 0.6f + 0.4f * (1 - expf(-(x - 0.6f) / 0.4f));
    float s = shoulder <= 0.0031308f ? 12.92f * shoulder : 1.055f * powf(shoulder, 1 / 2.4f) - 0.055f;
    s = s + 0.10f * (s * s * (3 - 2 * s) - s);
    return (uint8_t)fminf(fmaxf(s * 255.0f + 0.5f, 0), 255);
}

/* Adds one noisy plane to the tile: neighbours weigh 1/5, so noise loses some of its finest grain. */
static void add_plane(float *tile, const float *plane, const float share[3])
{
    for (size_t y = 0; y < TILE; y++)
        for (size_t x = 0; x < TILE; x++) {
            size_t l = (x + TILE - 1) % TILE, r = (x + 1) % TILE, u = (y + TILE - 1) % TILE,
                   d = (y + 1) % TILE;
            float v = plane[y * TILE + x] + 0.2f * (plane[y * TILE + l] + plane[y * TILE + r] +
                                                    plane[u * TILE + x] + plane[d * TILE + x]);
            v *= 0.9285f; /* 1/sqrt(1 + 4*0.2^2) */
            for (size_t k = 0; k < 3; k++)
                tile[(y * TILE + x) * 3 + k] += v * share[k];
        }
}

struct sensor *sensor_new(uint64_t seed)
{
    struct sensor *s = canvas_alloc(1, sizeof *s);
    struct rng r = rng_from(seed, rng_name("sensor noise"));
    s->tile = canvas_alloc((size_t)TILE * TILE * 3, sizeof(float));
    s->white = canvas_alloc(RAW_NOISE, sizeof(float));
    for (size_t i = 0; i < RAW_NOISE; i++)
        s->white[i] = rng_gauss(&r);
    float *plane = canvas_alloc((size_t)TILE * TILE, sizeof(float));
    /* one plane common to the colours, one for each: demosaicing makes colours share noise */
    static const float share[4][3] = {{0.8f, 0.8f, 0.8f}, {0.6f, 0, 0}, {0, 0.6f, 0}, {0, 0, 0.6f}};
    for (int p = 0; p < 4; p++) {
        for (size_t i = 0; i < (size_t)TILE * TILE; i++) /* sum of two table values: Gaussian again */
            plane[i] = (s->white[rng_u32(&r) % RAW_NOISE] + s->white[rng_u32(&r) % RAW_NOISE]) * 0.70710678f;
        add_plane(s->tile, plane, share[p]);
    }
    free(plane);
    for (int i = 0; i < TONES; i++)
        s->tone[i] = tone_of(((float)i + 0.5f) / TONES * 2.0f - 0.25f);
    return s;
}

void sensor_free(struct sensor *s)
{
    free(s->tile);
    free(s->white);
    free(s);
}

struct noise {
    float shot, read2;
};

static struct noise noise_of(int iso)
{
    float read = 0.0009f * (float)iso / 800.0f;
    return (struct noise){(float)iso / (100.0f * 40000.0f), read * read};
}

/* The lens darkens towards the corners. */
static float vignette(int i, int n)
{
    float d = 2.0f * ((float)i + 0.5f) / (float)n - 1.0f;
    return 0.09f * d * d;
}

void sensor_develop(const struct sensor *s, const struct canvas *light, float gain, int iso, uint64_t frame,
                    uint8_t *rgb)
{
    struct rng r = rng_from(frame, rng_name("develop"));
    size_t ox = rng_u32(&r) % TILE, oy = rng_u32(&r) % TILE;
    struct noise n = noise_of(iso);
    for (int y = 0; y < light->h; y++) {
        const float *row = light->rgb + (size_t)y * (size_t)light->w * 3;
        const float *grain = s->tile + ((size_t)y + oy) % TILE * TILE * 3;
        uint8_t *out = rgb + (size_t)y * (size_t)light->w * 3;
        float vy = 1.0f - vignette(y, light->h);
        for (int x = 0; x < light->w; x++) {
            float g = gain * (vy - vignette(x, light->w));
            const float *e = grain + ((size_t)x + ox) % TILE * 3;
            for (int k = 0; k < 3; k++) {
                float v = row[3 * x + k] * g;
                v += sqrtf(n.shot * fmaxf(v, 0) + n.read2) * e[k];
                int i = (int)((v + 0.25f) * (TONES / 2.0f));
                out[3 * x + k] = s->tone[i < 0 ? 0 : i > TONES - 1 ? TONES - 1 : i];
            }
        }
    }
}

void sensor_mosaic(const struct sensor *s, const struct canvas *light, float gain, int iso, uint64_t frame,
                   uint16_t *raw)
{
    struct rng r = rng_from(frame, rng_name("mosaic"));
    struct noise n = noise_of(iso);
    for (int y = 0; y < light->h; y++) {
        size_t at = rng_u32(&r);
        float vy = 1.0f - vignette(y, light->h);
        for (int x = 0; x < light->w; x++) {
            int k = (y & 1) + (x & 1); /* R G / G B */
            float v = light->rgb[((size_t)y * (size_t)light->w + (size_t)x) * 3 + (size_t)k];
            v *= gain * (vy - vignette(x, light->w)) * sensor_neutral[k];
            v += sqrtf(n.shot * fmaxf(v, 0) + n.read2) * s->white[(at + (size_t)x) % RAW_NOISE];
            float q = (float)SENSOR_BLACK + v * (float)(SENSOR_WHITE - SENSOR_BLACK) + 0.5f;
            raw[(size_t)y * (size_t)light->w + (size_t)x] = (uint16_t)fminf(fmaxf(q, 0), SENSOR_WHITE);
        }
    }
}
