/*
 * drawing.h - the picture of a set-up as a list of shapes, which is written as SVG or painted into pixels.
 * Private to field. Places are in units of the SVG's view, DRAWING_WIDTH x DRAWING_HEIGHT, y downwards.
 *
 *     picture.c          the shapes of a set-up
 *     drawing_svg.c      as SVG
 *     drawing_paint.c    as pixels
 */
#ifndef CHAFFINCH_FIELD_DRAWING_H
#define CHAFFINCH_FIELD_DRAWING_H

#include <stddef.h>

#include "chaffinch/field.h"

enum { DRAWING_WIDTH = 720, DRAWING_HEIGHT = 540, DRAWING_SHAPES = 160, DRAWING_FONT = 15 };

enum shape_kind { SHAPE_BOX, SHAPE_LINE, SHAPE_DOT, SHAPE_TEXT };
enum shape_paint { PAINT_INK, PAINT_ZONE, PAINT_VIEW, PAINT_PLANE, PAINT_BACK, PAINT_PATH, PAINTS };
enum shape_anchor { ANCHOR_START, ANCHOR_MIDDLE, ANCHOR_END };

struct shape {
    enum shape_kind kind;
    enum shape_paint paint;
    double x, y;   /* a corner, an end, the centre, the place on the line of writing */
    double x2, y2; /* the other corner or end; x2 = the radius of a dot */
    enum shape_anchor anchor;
    char text[96];
};

struct drawing {
    char title[96];
    struct shape shape[DRAWING_SHAPES];
    size_t n;
};

/* How each paint looks, for both writers. */
struct paint_look {
    const char *name;
    unsigned rgb;
    double width;   /* of lines */
    double dash[2]; /* on, off; 0 = solid */
};
extern const struct paint_look drawing_looks[PAINTS];

void drawing_make(struct drawing *d, const struct field_setup *s, const struct field_answer *a);
void drawing_write_svg(struct str *out, const struct drawing *d);
/* Paints into rgb, 3 bytes a pixel, `scale` pixels a unit. */
void drawing_paint(const struct drawing *d, unsigned scale, unsigned char *rgb);

#endif
