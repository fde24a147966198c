/* fowl.c - a bird of the demo card in other coats, with blur by depth. */
#include "fowl.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "../cardgen/blur.h"
#include "../cardgen/mesh.h"

enum { SLICES = 9, BAND = 16 };
static const float SLICE_PX = 0.7f; /* discs within a slice differ by this much */
static const float HEAD_MM = 40.0f; /* from the middle of the body to the eyes */

static struct bird_light light_of(uint64_t seed)
{
    struct rng r = rng_from(seed, rng_name("sun"));
    float side = rng_range(&r, -0.8f, 0.8f);
    return (struct bird_light){.to_sun = vec3_unit((struct vec3){side, rng_range(&r, 0.4f, 0.9f), 0.55f}),
                               .sun = {0.98f, 0.90f, 0.78f},
                               .sky = {0.34f, 0.39f, 0.46f},
                               .ground = {0.17f, 0.17f, 0.13f}};
}

/* Feathers of a photograph: the albedo is a place in it. */
static float photo_at(struct studio *s, uint32_t salt, const struct vec3 *rest, int part)
{
    const struct plate *p = studio_photo(s, (int)(salt % (uint32_t)s->photos));
    float u = 1.6f * rest->x + (float)(salt % 977u) + 300.0f * (float)part;
    float v = 1.6f * (rest->y + rest->z) + (float)(salt % 1009u) + 400.0f;
    int x = abs((int)u) % p->w, y = abs((int)v) % p->h;
    return p->v[(size_t)y * (size_t)p->w + (size_t)x];
}

/* The light of one sample of the plumage. */
static float coat(const struct fowl_view *view, const struct actor *a, const struct bird_light *light,
                  const struct mesh_sample *q)
{
    float rgb[3];
    bird_paint(q, a->salt, light, rgb);
    float g = fmaxf(0.2126f * rgb[0] + 0.7152f * rgb[1] + 0.0722f * rgb[2], 0.002f);
    float fine = rng_noise(a->salt + 77, q->rest.x * 0.5f, (q->rest.y + q->rest.z) * 0.9f) +
                 0.6f * rng_noise(a->salt + 78, q->rest.x * 1.3f, (q->rest.y + q->rest.z) * 1.9f);
    switch (a->look) {
    case LOOK_GREY:
        return 0.12f * powf(g / 0.10f, 0.35f) * (1 + 0.22f * fine);
    case LOOK_DARK:
        return 0.004f + 0.20f * g;
    case LOOK_BRIGHT:
        return fminf(0.34f * powf(g / 0.10f, 0.30f) * (1 + 0.10f * fine), 0.9f);
    case LOOK_FLAT:
        return view->level * (0.55f + 0.38f * powf(g / 0.10f, 0.6f) + 0.09f * fine);
    case LOOK_PHOTO:
        if (view->studio->photos > 0)
            return 0.12f * powf(g / 0.10f, 0.45f) *
                   (0.3f + 4 * photo_at(view->studio, a->salt, &q->rest, q->part));
        return g * (1 + 0.3f * fine);
    default:
        return g;
    }
}

/* Other kinds of birds: the forked tail cut short, a stouter body, shorter wings. */
static void reshape(struct mesh *m, const struct bird_pose *pose, const struct actor *a)
{
    struct vec3 ahead = vec3_unit(pose->forward), shoulder = vec3_add(pose->at, vec3_mul(ahead, 12));
    bool *done = canvas_alloc((size_t)m->vertices + 1, sizeof *done);
    for (int i = 0; i < 3 * m->triangles; i++) {
        struct mesh_vertex *v = &m->vertex[m->index[i]];
        int part = m->part[i / 3];
        if (done[m->index[i]])
            continue;
        done[m->index[i]] = true;
        if (part == BIRD_TAIL) {
            float keep = v->rest.x > 4.5f ? a->fork : 1;
            v->at = vec3_add(v->at, vec3_mul(ahead, v->rest.y * (1 - keep)));
        } else if (part == BIRD_WING_LEFT || part == BIRD_WING_RIGHT) {
            v->at = vec3_add(shoulder, vec3_mul(vec3_sub(v->at, shoulder), a->wing));
        } else if (part != BIRD_LEG) {
            struct vec3 off = vec3_sub(v->at, pose->at), along = vec3_mul(ahead, vec3_dot(off, ahead));
            v->at = vec3_add(pose->at, vec3_add(along, vec3_mul(vec3_sub(off, along), a->stout)));
        }
    }
    free(done);
}

static void project(struct mesh *m, const struct fowl_view *view, const struct bird_pose *pose, float size)
{
    const struct lens *l = &view->script->lens;
    float scale = lens_scale_px(l, l->focus_mm - pose->at.z);
    for (int i = 0; i < m->vertices; i++) {
        struct vec3 *v = &m->vertex[i].at;
        *v = vec3_add(pose->at, vec3_mul(vec3_sub(*v, pose->at), size));
        v->x = SCENE_W * 0.5f + v->x * scale - view->dx;
        v->y = SCENE_H * 0.5f - v->y * scale - view->dy;
    }
}

/* Box of the outline, and nearest and farthest part. */
static void bounds(const struct mesh *m, struct fowl *f, float z[2])
{
    f->x0 = f->y0 = z[0] = 1e9f;
    f->x1 = f->y1 = z[1] = -1e9f;
    for (int i = 0; i < m->vertices; i++) {
        const struct vec3 *v = &m->vertex[i].at;
        f->x0 = fminf(f->x0, v->x);
        f->x1 = fmaxf(f->x1, v->x);
        f->y0 = fminf(f->y0, v->y);
        f->y1 = fmaxf(f->y1, v->y);
        z[0] = fminf(z[0], v->z);
        z[1] = fmaxf(z[1], v->z);
    }
}

/* Disc with a sign: negative before the plane of focus. */
static float signed_disc(const struct lens *l, float z)
{
    float d = lens_disc_px(l, l->focus_mm - z);
    return z > 0 ? -d : d;
}

/* The bird cut by depth into parts that share a blur. */
struct slices {
    int n;
    float disc0, step; /* of the first one, and from one to the next */
    struct patch at[SLICES];
};

static void put(struct slices *s, float disc, int x, int y, float light, float share)
{
    float pos = s->n > 1 ? fminf(fmaxf((disc - s->disc0) / s->step, 0), (float)(s->n - 1) - 0.001f) : 0;
    int k = (int)pos;
    float t = pos - (float)k;
    for (int i = 0; i < (s->n > 1 ? 2 : 1); i++) {
        struct patch *p = &s->at[k + i];
        float *d = p->px + ((size_t)y * (size_t)p->w + (size_t)x) * 4, w = share * (i ? t : 1 - t);
        d[0] += w * light;
        d[1] += w;
    }
}

static void draw_samples(const struct mesh *m, const struct fowl_view *view, const struct actor *a, int sub,
                         struct slices *s)
{
    struct bird_light light = light_of(view->script->seed);
    const struct patch *o = &s->at[0];
    int w = o->w * sub;
    struct mesh_sample *band = canvas_alloc((size_t)w * BAND * (size_t)sub, sizeof *band);
    float share = 1.0f / (float)(sub * sub);
    for (int y = 0; y < o->h; y += BAND) {
        int rows = (o->h - y < BAND ? o->h - y : BAND) * sub;
        mesh_raster(m, band, w, y * sub, rows, (float)sub, (float)(o->x0 * sub), (float)(o->y0 * sub),
                    bird_hole);
        for (int i = 0; i < rows * w; i++)
            if (band[i].part)
                put(s, signed_disc(&view->script->lens, band[i].z), i % w / sub, y + i / w / sub,
                    coat(view, a, &light, &band[i]), share);
    }
    free(band);
}

/* Blurs every slice by its own disc and adds them up. */
static void merge(struct slices *s, float line_dx, float line_dy, struct patch *out)
{
    for (int k = 0; k < s->n; k++) {
        float disc = fabsf(s->disc0 + s->step * (float)k);
        blur_patch(&s->at[k], disc, line_dx, line_dy);
        size_t n = (size_t)s->at[0].w * (size_t)s->at[0].h * 4;
        for (size_t i = 0; i < n && k > 0; i++)
            s->at[0].px[i] += s->at[k].px[i];
        if (k > 0)
            patch_free(&s->at[k]);
    }
    *out = s->at[0];
}

/* The triangles of one layer; vertices are shared, index and part are the caller's to free. */
static struct mesh layer_of(const struct mesh *m, unsigned parts)
{
    struct mesh layer = *m;
    size_t room = (size_t)m->triangles + 1;
    layer.index = canvas_alloc(3 * room, sizeof *layer.index);
    layer.part = canvas_alloc(room, sizeof *layer.part);
    layer.triangles = 0;
    for (int i = 0; i < m->triangles; i++) {
        if (!(parts >> m->part[i] & 1))
            continue;
        memcpy(layer.index + 3 * layer.triangles, m->index + 3 * i, 3 * sizeof *layer.index);
        layer.part[layer.triangles++] = m->part[i];
    }
    return layer;
}

/* Where a layer covers itself at two blurs, its cover may add up to more than all: it is brought back. */
static void lay_over(const struct patch *front, struct patch *behind)
{
    for (size_t i = 0; i < (size_t)front->w * (size_t)front->h * 4; i += 4) {
        float cover = fmaxf(front->px[i + 1], 1), left = 1 - fminf(front->px[i + 1], 1);
        behind->px[i] = front->px[i] / cover + left * behind->px[i];
        behind->px[i + 1] = front->px[i + 1] / cover + left * behind->px[i + 1];
    }
}

static float middle_z(const struct mesh *m, int part)
{
    float sum = 0, n = 0;
    for (int i = 0; i < 3 * m->triangles; i++)
        if (m->part[i / 3] == part) {
            sum += m->vertex[m->index[i]].at.z;
            n++;
        }
    return n > 0 ? sum / n : 0;
}

/* Parts at different depths have different blurs where they cover each other: each is drawn whole, blurred,
   and laid over what is behind it. Cut out of one picture, their edges would not meet. */
static void draw_layers(const struct mesh *m, const struct fowl_view *view, const struct actor *a, int sub,
                        const struct slices *like, const float line[2], struct patch *out)
{
    const unsigned left = 1u << BIRD_WING_LEFT, right = 1u << BIRD_WING_RIGHT;
    bool left_behind = middle_z(m, BIRD_WING_LEFT) < middle_z(m, BIRD_WING_RIGHT);
    const unsigned parts[3] = {left_behind ? left : right, ~(left | right), left_behind ? right : left};
    for (int k = 0; k < 3; k++) {
        struct mesh layer = layer_of(m, parts[k]);
        struct slices s = *like;
        struct patch merged;
        for (int i = 0; i < s.n; i++)
            s.at[i] = patch_new(like->at[0].x0, like->at[0].y0, like->at[0].w, like->at[0].h);
        draw_samples(&layer, view, a, sub, &s);
        merge(&s, line[0], line[1], &merged);
        lay_over(&merged, out);
        patch_free(&merged);
        free(layer.index);
        free(layer.part);
    }
}

bool fowl_draw(const struct fowl_view *view, const struct actor *actor, const struct bird_pose *pose,
               struct fowl *out)
{
    const struct lens *l = &view->script->lens;
    struct mesh m = {0};
    struct slices s = {.n = 1};
    float z[2], scale = lens_scale_px(l, l->focus_mm - pose->at.z);
    float line_dx = pose->velocity.x * l->exposure_s * scale - view->line_dx;
    float line_dy = -pose->velocity.y * l->exposure_s * scale - view->line_dy,
          line = hypotf(line_dx, line_dy);
    *out = (struct fowl){0};
    bird_mesh(pose, &m);
    reshape(&m, pose, actor);
    project(&m, view, pose, actor->size);
    bounds(&m, out, z);
    float body = signed_disc(l, pose->at.z);
    float head = signed_disc(l, pose->at.z + HEAD_MM * actor->size * vec3_unit(pose->forward).z);
    s.disc0 = body;
    if (view->script->head_decides) {
        s.disc0 = signed_disc(l, z[1]);
        float range = signed_disc(l, z[0]) - s.disc0;
        s.n = (int)fminf(fmaxf(ceilf(range / SLICE_PX), 1), SLICES - 1) + 1;
        s.step = range / (float)(s.n - 1);
    }
    out->blur_px = lens_sigma_px(fabsf(body), line);
    out->head_px = view->script->head_decides ? lens_sigma_px(fabsf(head), line) : out->blur_px;
    float widest = fmaxf(fabsf(s.disc0), fabsf(s.disc0 + s.step * (float)(s.n - 1)));
    int margin = blur_margin_px(widest, line_dx, line_dy) + 8;
    bool seen = out->x1 + (float)margin > 0 && out->y1 + (float)margin > 0 &&
                out->x0 - (float)margin < SCENE_W && out->y0 - (float)margin < SCENE_H;
    if (seen) {
        int x0 = (int)floorf(out->x0) - margin, y0 = (int)floorf(out->y0) - margin;
        int sub = out->blur_px < 2.5f ? 2 : 1;
        s.at[0] = patch_new(x0, y0, (int)ceilf(out->x1) + margin - x0, (int)ceilf(out->y1) + margin - y0);
        if (s.n > 1) {
            out->patch = patch_new(x0, y0, s.at[0].w, s.at[0].h);
            draw_layers(&m, view, actor, sub, &s, (float[2]){line_dx, line_dy}, &out->patch);
            patch_free(&s.at[0]);
        } else {
            draw_samples(&m, view, actor, sub, &s);
            merge(&s, line_dx, line_dy, &out->patch);
        }
    }
    mesh_free(&m);
    return seen;
}
