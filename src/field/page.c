/* The answer as one page for the phone or for A6 paper: the picture, the rows, and nothing from outside. */
#include "chaffinch/field.h"

static const char style[] =
    "<style>@page{size:105mm 148mm;margin:6mm}body{font:15px/1.35 system-ui,sans-serif;margin:0 auto;"
    "max-width:40rem;padding:.6rem;color:#222;background:#fff}h1{font-size:1.1rem;margin:.2rem 0 .5rem}"
    "h2{font-size:.95rem;margin:.8rem 0 .1rem;border-bottom:1px solid "
    "#999}svg{width:100%;height:auto;display:block}"
    "dl{margin:0;display:grid;grid-template-columns:1fr auto;column-gap:.8rem}dt{color:#444}"
    "dd{margin:0;text-align:right;font-weight:600}dd+dd{grid-column:1/3;text-align:left;font-weight:400;"
    "font-size:.82rem;color:#666;padding-bottom:.15rem}small{color:#555}"
    "@media print{body{font-size:8pt;line-height:1.2;padding:0;max-width:none}h1{font-size:11pt;margin:0}"
    "h2{font-size:8.8pt;margin:.35rem 0 0}dd+dd{font-size:6.6pt;padding:0}p{margin:.3rem 0 0}"
    "small{font-size:6.6pt}svg{max-height:54mm}dl,h2{break-inside:avoid}h2{break-after:avoid}}</style>";

static void write_row(struct str *out, const struct field_row *row)
{
    str_append(out, "<dt>");
    str_append_html(out, row->label);
    str_append(out, "</dt><dd>");
    str_append_html(out, row->value);
    str_append(out, "</dd>");
    if (row->note[0] == '\0')
        return;
    str_append(out, "<dd>");
    str_append_html(out, row->note);
    str_append(out, "</dd>");
}

void field_write_page(struct str *out, const struct field_setup *setup, const struct field_answer *answer)
{
    struct field_row rows[FIELD_MAX_ROWS];
    size_t n = field_rows(setup, answer, rows);
    bool open = false;
    str_append(out,
               "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" "
               "content=\"width=device-width,initial-scale=1\"><title>");
    field_title(out, setup);
    str_printf(out, "</title>%s</head><body><h1>", style);
    field_title(out, setup);
    str_append(out, "</h1>\n");
    field_write_picture(out, setup, answer);
    for (size_t i = 0; i < n; i++) {
        if (rows[i].section != NULL) {
            str_printf(out, "%s<h2>", open ? "</dl>\n" : "");
            str_append_html(out, rows[i].section);
            str_append(out, "</h2><dl>");
            open = true;
        }
        write_row(out, &rows[i]);
    }
    str_printf(
        out,
        "%s<p><small>Thin lens, exact form; distances from the lens. An aid, not a guarantee. Keep your "
        "distance from nests and feeding young.</small></p></body></html>\n",
        open ? "</dl>\n" : "");
}
