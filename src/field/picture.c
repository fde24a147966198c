/* The set-up from above. The upper half is to scale along the line of sight; the sharp zone of a long lens is
 * a hair there, so the lower half enlarges it, as much across as along, and shows where the frames of a burst
 * fall. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "drawing.h"

#define PI 3.14159265358979323846

enum {
    LENS_X = 60,    /* where the lens stands */
    RIGHT_X = 660,  /* where the farthest thing that is drawn lies */
    AXIS_Y = 110,   /* line of sight */
    CONE_HALF = 62, /* half of the view at RIGHT_X, not to scale */
    ZONE_Y = 250,   /* top of the enlarged zone */
    ZONE_HEIGHT = 200,
    ZONE_WIDTH = 300, /* of the enlarged zone, where the path leaves room */
    PATH_HALF = 190,
    PATH_ROOM = ZONE_HEIGHT / 2 - 6, /* to either side of the line of sight */
    LEAST_HALF = 8, /* of the enlarged zone before or behind the plane, however shallow the path */
    MAX_DOTS = 60
};

static struct shape *add(struct drawing *d, enum shape_kind kind, enum shape_paint paint, double x, double y,
                         double x2, double y2)
{
    struct shape *s = &d->shape[d->n < DRAWING_SHAPES - 1 ? d->n++ : d->n];
    *s = (struct shape){.kind = kind, .paint = paint, .x = x, .y = y, .x2 = x2, .y2 = y2};
    return s;
}

static void text_at(struct drawing *d, double x, double y, enum shape_anchor anchor, const char *text)
{
    struct shape *s = add(d, SHAPE_TEXT, PAINT_INK, x, y, x, y);
    size_t n = strnlen(text, sizeof s->text - 1);
    s->anchor = anchor;
    memcpy(s->text, text, n);
    s->text[n] = '\0';
}

/* The drawing ends a bit behind the background or the plane; the sky and a far limit without end run out at
   its edge. */
static double farthest_mm(const struct field_setup *s, const struct field_answer *a)
{
    double far = 1.25 * s->distance_mm;
    if (isfinite(s->background_mm) && 1.08 * s->background_mm > far)
        far = 1.08 * s->background_mm;
    if (isfinite(a->far_mm) && 1.08 * a->far_mm > far && a->far_mm < 4 * s->distance_mm)
        far = 1.08 * a->far_mm;
    return fmin(far, 12 * s->distance_mm);
}

static double x_of(double mm, double far_mm)
{
    return LENS_X + (RIGHT_X - LENS_X) * fmin(mm / far_mm, 1);
}

static void camera(struct drawing *d)
{
    (void)add(d, SHAPE_BOX, PAINT_INK, LENS_X - 48, AXIS_Y - 18, LENS_X - 12, AXIS_Y + 18);
    (void)add(d, SHAPE_BOX, PAINT_INK, LENS_X - 12, AXIS_Y - 10, LENS_X, AXIS_Y + 10);
    (void)add(d, SHAPE_LINE, PAINT_VIEW, LENS_X, AXIS_Y - 4, RIGHT_X, AXIS_Y - CONE_HALF);
    (void)add(d, SHAPE_LINE, PAINT_VIEW, LENS_X, AXIS_Y + 4, RIGHT_X, AXIS_Y + CONE_HALF);
}

static double angle_of(const struct field_setup *s)
{
    return (isnan(s->angle_deg) ? 90 : s->angle_deg) * PI / 180;
}

static void overview(struct drawing *d, const struct field_setup *s, const struct field_answer *a)
{
    char length[FIELD_TEXT_SIZE];
    double far = farthest_mm(s, a), near_x = x_of(a->near_mm, far), far_x = x_of(a->far_mm, far);
    double plane_x = x_of(s->distance_mm, far), half = CONE_HALF + 8, reach = CONE_HALF - 14;
    /* A zone thinner than a line is drawn as a line. */
    double zone_x = fmin(near_x, plane_x - 1);
    (void)add(d, SHAPE_BOX, PAINT_ZONE, zone_x, AXIS_Y - half, fmax(far_x, zone_x + 2), AXIS_Y + half);
    camera(d);
    (void)add(d, SHAPE_LINE, PAINT_PLANE, plane_x, AXIS_Y - half, plane_x, AXIS_Y + half);
    double dx = -sin(angle_of(s)) * reach, dy = cos(angle_of(s)) * reach;
    (void)add(d, SHAPE_LINE, PAINT_PATH, plane_x - dx, AXIS_Y - dy, plane_x + dx, AXIS_Y + dy);
    text_at(d, plane_x, AXIS_Y + CONE_HALF + 26, ANCHOR_MIDDLE,
            field_length_text(length, s->distance_mm, s->feet));
    if (isnan(s->background_mm))
        return;
    double x = x_of(s->background_mm, far);
    (void)add(d, SHAPE_LINE, PAINT_BACK, x, AXIS_Y - half, x, AXIS_Y + half);
    text_at(d, fmin(x, RIGHT_X), AXIS_Y - CONE_HALF - 16, ANCHOR_MIDDLE,
            isinf(s->background_mm) ? "sky" : field_length_text(length, s->background_mm, s->feet));
}

/* The path through the zone at its true angle, a dot for each frame, the middle one on the plane. */
static void path(struct drawing *d, const struct field_setup *s, const struct field_answer *a,
                 double px_per_mm, double plane_x)
{
    double dx = -sin(angle_of(s)), dy = cos(angle_of(s)), middle = ZONE_Y + ZONE_HEIGHT / 2.0;
    double reach = fmin(PATH_HALF / fmax(fabs(dx), 1e-6), PATH_ROOM / fmax(fabs(dy), 1e-6));
    double step = a->advance_mm * px_per_mm;
    (void)add(d, SHAPE_LINE, PAINT_PATH, plane_x - dx * reach, middle - dy * reach, plane_x + dx * reach,
              middle + dy * reach);
    if (isnan(step) || !(step > 0))
        return;
    /* More dots than can be told apart: every second, every tenth ... */
    step *= fmax(1, ceil(2 * reach / step / MAX_DOTS));
    for (double at = -floor(reach / step) * step; at <= reach + 1e-9; at += step)
        (void)add(d, SHAPE_DOT, PAINT_INK, plane_x + dx * at, middle + dy * at, 4, 0);
}

/* A path at a shallow angle would leave the drawing before it leaves the zone: the zone is enlarged less
   then, so that its crossing fits. */
static double enlargement(const struct field_setup *s, double before, double behind)
{
    double most = ZONE_WIDTH / (before + behind), half = fmax(before, behind);
    double fits = PATH_ROOM * tan(angle_of(s)) / half;
    bool bound = fabs(cos(angle_of(s))) > 1e-9 && s->angle_deg > 0; /* not head-on, not within the plane */
    return bound ? fmin(most, fmax(fits, LEAST_HALF / half)) : most;
}

static void captions(struct drawing *d, const struct field_setup *s, const struct field_answer *a)
{
    char length[FIELD_TEXT_SIZE], words[FIELD_TEXT_SIZE + 48];
    double middle = DRAWING_WIDTH / 2.0;
    (void)snprintf(words, sizeof words, "depth %s", field_length_text(length, a->depth_mm, s->feet));
    text_at(d, middle, ZONE_Y - 10, ANCHOR_MIDDLE, words);
    if (isfinite(a->frames_in_depth)) {
        (void)snprintf(words, sizeof words, "%.2g frames inside", a->frames_in_depth);
        text_at(d, middle, ZONE_Y + ZONE_HEIGHT + 46, ANCHOR_MIDDLE, words);
    }
    if (isnan(s->angle_deg))
        return;
    (void)snprintf(words, sizeof words, "path at %g degrees to the plane of focus", s->angle_deg);
    text_at(d, middle, ZONE_Y + ZONE_HEIGHT + 70, ANCHOR_MIDDLE, words);
}

static void enlarged(struct drawing *d, const struct field_setup *s, const struct field_answer *a)
{
    char length[FIELD_TEXT_SIZE];
    /* A zone without end is drawn up to as far behind the plane as it reaches before it, twice. */
    bool open = isinf(a->far_mm);
    double before = s->distance_mm - a->near_mm, behind = open ? 2 * before : a->far_mm - s->distance_mm;
    double px_per_mm = enlargement(s, before, behind);
    double near_x = DRAWING_WIDTH / 2.0 - (before + behind) / 2 * px_per_mm;
    double plane_x = near_x + before * px_per_mm, far_x = open ? RIGHT_X : plane_x + behind * px_per_mm;
    double low = ZONE_Y + ZONE_HEIGHT;
    (void)add(d, SHAPE_BOX, PAINT_ZONE, near_x, ZONE_Y, far_x, low);
    (void)add(d, SHAPE_LINE, PAINT_PLANE, plane_x, ZONE_Y, plane_x, low);
    path(d, s, a, px_per_mm, plane_x);
    text_at(d, near_x, low + 20, ANCHOR_END, field_length_text(length, a->near_mm, s->feet));
    text_at(d, far_x, low + 20, open ? ANCHOR_END : ANCHOR_START,
            field_length_text(length, a->far_mm, s->feet));
    captions(d, s, a);
}

void drawing_make(struct drawing *d, const struct field_setup *s, const struct field_answer *a)
{
    char length[FIELD_TEXT_SIZE];
    d->n = 0;
    (void)snprintf(d->title, sizeof d->title, "%g mm at f/%g, focused at %s", s->focal_mm, s->f_number,
                   field_length_text(length, s->distance_mm, s->feet));
    text_at(d, DRAWING_WIDTH / 2.0, 22, ANCHOR_MIDDLE, d->title);
    overview(d, s, a);
    enlarged(d, s, a);
}

void field_write_picture(struct str *out, const struct field_setup *s, const struct field_answer *a)
{
    struct drawing d;
    drawing_make(&d, s, a);
    drawing_write_svg(out, &d);
}

bool field_paint_picture(const struct field_setup *s, const struct field_answer *a, uint32_t *width_px,
                         uint32_t *height_px, uint8_t **rgb, struct err *err)
{
    enum { SCALE = 2 };
    struct drawing d;
    *width_px = DRAWING_WIDTH * SCALE;
    *height_px = DRAWING_HEIGHT * SCALE;
    *rgb = malloc((size_t)*width_px * *height_px * 3);
    if (*rgb == NULL)
        return err_nomem(err);
    drawing_make(&d, s, a);
    drawing_paint(&d, SCALE, *rgb);
    return true;
}
