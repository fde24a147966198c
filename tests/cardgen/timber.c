#include "pond.h"
#include "rng.h"
#include <math.h>
#include <string.h>

static float smooth(float a, float b, float x)
{
    float t = fminf(fmaxf((x - a) / (b - a), 0.0f), 1.0f);
    return t * t * (3 - 2 * t);
}

/* Weathered oak at a mm along and b mm across the grain. */
static void oak(uint32_t salt, float a, float b, float rgb[3])
{
    float knot_at = floorf(a / 210.0f) * 210 + 105 + 60 * rng_noise(salt + 9, floorf(a / 210.0f), 0.5f);
    float kx = (a - knot_at) / 26, ky = (b - 18 - 9 * rng_noise(salt + 10, floorf(a / 210.0f), 3.5f)) / 9;
    float k2 = kx * kx + ky * ky, bow = 7 * ky * expf(-k2 * 0.5f);
    float warp = b + bow + 2.4f * rng_noise(salt, a * 0.011f, b * 0.05f);
    float grain = 0.42f * rng_noise(salt + 1, a * 0.008f, warp * 0.30f) +
                  0.34f * rng_noise(salt + 2, a * 0.022f, warp * 0.85f) +
                  0.26f * rng_noise(salt + 3, a * 0.07f, warp * 1.9f) +
                  0.16f * rng_noise(salt + 4, a * 0.5f, warp * 2.4f);
    float crack = fabsf(rng_noise(salt + 5, a * 0.009f, warp * 0.17f) +
                        0.15f * rng_noise(salt + 6, a * 0.05f, warp * 0.2f));
    float open = 0.8f * smooth(0.026f, 0.006f, crack) *
                 smooth(-0.1f, 0.35f, rng_noise(salt + 7, a * 0.012f, b * 0.06f));
    float lichen = smooth(0.24f, 0.34f, rng_fbm(salt + 12, a * 0.035f, b * 0.045f, 4));
    float speck = rng_noise(salt + 20, a * 0.55f, b * 0.6f), core = expf(-k2 * 2.2f);
    const float wood[3] = {0.175f, 0.148f, 0.118f}, moss[3] = {0.250f, 0.265f, 0.165f},
                heart[3] = {0.060f, 0.045f, 0.034f};
    for (int k = 0; k < 3; k++) {
        float v = wood[k] * (1 + 0.55f * grain + 0.07f * speck) * (1 - 0.85f * open);
        v += (heart[k] * (1 + 0.4f * grain) - v) * core * 0.8f;
        v += (moss[k] * (0.9f + 0.35f * speck + 0.2f * grain) - v) * lichen * 0.75f;
        rgb[k] = v;
    }
}

struct view {
    float px_mm, half_w, half_h;
};

static float cover(float v, float lo, float hi, float px_mm)
{
    return fminf(fmaxf(fminf(v - lo, hi - v) * px_mm + 0.5f, 0.0f), 1.0f);
}

static void put(struct scene *s, int x, int y, const float rgb[3], float a)
{
    canvas_blend(&s->light, x, y, rgb, a);
    uint8_t *f = s->front + (size_t)y * (size_t)s->light.w + (size_t)x;
    if (a * 255 > (float)*f)
        *f = (uint8_t)(a * 255 + 0.5f);
}

/* Light on a round beam: bright where it faces the sky, dark underneath. */
static float beam_light(float down)
{
    return 0.42f + 1.25f * smooth(0.34f, 0.02f, down) + 0.35f * smooth(0.75f, 0.2f, down) -
           0.22f * smooth(0.8f, 1.0f, down);
}

/* Calls `colour` for each px of a box of view mm, with its place. */
typedef void paint_fn(const struct pond_spec *p, const struct timber *t, float x, float y, float rgb[3]);

static void fill(const struct pond_spec *p, const struct view *v, const struct timber *t, paint_fn *paint,
                 struct scene *s)
{
    int xa = (int)(v->half_w + t->x0 * v->px_mm) - 1, xb = (int)(v->half_w + t->x1 * v->px_mm) + 1;
    int ya = (int)(v->half_h - t->top * v->px_mm) - 1, yb = (int)(v->half_h - t->bottom * v->px_mm) + 1;
    xa = xa < 0 ? 0 : xa;
    ya = ya < 0 ? 0 : ya;
    for (int y = ya; y <= yb && y < s->light.h; y++)
        for (int x = xa; x <= xb && x < s->light.w; x++) {
            float mx = ((float)x + 0.5f - v->half_w) / v->px_mm,
                  my = (v->half_h - (float)y - 0.5f) / v->px_mm, rgb[3];
            float a = cover(mx, t->x0, t->x1, v->px_mm) * cover(my, t->bottom, t->top, v->px_mm);
            if (a <= 0)
                continue;
            paint(p, t, mx, my, rgb);
            put(s, x, y, rgb, a);
        }
}

static void paint_rail(const struct pond_spec *p, const struct timber *t, float x, float y, float rgb[3])
{
    float down = (t->top - y) / (t->top - t->bottom);
    oak(p->salt + 200, x + 900, t->top - y, rgb);
    float light = beam_light(down);
    if (p->post.x1 > p->post.x0) /* less light in the corner at the post */
        light *= 1 - 0.45f * smooth(p->post.x0 - 22, p->post.x0, x);
    for (int k = 0; k < 3; k++)
        rgb[k] *= light * (p->golden ? 1.15f - 0.12f * (float)k : 1.0f);
}

static void paint_post(const struct pond_spec *p, const struct timber *t, float x, float y, float rgb[3])
{
    float across = (x - t->x0) / (t->x1 - t->x0), end = smooth(t->top - 9, t->top - 2, y);
    oak(p->salt + 230, y + 700, x - t->x0, rgb);
    float lit = 0.45f + 1.1f * smooth(0.75f, 0.1f, across) - 0.25f * smooth(0.12f, 0.0f, across) + 0.9f * end;
    for (int k = 0; k < 3; k++)
        rgb[k] *= lit * (p->golden ? 1.15f - 0.12f * (float)k : 1.0f);
}

#define PLANK_MM 58.0f

static void paint_boards(const struct pond_spec *p, const struct timber *t, float x, float y, float rgb[3])
{
    float n = floorf((x - t->x0) / PLANK_MM), in = x - t->x0 - n * PLANK_MM,
          tint = 1 + 0.22f * rng_noise(p->salt + 300, n * 1.7f, 0.5f);
    float gap = smooth(0.4f, 1.8f, in) * smooth(PLANK_MM - 0.2f, PLANK_MM - 1.6f, in);
    float wet = smooth(t->top - 330, t->top - 460, y + 26 * rng_noise(p->salt + 301, x * 0.03f, 0)),
          down = t->top - y;
    oak(p->salt + 310 + (uint32_t)(int)n * 17, down + 333 * n, in, rgb);
    float edge = smooth(0, 7, in) * 0.25f + 0.75f,
          lit = tint * edge * (0.10f + 0.90f * gap) * (1 - 0.62f * wet);
    if (p->rail.x1 > p->rail.x0) /* the rail throws its shadow on them */
        lit *= 1 - 0.62f * smooth(p->rail.bottom - 30, p->rail.bottom - 2, y) *
                       smooth(p->rail.top + 2, p->rail.top - 4, y);
    const float slime[3] = {0.045f, 0.075f, 0.022f};
    for (int k = 0; k < 3; k++) {
        rgb[k] *= 1.05f * lit;
        rgb[k] += (slime[k] * (0.7f + 0.5f * gap) - rgb[k]) * wet * 0.45f;
    }
    /* two coach bolts in each plank, with a run of rust under them */
    for (int b = 0; b < 2; b++) {
        float bx = in - PLANK_MM * 0.5f - 3 * rng_noise(p->salt + 302, n, (float)b),
              by = down - 60 - 190 * (float)b, d = hypotf(bx, by);
        float run = smooth(5.5f, 1.0f, fabsf(bx + 0.8f * rng_noise(p->salt + 303, by * 0.1f, n))) *
                    smooth(0, 8, by) * smooth(75, 12, by);
        const float rust[3] = {0.125f, 0.048f, 0.018f};
        for (int k = 0; k < 3; k++) {
            rgb[k] += (rust[k] - rgb[k]) * 0.65f * run * gap;
            float dome = 0.05f + 0.10f * smooth(3, -4, bx + by) +
                         0.25f * smooth(2.6f, 0.8f, hypotf(bx + 1.8f, by + 2.0f));
            rgb[k] += (dome - rgb[k]) * smooth(5.4f, 4.8f, d);
            rgb[k] *= 1 - 0.5f * smooth(7.5f, 5.4f, d) * smooth(4.8f, 5.4f, d);
        }
    }
}

/* A cane with a printed card: what one holds out to set the focus. */
static void paint_cane(const struct pond_spec *p, const struct timber *t, float x, float y, float rgb[3])
{
    float u = (x - t->x0) / (t->x1 - t->x0) * 2 - 1,
          node = smooth(2.4f, 0.6f, fabsf(fmodf(y + 2000, 96) - 48));
    float fibre = rng_noise(p->salt + 400, x * 3.1f, y * 0.05f);
    for (int k = 0; k < 3; k++)
        rgb[k] = (float[]){0.40f, 0.31f, 0.15f}[k] *
                 (0.35f + 0.75f * sqrtf(fmaxf(0, 1 - u * u)) - 0.25f * u) * (1 + 0.14f * fibre - 0.4f * node);
}

static void paint_card(const struct pond_spec *p, const struct timber *t, float x, float y, float rgb[3])
{
    float cx = (t->x0 + t->x1) * 0.5f, cy = (t->top + t->bottom) * 0.5f, d = hypotf(x - cx, y - cy);
    float a = atan2f(y - cy, x - cx), ink = 0;
    if (d < 34)
        ink = smooth(-0.15f, 0.15f, sinf(a * 24)) * smooth(3, 5, d);
    else if (d < 42)
        ink = smooth(0.8f, 0.3f, fabsf(d - 38) - 1.2f);
    float paper = 0.70f * (1 + 0.03f * rng_noise(p->salt + 410, x * 1.3f, y * 1.3f));
    for (int k = 0; k < 3; k++)
        rgb[k] = paper * (1 - 0.06f * (float)k) * (1 - 0.95f * ink);
}

void timber_paint(const struct pond_spec *p, const struct lens *l, struct scene *s)
{
    struct view v = {lens_scale_px(l, l->focus_mm), (float)s->light.w * 0.5f, (float)s->light.h * 0.5f};
    fill(p, &v, &p->boards, paint_boards, s);
    fill(p, &v, &p->rail, paint_rail, s);
    fill(p, &v, &p->post, paint_post, s);
    if (p->target) {
        struct timber cane = {-6, 4, 10, -400}, card = {-52, 50, 62, -40};
        fill(p, &v, &cane, paint_cane, s);
        fill(p, &v, &card, paint_card, s);
    }
}
