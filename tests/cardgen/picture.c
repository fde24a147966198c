#include "picture.h"
#include "blur.h"
#include "rng.h"
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define HIDDEN_SHARE 0.2f /* more of the bird than this behind something: hidden */

struct painter {
    uint64_t seed;
    int long_px, short_px;
    struct sensor *sensor;
    const struct camera_setup *setup; /* of `still`, NULL at first */
    bool still_has_reeds, still_has_target;
    struct scene still, now;
    uint8_t *rgb, *turned;
    uint16_t *raw;
    float gain;
    uint64_t stream;
};

struct painter *painter_new(uint64_t seed, int long_px, int short_px)
{
    struct painter *p = canvas_alloc(1, sizeof *p);
    size_t n = (size_t)long_px * (size_t)short_px;
    *p = (struct painter){.seed = seed, .long_px = long_px, .short_px = short_px, .sensor = sensor_new(seed)};
    p->rgb = canvas_alloc(n, 3);
    p->turned = canvas_alloc(n, 3);
    p->raw = canvas_alloc(n, sizeof *p->raw);
    return p;
}

void painter_free(struct painter *p)
{
    sensor_free(p->sensor);
    scene_free(&p->still);
    scene_free(&p->now);
    free(p->rgb);
    free(p->turned);
    free(p->raw);
    free(p);
}

static struct pond_spec pond_of(const struct painter *p, const struct burst_script *b)
{
    struct pond_spec pond = b->setup->pond;
    pond.salt += (uint32_t)rng_mix(p->seed, rng_name("pond"));
    pond.target = b->target;
    return pond;
}

static void load_scene(struct painter *p, const struct burst_script *b, const struct lens *l, int w, int h)
{
    bool reeds = !b->wind;
    if (p->setup == b->setup && p->still_has_reeds == reeds && p->still_has_target == b->target)
        return;
    struct pond_spec pond = pond_of(p, b);
    scene_free(&p->still);
    scene_free(&p->now);
    pond_paint(&pond, l, w, h, &p->still);
    if (reeds)
        pond_reeds(&pond, l, 0, 0, &p->still);
    p->now.light = canvas_new(w, h);
    p->now.front = canvas_alloc((size_t)w * (size_t)h, 1);
    p->setup = b->setup;
    p->still_has_reeds = reeds;
    p->still_has_target = b->target;
}

static struct bird_light light_of(const struct camera_setup *s)
{
    struct bird_light light = {
        .to_sun = vec3_unit((struct vec3){-0.45f, 0.80f, 0.55f}),
        .sun = {0.98f, 0.90f, 0.78f},
        .sky = {0.34f, 0.39f, 0.46f},
        .ground = {0.17f, 0.17f, 0.13f},
    };
    if (s->pond.golden) {
        light.to_sun = vec3_unit((struct vec3){0.70f, 0.52f, 0.50f});
        memcpy(light.sun, (float[]){1.05f, 0.86f, 0.60f}, sizeof light.sun);
    }
    return light;
}

/* Share of the bird's outline that reaches the picture, and the share of that which nothing covers. */
static void count_visible(const struct patch *q, const struct scene *s, bool behind, struct picture_bird *t)
{
    double all = 0, inside = 0, shown = 0;
    for (int y = 0; y < q->h; y++)
        for (int x = 0; x < q->w; x++) {
            float a = q->px[((size_t)y * (size_t)q->w + (size_t)x) * 4 + 3];
            int cx = x + q->x0, cy = y + q->y0;
            all += (double)a;
            if (a <= 0 || cx < 0 || cy < 0 || cx >= s->light.w || cy >= s->light.h)
                continue;
            float cover = behind ? (float)s->front[(size_t)cy * (size_t)s->light.w + (size_t)cx] / 255.0f : 0;
            inside += (double)a;
            shown += (double)(a * (1 - cover));
        }
    t->visible = all > 0 ? (float)(shown / all) : 0;
    t->hidden = inside > 0 && shown < inside * (double)(1 - HIDDEN_SHARE);
}

/* The bird upside down in the water below it, dimmed, and drawn out sideways by the ripples. */
static void draw_mirror(struct painter *p, const struct burst_script *b, const struct lens *l,
                        const struct bird_shot *shot, float distance, int frame)
{
    const struct pond_spec *pond = &b->setup->pond;
    float drop = l->focus_mm * (pond->waterline - pond->water_focus) / distance;
    float surface = (float)p->now.light.h * 0.5f - (pond->waterline - drop) * lens_scale_px(l, l->focus_mm);
    const struct patch *q = &shot->patch;
    int y0 = (int)(2 * surface) - q->y0 - q->h, wide = 24;
    struct patch m = patch_new(q->x0 - wide, y0, q->w + 2 * wide, q->h);
    for (int y = 0; y < m.h; y++) {
        float below = (float)(y + y0) - surface, wave = (float)y * 0.33f + (float)frame * 0.5f;
        float shift = fminf(fabsf(below) * 0.06f, 9.0f) * (sinf(wave) + 0.6f * sinf(0.41f * wave + 1));
        float show = below < 0 ? 0 : 0.62f + 0.14f * sinf(1.7f * wave);
        for (int x = 0; x < q->w; x++) {
            const float *from = q->px + ((size_t)(q->h - 1 - y) * (size_t)q->w + (size_t)x) * 4;
            float *to = m.px + ((size_t)y * (size_t)m.w + (size_t)(x + wide + (int)lroundf(shift))) * 4;
            for (int k = 0; k < 4; k++)
                to[k] = from[k] * show * (k < 3 ? 0.6f : 1.0f);
        }
    }
    blur_patch(&m, shot->disc_px + 4.0f, shot->line_dx_px, 0);
    patch_over(&m, &p->now.light, p->now.front);
    patch_free(&m);
}

static void draw_bird(struct painter *p, const struct burst_script *b, const struct lens *l, int frame,
                      const struct bird_pose *pose, bool landed, struct picture_bird *t)
{
    struct bird_shot shot;
    struct bird_light light = light_of(b->setup);
    int w = p->now.light.w, h = p->now.light.h;
    if (!bird_draw(pose, l, &light, w, h, &shot))
        return;
    bool behind = pose->at.z < 0 && !landed; /* who has landed sits on the timber, not behind it */
    if (b->rings)
        draw_mirror(p, b, l, &shot, l->focus_mm - pose->at.z, frame);
    blur_patch(&shot.patch, shot.disc_px, shot.line_dx_px, shot.line_dy_px);
    count_visible(&shot.patch, &p->now, behind, t);
    patch_over(&shot.patch, &p->now.light, behind ? p->now.front : NULL);
    patch_free(&shot.patch);
    float x0 = fmaxf(shot.x0, 0), y0 = fmaxf(shot.y0, 0), x1 = fminf(shot.x1, (float)w),
          y1 = fminf(shot.y1, (float)h);
    if (x1 <= x0 || y1 <= y0)
        return;
    t->present = true;
    t->x = x0;
    t->y = y0;
    t->w = x1 - x0;
    t->h = y1 - y0;
    t->cut = shot.x0 < 0 || shot.y0 < 0 || shot.x1 > (float)w || shot.y1 > (float)h;
    t->landed = landed;
    t->blur_px = shot.sigma_px;
    t->line_px = hypotf(shot.line_dx_px, shot.line_dy_px);
    t->plane_mm = -pose->at.z;
}

/* Stored = upright picture turned by 90 degrees so that Exif orientation 6 (turn clockwise) or 8 undoes it.
 */
static void turn(struct painter *p, int orientation, struct picture_truth *truth)
{
    int w = p->short_px, h = p->long_px; /* of the upright picture */
    for (int y = 0; y < h; y++)
        for (int x = 0; x < w; x++) {
            int sx = orientation == 6 ? y : h - 1 - y, sy = orientation == 6 ? w - 1 - x : x;
            memcpy(p->turned + ((size_t)sy * (size_t)h + (size_t)sx) * 3,
                   p->rgb + ((size_t)y * (size_t)w + (size_t)x) * 3, 3);
        }
    for (int k = 0; k < 2; k++) {
        struct picture_bird *t = &truth->bird[k], u = *t;
        t->x = orientation == 6 ? u.y : (float)h - u.y - u.h;
        t->y = orientation == 6 ? (float)w - u.x - u.w : u.x;
        t->w = u.h;
        t->h = u.w;
    }
}

static void draw_birds(struct painter *p, const struct burst_script *b, const struct lens *l, int frame,
                       struct picture_truth *truth)
{
    struct bird_pose pose[2];
    bool landed[2], there[2];
    for (int k = 0; k < 2; k++)
        there[k] = script_bird(b, k, (float)frame, &pose[k], &landed[k]);
    int first = there[1] && pose[1].at.z < pose[0].at.z ? 1 : 0; /* the farther one first */
    for (int i = 0; i < 2; i++) {
        int k = i ? 1 - first : first;
        if (there[k])
            draw_bird(p, b, l, frame, &pose[k], landed[k], &truth->bird[k]);
    }
}

/* Puts back what stands before the water. */
static void restore_front(struct painter *p)
{
    size_t n = (size_t)p->now.light.w * (size_t)p->now.light.h;
    for (size_t i = 0; i < n; i++)
        if (p->still.front[i])
            for (size_t k = 3 * i; k < 3 * i + 3; k++)
                p->now.light.rgb[k] +=
                    (p->still.light.rgb[k] - p->now.light.rgb[k]) * (float)p->still.front[i] / 255.0f;
}

/* What moves behind the birds. */
static void stir(struct painter *p, const struct burst_script *b, const struct lens *l, int frame)
{
    struct pond_spec pond = pond_of(p, b);
    float t = (float)frame / b->fps;
    struct rng r = rng_from(p->stream, rng_name("tremble"));
    int dx = b->tremble ? (int)(rng_u32(&r) % 3) - 1 : 0, dy = b->tremble ? (int)(rng_u32(&r) % 3) - 1 : 0;
    canvas_copy_shifted(&p->now.light, &p->still.light, dx, dy);
    memcpy(p->now.front, p->still.front, (size_t)p->now.light.w * (size_t)p->now.light.h);
    if (b->glitter)
        pond_glitter(&pond, l, t, &p->now.light);
    if (b->rings)
        pond_rings(l, b->flight[0].p.x - 30, pond.water_focus + 4, t - b->flight[0].frame / b->fps,
                   &p->now.light);
    if (b->glitter || b->rings)
        restore_front(p);
    if (b->wind)
        pond_reeds(&pond, l, t, 16, &p->now);
}

const uint8_t *painter_frame(struct painter *p, const struct burst_script *b, int frame,
                             struct picture_truth *truth)
{
    bool upright = b->setup->upright;
    int w = upright ? p->short_px : p->long_px, h = upright ? p->long_px : p->short_px;
    struct lens l = script_lens(b->setup, p->long_px);
    *truth = (struct picture_truth){0};
    p->stream = rng_mix(rng_mix(p->seed, rng_name(b->name)), (uint64_t)frame);
    p->gain = script_gain(b, frame);
    load_scene(p, b, &l, w, h);
    stir(p, b, &l, frame);
    draw_birds(p, b, &l, frame, truth);
    sensor_develop(p->sensor, &p->now.light, p->gain, b->setup->iso, p->stream, p->rgb);
    if (!upright)
        return p->rgb;
    turn(p, b->orientation, truth);
    return p->turned;
}

const uint16_t *painter_raw(struct painter *p)
{
    sensor_mosaic(p->sensor, &p->now.light, p->gain, p->setup->iso, p->stream, p->raw);
    return p->raw;
}
