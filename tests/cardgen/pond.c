#include "pond.h"
#include "rng.h"
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define FAR_STEP_MM 2.2f /* grid of the far bank: all of it is a blur */
#define OCTAVES 7

struct palette {
    float bank[3], trees[3], leaf[4][3], sky[3], deep[3];
};

static const struct palette morning = {
    {0.085f, 0.100f, 0.038f},
    {0.030f, 0.045f, 0.022f},
    {{0.075f, 0.115f, 0.030f}, {0.150f, 0.185f, 0.050f}, {0.030f, 0.050f, 0.026f}, {0.260f, 0.270f, 0.110f}},
    {0.420f, 0.490f, 0.540f},
    {0.012f, 0.020f, 0.016f},
};

static const struct palette evening = {
    {0.170f, 0.125f, 0.045f},
    {0.060f, 0.050f, 0.024f},
    {{0.190f, 0.130f, 0.040f}, {0.300f, 0.200f, 0.065f}, {0.055f, 0.050f, 0.024f}, {0.420f, 0.310f, 0.150f}},
    {0.600f, 0.500f, 0.380f},
    {0.030f, 0.026f, 0.016f},
};

/* What lies beyond the water, by direction: columns are x, rows elevation over the waterline. */
struct far_bank {
    struct canvas c;
    float x0_mm;
};

static float smooth(float a, float b, float x)
{
    float t = fminf(fmaxf((x - a) / (b - a), 0.0f), 1.0f);
    return t * t * (3 - 2 * t);
}

static float sq(float x)
{
    return x * x;
}

static void far_disc(struct canvas *c, float cx, float cy, float r, const float colour[3], float a)
{
    for (int y = (int)(cy - r - 2); y <= (int)(cy + r + 2); y++)
        for (int x = (int)(cx - r - 2); x <= (int)(cx + r + 2); x++) {
            float d = hypotf((float)x - cx, (float)y - cy);
            /* a defocused point is a disc, a trace brighter at its rim */
            canvas_blend(c, x, y, colour, a * smooth(r + 1.2f, r - 1.2f, d) * (0.9f + 0.1f * d / r));
        }
}

static struct far_bank far_new(const struct pond_spec *p, float width_mm, float height_mm)
{
    const struct palette *pal = p->golden ? &evening : &morning;
    struct far_bank f = {.x0_mm = -0.65f * width_mm};
    struct rng r = rng_from(p->salt, rng_name("far bank"));
    f.c = canvas_new((int)(1.3f * width_mm / FAR_STEP_MM), (int)(height_mm / FAR_STEP_MM) + 40);
    for (int y = 0; y < f.c.h; y++)
        for (int x = 0; x < f.c.w; x++) {
            float e = (float)y / (float)f.c.h,
                  wob = 0.22f * rng_fbm(p->salt, (float)x * 0.012f, (float)y * 0.012f, 3);
            float sky = smooth(0.42f, 0.95f, e + wob), grass = smooth(0.12f, 0.02f, e + 0.3f * wob);
            float *d = f.c.rgb + ((size_t)y * (size_t)f.c.w + (size_t)x) * 3;
            for (int k = 0; k < 3; k++)
                d[k] = (pal->trees[k] * (1 - grass) + pal->bank[k] * grass) * (1 - sky) + pal->sky[k] * sky;
        }
    for (int i = 0; i < 900; i++) {
        float e = rng_unit(&r) * 0.85f, size = rng_range(&r, 5, 17) * (1 + 0.6f * e);
        float x = rng_unit(&r) * (float)f.c.w, y = e * (float)f.c.h;
        if (rng_noise(p->salt + 5, x * 0.015f, y * 0.015f) < rng_range(&r, -1.1f, 0.7f))
            far_disc(&f.c, x, y, size, pal->leaf[rng_u32(&r) % 3], rng_range(&r, 0.10f, 0.45f));
    }
    for (int i = 0; i < 46; i++) { /* holes in the leaves */
        float e = rng_range(&r, 0.22f, 0.75f), x = rng_unit(&r) * (float)f.c.w;
        far_disc(&f.c, x, e * (float)f.c.h, rng_range(&r, 6, 10), i % 3 ? pal->leaf[3] : pal->sky,
                 rng_range(&r, 0.15f, 0.5f));
    }
    canvas_box_blur(&f.c, 3, 2);
    return f;
}

static void far_at(const struct far_bank *f, float x_mm, float e_mm, float rgb[3])
{
    canvas_sample(&f->c, (x_mm - f->x0_mm) / FAR_STEP_MM, e_mm / FAR_STEP_MM, rgb);
}

float pond_distance(const struct pond_spec *p, const struct lens *l, float y_mm)
{
    float drop = fmaxf(p->waterline - y_mm, 4.0f);
    return l->focus_mm * (p->waterline - p->water_focus) / drop;
}

/* Waves seen in one row of the picture: the lens takes the fine ones away where the water is out of focus. */
struct wave_row {
    float amplitude[OCTAVES], fx[OCTAVES], z[OCTAVES];
    float lane, lane_amplitude;
};

static const float wave_mm[OCTAVES] = {420, 210, 100, 52, 27, 14, 7};
static const float wave_slope[OCTAVES] = {0.50f, 0.55f, 0.60f, 0.55f, 0.42f, 0.30f, 0.22f};

static struct wave_row wave_row_at(const struct pond_spec *p, const struct lens *l, float y_mm, float px_mm)
{
    struct wave_row w = {.lane = 3.2f * logf(fmaxf(p->waterline - y_mm, 4.0f) / 40.0f)};
    float d = pond_distance(p, l, y_mm),
          step = d / fmaxf(p->waterline - y_mm, 4.0f);          /* mm of water a mm of picture */
    float sigma = lens_sigma_px(lens_disc_px(l, d), 0) / px_mm; /* in picture mm */
    w.lane_amplitude =
        expf(-2 * 9.8696f * sigma * sigma * sq(3.2f * 1.6f / fmaxf(p->waterline - y_mm, 4.0f)));
    for (int k = 0; k < OCTAVES; k++) {
        float fx = d / l->focus_mm / wave_mm[k], fy = step / (wave_mm[k] * 2.2f);
        float mtf = expf(-2 * 9.8696f * sigma * sigma * (fx * fx + fy * fy) * 0.25f);
        w.amplitude[k] = wave_slope[k] * mtf;
        w.fx[k] = fx;
        w.z[k] = d / (wave_mm[k] * 2.2f);
    }
    return w;
}

static void water_row(const struct pond_spec *p, const struct lens *l, const struct far_bank *far,
                      float px_mm, int y, struct canvas *c)
{
    const struct palette *pal = p->golden ? &evening : &morning;
    float y_mm = ((float)c->h * 0.5f - (float)y - 0.5f) / px_mm, e = (p->waterline - y_mm) * 0.92f;
    struct wave_row wave = wave_row_at(p, l, y_mm, px_mm);
    float shore = smooth(-26.0f, 26.0f, p->waterline - y_mm);
    for (int x = 0; x < c->w; x++) {
        float x_mm = ((float)x + 0.5f - (float)c->w * 0.5f) / px_mm, slope = 0;
        for (int k = 0; k < OCTAVES; k++)
            if (wave.amplitude[k] > 0.004f)
                slope +=
                    wave.amplitude[k] * rng_noise(p->salt + 31 + (uint32_t)k, x_mm * wave.fx[k], wave.z[k]);
        slope *= p->ripple;
        float rgb[3], bank[3];
        far_at(far, x_mm + 22 * slope, fmaxf(e + 95 * slope, 0), rgb);
        /* lanes where the wind touches the water mirror the sky */
        float lane = wave.lane_amplitude *
                     smooth(0.0f, 0.9f, rng_fbm(p->salt + 50, x_mm * 0.0016f, wave.lane, 3) + 0.25f);
        float fresnel = 0.62f + 0.10f * slope;
        for (int k = 0; k < 3; k++)
            rgb[k] =
                rgb[k] * fresnel + pal->deep[k] + (0.16f + 0.08f * slope) * lane * p->ripple * pal->sky[k];
        if (shore < 1) {
            far_at(far, x_mm, fmaxf(y_mm - p->waterline, 0), bank);
            for (int k = 0; k < 3; k++)
                rgb[k] = bank[k] + (rgb[k] - bank[k]) * shore;
        }
        memcpy(c->rgb + ((size_t)y * (size_t)c->w + (size_t)x) * 3, rgb, sizeof rgb);
    }
}

/* Overlap of a bar of half width `half` with a blur of width `soft`, 0..1. */
static float bar_cover(float d, float half, float soft)
{
    float a = fmaxf(d - half, -0.5f * soft), b = fminf(d + half, 0.5f * soft);
    return fmaxf(0.0f, b - a) / soft;
}

struct blade {
    float x, root, height, lean, bend, half, behind_mm, sway;
    float base[3], tip[3];
    bool mace; /* a bulrush head on a stem */
    uint32_t salt;
};

static struct blade blade_of(const struct pond_spec *p, const struct reed_bed *b, int index, int i)
{
    struct rng r = rng_from(p->salt, rng_mix(rng_name("reeds"), (uint64_t)index * 1000 + (uint64_t)i));
    float dry = rng_unit(&r);
    struct blade q = {.x = rng_range(&r, b->x0, b->x1), .root = b->root_y, .salt = rng_u32(&r)};
    q.mace = rng_unit(&r) < 0.16f;
    q.height = b->height * rng_range(&r, 0.55f, 1.1f);
    q.lean = rng_gauss(&r) * 0.13f * q.height;
    q.bend = rng_gauss(&r) * (q.mace ? 0.04f : 0.22f) * q.height;
    q.half = q.mace ? 1.6f : rng_range(&r, 1.8f, 4.2f);
    q.behind_mm = rng_range(&r, b->near_mm, b->far_mm);
    q.sway = rng_range(&r, 0, 6.28f);
    dry = dry * dry;
    const float green[3] = {0.085f, 0.150f, 0.030f}, straw[3] = {0.330f, 0.250f, 0.110f};
    for (int k = 0; k < 3; k++) {
        q.base[k] =
            (green[k] + (straw[k] - green[k]) * dry) * (p->golden ? 0.9f + 0.2f * (float)(2 - k) : 1.0f);
        q.tip[k] = q.base[k] * 0.8f + straw[k] * 0.35f;
    }
    return q;
}

static void blade_colour(const struct blade *q, float t, float u, float along_mm, float soft, float rgb[3])
{
    float crisp = fminf(1, 2.0f / soft); /* defocus takes veins and rib away */
    float vein = rng_noise(q->salt, along_mm * 0.03f, u * 4.0f),
          fine = rng_noise(q->salt + 1, along_mm * 0.12f, u * 7.0f);
    float rib = expf(-u * u * 60.0f), side = u > 0 ? 1.22f : 0.80f;
    float lum = (1 + (side - 1) * crisp) * (1 + crisp * (0.22f * vein + 0.16f * fine - 0.35f * rib)) *
                (0.75f + 0.35f * t);
    for (int k = 0; k < 3; k++)
        rgb[k] = (q->base[k] + (q->tip[k] - q->base[k]) * t * t) * lum;
}

static void mace_colour(const struct blade *q, float u, float along_mm, float rgb[3])
{
    float fuzz = rng_noise(q->salt, along_mm * 0.9f, u * 9.0f),
          round = sqrtf(fmaxf(0.05f, 1 - u * u)) + 0.35f * u;
    const float velvet[3] = {0.120f, 0.058f, 0.026f};
    for (int k = 0; k < 3; k++)
        rgb[k] = velvet[k] * round * (1.1f + 0.4f * fuzz);
}

static void lay(struct scene *s, int x, int y, const float rgb[3], float a, float soft)
{
    if (a <= 0 || x < 0 || x >= s->light.w)
        return;
    canvas_blend(&s->light, x, y, rgb, a);
    uint8_t *f = s->front + (size_t)y * (size_t)s->light.w + (size_t)x;
    if (soft < 4 && a * 255 > (float)*f)
        *f = (uint8_t)(a * 255);
}

static void blade_row(const struct blade *q, float px_mm, float soft, float sway, int y, struct scene *s)
{
    struct canvas *c = &s->light;
    float y_mm = ((float)c->h * 0.5f - (float)y - 0.5f) / px_mm, t = (y_mm - q->root) / q->height;
    if (t < 0 || t > 1)
        return;
    float slope = (q->lean + 2 * (q->bend + sway) * t) / q->height, half = q->half * sqrtf(1 + slope * slope);
    float fade = fminf(1, (1 - t) * q->height * px_mm / soft); /* defocus also works upwards */
    if (!q->mace)
        half *= fminf(1, 0.35f + 2 * t) * sqrtf(fmaxf(0, 1 - t * t * t));
    half = fmaxf(half * px_mm, 0.4f);
    float mid = (float)c->w * 0.5f + (q->x + q->lean * t + (q->bend + sway) * t * t) * px_mm - 0.5f;
    for (int x = (int)(mid - half - soft) - 2; x <= (int)(mid + half + soft) + 2; x++) {
        float d = (float)x - mid, rgb[3];
        blade_colour(q, t, fminf(fmaxf(d / half, -1), 1), y_mm, soft, rgb);
        lay(s, x, y, rgb, fade * bar_cover(d, half, soft), soft);
    }
}

/* The brown head: a capsule on the stem, blurred as a whole. */
static void mace_row(const struct blade *q, float px_mm, float soft, float sway, int y, struct scene *s)
{
    struct canvas *c = &s->light;
    float y_mm = ((float)c->h * 0.5f - (float)y - 0.5f) / px_mm, t = (y_mm - q->root) / q->height;
    float along = (y_mm - q->root - 0.885f * q->height) * px_mm, half = 5.6f * px_mm, length = 27 * px_mm;
    float up = bar_cover(along, length, soft), end = fmaxf(0, (fabsf(along) - length + half) / half);
    if (up <= 0)
        return;
    half *= soft > half ? 1 : sqrtf(fmaxf(0.02f, 1 - end * end));
    float mid = (float)c->w * 0.5f + (q->x + q->lean * t + (q->bend + sway) * t * t) * px_mm - 0.5f;
    for (int x = (int)(mid - half - soft) - 2; x <= (int)(mid + half + soft) + 2; x++) {
        float d = (float)x - mid, rgb[3];
        mace_colour(q, fminf(fmaxf(d / (half + 0.5f * soft), -1), 1), soft < 4 ? y_mm : 0, rgb);
        lay(s, x, y, rgb, up * bar_cover(d, half, soft), soft);
    }
}

static void beds(const struct pond_spec *p, const struct lens *l, bool far, float t_s, float sway_mm,
                 struct scene *s)
{
    float px_mm = lens_scale_px(l, l->focus_mm);
    for (int b = 0; b < 3; b++)
        for (int i = 0; (p->bed[b].near_mm > 0) == far && i < p->bed[b].count; i++) {
            struct blade q = blade_of(p, &p->bed[b], b, i);
            float soft = fmaxf(1.4f, lens_disc_px(l, l->focus_mm + q.behind_mm));
            float sway = sway_mm * (sinf(t_s * 7.3f + 0.006f * q.x + 0.4f * q.sway) +
                                    0.4f * sinf(t_s * 17.0f + q.sway));
            for (int y = 0; y < s->light.h; y++)
                blade_row(&q, px_mm, soft, sway, y, s);
            for (int y = 0; q.mace && y < s->light.h; y++)
                mace_row(&q, px_mm, soft, sway, y, s);
        }
}

void pond_reeds(const struct pond_spec *p, const struct lens *l, float t_s, float sway_mm, struct scene *s)
{
    beds(p, l, false, t_s, sway_mm, s);
}

void pond_paint(const struct pond_spec *p, const struct lens *l, int w, int h, struct scene *out)
{
    float px_mm = lens_scale_px(l, l->focus_mm), height_mm = (float)h / px_mm;
    struct far_bank far = far_new(p, (float)w / px_mm, height_mm * 1.1f + 120);
    out->light = canvas_new(w, h);
    out->front = canvas_alloc((size_t)w * (size_t)h, 1);
    for (int y = 0; y < h; y++) {
        float y_mm = ((float)h * 0.5f - (float)y - 0.5f) / px_mm;
        if (y_mm < p->waterline + 26) {
            water_row(p, l, &far, px_mm, y, &out->light);
            continue;
        }
        for (int x = 0; x < w; x++)
            far_at(&far, ((float)x + 0.5f - (float)w * 0.5f) / px_mm, y_mm - p->waterline,
                   out->light.rgb + ((size_t)y * (size_t)w + (size_t)x) * 3);
    }
    canvas_free(&far.c);
    beds(p, l, true, 0, 0, out);
    timber_paint(p, l, out);
}

void scene_free(struct scene *s)
{
    canvas_free(&s->light);
    free(s->front);
    s->front = NULL;
}

void pond_glitter(const struct pond_spec *p, const struct lens *l, float t_s, struct canvas *c)
{
    float px_mm = lens_scale_px(l, l->focus_mm);
    const float white[3] = {1.1f, 1.05f, 0.95f};
    for (int i = 0; i < 260; i++) {
        struct rng r = rng_from(p->salt, rng_mix(rng_name("glitter"), (uint64_t)i));
        float y_mm = p->water_focus + rng_gauss(&r) * 34, x_mm = rng_range(&r, -200, 330);
        float phase = rng_unit(&r), life = rng_range(&r, 0.10f, 0.30f), on = t_s / life + phase;
        float glow = powf(fmaxf(0, sinf(6.2832f * on)), 6) * rng_range(&r, 0.2f, 1.0f);
        if (glow < 0.02f)
            continue;
        float d = lens_disc_px(l, pond_distance(p, l, y_mm)), size = fmaxf(1.0f, 0.5f * d);
        float cx = (float)c->w * 0.5f + (x_mm + 5 * sinf(on)) * px_mm, cy = (float)c->h * 0.5f - y_mm * px_mm;
        float wide = size + 5.0f, tall = size + 0.6f, peak = glow * 16.0f / (wide * tall);
        for (int y = (int)(cy - 2 * tall) - 1; y <= (int)(cy + 2 * tall) + 1; y++)
            for (int x = (int)(cx - 2 * wide) - 1; x <= (int)(cx + 2 * wide) + 1; x++) {
                float ex = ((float)x - cx) / wide, ey = ((float)y - cy) / tall;
                canvas_blend(c, x, y, white, fminf(0.85f, peak * expf(-2 * (ex * ex + ey * ey))));
            }
    }
}

void pond_rings(const struct lens *l, float x_mm, float y_mm, float age_s, struct canvas *c)
{
    if (age_s <= 0)
        return;
    float px_mm = lens_scale_px(l, l->focus_mm), radius = 14 + 420 * age_s, flat = 0.14f;
    float cx = (float)c->w * 0.5f + x_mm * px_mm, cy = (float)c->h * 0.5f - y_mm * px_mm;
    float fade = expf(-age_s * 4.5f) * fminf(1, age_s * 60), reach = (radius + 30) * px_mm;
    for (int y = (int)(cy - reach * flat); y <= (int)(cy + reach * flat); y++)
        for (int x = (int)(cx - reach); x <= (int)(cx + reach); x++) {
            if (x < 0 || y < 0 || x >= c->w || y >= c->h)
                continue;
            float d = hypotf(((float)x - cx) / px_mm, ((float)y - cy) / (px_mm * flat));
            float wave = sinf((d - radius) * 0.42f) * expf(-(d - radius) * (d - radius) / 260.0f);
            wave += 0.6f * sinf(d * 0.5f - 40 * age_s) * smooth(radius, 0.3f * radius, d) * 0.5f;
            float *q = c->rgb + ((size_t)y * (size_t)c->w + (size_t)x) * 3;
            for (int k = 0; k < 3; k++)
                q[k] *= 1 + 0.75f * fade * wave;
        }
}
