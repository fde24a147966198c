/* conditions.c - what each condition of the bench shows. A burst is drawn anew from its seed: place, light,
 * coat, way, speed, depth and camera differ between any two, not only their noise. */
#include <math.h>
#include <string.h>

#include "scene.h"

static const float BODY_MM = 190;   /* a swallow in flight, as wide as its box usually is */
static const float DEPTH = 0.0158f; /* px of disc a mm from the plane of focus, at any size of the bird */

typedef void make_fn(struct scene_script *s, struct rng *r);

struct condition {
    const char *name, *text;
    make_fn *make;
    int change; /* raise it when this condition alone renders otherwise; see RENDER_VERSION */
};

static float scale_of(const struct scene_script *s)
{
    return lens_scale_px(&s->lens, s->lens.focus_mm);
}

static float width_mm(const struct scene_script *s)
{
    return SCENE_W / scale_of(s);
}

static float height_mm(const struct scene_script *s)
{
    return SCENE_H / scale_of(s);
}

static float length_s(const struct scene_script *s)
{
    return (float)s->frames / s->fps;
}

static float sign(struct rng *r)
{
    return rng_u32(r) & 1 ? 1.0f : -1.0f;
}

/* A lens under which a bird's body takes `share` of the width and a mm of depth costs `depth` px of disc:
 * the stop follows. */
static void set_size(struct scene_script *s, float share, float depth)
{
    struct lens *l = &s->lens;
    float scale = share * SCENE_W / BODY_MM;
    l->focal_mm = 200;
    l->pitch_mm = 36.0f / SCENE_W;
    l->focus_mm = l->focal_mm + l->focal_mm / (scale * l->pitch_mm);
    float m = l->focal_mm / (l->focus_mm - l->focal_mm);
    l->fnumber = l->focal_mm * m / (depth * l->focus_mm * l->pitch_mm);
}

static enum look any_look(struct rng *r)
{
    static const enum look look[10] = {LOOK_SWALLOW, LOOK_SWALLOW, LOOK_SWALLOW, LOOK_PHOTO, LOOK_PHOTO,
                                       LOOK_PHOTO,   LOOK_GREY,    LOOK_GREY,    LOOK_DARK,  LOOK_BRIGHT};
    return look[rng_u32(r) % 10];
}

static struct actor new_actor(enum act act, struct rng *r)
{
    return (struct actor){.act = act,
                          .look = any_look(r),
                          .beat_hz = rng_range(r, 5.5f, 9),
                          .phase = rng_range(r, 0, 6.28f),
                          .size = 1,
                          .fork = rng_unit(r) < 0.3f ? 1 : rng_range(r, 0.3f, 0.7f),
                          .stout = rng_range(r, 1, 1.45f),
                          .wing = rng_range(r, 0.7f, 1),
                          .facing = sign(r),
                          .salt = rng_u32(r)};
}

/* Crosses once, in focus at some moment while it is whole; `near` is how far from the middle of its way. */
static struct actor crossing(const struct scene_script *s, float when_s, float lasts_s, struct rng *r)
{
    struct actor a = new_actor(ACT_FLY, r);
    float w = width_mm(s), dir = sign(r), end_disc = rng_range(r, 6, 18);
    a.when_s = when_s;
    a.p = (struct vec3){rng_range(r, -0.12f, 0.12f) * w, rng_range(r, -0.16f, 0.16f) * height_mm(s), 0};
    a.v.x = dir * w * rng_range(r, 0.8f, 1.4f) / lasts_s;
    a.v.y = a.v.x * rng_range(r, -0.15f, 0.15f);
    a.v.z = sign(r) * end_disc / DEPTH / (0.5f * lasts_s);
    a.p.z = a.v.z * rng_range(r, -0.10f, 0.10f) * lasts_s;
    a.a.y = rng_range(r, -0.5f, 0.5f) * height_mm(s) / (lasts_s * lasts_s);
    return a;
}

static void add(struct scene_script *s, struct actor a)
{
    if (s->actors < BENCH_BIRDS)
        s->actor[s->actors++] = a;
}

/* What every condition starts from. */
static struct scene_script base(uint64_t seed, struct rng *r)
{
    static const enum ground ground[4] = {GROUND_SMOOTH, GROUND_SMOOTH, GROUND_CLUTTER, GROUND_PARTLY};
    struct scene_script s = {.seed = seed,
                             .ground_seed = seed,
                             .rail_y = 1e6f,
                             .ground = ground[rng_u32(r) % 4],
                             .photo = rng_u32(r) & 1};
    s.fps = rng_u32(r) & 1 ? 60 : 120;
    s.frames = (int)rng_range(r, s.fps > 100 ? 32 : 26, s.fps > 100 ? 44 : 36);
    set_size(&s, rng_range(r, 0.10f, 0.20f), DEPTH);
    s.lens.exposure_s = 1.0f / rng_range(r, 2000, 6400);
    s.camera.iso = 400 << (rng_u32(r) % 3);
    s.camera.gain_ev = rng_range(r, -0.2f, 0.2f);
    s.camera.drift_ev = 0.04f;
    s.camera.quality = 90 + (int)(rng_u32(r) % 6);
    s.camera.sharpen = rng_u32(r) & 1 ? 0.4f : 0;
    s.camera.sharpen_px = 0.9f;
    return s;
}

static void one_flight(struct scene_script *s, struct rng *r)
{
    float t = length_s(s);
    add(s, crossing(s, t * rng_range(r, 0.38f, 0.62f), t, r));
}

static void make_smooth(struct scene_script *s, struct rng *r)
{
    s->ground = GROUND_SMOOTH;
    one_flight(s, r);
}

static void make_clutter(struct scene_script *s, struct rng *r)
{
    s->ground = GROUND_CLUTTER;
    one_flight(s, r);
}

static void make_partly(struct scene_script *s, struct rng *r)
{
    s->ground = GROUND_PARTLY;
    one_flight(s, r);
}

static void make_low_noise(struct scene_script *s, struct rng *r)
{
    s->camera.iso = 100;
    one_flight(s, r);
}

static void make_high_noise(struct scene_script *s, struct rng *r)
{
    s->camera.iso = 6400;
    one_flight(s, r);
}

static void make_very_noisy(struct scene_script *s, struct rng *r)
{
    s->camera.iso = 25600;
    one_flight(s, r);
}

static void make_handheld(struct scene_script *s, struct rng *r)
{
    s->camera.shake_px = rng_range(r, 6, 20);
    s->camera.shake_hz = rng_range(r, 1.5f, 4);
    one_flight(s, r);
}

static void make_panned(struct scene_script *s, struct rng *r)
{
    s->camera.shake_px = rng_range(r, 4, 10);
    s->camera.shake_hz = rng_range(r, 1.5f, 3);
    s->camera.follow = rng_range(r, 0.75f, 1.0f);
    one_flight(s, r);
}

static void make_wind(struct scene_script *s, struct rng *r)
{
    s->leaves = 30 + (int)(rng_u32(r) % 50);
    s->wind_px = rng_range(r, 4, 14);
    one_flight(s, r);
}

static void make_glitter(struct scene_script *s, struct rng *r)
{
    s->ground = GROUND_SMOOTH;
    s->glints = 80 + (int)(rng_u32(r) % 150);
    one_flight(s, r);
}

static void make_drift(struct scene_script *s, struct rng *r)
{
    s->camera.drift_ev = rng_range(r, 0.25f, 0.6f);
    one_flight(s, r);
}

static void make_flicker(struct scene_script *s, struct rng *r)
{
    s->camera.flicker_ev = rng_range(r, 0.12f, 0.4f);
    one_flight(s, r);
}

static void make_small(struct scene_script *s, struct rng *r)
{
    set_size(s, rng_range(r, 0.045f, 0.055f), DEPTH);
    one_flight(s, r);
}

static void make_middle(struct scene_script *s, struct rng *r)
{
    set_size(s, 0.15f, DEPTH);
    one_flight(s, r);
}

static void make_large(struct scene_script *s, struct rng *r)
{
    set_size(s, rng_range(r, 0.30f, 0.36f), DEPTH);
    one_flight(s, r);
}

/* A rail across the lower half, and a place on it. */
static struct vec3 set_rail(struct scene_script *s, struct rng *r)
{
    s->rail_y = rng_range(r, -0.30f, -0.16f) * height_mm(s);
    return (struct vec3){rng_range(r, -0.2f, 0.2f) * width_mm(s), s->rail_y, 0};
}

static struct actor landing(const struct scene_script *s, struct vec3 seat, float when_s, struct rng *r)
{
    struct actor a = new_actor(ACT_LAND, r);
    float side = sign(r);
    a.when_s = when_s;
    a.p = seat;
    a.beat_hz = rng_range(r, 9, 13);
    a.v = (struct vec3){-a.facing * 0.75f * width_mm(s) / when_s, -0.12f * height_mm(s) / when_s, 0};
    a.v.x = -a.v.x; /* flies the way it faces */
    a.from_z = -side * rng_range(r, 8, 14) / DEPTH;
    a.to_z = side * rng_range(r, 3, 6) / DEPTH;
    return a;
}

static void make_landed(struct scene_script *s, struct rng *r)
{
    struct vec3 seat = set_rail(s, r);
    add(s, landing(s, seat, length_s(s) * rng_range(r, 0.5f, 0.65f), r));
}

static struct actor sitter(struct vec3 seat, struct rng *r)
{
    struct actor a = new_actor(ACT_PERCH, r);
    a.p = seat;
    a.v.z = rng_range(r, 7, 14); /* rad/s of its sway in depth */
    a.sway_mm = rng_range(r, 4, 9) / DEPTH;
    a.to_z = rng_range(r, -0.6f, 0.6f) * a.sway_mm;
    return a;
}

static void make_perched(struct scene_script *s, struct rng *r)
{
    set_size(s, rng_range(r, 0.14f, 0.26f), DEPTH);
    add(s, sitter(set_rail(s, r), r));
}

static void make_hover(struct scene_script *s, struct rng *r)
{
    s->fps = 60;
    s->frames = 40 + (int)(rng_u32(r) % 14);
    struct vec3 seat = set_rail(s, r);
    struct actor a = new_actor(ACT_HOVER, r);
    a.p = seat;
    a.when_s = length_s(s) * rng_range(r, 0.65f, 0.9f);
    a.beat_hz = rng_range(r, 11, 15);
    a.v = (struct vec3){0, rng_range(r, 60, 130), rng_range(r, 7, 13)};
    a.sway_mm = rng_range(r, 4, 9) / DEPTH;
    a.to_z = sign(r) * rng_range(r, 2, 5) / DEPTH;
    add(s, a);
}

static void make_arrivals(struct scene_script *s, struct rng *r)
{
    s->frames = 60;
    float t = length_s(s);
    for (int k = 0; k < 3; k++)
        add(s, crossing(s, t * (0.17f + 0.33f * (float)k + rng_range(r, -0.02f, 0.02f)), t * 0.26f, r));
}

/* Each in a lane of its own, so that none hides another. */
static void make_flock(struct scene_script *s, struct rng *r)
{
    int n = 2 + (int)(rng_u32(r) % 4);
    set_size(s, rng_range(r, 0.07f, 0.10f), DEPTH);
    float t = length_s(s), lane = height_mm(s) / (float)n;
    for (int k = 0; k < n; k++) {
        struct actor a = crossing(s, t * rng_range(r, 0.3f, 0.7f), t * rng_range(r, 0.7f, 1), r);
        a.p.y = lane * ((float)k + 0.5f) - 0.5f * height_mm(s) + rng_range(r, -0.1f, 0.1f) * lane;
        a.v.y *= 0.3f;
        a.a.y = 0;
        add(s, a);
    }
}

static void make_sitting(struct scene_script *s, struct rng *r)
{
    struct vec3 seat = set_rail(s, r), other = seat;
    bool lands = rng_u32(r) & 1;
    float t = length_s(s);
    if (lands) {
        add(s, landing(s, seat, t * rng_range(r, 0.55f, 0.75f), r));
        other.x = seat.x + (seat.x > 0 ? -0.3f : 0.3f) * width_mm(s);
    } else {
        one_flight(s, r);
        s->actor[0].p.y = rng_range(r, 0.05f, 0.2f) * height_mm(s);
    }
    struct actor still = sitter(other, r);
    still.prop = true;
    still.sway_mm *= 0.15f;
    still.to_z = rng_range(r, -1, 1) / DEPTH;
    add(s, still);
}

/* Head or tail in focus, hardly ever both. */
static void make_tilted(struct scene_script *s, struct rng *r)
{
    float deep = 5 * DEPTH;
    set_size(s, rng_range(r, 0.14f, 0.24f), deep);
    one_flight(s, r);
    struct actor *a = &s->actor[0];
    a->tilt = sign(r) * rng_range(r, 0.45f, 0.8f);
    a->v.z *= DEPTH / deep * 0.6f;
    a->p.z *= DEPTH / deep * 0.6f;
    s->head_decides = true;
}

static void make_grey_bark(struct scene_script *s, struct rng *r)
{
    s->ground = GROUND_BARK;
    set_size(s, rng_range(r, 0.07f, 0.13f), DEPTH);
    one_flight(s, r);
    s->actor[0].look = LOOK_GREY;
}

static void make_behind(struct scene_script *s, struct rng *r)
{
    one_flight(s, r);
    const struct actor *a = &s->actor[0];
    float x = a->p.x + rng_range(r, -0.14f, 0.14f) * width_mm(s), wide = BODY_MM * rng_range(r, 0.25f, 0.7f);
    s->bar_across = rng_u32(r) & 1;
    if (s->bar_across) { /* a rail over the lower part of the bird */
        x = a->p.y + BODY_MM * rng_range(r, -0.3f, 0.1f);
        wide *= 0.5f;
    }
    s->bar_from = x - 0.5f * wide;
    s->bar_to = x + 0.5f * wide;
}

static void make_bright(struct scene_script *s, struct rng *r)
{
    one_flight(s, r);
    s->actor[0].look = LOOK_BRIGHT;
    s->camera.gain_ev = rng_range(r, 0.2f, 0.7f);
}

static void make_dark(struct scene_script *s, struct rng *r)
{
    one_flight(s, r);
    s->actor[0].look = LOOK_DARK;
    s->camera.gain_ev = rng_range(r, -0.8f, -0.2f);
}

static void make_flat(struct scene_script *s, struct rng *r)
{
    one_flight(s, r);
    s->actor[0].look = LOOK_FLAT;
}

/* Out of focus all the way, or smeared by a long exposure. */
static void make_never(struct scene_script *s, struct rng *r)
{
    one_flight(s, r);
    struct actor *a = &s->actor[0];
    if (rng_unit(r) < 0.4f) {
        float px_s = hypotf(a->v.x, a->v.y) * scale_of(s);
        a->a.y = 0;
        s->lens.exposure_s = rng_range(r, 16, 20) / px_s;
        return;
    }
    a->v.z *= 0.3f;
    a->p.z = sign(r) * (rng_range(r, 12.5f, 17) / DEPTH + fabsf(a->v.z) * 0.62f * length_s(s));
}

static void make_60(struct scene_script *s, struct rng *r)
{
    s->fps = 60;
    s->frames = 28;
    one_flight(s, r);
}

static void make_120(struct scene_script *s, struct rng *r)
{
    s->fps = 120;
    s->frames = 44;
    one_flight(s, r);
}

static void make_jpeg(struct scene_script *s, struct rng *r)
{
    s->camera.quality = 80 + (int)(rng_u32(r) % 18);
    one_flight(s, r);
}

static void make_sharpened(struct scene_script *s, struct rng *r)
{
    s->camera.sharpen = rng_range(r, 0.7f, 1.6f);
    s->camera.sharpen_px = rng_range(r, 0.7f, 1.2f);
    one_flight(s, r);
}

static void make_denoised(struct scene_script *s, struct rng *r)
{
    s->camera.iso = 1600 << (rng_u32(r) % 3);
    s->camera.denoise = rng_range(r, 0.5f, 0.9f);
    s->camera.sharpen = rng_range(r, 0.3f, 1.0f);
    one_flight(s, r);
}

static void make_moved(struct scene_script *s, struct rng *r)
{
    s->reach_px = 400;
    one_flight(s, r);
}

static void make_empty(struct scene_script *s, struct rng *r)
{
    if (rng_u32(r) & 1) {
        s->leaves = 40;
        s->wind_px = rng_range(r, 3, 8);
    }
}

static const struct condition condition[] = {
    {"smooth", "smooth background", make_smooth, 0},
    {"clutter", "sharp, cluttered background", make_clutter, 0},
    {"partly", "partly sharp background", make_partly, 0},
    {"low-noise", "ISO 100", make_low_noise, 0},
    {"high-noise", "ISO 6400", make_high_noise, 0},
    {"very-noisy", "ISO 25600", make_very_noisy, 0},
    {"handheld", "handheld, shake of 6 to 20 px", make_handheld, 0},
    {"panned", "camera follows the bird", make_panned, 0},
    {"wind", "leaves moved by the wind", make_wind, 0},
    {"glitter", "sparkle of water", make_glitter, 0},
    {"drift", "exposure drifts", make_drift, 0},
    {"flicker", "exposure flickers", make_flicker, 0},
    {"size-5", "5 % of the width", make_small, 0},
    {"size-15", "15 % of the width", make_middle, 0},
    {"size-35", "35 % of the width", make_large, 0},
    {"landed", "comes in and lands", make_landed, 0},
    {"perched", "sits the whole time", make_perched, 0},
    {"hover", "hovers, then lands", make_hover, 0},
    {"arrivals", "three arrivals in one press", make_arrivals, 0},
    {"flock", "two to five birds", make_flock, 0},
    {"sitting", "one sits, another flies in", make_sitting, 0},
    {"tilted", "tilted in depth, head or tail sharp", make_tilted, 1},
    {"grey-bark", "grey bird on grey bark", make_grey_bark, 0},
    {"behind", "partly behind a post", make_behind, 0},
    {"bright", "bright subject", make_bright, 0},
    {"dark", "dark subject", make_dark, 0},
    {"flat", "low contrast to the background", make_flat, 0},
    {"never", "never sharp", make_never, 1},
    {"fps-60", "60 frames a second", make_60, 0},
    {"fps-120", "120 frames a second", make_120, 0},
    {"jpeg", "JPEG quality 80 to 97", make_jpeg, 0},
    {"sharpened", "sharpened in the camera", make_sharpened, 0},
    {"denoised", "noise reduction in the camera", make_denoised, 0},
    {"moved", "the camera is moved between bursts", make_moved, 0},
    {"empty", "nothing comes", make_empty, 0},
};

int condition_count(void)
{
    return (int)(sizeof condition / sizeof condition[0]);
}

const char *condition_name(int c)
{
    return condition[c].name;
}

int condition_change(int c)
{
    return condition[c].change;
}

const char *condition_text(int c)
{
    return condition[c].text;
}

int condition_by_name(const char *name)
{
    for (int c = 0; c < condition_count(); c++)
        if (strcmp(condition[c].name, name) == 0)
            return c;
    return -1;
}

int condition_bursts(int c)
{
    return condition[c].make == make_moved ? 3 : 1;
}

struct scene_script condition_script(int c, uint64_t seed, int part)
{
    uint64_t own = rng_mix(rng_name(condition[c].name), seed);
    struct rng r = rng_from(own, rng_name("script"));
    struct scene_script s = base(own, &r);
    condition[c].make(&s, &r);
    if (part > 0) { /* another bird, a little later, before the same ground */
        s.seed = rng_mix(own, (uint64_t)part);
        r = rng_from(s.seed, rng_name("script"));
        s.actors = 0;
        s.camera.gain_ev += rng_range(&r, -0.15f, 0.15f);
        one_flight(&s, &r);
    }
    if (part == 2) {
        s.aim_x = sign(&r) * rng_range(&r, 40, s.reach_px);
        s.aim_y = rng_range(&r, -60, 60);
    }
    return s;
}
