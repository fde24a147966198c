#include "bird.h"
#include "rng.h"
#include <math.h>

struct coat {
    float albedo[3];
    float gloss;     /* strength of the sheen */
    float gloss_exp; /* its narrowness */
    float glint;     /* a second, tight lobe: feather edges in the sun */
    float sheen[3];
    float through; /* light that passes from behind */
};

static float smooth(float a, float b, float x)
{
    float t = fminf(fmaxf((x - a) / (b - a), 0.0f), 1.0f);
    return t * t * (3 - 2 * t);
}

static float fract(float x)
{
    return x - floorf(x);
}

static void blend(struct coat *c, const float albedo[3], float k)
{
    for (int i = 0; i < 3; i++)
        c->albedo[i] += (albedo[i] - c->albedo[i]) * k;
    c->gloss *= 1 - k;
    c->glint *= 1 - k;
}

/* Rows of overlapping feathers: bright at the rounded tip, dark where the next one covers it. -1..1 */
static float scales(float along, float across, float size)
{
    float b = across / size, a = along / size, row = floorf(b), fb = b - row - 0.5f;
    a += 0.5f * fract(row * 0.5f) * 2.0f + 1.3f * fb * fb;
    float s = fract(a);
    return s < 0.86f ? s / 0.43f - 1.0f : 1.0f - (s - 0.86f) / 0.07f;
}

/* Fine lines along the barbs. */
static float barbs(uint32_t salt, float along, float across)
{
    return 0.6f * rng_noise(salt, along * 0.28f, across * 1.15f) +
           0.5f * rng_noise(salt + 1, along * 0.6f, across * 2.1f);
}

/* Which flight feather of the wing, counted from the body: they fan out towards the tip. */
static float feather_at(float u, float v)
{
    return 17.0f * u - (0.8f * u + 4.6f * u * u) * v;
}

static const float rust[3] = {0.300f, 0.072f, 0.026f}, cream[3] = {0.66f, 0.52f, 0.39f},
                   ink[3] = {0.012f, 0.015f, 0.030f};
static const float soot[3] = {0.026f, 0.023f, 0.024f}, horn[3] = {0.020f, 0.018f, 0.018f};

/* Blue-black with the steel sheen of back and crown. */
static void paint_ink(struct coat *c, float scale, float fine)
{
    for (int i = 0; i < 3; i++) {
        c->albedo[i] = ink[i] * (1 + 0.35f * fine);
        c->sheen[i] = (float[]){0.085f, 0.125f, 0.280f}[i];
    }
    c->gloss = fmaxf(0.0f, 0.36f + 0.22f * scale + 0.40f * fine);
    c->gloss_exp = 9.0f;
    c->glint = fmaxf(0.0f, 0.30f + 0.45f * scale + 0.8f * fine);
}

static void paint_body(struct coat *c, const struct mesh_sample *s, uint32_t salt)
{
    float x = s->rest.x, up = cosf(s->v), arc = s->v * 13.0f;
    float ragged = 0.085f * rng_noise(salt + 11, x * 0.33f, arc * 0.5f) +
                   0.06f * rng_noise(salt + 12, x * 0.8f, arc * 1.6f) +
                   0.04f * rng_noise(salt + 13, x * 1.7f, arc * 2.6f);
    float size = x > 30 ? 1.9f : 3.4f;
    float scale = scales(-x + 0.9f * rng_noise(salt + 3, x * 0.2f, arc * 0.2f),
                         arc + 0.8f * rng_noise(salt + 4, x * 0.25f, arc * 0.2f), size);
    float fine = barbs(salt + 5, x, arc);
    paint_ink(c, scale, fine);
    float belly =
        smooth(0.14f, -0.14f, up + ragged + (x < -30 ? 0.35f : 0) + 0.32f * smooth(8, 22, x) - 0.02f) *
        smooth(25.5f, 20.5f, x + 26.0f * ragged);
    float pale[3], warm[3];
    for (int i = 0; i < 3; i++) {
        pale[i] = cream[i] * (1.0f + 0.06f * scale + 0.20f * fine) *
                  (1.0f - 0.10f * smooth(-0.5f, 0.1f, up) * (float)i);
        warm[i] = rust[i] * (1.0f + 0.10f * scale + 0.42f * fine);
    }
    blend(c, pale, belly);
    float throat = smooth(-0.02f, -0.30f, up + 1.2f * ragged - 0.013f * (x - 38)) *
                   smooth(26.5f, 30.5f, x + 24.0f * ragged);
    blend(c, warm, throat);
    float brow = smooth(46.2f, 47.8f, x + 12.0f * ragged) * smooth(-0.2f, 0.2f, up);
    blend(c, warm, brow);
    /* dark lores between bill and eye */
    float dy = fabsf(s->rest.y) - 8.0f, dx = x - 45.6f, dz = s->rest.z - 4.7f;
    blend(c, horn, smooth(1.3f, 0.7f, sqrtf(dx * dx / 14.0f + dz * dz / 5.0f + dy * dy / 30.0f)) * 0.92f);
}

static void paint_wing(struct coat *c, const struct mesh_sample *s, uint32_t salt, bool upper)
{
    float span = s->rest.x, back = s->rest.y;
    /* flight feathers fan from the arm: oblique lines that crowd towards the tip */
    float f = fract(feather_at(s->u, s->v));
    float shaft = smooth(0.06f, 0.0f, fabsf(f - 0.32f)),
          edge = smooth(0.80f, 0.98f, f) - smooth(0.985f, 1.0f, f);
    float fine = barbs(salt + 21, back + 0.6f * span, span * 0.9f - back * 0.4f);
    float cover = smooth(0.42f, 0.36f, s->v + 0.04f * rng_noise(salt + 22, span * 0.2f, 0)) *
                  smooth(0.98f, 0.80f, s->u);
    float wob = rng_noise(salt + 23, span * 0.09f, back * 0.09f);
    float scale = (0.45f + 0.3f * wob) *
                  scales(back + 0.25f * span + 2.5f * wob, span + 3.0f * wob, 4.2f + 3.5f * s->v);
    for (int i = 0; i < 3; i++) {
        c->sheen[i] = (float[]){0.085f, 0.125f, 0.270f}[i];
        float remex = upper ? soot[i] * 1.1f : soot[i] * (3.6f - 0.5f * (float)i);
        c->albedo[i] = remex * (1.0f + 0.40f * fine + 0.9f * edge - 0.5f * shaft + 0.5f * (0.5f - f));
        c->albedo[i] += (upper ? 0.010f : 0.02f) * edge;
    }
    c->gloss = upper ? 0.28f + 0.2f * edge + 0.12f * fine : 0.05f;
    c->gloss_exp = 9.0f;
    c->through = s->v > 0.4f ? 0.16f : 0.03f;
    struct coat over = {0};
    paint_ink(&over, scale, fine);
    float under[3], gloss = c->gloss;
    for (int i = 0; i < 3; i++)
        under[i] = cream[i] * (0.74f - 0.07f * (float)i) * (1.0f + 0.10f * scale + 0.26f * fine);
    blend(c, upper ? over.albedo : under, cover);
    if (upper) {
        c->gloss = gloss + (over.gloss - gloss) * cover;
        c->glint = over.glint * cover;
    }
}

static void paint_folded(struct coat *c, const struct mesh_sample *s, uint32_t salt)
{
    float along = s->rest.x, across = s->rest.y;
    float cover = smooth(0.40f, 0.30f, s->u + 0.25f * s->v - 0.1f),
          lines = fract(s->v * 9.0f + 2.6f * s->u * s->v + 0.4f);
    float edge = smooth(0.75f, 0.97f, lines) - smooth(0.98f, 1.0f, lines),
          fine = barbs(salt + 31, along, across + 0.1f * along);
    float scale = scales(along, across, 3.8f);
    for (int i = 0; i < 3; i++) {
        c->sheen[i] = (float[]){0.080f, 0.125f, 0.300f}[i];
        c->albedo[i] = (soot[i] * (1 + 0.4f * fine + 0.5f * (0.5f - lines)) + 0.030f * edge) * (1 - cover) +
                       ink[i] * cover;
    }
    c->gloss = (0.22f + 0.25f * edge + 0.15f * fine) * (1 - cover) +
               fmaxf(0.0f, 0.42f + 0.3f * scale + 0.4f * fine) * cover;
    c->glint = fmaxf(0.0f, 0.3f + 0.5f * scale + 0.7f * fine) * cover;
    c->gloss_exp = 8.0f;
}

static void paint_tail(struct coat *c, const struct mesh_sample *s, uint32_t salt, float facing)
{
    float fine = barbs(salt + 41, s->rest.y, s->v * 9.0f + s->rest.x * 13.0f),
          shaft = smooth(0.10f, 0.0f, fabsf(s->v - 0.6f));
    float edge = smooth(0.12f, 0.0f, s->v) + smooth(0.88f, 1.0f, s->v);
    for (int i = 0; i < 3; i++) {
        c->sheen[i] = (float[]){0.10f, 0.15f, 0.36f}[i];
        c->albedo[i] = soot[i] * 0.9f * (1 + 0.5f * fine - 0.4f * shaft) + 0.012f * edge;
    }
    c->gloss = 0.3f + 0.2f * fine;
    c->gloss_exp = 9.0f;
    c->through = 0.08f;
    /* the white windows on the inner vanes */
    float i = s->rest.x, at = 34.0f + 1.5f * i, d = (s->rest.y - at) / (4.0f + 0.8f * i),
          e = (s->v - 0.25f) / 0.3f;
    static const float white[3] = {0.62f, 0.58f, 0.52f};
    if (i > 0.5f)
        blend(c, white, smooth(1.15f, 0.85f, sqrtf(d * d + e * e)) * smooth(0.15f, 0.5f, facing));
}

static void paint_eye(struct coat *c, const struct mesh_sample *s)
{
    (void)s;
    for (int i = 0; i < 3; i++) {
        c->albedo[i] = (float[]){0.010f, 0.006f, 0.004f}[i];
        c->sheen[i] = 1.0f;
    }
    c->gloss = 2.2f;
    c->gloss_exp = 90.0f;
}

static struct coat coat_of(const struct mesh_sample *s, uint32_t salt, bool upper, float facing)
{
    struct coat c = {.gloss = 0.1f, .gloss_exp = 10, .sheen = {0.3f, 0.3f, 0.3f}};
    switch (s->part) {
    case BIRD_BODY:
        paint_body(&c, s, salt);
        break;
    case BIRD_WING_LEFT:
    case BIRD_WING_RIGHT:
        paint_wing(&c, s, salt, upper);
        break;
    case BIRD_WING_FOLDED:
        paint_folded(&c, s, salt);
        break;
    case BIRD_TAIL:
        paint_tail(&c, s, salt, facing);
        break;
    case BIRD_EYE:
        paint_eye(&c, s);
        break;
    default:
        for (int i = 0; i < 3; i++)
            c.albedo[i] = horn[i] * (s->part == BIRD_LEG ? 1.5f : 1.0f);
        c.gloss = 0.35f;
        c.gloss_exp = 20;
    }
    return c;
}

void bird_paint(const struct mesh_sample *s, uint32_t salt, const struct bird_light *light, float rgb[3])
{
    struct vec3 n = vec3_unit(s->normal), eye = {0, 0, 1};
    bool upper = (n.z > 0) == (s->part == BIRD_WING_RIGHT);
    if (s->part == BIRD_BODY)
        n.z = fmaxf(n.z, 0.0f); /* closed: a normal that looks away belongs to the very outline */
    else if (n.z < 0)
        n = vec3_mul(n, -1);
    struct coat c = coat_of(s, salt, upper, n.z);
    /* feathers are no hard surface: light wraps a little round the terminator */
    float sun = fmaxf(0.0f, (vec3_dot(n, light->to_sun) + 0.15f) / 1.15f), sky = 0.5f + 0.5f * n.y;
    float behind = fmaxf(0.0f, -vec3_dot(n, light->to_sun)) * c.through;
    float half = fmaxf(0.0f, vec3_dot(n, vec3_unit(vec3_add(light->to_sun, eye))));
    float spec = c.gloss * powf(half, c.gloss_exp), rim = powf(1.0f - fminf(1.0f, n.z), 4.0f);
    float glint = 0.55f * c.glint * powf(half, 45.0f);
    bool glossy_eye = s->part == BIRD_EYE;
    for (int k = 0; k < 3; k++) {
        float ambient = light->sky[k] * sky + light->ground[k] * (1 - sky);
        float albedo = fmaxf(0.0f, c.albedo[k]);
        rgb[k] = albedo * (light->sun[k] * sun + ambient) +
                 (albedo + 0.05f * c.through) * behind * light->sun[k] * 3.0f;
        rgb[k] += c.sheen[k] * (spec * light->sun[k] * (glossy_eye ? 1.0f : 0.45f));
        rgb[k] += (0.02f + c.sheen[k]) * glint * light->sun[k];
        rgb[k] += c.sheen[k] * c.gloss * ambient *
                  (glossy_eye ? 0.06f * smooth(0.2f, 0.9f, n.y) : 0.08f * sky + 0.30f * rim);
    }
}

bool bird_hole(int part, float u, float v, const struct vec3 *rest)
{
    (void)rest;
    if (part != BIRD_WING_LEFT && part != BIRD_WING_RIGHT)
        return false;
    /* rounded tips: the trailing edge falls back between two feathers, deeper towards the wing tip */
    float f = fract(feather_at(u, v)) - 0.5f;
    return v > 1.0f - (0.012f + 0.075f * u * u) * 4.0f * f * f;
}
