#include "script.h"
#include "rng.h"
#include <math.h>

#define SENSOR_LONG_MM 36.0f
#define RAIL_TOP (-150.0f)
#define TAU 6.2831853f

static const struct camera_setup on_the_sluice = {
    .number = 1,
    .iso = 800,
    .exposure_s = 1.0f / 8000,
    .pond = {.salt = 11,
             .waterline = 150,
             .water_focus = -250,
             .ripple = 1.0f,
             .rail = {-440, 52, RAIL_TOP, RAIL_TOP - 48},
             .boards = {-445, -282, 62, -400},
             .post = {40, 92, -112, -400},
             .bed = {{22, 318, 450, -360, 400, -12, 12}, {34, 190, 470, -330, 400, 300, 1400}}},
};

static const struct camera_setup by_the_reeds = {
    .number = 2,
    .iso = 1250,
    .exposure_s = 1.0f / 8000,
    .pond = {.salt = 57,
             .waterline = 36,
             .water_focus = -460,
             .ripple = 0.8f,
             .golden = true,
             .bed = {{15, -450, -315, -380, 430, -14, 14}, {26, -460, 450, -420, 330, 500, 1800}}},
};

static const struct camera_setup upright = {
    .number = 3,
    .upright = true,
    .iso = 640,
    .exposure_s = 1.0f / 6400,
    .pond = {.salt = 93,
             .waterline = -40,
             .water_focus = -380,
             .ripple = 0.9f,
             .post = {-250, -188, -215, -500},
             .bed = {{14, 205, 330, -480, 520, -12, 12}, {20, -330, 330, -460, 330, 500, 1500}}},
};

#define NO_MARKS                                                                                             \
    .protected_frame = -1, .rated_frame = -1, .truncated_frame = -1, .sidecar_frame = -1, .apple_frame = -1
#define CLOCK(h, m, s) ((h)*3600.0 + (m)*60.0 + (s))

/* Marks are on frames that the engine itself would not keep. */
static const struct burst_script bursts[] = {
    {"focus-aid", &on_the_sluice, 1, 60, CLOCK(7, 12, 41.37), 3, -0.1f, 0, 1, NO_MARKS, .target = true},
    {"skim", &on_the_sluice, 44, 120, CLOCK(7, 18, 5.214), 2, 0, 0.10f, 1, .protected_frame = 11,
     .rated_frame = -1, .truncated_frame = -1, .sidecar_frame = -1, .apple_frame = 3,
     .flight = {{FLIGHT_PASS, 21.7f, {30, 40, 0}, {4000, -150, 2100}, {0, 900, 0}, 7.4f, 0.6f, 0.85f, 1}}},
    {"drink", &on_the_sluice, 52, 120, CLOCK(7, 18, 52.803), 3, 0.05f, 0.08f, 1, .protected_frame = -1,
     .rated_frame = 12, .truncated_frame = -1, .sidecar_frame = -1, .apple_frame = -1, .glitter = true,
     .rings = true,
     .flight = {{FLIGHT_PASS, 22.3f, {175, -222, 0}, {-3300, 0, 1300}, {0, 8200, 0}, 6.1f, 5.4f, 0.55f, 2}}},
    {"pairs", &on_the_sluice, 22, 60, CLOCK(7, 21, 17.440), 3, 0.05f, 0.05f, 1, NO_MARKS, .raw = true,
     .flight = {{FLIGHT_PASS, 10.6f, {-10, 60, 0}, {4200, -260, 1150}, {0, 700, 0}, 8.3f, 1.9f, 0.9f, 3}}},
    {"soft", &on_the_sluice, 28, 60, CLOCK(7, 24, 40.118), 2, 0.1f, 0.12f, 1, NO_MARKS,
     .flight = {{FLIGHT_PASS, 14.0f, {0, 40, -640}, {-3000, 100, 420}, {0, 500, 0}, 7.1f, 0.2f, 0.9f, 4}}},
    {"pond", &on_the_sluice, 1, 60, CLOCK(7, 25, 31.902), 3, 0.1f, 0, 1, NO_MARKS},
    {"perch", &on_the_sluice, 40, 60, CLOCK(7, 27, 8.655), 3, 0.1f, 0.06f, 1, NO_MARKS,
     .flight = {{FLIGHT_PERCH, 0, {-112, RAIL_TOP, 0}, {0, 0, 0}, {0, 0, 0}, 0, 0, 0, 5}}},
    {"hover", &on_the_sluice, 66, 120, CLOCK(7, 29, 46.070), 2, 0.1f, 0.10f, 1, .protected_frame = -1,
     .rated_frame = -1, .truncated_frame = -1, .sidecar_frame = -1, .apple_frame = 20,
     .flight = {{FLIGHT_HOVER, 6, {-60, -20, 0}, {0, 0, 0}, {0, 0, 0}, 13.0f, 0, 1.0f, 6}}},
    {"arrivals", &by_the_reeds, 80, 120, CLOCK(7, 48, 3.331), 3, 0, 0.22f, 1, .protected_frame = -1,
     .rated_frame = -1, .truncated_frame = 33, .sidecar_frame = -1, .apple_frame = -1,
     .flight = {{FLIGHT_PASS, 20.4f, {-30, 70, 0}, {4200, 200, -1800}, {0, 600, 0}, 7.7f, 2.6f, 0.9f, 7},
                {FLIGHT_PASS, 58.2f, {40, 20, 0}, {-3900, -200, 1600}, {0, 900, 0}, 6.9f, 4.1f, 0.8f, 8}}},
    {"lone", &by_the_reeds, 1, 60, CLOCK(7, 50, 26.418), 3, 0, 0, 1, NO_MARKS,
     .flight = {{FLIGHT_PASS, 0.3f, {60, -10, 0}, {-3500, 300, 900}, {0, 0, 0}, 7.7f, 0.4f, 0.8f, 7}}},
    {"two", &by_the_reeds, 54, 120, CLOCK(7, 52, 19.577), 2, 0.08f, 0.08f, 1, .protected_frame = -1,
     .rated_frame = -1, .truncated_frame = -1, .sidecar_frame = 9, .apple_frame = -1, .wind = true,
     .flight = {{FLIGHT_PASS, 20.3f, {0, 105, 0}, {3800, 0, 1500}, {0, 500, 0}, 7.2f, 3.5f, 0.85f, 9},
                {FLIGHT_PASS, 29.6f, {0, -105, 0}, {3700, 120, 1750}, {0, 500, 0}, 8.0f, 2.9f, 0.85f, 10}}},
    {"rollover", &by_the_reeds, 40, 120, CLOCK(7, 55, 58.906), 2, 0.08f, 0.05f, 1, NO_MARKS, .tremble = true,
     .flight = {{FLIGHT_PASS, 20.4f, {20, -20, 0}, {-4100, 300, -2200}, {0, 700, 0}, 7.9f, 1.2f, 0.85f, 11}}},
    {"portrait", &upright, 34, 60, CLOCK(8, 14, 22.265), 3, 0, 0.08f, 6, NO_MARKS,
     .flight = {{FLIGHT_PASS, 17.3f, {-10, 60, 0}, {1250, 2000, 900}, {0, -300, 0}, 8.6f, 0.3f, 0.95f, 12}}},
};

const struct burst_script *script_bursts(int *count)
{
    *count = (int)(sizeof bursts / sizeof bursts[0]);
    return bursts;
}

struct lens script_lens(const struct camera_setup *s, int long_px)
{
    return (struct lens){200.0f, 2.0f, 5000.0f, SENSOR_LONG_MM / (float)long_px, s->exposure_s};
}

float script_gain(const struct burst_script *b, int f)
{
    float t = (float)f / b->fps;
    return exp2f(b->gain_ev + b->drift_ev * (sinf(t * 5.1f + (float)b->frames) + 0.4f * sinf(t * 13.0f)));
}

static void pass(const struct flight *q, float t, struct bird_pose *p)
{
    p->at = vec3_add(q->p, vec3_add(vec3_mul(q->v, t), vec3_mul(q->a, 0.5f * t * t)));
    p->velocity = vec3_add(q->v, vec3_mul(q->a, t));
    p->forward = vec3_unit(vec3_add(p->velocity, (struct vec3){0, 350, 0}));
    p->beat = TAU * q->beat_hz * t + q->phase;
    p->amplitude = q->amplitude;
    p->dihedral = 0.12f;
    p->roll = 0.16f * sinf(t * 6.0f + q->phase);
    p->at.y += 6.0f * q->amplitude * sinf(p->beat); /* the body rides up on each stroke */
    p->spread = 0.18f + 0.1f * sinf(t * 9.0f + q->phase);
}

/* Sits, breathes, leans to and fro, looks round. */
static void perch(const struct flight *q, float t, struct bird_pose *p)
{
    float pitch = 0.56f, facing = -0.16f;
    p->forward = (struct vec3){-cosf(pitch) * cosf(facing), sinf(pitch), cosf(pitch) * sinf(facing)};
    p->at = (struct vec3){q->p.x + 2.5f * sinf(t * 5.0f), q->p.y + 26.5f,
                          66 + 78 * sinf(t * 9.1f + 0.5f) + 9 * sinf(t * 23.0f)};
    p->velocity = (struct vec3){2.5f * 5.0f * cosf(t * 5.0f), 0, 0};
    p->folded = true;
    p->head_yaw = 0.35f + 0.50f * sinf(t * 10.4f) + 0.25f * sinf(t * 4.0f);
    p->head_pitch = -0.45f + 0.12f * sinf(t * 7.0f);
    p->spread = 0.03f;
    p->tail_pitch = 0.12f;
}

static void hover(const struct flight *q, float t, struct bird_pose *p, bool *landed)
{
    const float settle = 0.36f, touch = 0.43f;
    float in = 560 * expf(-t * 15.0f), pitch = 0.75f, facing = 0.45f;
    *landed = t > touch;
    if (*landed) {
        struct flight seat = {.kind = FLIGHT_PERCH, .p = {q->p.x, RAIL_TOP, 0}};
        perch(&seat, 0, p);
        p->at.z = 14 + 8 * sinf(t * 20);
        p->velocity = (struct vec3){0, 0, 0};
        p->head_yaw = 0.2f + 0.3f * sinf(t * 12);
        return;
    }
    float fall = t > settle ? (t - settle) / (touch - settle) : 0, drop = q->p.y - (RAIL_TOP + 32);
    pitch += 0.25f * fall;
    p->forward = (struct vec3){-cosf(pitch) * cosf(facing), sinf(pitch), cosf(pitch) * sinf(facing)};
    p->at = (struct vec3){q->p.x + in + 9 * sinf(t * 17), q->p.y + 8 * sinf(t * 23) - drop * fall * fall,
                          210 * cosf(t * TAU / 0.62f) + 80 * fall};
    p->velocity =
        (struct vec3){-15 * in + 153 * cosf(t * 17),
                      184 * cosf(t * 23) - 2 * drop * fall / (touch - settle) * (fall > 0 ? 1.0f : 0.0f), 0};
    p->beat = TAU * q->beat_hz * t;
    p->amplitude = q->amplitude;
    p->dihedral = 0.2f;
    p->spread = 0.75f;
    p->tail_pitch = 0.35f;
    p->head_pitch = -0.55f;
}

bool script_bird(const struct burst_script *b, int k, float f, struct bird_pose *pose, bool *landed)
{
    const struct flight *q = &b->flight[k];
    *pose = (struct bird_pose){.salt = q->salt * 7919};
    *landed = false;
    float t = (f - q->frame) / b->fps;
    switch (q->kind) {
    case FLIGHT_PASS:
        pass(q, t, pose);
        return true;
    case FLIGHT_PERCH:
        perch(q, t, pose);
        *landed = true;
        return true;
    case FLIGHT_HOVER:
        hover(q, t, pose, landed);
        return true;
    default:
        return false;
    }
}
