#ifndef CARDGEN_MESH_H
#define CARDGEN_MESH_H
/* Triangles in view space (x right, y down in px; z towards the camera in mm) and their scan conversion. */
#include <stdbool.h>

struct vec3 {
    float x, y, z;
};

struct mesh_vertex {
    struct vec3 at;     /* px, px, mm */
    struct vec3 normal; /* view space, x right, y up, z towards the camera */
    struct vec3 rest;   /* the point on the animal at rest, mm: textures hang on it */
    float u, v;
};

struct mesh {
    struct mesh_vertex *vertex;
    int *index; /* three a triangle */
    unsigned char *part;
    int vertices, triangles, vertex_room, triangle_room;
};

/* What one sample of the picture sees. */
struct mesh_sample {
    float z;
    unsigned char part; /* 0 = nothing */
    struct vec3 normal, rest;
    float u, v;
};

/* True where the part has a hole (feather gaps) at (u, v). */
typedef bool mesh_hole_fn(int part, float u, float v, const struct vec3 *rest);

int mesh_add(struct mesh *m, const struct mesh_vertex *v);
void mesh_triangle(struct mesh *m, int a, int b, int c, int part);

/* Two triangles for every cell of a grid of vertices that starts at `first`, rows x cols. */
void mesh_grid(struct mesh *m, int first, int rows, int cols, int part);
void mesh_clear(struct mesh *m);
void mesh_free(struct mesh *m);

/* Smooth normals from the triangles' own. */
void mesh_normals(struct mesh *m);

/* Fills samples of a band of rows y0..y0+rows of a w wide grid; sample centres at whole + 0.5. Sample
 * positions are the vertices' times `scale` minus (ox, oy). */
void mesh_raster(const struct mesh *m, struct mesh_sample *out, int w, int y0, int rows, float scale,
                 float ox, float oy, mesh_hole_fn *hole);

struct vec3 vec3_add(struct vec3 a, struct vec3 b);
struct vec3 vec3_sub(struct vec3 a, struct vec3 b);
struct vec3 vec3_mul(struct vec3 a, float k);
struct vec3 vec3_cross(struct vec3 a, struct vec3 b);
float vec3_dot(struct vec3 a, struct vec3 b);
struct vec3 vec3_unit(struct vec3 a);

#endif
