/* The set-up from above, as SVG. The upper half is to scale along the line of sight; the sharp zone of a long
 * lens is a hair there, so the lower half enlarges it and shows where the frames of a burst fall. */
#include <math.h>
#include <stdio.h>

#include "chaffinch/field.h"

enum {
    WIDTH = 720,
    HEIGHT = 430,
    LENS_X = 60,    /* where the lens stands */
    RIGHT_X = 660,  /* where the farthest thing that is drawn lies */
    AXIS_Y = 110,   /* line of sight */
    CONE_HALF = 62, /* half of the view at RIGHT_X, not to scale */
    ZONE_Y = 250,   /* top of the enlarged zone */
    ZONE_HEIGHT = 120,
    ZONE_NEAR_X = 210,
    ZONE_FAR_X = 510,
    PATH_HALF = 190,
    MAX_DOTS = 60
};

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

static void text_at(struct str *out, double x, double y, const char *anchor, const char *text)
{
    str_printf(out, "<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"%s\">", x, y, anchor);
    str_append_html(out, text);
    str_append(out, "</text>\n");
}

static void camera(struct str *out)
{
    str_printf(out,
               "<path class=\"ink\" d=\"M%d %dh-36v36h36v-8h12v-20h-12z\"/>\n"
               "<path class=\"view\" d=\"M%d %dL%d %dM%d %dL%d %d\"/>\n",
               LENS_X - 12, AXIS_Y - 18, LENS_X, AXIS_Y - 4, RIGHT_X, AXIS_Y - CONE_HALF, LENS_X, AXIS_Y + 4,
               RIGHT_X, AXIS_Y + CONE_HALF);
}

static void overview(struct str *out, const struct field_setup *s, const struct field_answer *a)
{
    char length[FIELD_TEXT_SIZE];
    double far = farthest_mm(s, a), near_x = x_of(a->near_mm, far), far_x = x_of(a->far_mm, far);
    double plane_x = x_of(s->distance_mm, far);
    /* A zone thinner than a line is drawn as a line. */
    str_printf(out, "<rect class=\"zone\" x=\"%.1f\" y=\"%d\" width=\"%.1f\" height=\"%d\"/>\n",
               fmin(near_x, plane_x - 1), AXIS_Y - CONE_HALF - 8, fmax(far_x - near_x, 2),
               2 * CONE_HALF + 16);
    camera(out);
    str_printf(out, "<path class=\"plane\" d=\"M%.1f %dv%d\"/>\n", plane_x, AXIS_Y - CONE_HALF - 8,
               2 * CONE_HALF + 16);
    text_at(out, plane_x, AXIS_Y + CONE_HALF + 26, "middle",
            field_length_text(length, s->distance_mm, s->feet));
    if (isnan(s->background_mm))
        return;
    double x = x_of(s->background_mm, far);
    str_printf(out, "<path class=\"back\" d=\"M%.1f %dv%d\"/>\n", x, AXIS_Y - CONE_HALF - 8,
               2 * CONE_HALF + 16);
    text_at(out, fmin(x, RIGHT_X), AXIS_Y - CONE_HALF - 16, "middle",
            isinf(s->background_mm) ? "sky" : field_length_text(length, s->background_mm, s->feet));
}

/* The path through the zone, a dot for each frame, the middle one on the plane. */
static void path(struct str *out, const struct field_setup *s, const struct field_answer *a, double px_per_mm,
                 double plane_x)
{
    double angle = (isnan(s->angle_deg) ? 90 : s->angle_deg) * 3.14159265358979323846 / 180;
    double dx = -sin(angle), dy = cos(angle), middle = ZONE_Y + ZONE_HEIGHT / 2.0;
    /* As far as the drawing has room. A path at a shallow angle would leave it at once: its way across is
       drawn to a smaller scale, so that the frames within the zone are all there. */
    double room = ZONE_HEIGHT / 2.0 - 6;
    if (fabs(dx) > 0.02 && fabs(dy) * PATH_HALF / fabs(dx) > room)
        dy = dy > 0 ? room / PATH_HALF * fabs(dx) : -room / PATH_HALF * fabs(dx);
    double reach = fmin(PATH_HALF / fmax(fabs(dx), 1e-6), room / fmax(fabs(dy), 1e-6));
    double step = a->advance_mm * px_per_mm;
    str_printf(out, "<path class=\"path\" d=\"M%.1f %.1fL%.1f %.1f\"/>\n", plane_x - dx * reach,
               middle - dy * reach, plane_x + dx * reach, middle + dy * reach);
    if (isnan(step) || !(step > 0))
        return;
    /* More dots than can be told apart: every second, every tenth ... */
    step *= fmax(1, ceil(2 * reach / step / MAX_DOTS));
    for (double at = -floor(reach / step) * step; at <= reach + 1e-9; at += step)
        str_printf(out, "<circle class=\"ink\" cx=\"%.1f\" cy=\"%.1f\" r=\"4\"/>\n", plane_x + dx * at,
                   middle + dy * at);
}

static void enlarged(struct str *out, const struct field_setup *s, const struct field_answer *a)
{
    char length[FIELD_TEXT_SIZE], words[FIELD_TEXT_SIZE + 32];
    /* A zone without end is drawn up to as far behind the plane as it reaches before it, twice. */
    bool open = isinf(a->far_mm);
    double before = s->distance_mm - a->near_mm, behind = open ? 2 * before : a->far_mm - s->distance_mm;
    double px_per_mm = (ZONE_FAR_X - ZONE_NEAR_X) / (before + behind);
    double plane_x = ZONE_NEAR_X + before * px_per_mm;
    str_printf(out, "<rect class=\"zone\" x=\"%d\" y=\"%d\" width=\"%d\" height=\"%d\"/>\n", ZONE_NEAR_X,
               ZONE_Y, (open ? RIGHT_X : ZONE_FAR_X) - ZONE_NEAR_X, ZONE_HEIGHT);
    str_printf(out, "<path class=\"plane\" d=\"M%.1f %dv%d\"/>\n", plane_x, ZONE_Y, ZONE_HEIGHT);
    path(out, s, a, px_per_mm, plane_x);
    text_at(out, ZONE_NEAR_X, ZONE_Y + ZONE_HEIGHT + 20, "middle",
            field_length_text(length, a->near_mm, s->feet));
    text_at(out, open ? RIGHT_X : ZONE_FAR_X, ZONE_Y + ZONE_HEIGHT + 20, open ? "end" : "middle",
            field_length_text(length, a->far_mm, s->feet));
    (void)snprintf(words, sizeof words, "depth %s", field_length_text(length, a->depth_mm, s->feet));
    text_at(out, (ZONE_NEAR_X + ZONE_FAR_X) / 2.0, ZONE_Y - 10, "middle", words);
    if (isfinite(a->frames_in_depth)) {
        (void)snprintf(words, sizeof words, "%.2g frames inside", a->frames_in_depth);
        text_at(out, (ZONE_NEAR_X + ZONE_FAR_X) / 2.0, ZONE_Y + ZONE_HEIGHT + 42, "middle", words);
    }
}

void field_write_picture(struct str *out, const struct field_setup *s, const struct field_answer *a)
{
    struct str title = STR_INIT;
    field_title(&title, s);
    str_printf(out,
               "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 %d %d\" width=\"%d\" height=\"%d\" "
               "font-family=\"sans-serif\" font-size=\"15\" role=\"img\">\n<title>",
               WIDTH, HEIGHT, WIDTH, HEIGHT);
    str_append_html(out, title.bytes != NULL ? title.bytes : "");
    str_append(out, "</title>\n<style>.ink{fill:#222}.zone{fill:#9cc7a4}.view{stroke:#999;fill:none}"
                    ".plane{stroke:#16602a;stroke-width:2}.back{stroke:#7a6a4f;stroke-width:6}"
                    ".path{stroke:#222;stroke-dasharray:5 4}text{fill:#222}</style>\n");
    str_printf(out, "<rect width=\"%d\" height=\"%d\" fill=\"#fff\"/>\n", WIDTH, HEIGHT);
    text_at(out, WIDTH / 2.0, 22, "middle", title.bytes != NULL ? title.bytes : "");
    overview(out, s, a);
    enlarged(out, s, a);
    str_append(out, "</svg>\n");
    out->failed = out->failed || title.failed;
    str_release(&title);
}
