#include "drawing.h"

const struct paint_look drawing_looks[PAINTS] = {
    [PAINT_INK] = {"ink", 0x222222, 1, {0, 0}},   [PAINT_ZONE] = {"zone", 0x9cc7a4, 1, {0, 0}},
    [PAINT_VIEW] = {"view", 0x999999, 1, {0, 0}}, [PAINT_PLANE] = {"plane", 0x16602a, 2, {0, 0}},
    [PAINT_BACK] = {"back", 0x7a6a4f, 6, {0, 0}}, [PAINT_PATH] = {"path", 0x222222, 1.5, {5, 4}},
};

static void write_style(struct str *out)
{
    str_append(out, "<style>text{fill:#222}");
    for (size_t i = 0; i < PAINTS; i++) {
        const struct paint_look *look = &drawing_looks[i];
        str_printf(out, ".%s{fill:#%06x}line.%s{stroke:#%06x;stroke-width:%g", look->name, look->rgb,
                   look->name, look->rgb, look->width);
        if (look->dash[0] > 0)
            str_printf(out, ";stroke-dasharray:%g %g", look->dash[0], look->dash[1]);
        str_append(out, "}");
    }
    str_append(out, "</style>\n");
}

static void write_shape(struct str *out, const struct shape *s)
{
    static const char *const anchors[] = {"start", "middle", "end"};
    const char *name = drawing_looks[s->paint].name;
    switch (s->kind) {
    case SHAPE_BOX:
        str_printf(out, "<rect class=\"%s\" x=\"%.1f\" y=\"%.1f\" width=\"%.1f\" height=\"%.1f\"/>\n", name,
                   s->x, s->y, s->x2 - s->x, s->y2 - s->y);
        break;
    case SHAPE_LINE:
        str_printf(out, "<line class=\"%s\" x1=\"%.1f\" y1=\"%.1f\" x2=\"%.1f\" y2=\"%.1f\"/>\n", name, s->x,
                   s->y, s->x2, s->y2);
        break;
    case SHAPE_DOT:
        str_printf(out, "<circle class=\"%s\" cx=\"%.1f\" cy=\"%.1f\" r=\"%.1f\"/>\n", name, s->x, s->y,
                   s->x2);
        break;
    case SHAPE_TEXT:
        str_printf(out, "<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"%s\">", s->x, s->y, anchors[s->anchor]);
        str_append_html(out, s->text);
        str_append(out, "</text>\n");
        break;
    }
}

void drawing_write_svg(struct str *out, const struct drawing *d)
{
    str_printf(out,
               "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 %d %d\" width=\"%d\" height=\"%d\" "
               "font-family=\"sans-serif\" font-size=\"%d\" role=\"img\">\n<title>",
               DRAWING_WIDTH, DRAWING_HEIGHT, DRAWING_WIDTH, DRAWING_HEIGHT, DRAWING_FONT);
    str_append_html(out, d->title);
    str_append(out, "</title>\n");
    write_style(out);
    str_printf(out, "<rect width=\"%d\" height=\"%d\" fill=\"#fff\"/>\n", DRAWING_WIDTH, DRAWING_HEIGHT);
    for (size_t i = 0; i < d->n; i++)
        write_shape(out, &d->shape[i]);
    str_append(out, "</svg>\n");
}
