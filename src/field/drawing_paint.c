/* The shapes as pixels. How much of a pixel a shape covers follows from the distance of the pixel's centre
   to its edge, so that slanted lines are smooth. */
#include <math.h>
#include <string.h>

#include "chaffinch/glyph.h"
#include "drawing.h"

struct canvas {
    unsigned char *rgb;
    double scale;
    int width, height;
};

static void blend(struct canvas *c, int x, int y, unsigned colour, double cover)
{
    if (x < 0 || y < 0 || x >= c->width || y >= c->height || !(cover > 0))
        return;
    unsigned char *at = c->rgb + ((size_t)y * (size_t)c->width + (size_t)x) * 3;
    cover = fmin(cover, 1);
    for (int i = 0; i < 3; i++) {
        double to = (colour >> (16 - 8 * i)) & 255;
        at[i] = (unsigned char)lround(at[i] + cover * (to - at[i]));
    }
}

/* How deep a place lies inside of the shape, in units; negative outside. */
static double depth_in(const struct shape *s, double x, double y)
{
    const struct paint_look *look = &drawing_looks[s->paint];
    if (s->kind == SHAPE_BOX)
        return fmin(fmin(x - s->x, s->x2 - x), fmin(y - s->y, s->y2 - y));
    if (s->kind == SHAPE_DOT)
        return s->x2 - hypot(x - s->x, y - s->y);
    double dx = s->x2 - s->x, dy = s->y2 - s->y, length = hypot(dx, dy);
    double along = length > 0 ? ((x - s->x) * dx + (y - s->y) * dy) / length : 0;
    double nearest = fmin(fmax(along, 0), length), part = length > 0 ? nearest / length : 0;
    double depth = look->width / 2 - hypot(x - s->x - part * dx, y - s->y - part * dy);
    if (look->dash[0] > 0) {
        double in_dash = fmod(nearest, look->dash[0] + look->dash[1]);
        depth = fmin(depth, fmin(in_dash, look->dash[0] - in_dash));
    }
    return depth;
}

static void paint_shape(struct canvas *c, const struct shape *s)
{
    double grow = s->kind == SHAPE_DOT ? s->x2 + 1 : drawing_looks[s->paint].width + 1;
    bool dot = s->kind == SHAPE_DOT;
    double left = dot ? s->x : fmin(s->x, s->x2), right = dot ? s->x : fmax(s->x, s->x2);
    double top = dot ? s->y : fmin(s->y, s->y2), low = dot ? s->y : fmax(s->y, s->y2);
    for (int y = (int)floor((top - grow) * c->scale); y <= (int)ceil((low + grow) * c->scale); y++)
        for (int x = (int)floor((left - grow) * c->scale); x <= (int)ceil((right + grow) * c->scale); x++) {
            double depth = depth_in(s, (x + .5) / c->scale, (y + .5) / c->scale);
            blend(c, x, y, drawing_looks[s->paint].rgb, depth * c->scale + .5);
        }
}

/* A dot of a letter is as many pixels as make the letters as tall as the SVG's. */
static void paint_text(struct canvas *c, const struct shape *s)
{
    int dot = (int)fmax(round(c->scale * DRAWING_FONT * .7 / GLYPH_LINE), 1);
    int n = (int)strlen(s->text), width = (n * GLYPH_ADVANCE - 1) * dot;
    int left = (int)lround(s->x * c->scale) - (s->anchor == ANCHOR_START    ? 0
                                               : s->anchor == ANCHOR_MIDDLE ? width / 2
                                                                            : width);
    int top = (int)lround(s->y * c->scale) - GLYPH_LINE * dot;
    for (int i = 0; i < n; i++) {
        const uint8_t *row = glyph_rows(s->text[i]);
        for (int k = 0; row != NULL && k < GLYPH_ROWS * GLYPH_COLS * dot * dot; k++) {
            int dx = k % (GLYPH_COLS * dot), dy = k / (GLYPH_COLS * dot);
            if (row[dy / dot] >> (GLYPH_COLS - 1 - dx / dot) & 1)
                blend(c, left + i * GLYPH_ADVANCE * dot + dx, top + dy, drawing_looks[s->paint].rgb, 1);
        }
    }
}

void drawing_paint(const struct drawing *d, unsigned scale, unsigned char *rgb)
{
    struct canvas c = {rgb, scale, DRAWING_WIDTH * (int)scale, DRAWING_HEIGHT * (int)scale};
    memset(rgb, 255, (size_t)c.width * (size_t)c.height * 3);
    for (size_t i = 0; i < d->n; i++)
        if (d->shape[i].kind == SHAPE_TEXT)
            paint_text(&c, &d->shape[i]);
        else
            paint_shape(&c, &d->shape[i]);
}
