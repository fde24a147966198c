/* flight.c - where actors and camera are at a moment. */
#include <math.h>

#include "scene.h"

static const float TAU = 6.2831853f;

static void fly(const struct actor *a, float t, struct bird_pose *p)
{
    t -= a->when_s;
    p->at = vec3_add(a->p, vec3_add(vec3_mul(a->v, t), vec3_mul(a->a, 0.5f * t * t)));
    p->velocity = vec3_add(a->v, vec3_mul(a->a, t));
    p->forward =
        vec3_unit(vec3_add((struct vec3){p->velocity.x, p->velocity.y, 0}, (struct vec3){0, 120, 0}));
    float flat = sqrtf(1 - a->tilt * a->tilt);
    p->forward = (struct vec3){flat * p->forward.x, flat * p->forward.y, a->tilt};
    p->beat = TAU * a->beat_hz * t + a->phase;
    p->amplitude = 0.85f;
    p->dihedral = 0.12f;
    p->roll = 0.16f * sinf(t * 6 + a->phase);
    p->at.y += 6 * a->size * sinf(p->beat); /* the body rides up on each stroke */
    p->spread = 0.18f + 0.1f * sinf(t * 9 + a->phase);
}

/* Breathes, leans to and fro, looks round. */
static void sit(const struct actor *a, float t, float z, struct bird_pose *p)
{
    float pitch = 0.56f, turn = 0.16f * sinf(a->phase);
    p->forward = (struct vec3){a->facing * cosf(pitch) * cosf(turn), sinf(pitch), cosf(pitch) * sinf(turn)};
    p->at =
        (struct vec3){a->p.x + 2.5f * sinf(t * 5 + a->phase), a->p.y + 26.5f * a->size, z + 6 * sinf(t * 19)};
    p->velocity = (struct vec3){12.5f * cosf(t * 5 + a->phase), 0, 0};
    p->folded = true;
    p->head_yaw = 0.35f + 0.50f * sinf(t * (6 + a->beat_hz * 0.4f) + a->phase) + 0.25f * sinf(t * 4);
    p->head_pitch = -0.45f + 0.12f * sinf(t * 7);
    p->spread = 0.03f;
    p->tail_pitch = 0.12f;
}

static void brake(const struct actor *a, float t, struct bird_pose *p)
{
    float pitch = 0.75f, turn = 0.3f * sinf(a->phase);
    p->forward = (struct vec3){a->facing * cosf(pitch) * cosf(turn), sinf(pitch), cosf(pitch) * sinf(turn)};
    p->beat = TAU * a->beat_hz * t + a->phase;
    p->amplitude = 1;
    p->dihedral = 0.2f;
    p->spread = 0.75f;
    p->tail_pitch = 0.35f;
    p->head_pitch = -0.55f;
}

/* Slows down towards the seat: far away at full speed, the last tenth of a second slowly. */
static struct vec3 approach(const struct actor *a, float t)
{
    float u = fmaxf(a->when_s - t, 0), off = u * u / (u + 0.12f), part = u / fmaxf(a->when_s, 0.05f);
    return (struct vec3){a->p.x - a->v.x * off,
                         a->p.y + (26.5f + 6) * a->size - a->v.y * off - 6 * a->size * (u <= 0),
                         a->to_z + (a->from_z - a->to_z) * part};
}

static struct vec3 hover(const struct actor *a, float t)
{
    float in = 560 * a->facing * expf(-t * 14), settle = a->when_s - 0.09f;
    float fall = t > settle ? fminf((t - settle) / 0.09f, 1) : 0, high = a->v.y;
    return (struct vec3){a->p.x - in * a->size + 9 * a->size * sinf(t * 17 + a->phase),
                         a->p.y + 26.5f * a->size + 8 * a->size * sinf(t * 23) * (1 - fall) +
                             high * (1 - fall * fall),
                         a->sway_mm * cosf(t * a->v.z + a->phase) * (1 - fall) + a->to_z * fall};
}

static struct vec3 rate(struct vec3 (*way)(const struct actor *, float), const struct actor *a, float t)
{
    const float h = 0.0005f;
    return vec3_mul(vec3_sub(way(a, t + h), way(a, t - h)), 0.5f / h);
}

bool actor_pose(const struct scene_script *s, const struct actor *a, float t, struct bird_pose *pose,
                uint32_t *flags)
{
    (void)s;
    *pose = (struct bird_pose){.salt = a->salt};
    *flags = 0;
    switch (a->act) {
    case ACT_FLY:
        fly(a, t, pose);
        return true;
    case ACT_PERCH:
        sit(a, t, a->to_z + a->sway_mm * sinf(t * a->v.z + a->phase), pose);
        *flags = BIRD_LANDED;
        return true;
    case ACT_LAND:
    case ACT_HOVER:
        if (t >= a->when_s) {
            sit(a, t - a->when_s, a->to_z, pose);
            *flags = BIRD_LANDED;
            return true;
        }
        brake(a, t, pose);
        pose->at = a->act == ACT_LAND ? approach(a, t) : hover(a, t);
        pose->velocity = rate(a->act == ACT_LAND ? approach : hover, a, t);
        if (a->act == ACT_HOVER && t < a->when_s - 0.09f && t > 0.25f)
            *flags = BIRD_HOVERING;
        return true;
    default:
        return false;
    }
}

void camera_offset(const struct scene_script *s, float t, float *dx, float *dy)
{
    struct rng r = rng_from(s->seed, rng_name("hand"));
    const struct camera *c = &s->camera;
    float w = TAU * c->shake_hz, p[4];
    for (int i = 0; i < 4; i++)
        p[i] = rng_range(&r, 0, TAU);
    *dx = c->shake_px * (sinf(w * t + p[0]) + 0.3f * sinf(3.7f * w * t + p[1]));
    *dy = c->shake_px * (sinf(0.8f * w * t + p[2]) + 0.3f * sinf(3.1f * w * t + p[3]));
    if (c->follow > 0) {
        const struct actor *a = &s->actor[0];
        float px = lens_scale_px(&s->lens, s->lens.focus_mm), u = t - a->when_s;
        *dx += c->follow * px * (a->v.x * u + 0.5f * a->a.x * u * u);
        *dy -= c->follow * px * (a->v.y * u + 0.5f * a->a.y * u * u);
    }
}

float camera_gain(const struct scene_script *s, int frame)
{
    struct rng r = rng_from(s->seed, rng_name("gain"));
    float phase = rng_range(&r, 0, TAU), t = (float)frame / s->fps, rate = rng_range(&r, 3, 8);
    float mains = rng_range(&r, 0, TAU); /* lamps at 100 Hz, sampled by the frames */
    return exp2f(s->camera.gain_ev +
                 s->camera.drift_ev * (sinf(t * rate + phase) + 0.4f * sinf(t * 2.6f * rate)) +
                 s->camera.flicker_ev * sinf(TAU * 97.3f * t + mains));
}
