/* ground.c - what lies behind the birds: the mill pond, photographs, leaves and twigs, bark; sharp or not. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "../cardgen/canvas.h"
#include "../cardgen/pond.h"
#include "plate.h"

static float smooth(float a, float b, float x)
{
    float t = fminf(fmaxf((x - a) / (b - a), 0.0f), 1.0f);
    return t * t * (3 - 2 * t);
}

static struct plate grey_of(const struct canvas *c)
{
    struct plate p = plate_new(c->w, c->h);
    for (size_t i = 0; i < (size_t)c->w * (size_t)c->h; i++)
        p.v[i] = 0.2126f * c->rgb[3 * i] + 0.7152f * c->rgb[3 * i + 1] + 0.0722f * c->rgb[3 * i + 2];
    return p;
}

/* The pond of the demo card at another place: near reeds and timber where the ground is to be cluttered. */
static struct plate pond_ground(const struct scene_script *s, int w, int h, struct rng *r)
{
    float px_mm = lens_scale_px(&s->lens, s->lens.focus_mm), half = 0.5f * (float)w / px_mm,
          zoom = half / 432;
    struct pond_spec pond = {.salt = rng_u32(r),
                             .waterline = rng_range(r, -60, 180) * zoom,
                             .water_focus = -280 * zoom,
                             .ripple = rng_range(r, 0.4f, 1.0f),
                             .golden = rng_u32(r) & 1};
    struct lens view = {200, 2, 5000, s->lens.pitch_mm,
                        s->lens.exposure_s}; /* its look at any size of bird */
    float view_px = lens_scale_px(&view, view.focus_mm), k = px_mm / view_px;
    pond.waterline *= k;
    pond.water_focus *= k;
    if (s->ground != GROUND_SMOOTH) {
        float edge = 0.5f * (float)w / view_px;
        pond.bed[0] = (struct reed_bed){30, -edge, edge, -380, 430, -14, 14};
        pond.bed[1] = (struct reed_bed){30, -edge, edge, -360, 400, 300, 1500};
    }
    struct scene scene;
    pond_paint(&pond, &view, w, h, &scene);
    if (s->ground != GROUND_SMOOTH)
        pond_reeds(&pond, &view, 0, 0, &scene);
    struct plate p = grey_of(&scene.light);
    scene_free(&scene);
    return p;
}

/* One leaf: an ellipse, darker to one side, with a rib. */
static void paint_leaf(struct plate *p, float cx, float cy, float a, float b, float turn, float tone,
                       float rib)
{
    float c = cosf(turn), s = sinf(turn), reach = fmaxf(a, b) + 2;
    for (int y = (int)fmaxf(cy - reach, 0); y <= (int)(cy + reach) && y < p->h; y++)
        for (int x = (int)fmaxf(cx - reach, 0); x <= (int)(cx + reach) && x < p->w; x++) {
            float dx = (float)x - cx, dy = (float)y - cy, u = (dx * c + dy * s) / a,
                  v = (dy * c - dx * s) / b;
            float inside = smooth(1.0f, 1.0f - 2.0f / b, u * u + v * v);
            float *to = p->v + (size_t)y * (size_t)p->w + (size_t)x;
            float light = tone * (1 + 0.3f * v) * (1 + rib * expf(-v * v * 60));
            *to += (light - *to) * inside;
        }
}

static struct plate leaf_ground(int w, int h, struct rng *r)
{
    struct plate p = plate_new(w, h);
    uint32_t salt = rng_u32(r);
    float tone = rng_range(r, 0.05f, 0.25f), across = rng_range(r, 0.004f, 0.012f);
    for (int y = 0; y < h; y++)
        for (int x = 0; x < w; x++)
            p.v[(size_t)y * (size_t)w + (size_t)x] =
                tone * (1 + 0.7f * rng_fbm(salt, (float)x * across, (float)y * across, 6));
    int leaves = (int)((float)(w * h) / rng_range(r, 2500, 9000));
    for (int i = 0; i < leaves; i++) {
        float b = rng_range(r, 4, 16);
        paint_leaf(&p, rng_range(r, 0, (float)w), rng_range(r, 0, (float)h), b * rng_range(r, 1.2f, 5), b,
                   rng_range(r, 0, 6.28f), tone * rng_range(r, 0.3f, 2.2f), rng_range(r, -0.4f, 0.5f));
    }
    return p;
}

/* Ridges along the trunk with dark cracks between, lichen on them. */
static struct plate bark_ground(int w, int h, struct rng *r)
{
    struct plate p = plate_new(w, h);
    uint32_t salt = rng_u32(r);
    float tone = rng_range(r, 0.10f, 0.18f), ridge = rng_range(r, 0.012f, 0.030f);
    for (int y = 0; y < h; y++)
        for (int x = 0; x < w; x++) {
            float fx = (float)x, fy = (float)y, bend = 25 * rng_noise(salt, fx * 0.004f, fy * 0.003f);
            float n = rng_fbm(salt + 1, (fx + bend) * ridge, fy * ridge * 0.22f, 4);
            float crack = smooth(0.04f, 0.20f, fabsf(n)), fine = rng_fbm(salt + 2, fx * 0.12f, fy * 0.05f, 3);
            float lichen = smooth(0.25f, 0.5f, rng_fbm(salt + 3, fx * 0.01f, fy * 0.01f, 4));
            p.v[(size_t)y * (size_t)w + (size_t)x] =
                tone * (0.25f + 0.75f * crack) * (1 + 0.35f * fine + 0.3f * n) * (1 + 0.5f * lichen);
        }
    return p;
}

/* A sharp band between soft parts, as where the plane of focus cuts through grass. */
static void soften_parts(struct plate *p, struct rng *r)
{
    struct plate soft = plate_new(p->w, p->h);
    float level = rng_range(r, 0.25f, 0.75f) * (float)p->h, wide = rng_range(r, 0.10f, 0.25f) * (float)p->h;
    float lean = rng_range(r, -0.3f, 0.3f);
    memcpy(soft.v, p->v, (size_t)p->w * (size_t)p->h * sizeof *p->v);
    plate_blur(&soft, 9);
    for (int y = 0; y < p->h; y++)
        for (int x = 0; x < p->w; x++) {
            size_t i = (size_t)y * (size_t)p->w + (size_t)x;
            float off = fabsf((float)y - level - lean * ((float)x - 0.5f * (float)p->w)) / wide;
            p->v[i] += (soft.v[i] - p->v[i]) * smooth(0.5f, 1.5f, off);
        }
    plate_free(&soft);
}

struct plate wood_paint(uint32_t salt, int w, int h, bool upright)
{
    struct plate p = plate_new(w, h);
    int wide = upright ? w : h;
    for (int y = 0; y < h; y++)
        for (int x = 0; x < w; x++) {
            float along = (float)(upright ? y : x), across = (float)(upright ? x : y),
                  u = across / (float)wide;
            float grain = rng_fbm(salt, along * 0.006f, across * 0.22f, 3),
                  pores = rng_noise(salt + 9, along * 0.09f, across * 0.8f);
            float round = 0.55f + 0.45f * sinf(3.14159f * (0.15f + 0.7f * u));
            p.v[(size_t)y * (size_t)w + (size_t)x] = 0.16f * round * (1 + 0.45f * grain + 0.2f * pores);
        }
    return p;
}

/* The rail lies in the ground: who sits on it hides it, who flies passes before it. */
static void lay_rail(struct plate *p, const struct scene_script *s, struct rng *r)
{
    float px_mm = lens_scale_px(&s->lens, s->lens.focus_mm);
    int y0 = (int)(0.5f * (float)p->h - s->rail_y * px_mm), high = (int)fmaxf(36 * px_mm, 14);
    if (y0 < 0 || y0 >= p->h)
        return;
    high = y0 + high > p->h ? p->h - y0 : high;
    struct plate wood = wood_paint(rng_u32(r), p->w, high, false);
    memcpy(p->v + (size_t)y0 * (size_t)p->w, wood.v, (size_t)p->w * (size_t)high * sizeof *p->v);
    plate_free(&wood);
}

struct plate ground_paint(struct studio *studio, const struct scene_script *s, int w, int h)
{
    struct rng r = rng_from(s->ground_seed, rng_name("ground"));
    struct plate p;
    if (s->ground == GROUND_BARK)
        p = bark_ground(w, h, &r);
    else if (s->photo && studio->photos > 0)
        p = photo_cut(studio, (int)(rng_u32(&r) % (uint32_t)studio->photos), w, h, rng_range(&r, 0.9f, 1.5f),
                      &r);
    else if (rng_u32(&r) & 1)
        p = pond_ground(s, w, h, &r);
    else
        p = leaf_ground(w, h, &r);
    if (s->ground == GROUND_SMOOTH)
        plate_blur(&p, rng_range(&r, 9, 22));
    if (s->ground == GROUND_PARTLY)
        soften_parts(&p, &r);
    if (fabsf(s->rail_y) < 1e5f)
        lay_rail(&p, s, &r);
    return p;
}
