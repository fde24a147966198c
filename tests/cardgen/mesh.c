#include "mesh.h"
#include "canvas.h"
#include <math.h>
#include <stdlib.h>
#include <string.h>

struct vec3 vec3_add(struct vec3 a, struct vec3 b)
{
    return (struct vec3){a.x + b.x, a.y + b.y, a.z + b.z};
}

struct vec3 vec3_sub(struct vec3 a, struct vec3 b)
{
    return (struct vec3){a.x - b.x, a.y - b.y, a.z - b.z};
}

struct vec3 vec3_mul(struct vec3 a, float k)
{
    return (struct vec3){a.x * k, a.y * k, a.z * k};
}

struct vec3 vec3_cross(struct vec3 a, struct vec3 b)
{
    return (struct vec3){a.y * b.z - a.z * b.y, a.z * b.x - a.x * b.z, a.x * b.y - a.y * b.x};
}

float vec3_dot(struct vec3 a, struct vec3 b)
{
    return a.x * b.x + a.y * b.y + a.z * b.z;
}

struct vec3 vec3_unit(struct vec3 a)
{
    float n = sqrtf(vec3_dot(a, a));
    return n > 1e-12f ? vec3_mul(a, 1.0f / n) : (struct vec3){0, 0, 1};
}

static void *grown(void *old, int room, size_t size)
{
    void *p = realloc(old, (size_t)room * size);
    if (!p)
        canvas_alloc(SIZE_MAX / 2, 1); /* ends the program with its message */
    return p;
}

int mesh_add(struct mesh *m, const struct mesh_vertex *v)
{
    if (m->vertices == m->vertex_room) {
        m->vertex_room = m->vertex_room ? m->vertex_room * 2 : 4096;
        m->vertex = grown(m->vertex, m->vertex_room, sizeof *m->vertex);
    }
    m->vertex[m->vertices] = *v;
    return m->vertices++;
}

void mesh_triangle(struct mesh *m, int a, int b, int c, int part)
{
    if (m->triangles == m->triangle_room) {
        m->triangle_room = m->triangle_room ? m->triangle_room * 2 : 8192;
        m->index = grown(m->index, m->triangle_room * 3, sizeof *m->index);
        m->part = grown(m->part, m->triangle_room, 1);
    }
    int *t = m->index + 3 * m->triangles;
    t[0] = a;
    t[1] = b;
    t[2] = c;
    m->part[m->triangles++] = (unsigned char)part;
}

void mesh_grid(struct mesh *m, int first, int rows, int cols, int part)
{
    for (int r = 0; r + 1 < rows; r++)
        for (int c = 0; c + 1 < cols; c++) {
            int a = first + r * cols + c;
            mesh_triangle(m, a, a + 1, a + cols, part);
            mesh_triangle(m, a + 1, a + cols + 1, a + cols, part);
        }
}

void mesh_clear(struct mesh *m)
{
    m->vertices = 0;
    m->triangles = 0;
}

void mesh_free(struct mesh *m)
{
    free(m->vertex);
    free(m->index);
    free(m->part);
    *m = (struct mesh){0};
}

/* Vertices are in mm when normals are made: one unit on every axis. */
void mesh_normals(struct mesh *m)
{
    for (int i = 0; i < m->vertices; i++)
        m->vertex[i].normal = (struct vec3){0, 0, 0};
    for (int t = 0; t < m->triangles; t++) {
        const int *i = m->index + 3 * t;
        struct vec3 a = m->vertex[i[0]].at, b = m->vertex[i[1]].at, c = m->vertex[i[2]].at;
        struct vec3 n = vec3_cross(vec3_sub(b, a), vec3_sub(c, a));
        for (int k = 0; k < 3; k++)
            m->vertex[i[k]].normal = vec3_add(m->vertex[i[k]].normal, n);
    }
    for (int i = 0; i < m->vertices; i++)
        m->vertex[i].normal = vec3_unit(m->vertex[i].normal);
}

struct setup {
    float ax, ay, bx, by, cx, cy, inv_area;
    const struct mesh_vertex *a, *b, *c;
    int part;
};

static void shade_sample(struct mesh_sample *s, const struct setup *t, float wa, float wb, float wc,
                         mesh_hole_fn *hole)
{
    float z = wa * t->a->at.z + wb * t->b->at.z + wc * t->c->at.z;
    if (s->part && z <= s->z)
        return;
    float u = wa * t->a->u + wb * t->b->u + wc * t->c->u, v = wa * t->a->v + wb * t->b->v + wc * t->c->v;
    struct vec3 rest =
        vec3_add(vec3_add(vec3_mul(t->a->rest, wa), vec3_mul(t->b->rest, wb)), vec3_mul(t->c->rest, wc));
    if (hole && hole(t->part, u, v, &rest))
        return;
    s->z = z;
    s->part = (unsigned char)t->part;
    s->u = u;
    s->v = v;
    s->rest = rest;
    s->normal = vec3_add(vec3_add(vec3_mul(t->a->normal, wa), vec3_mul(t->b->normal, wb)),
                         vec3_mul(t->c->normal, wc));
}

static void fill(const struct setup *t, struct mesh_sample *out, int w, int y0, int rows, mesh_hole_fn *hole)
{
    int xa = (int)floorf(fminf(t->ax, fminf(t->bx, t->cx)) - 0.5f);
    int xb = (int)ceilf(fmaxf(t->ax, fmaxf(t->bx, t->cx)) - 0.5f);
    int ya = (int)floorf(fminf(t->ay, fminf(t->by, t->cy)) - 0.5f) - y0;
    int yb = (int)ceilf(fmaxf(t->ay, fmaxf(t->by, t->cy)) - 0.5f) - y0;
    xa = xa < 0 ? 0 : xa;
    xb = xb > w - 1 ? w - 1 : xb;
    ya = ya < 0 ? 0 : ya;
    yb = yb > rows - 1 ? rows - 1 : yb;
    for (int y = ya; y <= yb; y++)
        for (int x = xa; x <= xb; x++) {
            float px = (float)x + 0.5f, py = (float)(y + y0) + 0.5f;
            float wa = ((t->bx - px) * (t->cy - py) - (t->cx - px) * (t->by - py)) * t->inv_area;
            float wb = ((t->cx - px) * (t->ay - py) - (t->ax - px) * (t->cy - py)) * t->inv_area;
            float wc = 1.0f - wa - wb;
            if (wa >= 0 && wb >= 0 && wc >= 0)
                shade_sample(out + (size_t)y * (size_t)w + (size_t)x, t, wa, wb, wc, hole);
        }
}

void mesh_raster(const struct mesh *m, struct mesh_sample *out, int w, int y0, int rows, float scale,
                 float ox, float oy, mesh_hole_fn *hole)
{
    memset(out, 0, (size_t)w * (size_t)rows * sizeof *out);
    for (int i = 0; i < m->triangles; i++) {
        const int *k = m->index + 3 * i;
        struct setup t = {.a = m->vertex + k[0], .b = m->vertex + k[1], .c = m->vertex + k[2]};
        t.ay = t.a->at.y * scale - oy;
        t.by = t.b->at.y * scale - oy;
        t.cy = t.c->at.y * scale - oy;
        float lo = fminf(t.ay, fminf(t.by, t.cy)), hi = fmaxf(t.ay, fmaxf(t.by, t.cy));
        if (hi < (float)y0 || lo > (float)(y0 + rows))
            continue;
        t.ax = t.a->at.x * scale - ox;
        t.bx = t.b->at.x * scale - ox;
        t.cx = t.c->at.x * scale - ox;
        float area = (t.bx - t.ax) * (t.cy - t.ay) - (t.cx - t.ax) * (t.by - t.ay);
        if (fabsf(area) < 1e-9f)
            continue;
        t.inv_area = 1.0f / area;
        t.part = m->part[i];
        fill(&t, out, w, y0, rows, hole);
    }
}
