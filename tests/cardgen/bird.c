#include "bird.h"
#include "blur.h"
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define DEG 0.0174532925f
#define BODY_ROWS 72
#define BODY_COLS 48
#define WING_ROWS 60
#define WING_COLS 12

/* The body as a row of ellipses: x forward, centre height, half width, height over and under the centre. */
static const float body_station[][5] = {
    {52.0f, 2.6f, 0.0f, 0.0f, 0.0f},     {51.2f, 2.7f, 2.6f, 2.6f, 2.4f},
    {49.0f, 3.0f, 5.2f, 5.4f, 4.6f},     {45.5f, 3.6f, 8.0f, 8.4f, 7.0f},
    {41.0f, 4.2f, 10.1f, 10.2f, 9.0f},   {35.5f, 4.2f, 11.4f, 10.9f, 10.6f},
    {28.0f, 3.2f, 12.4f, 10.8f, 12.4f},  {18.0f, 1.6f, 14.3f, 12.0f, 14.6f},
    {6.0f, 0.2f, 15.8f, 13.2f, 15.8f},   {-8.0f, -0.2f, 15.2f, 13.0f, 15.0f},
    {-21.0f, 0.2f, 12.4f, 10.8f, 12.4f}, {-34.0f, 1.0f, 8.8f, 7.8f, 8.8f},
    {-44.0f, 1.8f, 6.0f, 5.0f, 5.4f},    {-52.0f, 2.2f, 4.2f, 2.8f, 3.0f},
    {-58.0f, 2.4f, 2.6f, 1.0f, 1.0f},
};
#define STATIONS ((int)(sizeof body_station / sizeof body_station[0]))

/* Catmull-Rom through the stations. */
static void body_section(float t, float out[5])
{
    float pos = t * (float)(STATIONS - 1);
    int i = (int)pos;
    i = i > STATIONS - 2 ? STATIONS - 2 : i;
    float f = pos - (float)i;
    const float *a = body_station[i > 0 ? i - 1 : 0], *b = body_station[i], *c = body_station[i + 1];
    const float *d = body_station[i + 2 < STATIONS ? i + 2 : STATIONS - 1];
    for (int k = 0; k < 5; k++) {
        float v =
            b[k] + 0.5f * f *
                       (c[k] - a[k] +
                        f * (2 * a[k] - 5 * b[k] + 4 * c[k] - d[k] + f * (3 * (b[k] - c[k]) + d[k] - a[k])));
        out[k] = k >= 2 && v < 0 ? 0 : v;
    }
}

/* The section at a place along the body. */
static void body_at(float x, float out[5])
{
    float lo = 0, hi = 1;
    for (int i = 0; i < 24; i++) {
        float mid = 0.5f * (lo + hi);
        body_section(mid, out);
        if (out[0] > x)
            lo = mid;
        else
            hi = mid;
    }
}

static float table(const float *values, int n, float t)
{
    float pos = fminf(fmaxf(t, 0.0f), 1.0f) * (float)(n - 1);
    int i = (int)pos;
    i = i > n - 2 ? n - 2 : i;
    float f = pos - (float)i;
    return values[i] + (values[i + 1] - values[i]) * (f * f * (3 - 2 * f) * 0.5f + f * 0.5f);
}

static float smooth(float a, float b, float x)
{
    float t = fminf(fmaxf((x - a) / (b - a), 0.0f), 1.0f);
    return t * t * (3 - 2 * t);
}

/* The axes of the body in view space. */
struct frame {
    struct vec3 at, forward, left, up;
};

static struct frame frame_of(const struct bird_pose *p)
{
    struct frame f = {.at = p->at, .forward = vec3_unit(p->forward)};
    struct vec3 world_up = {0, 1, 0};
    f.left = vec3_unit(vec3_cross(world_up, f.forward));
    f.up = vec3_cross(f.forward, f.left);
    float c = cosf(p->roll), s = sinf(p->roll);
    struct vec3 left = vec3_add(vec3_mul(f.left, c), vec3_mul(f.up, s));
    f.up = vec3_sub(vec3_mul(f.up, c), vec3_mul(f.left, s));
    f.left = left;
    return f;
}

static void put(struct mesh *m, const struct frame *f, struct vec3 body, struct vec3 rest, float u, float v)
{
    struct mesh_vertex x = {.rest = rest, .u = u, .v = v};
    x.at = vec3_add(f->at, vec3_add(vec3_mul(f->forward, body.x),
                                    vec3_add(vec3_mul(f->left, body.y), vec3_mul(f->up, body.z))));
    mesh_add(m, &x);
}

/* Turns what belongs to the head about the neck. */
static struct vec3 turn_head(const struct bird_pose *p, struct vec3 q)
{
    float w = smooth(20.0f, 36.0f, q.x);
    struct vec3 d = {q.x - 26.0f, q.y, q.z - 2.0f};
    float cy = cosf(p->head_yaw * w), sy = sinf(p->head_yaw * w);
    float cp = cosf(p->head_pitch * w), sp = sinf(p->head_pitch * w);
    struct vec3 a = {d.x * cp - d.z * sp, d.y, d.x * sp + d.z * cp};
    struct vec3 b = {a.x * cy - a.y * sy, a.x * sy + a.y * cy, a.z};
    return (struct vec3){b.x + 26.0f, b.y, b.z + 2.0f};
}

static void add_body(struct mesh *m, const struct bird_pose *p, const struct frame *f)
{
    int first = m->vertices;
    for (int r = 0; r < BODY_ROWS; r++) {
        float s[5], t = (float)r / (BODY_ROWS - 1);
        body_section(t, s);
        for (int c = 0; c < BODY_COLS; c++) {
            float a = (float)c / (BODY_COLS - 1) * 2 * 3.14159265f, up = cosf(a);
            struct vec3 q = {s[0], s[2] * sinf(a), s[1] + up * (up > 0 ? s[3] : s[4])};
            put(m, f, turn_head(p, q), q, t, a);
        }
    }
    mesh_grid(m, first, BODY_ROWS, BODY_COLS, BIRD_BODY);
}

/* A short wide bill. */
static void add_beak(struct mesh *m, const struct bird_pose *p, const struct frame *f)
{
    int first = m->vertices;
    for (int r = 0; r < 8; r++) {
        float t = (float)r / 7, k = powf(1 - t, 0.8f);
        for (int c = 0; c < 13; c++) {
            float a = (float)c / 12 * 2 * 3.14159265f;
            struct vec3 q = {49.5f + 9.5f * t, 4.6f * k * sinf(a), 2.4f - 0.9f * t * t + 2.5f * k * cosf(a)};
            put(m, f, turn_head(p, q), q, t, a);
        }
    }
    mesh_grid(m, first, 8, 13, BIRD_BEAK);
}

static void add_ball(struct mesh *m, const struct bird_pose *p, const struct frame *f, struct vec3 centre,
                     float r)
{
    int first = m->vertices;
    for (int i = 0; i < 9; i++)
        for (int j = 0; j < 15; j++) {
            float a = (float)i / 8 * 3.14159265f, b = (float)j / 14 * 2 * 3.14159265f;
            struct vec3 n = {sinf(a) * cosf(b), cosf(a), sinf(a) * sinf(b)};
            struct vec3 q = vec3_add(centre, vec3_mul(n, r));
            put(m, f, turn_head(p, q), n, (float)i / 8, (float)j / 14);
        }
    mesh_grid(m, first, 9, 15, BIRD_EYE);
}

/* How the wing stands at one moment of the beat. */
struct wing_shape {
    float arm_up, hand_up, sweep, twist, reach;
};

static struct wing_shape wing_shape_of(const struct bird_pose *p)
{
    /* the hand follows the arm by a sixth of a beat; on the way up the wing is drawn in and swept back */
    float up = cosf(p->beat), lag = cosf(p->beat - 1.0f), rising = fmaxf(0.0f, sinf(p->beat + 3.14159265f));
    float k = p->amplitude;
    return (struct wing_shape){
        .arm_up = p->dihedral + 0.85f * k * up,
        .hand_up = 0.55f * k * (lag - up) - 0.25f * k * rising - 0.06f,
        .sweep = (0.10f + 0.75f * rising) * (0.3f + 0.7f * k),
        .twist = -0.10f + 0.35f * k * sinf(p->beat),
        .reach = 1.0f - 0.22f * k * rising,
    };
}

static void add_wing(struct mesh *m, const struct bird_pose *p, const struct frame *f, float side)
{
    static const float chord[] = {47, 47, 46, 44, 42, 39, 36, 32, 27.5f, 22, 15, 3};
    struct wing_shape w = wing_shape_of(p);
    int first = m->vertices;
    const float arm = 40, hand = 116;
    struct vec3 lead = {19, 9, 6.5f};
    for (int r = 0; r < WING_ROWS; r++) {
        float t = (float)r / (WING_ROWS - 1), s = t * (arm + hand),
              in_hand = smooth(arm * 0.75f, arm * 1.3f, s);
        float out = fmaxf(0.0f, s - arm) / hand;
        float beta = w.arm_up + w.hand_up * in_hand * (1 + 0.4f * out);
        float alpha = 0.36f + 0.25f * (1 - w.reach) * 4 - in_hand * (0.42f + 0.40f * out + w.sweep);
        struct vec3 span = {0, cosf(beta), sinf(beta)}, normal = {0, -sinf(beta), cosf(beta)};
        float ch = table(chord, 12, t), fan = 1.15f * powf(t, 1.6f) - in_hand * w.sweep * 0.5f;
        for (int c = 0; c < WING_COLS; c++) {
            float v = (float)c / (WING_COLS - 1),
                  bow = 0.30f * v * (1 - v) * ch - sinf(w.twist * (0.3f + t)) * v * ch;
            float back = v * ch;
            struct vec3 q = {lead.x - back * cosf(fan), lead.y, lead.z};
            q = vec3_add(q, vec3_mul(span, back * sinf(fan)));
            q = vec3_add(q, vec3_mul(normal, bow));
            struct vec3 rest = {s, back, side};
            q.y *= side;
            put(m, f, q, rest, t, v);
        }
        float step = (arm + hand) / (WING_ROWS - 1) * (s < arm ? w.reach : 1.0f);
        lead = vec3_add(lead, vec3_mul(span, step * cosf(alpha)));
        lead.x += step * sinf(alpha);
    }
    mesh_grid(m, first, WING_ROWS, WING_COLS, side > 0 ? BIRD_WING_LEFT : BIRD_WING_RIGHT);
}

/* The closed wing lies along the flank; its tip passes the root of the tail. */
static void add_folded_wing(struct mesh *m, const struct frame *f, float side)
{
    static const float half[] = {0.10f, 0.62f, 0.74f, 0.72f, 0.62f, 0.52f, 0.42f, 0.32f, 0.22f, 0.12f, 0.02f};
    int first = m->vertices;
    for (int r = 0; r < WING_ROWS; r++) {
        float t = (float)r / (WING_ROWS - 1), x = 27.0f - 124.0f * t, s[5];
        body_at(fmaxf(x, -44.0f), s);
        for (int c = 0; c < WING_COLS; c++) {
            float v = (float)c / (WING_COLS - 1), mid = 1.15f - 0.10f * t,
                  a = mid + (v - 0.5f) * 2 * table(half, 11, t);
            float fall = x < -44 ? (-44 - x) * 0.06f : 0;
            struct vec3 q = {x, side * (s[2] + 2.4f - fall * 0.8f) * sinf(a),
                             s[1] + ((cosf(a) > 0 ? s[3] : s[4]) + 2.2f) * cosf(a) + fall * 0.2f};
            put(m, f, q, (struct vec3){124.0f * t, 22.0f * v, side}, t, v);
        }
    }
    mesh_grid(m, first, WING_ROWS, WING_COLS, BIRD_WING_FOLDED);
}

static void add_tail(struct mesh *m, const struct bird_pose *p, const struct frame *f)
{
    static const float length[] = {46, 47, 50, 55, 64, 98}, width[] = {9, 9, 9, 8.8f, 8.2f, 7.0f};
    for (int k = 0; k < 12; k++) {
        int i = k / 2, first = m->vertices;
        float side = k % 2 ? -1.0f : 1.0f, angle = side * ((float)i + 0.4f) * (0.018f + 0.085f * p->spread);
        for (int r = 0; r < 16; r++) {
            float t = (float)r / 15, wide = width[i] * (i == 5 ? 0.16f + 0.84f * powf(1 - t, 1.7f) : 1.0f);
            wide *= smooth(-0.25f, 0.3f, t) * sqrtf(fmaxf(0.0f, 1 - powf(t, 7)));
            for (int c = 0; c < 4; c++) {
                float v = (float)c / 3, across = (v - 0.5f) * wide, along = t * length[i];
                float curl = i == 5 ? side * 5.0f * t * t * (0.3f + p->spread) : 0;
                float down = along * sinf(p->tail_pitch) + 0.9f * (float)i * 0.2f;
                struct vec3 q = {-48 - along * cosf(angle) - across * sinf(angle) * 0.5f,
                                 side * 0.6f * (float)i + along * sinf(angle) + across * cosf(angle) + curl,
                                 2.6f - down};
                put(m, f, q, (struct vec3){(float)i, along, side}, t, side > 0 ? v : 1 - v);
            }
        }
        mesh_grid(m, first, 16, 4, BIRD_TAIL);
    }
}

static void add_tube(struct mesh *m, const struct frame *f, struct vec3 a, struct vec3 b, float r0, float r1)
{
    int first = m->vertices;
    for (int i = 0; i < 2; i++)
        for (int c = 0; c < 9; c++) {
            float w = (float)c / 8 * 2 * 3.14159265f, r = i ? r1 : r0;
            struct vec3 q = vec3_add(i ? b : a, (struct vec3){r * cosf(w), r * sinf(w), 0.2f * r * sinf(w)});
            put(m, f, q, q, (float)i, w);
        }
    mesh_grid(m, first, 2, 9, BIRD_LEG);
}

/* Short legs, gripping what the bird sits on. */
static void add_legs(struct mesh *m, const struct frame *f)
{
    for (float side = -1; side < 2; side += 2) {
        struct vec3 hip = {-6, 5 * side, -12}, foot = {-15, 5.5f * side, -21};
        add_tube(m, f, hip, foot, 1.8f, 1.0f);
        for (int toe = 0; toe < 3; toe++) {
            struct vec3 tip =
                vec3_add(foot, (struct vec3){6.0f - 1.5f * (float)toe, ((float)toe - 1) * 3.5f, -4.5f});
            add_tube(m, f, foot, tip, 0.9f, 0.5f);
        }
    }
}

void bird_mesh(const struct bird_pose *pose, struct mesh *m)
{
    struct frame f = frame_of(pose);
    mesh_clear(m);
    add_body(m, pose, &f);
    add_beak(m, pose, &f);
    add_ball(m, pose, &f, (struct vec3){43.0f, 8.0f, 5.4f}, 2.7f);
    add_ball(m, pose, &f, (struct vec3){43.0f, -8.0f, 5.4f}, 2.7f);
    add_tail(m, pose, &f);
    if (pose->folded) {
        add_folded_wing(m, &f, 1);
        add_folded_wing(m, &f, -1);
        add_legs(m, &f);
    } else {
        add_wing(m, pose, &f, 1);
        add_wing(m, pose, &f, -1);
    }
    mesh_normals(m);
}

/* From view mm to px on the picture: the whole bird at the scale of its middle. */
static void project(struct mesh *m, const struct bird_pose *p, const struct lens *lens, int w, int h)
{
    float scale = lens_scale_px(lens, lens->focus_mm - p->at.z);
    for (int i = 0; i < m->vertices; i++) {
        struct vec3 *a = &m->vertex[i].at;
        a->x = (float)w * 0.5f + a->x * scale;
        a->y = (float)h * 0.5f - a->y * scale;
    }
}

static void bounds(const struct mesh *m, struct bird_shot *s)
{
    s->x0 = s->y0 = 1e9f;
    s->x1 = s->y1 = -1e9f;
    for (int i = 0; i < m->vertices; i++) {
        s->x0 = fminf(s->x0, m->vertex[i].at.x);
        s->x1 = fmaxf(s->x1, m->vertex[i].at.x);
        s->y0 = fminf(s->y0, m->vertex[i].at.y);
        s->y1 = fmaxf(s->y1, m->vertex[i].at.y);
    }
}

/* Scan converts `sub` x `sub` samples a px and averages them; sums the outline's area. */
static void draw_samples(const struct mesh *m, const struct bird_pose *p, const struct bird_light *light,
                         int sub, struct bird_shot *s)
{
    enum { BAND = 16 };
    struct patch *o = &s->patch;
    int w = o->w * sub;
    struct mesh_sample *band = canvas_alloc((size_t)w * BAND * (size_t)sub, sizeof *band);
    float share = 1.0f / (float)(sub * sub);
    for (int y = 0; y < o->h; y += BAND) {
        int rows = (o->h - y < BAND ? o->h - y : BAND) * sub;
        mesh_raster(m, band, w, y * sub, rows, (float)sub, (float)(o->x0 * sub), (float)(o->y0 * sub),
                    bird_hole);
        for (int j = 0; j < rows; j++)
            for (int i = 0; i < w; i++) {
                const struct mesh_sample *q = band + (size_t)j * (size_t)w + (size_t)i;
                if (!q->part)
                    continue;
                float rgb[3], *d = o->px + ((size_t)(y + j / sub) * (size_t)o->w + (size_t)(i / sub)) * 4;
                bird_paint(q, p->salt, light, rgb);
                for (int k = 0; k < 3; k++)
                    d[k] += rgb[k] * share;
                d[3] += share;
                s->area_px += (double)share;
            }
    }
    free(band);
}

bool bird_draw(const struct bird_pose *pose, const struct lens *lens, const struct bird_light *light, int w,
               int h, struct bird_shot *out)
{
    struct mesh m = {0};
    float distance = lens->focus_mm - pose->at.z, scale = lens_scale_px(lens, distance);
    *out = (struct bird_shot){.disc_px = lens_disc_px(lens, distance)};
    out->line_dx_px = pose->velocity.x * lens->exposure_s * scale;
    out->line_dy_px = -pose->velocity.y * lens->exposure_s * scale;
    out->sigma_px = lens_sigma_px(out->disc_px, hypotf(out->line_dx_px, out->line_dy_px));
    bird_mesh(pose, &m);
    project(&m, pose, lens, w, h);
    bounds(&m, out);
    int margin = blur_margin_px(out->disc_px, out->line_dx_px, out->line_dy_px) + 8;
    bool seen = out->x1 + (float)margin > 0 && out->y1 + (float)margin > 0 &&
                out->x0 - (float)margin < (float)w && out->y0 - (float)margin < (float)h;
    if (seen) {
        int x0 = (int)floorf(out->x0) - margin, y0 = (int)floorf(out->y0) - margin;
        out->patch = patch_new(x0, y0, (int)ceilf(out->x1) + margin - x0, (int)ceilf(out->y1) + margin - y0);
        draw_samples(&m, pose, light, out->sigma_px < 2.5f ? 2 : 1, out);
    }
    mesh_free(&m);
    return seen;
}
