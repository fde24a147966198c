#ifndef CARDGEN_CANVAS_H
#define CARDGEN_CANVAS_H
/* Linear-light pictures: the canvas is what the lens throws on the sensor, the patch a cut-out to lay over
 * it. 1.0 is the level at which the sensor clips. Out of memory ends the program: this is a test tool. */
#include <stddef.h>
#include <stdint.h>

struct canvas {
    int w, h;
    float *rgb; /* w*h*3, owned */
};

struct patch {
    int x0, y0; /* where its first pixel lies on the canvas; may be outside */
    int w, h;
    float *px; /* w*h premultiplied RGBA, owned */
};

/* Zeroed memory, or the end of the program. */
void *canvas_alloc(size_t count, size_t size);

struct canvas canvas_new(int w, int h);
void canvas_free(struct canvas *c);
void canvas_copy(struct canvas *to, const struct canvas *from);

/* Copy shifted by whole px; what is uncovered repeats the edge. */
void canvas_copy_shifted(struct canvas *to, const struct canvas *from, int dx, int dy);

/* Bilinear sample, clamped at the edges; pixel centres at whole numbers. */
void canvas_sample(const struct canvas *c, float x, float y, float rgb[3]);

/* Adds `colour` over one pixel with coverage a (0..1); outside the canvas: nothing. */
void canvas_blend(struct canvas *c, int x, int y, const float colour[3], float a);

/* Separable box blur, radius in px, done `times` (3 times is nearly a Gaussian). */
void canvas_box_blur(struct canvas *c, int radius, int times);

struct patch patch_new(int x0, int y0, int w, int h);
void patch_free(struct patch *p);

/* Lays the patch over the canvas. `front` (w*h bytes, 255 = nearer than the patch) may be NULL. */
void patch_over(const struct patch *p, struct canvas *c, const uint8_t *front);

#endif
