/* Painting of heat.h, in the worker. */
#include "heat.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/frame.h"
#include "chaffinch/glyph.h"
#include "jobs.h"

enum { LEGEND = 56, MARGIN = 8, LEAST_WIDTH = 420, MAX_EDGE = 1600, QUALITY = 90 };

void heat_colour(double level, uint8_t rgb[3])
{
    static const double stop[3][3] = {{0, 34, 96}, {124, 123, 120}, {255, 232, 70}};
    double at = fmin(fmax(level, 0), 1) * 2;
    int k = at < 1 ? 0 : 1;
    for (int c = 0; c < 3; c++)
        rgb[c] = (uint8_t)lround(stop[k][c] + (at - k) * (stop[k + 1][c] - stop[k][c]));
}

/* The stored place of an upright one, both as shares from 0 to 1: Exif orientations 1 to 8. */
static void to_stored(uint32_t orientation, float x, float y, float *u, float *v)
{
    bool transpose = orientation >= 5 && orientation <= 8;
    bool flip_u = orientation == 2 || orientation == 3 || orientation == 7 || orientation == 8;
    bool flip_v = orientation == 3 || orientation == 4 || orientation == 6 || orientation == 7;
    *u = transpose ? y : x;
    *v = transpose ? x : y;
    if (flip_u)
        *u = 1 - *u;
    if (flip_v)
        *v = 1 - *v;
}

/* How near (u, v) is to the corner ticks of a box, in units of `thick`; over 2 = not near. Ticks lie around
   the box and reach a fifth along its sides, so that nothing of the subject is covered. */
static float tick_distance(const float box[4], float u, float v, float thick_u, float thick_v)
{
    float left = (u - box[0]) / thick_u, right = (box[0] + box[2] - u) / thick_u;
    float top = (v - box[1]) / thick_v, low = (box[1] + box[3] - v) / thick_v;
    float out_u = fminf(left, right), out_v = fminf(top, low);
    bool beside = out_u <= 0 && out_u >= -2 && out_v >= -2 && out_v * thick_v <= .2f * box[3];
    bool above = out_v <= 0 && out_v >= -2 && out_u >= -2 && out_u * thick_u <= .2f * box[2];
    if (!beside && !above)
        return 3;
    return fmaxf(beside ? -out_u : 0, above ? -out_v : 0);
}

static void put(struct decode_picture *p, uint32_t x, uint32_t y, const uint8_t rgb[3])
{
    if (x < p->width_px && y < p->height_px)
        memcpy(p->rgb + ((size_t)y * p->width_px + x) * 3, rgb, 3);
}

static double level_at(const struct job_heat_request *head, const uint8_t *levels, float u, float v)
{
    uint32_t c = (uint32_t)fmaxf(u / head->col_share, 0), r = (uint32_t)fmaxf(v / head->row_share, 0);
    c = c < head->cols ? c : head->cols - 1;
    r = r < head->rows ? r : head->rows - 1;
    return levels[(size_t)r * head->cols + c] / 255.0;
}

/* A grey and darker picture, with the colour of the cell where it has detail. */
static void mix(uint8_t rgb[3], double level)
{
    double grey = 0.4 * (0.299 * rgb[0] + 0.587 * rgb[1] + 0.114 * rgb[2]);
    uint8_t colour[3];
    heat_colour(level, colour);
    for (int c = 0; c < 3; c++)
        rgb[c] = (uint8_t)lround(level > 0 ? 0.3 * grey + 0.7 * colour[c] : grey);
}

static void draw_pixel(const struct job_heat_request *head, const uint8_t *levels,
                       const struct decode_picture *photo, uint32_t x, uint32_t y, struct decode_picture *out)
{
    static const uint8_t white[3] = {255, 255, 255}, black[3] = {0, 0, 0};
    uint8_t rgb[3], map[3];
    float u, v, unit = 1.5f;
    bool turned = head->orientation >= 5 && head->orientation <= 8;
    to_stored(head->orientation, ((float)x + .5f) / (float)photo->width_px,
              ((float)y + .5f) / (float)photo->height_px, &u, &v);
    memcpy(rgb, photo->rgb + ((size_t)y * photo->width_px + x) * 3, 3);
    memcpy(map, rgb, 3);
    mix(map, level_at(head, levels, u, v));
    const uint8_t *tick = NULL;
    for (uint32_t b = 0; b < head->n_boxes && tick == NULL; b++) {
        float thick = b == 0 ? 2 * unit : unit;
        float near =
            tick_distance(head->box[b], u, v, thick / (float)(turned ? photo->height_px : photo->width_px),
                          thick / (float)(turned ? photo->width_px : photo->height_px));
        tick = near <= 1 ? white : near <= 2 ? black : NULL;
    }
    put(out, x, y, tick != NULL ? tick : rgb);
    put(out, x, y + photo->height_px + MARGIN, tick != NULL ? tick : map);
}

enum { DOT = 2, ADVANCE = GLYPH_ADVANCE * DOT };

static void write_letter(struct decode_picture *p, uint32_t x, uint32_t y, char letter)
{
    static const uint8_t ink[3] = {235, 235, 235};
    const uint8_t *row = glyph_rows(letter);
    for (uint32_t k = 0; row != NULL && k < GLYPH_ROWS * GLYPH_COLS * DOT * DOT; k++) {
        uint32_t dx = k % (GLYPH_COLS * DOT), dy = k / (GLYPH_COLS * DOT);
        if (row[dy / DOT] >> (GLYPH_COLS - 1 - dx / DOT) & 1)
            put(p, x + dx, y + dy, ink);
    }
}

static void write_text(struct decode_picture *p, uint32_t x, uint32_t y, const char *text)
{
    for (; *text != '\0'; text++, x += ADVANCE)
        write_letter(p, x, y, *text);
}

static uint32_t text_width(const char *text)
{
    return (uint32_t)strlen(text) * ADVANCE;
}

/* What the colours mean, below both pictures. */
static void draw_legend(struct decode_picture *p, uint32_t top)
{
    static const char title[] = "detail of each cell, in times the noise";
    static const char *const ticks[] = {"1", "4", "16", "64"};
    uint32_t width = p->width_px - 2 * MARGIN;
    /* Where the picture is wide, title and ramp stand in one line. */
    uint32_t left = MARGIN, ramp = width, text_y = top + MARGIN;
    bool one_line = width > text_width(title) + 300;
    if (one_line) {
        left += text_width(title) + MARGIN;
        ramp -= text_width(title) + MARGIN;
    }
    uint32_t ramp_y = one_line ? top + MARGIN : top + MARGIN + 18, ramp_h = one_line ? 14 : 8;
    write_text(p, MARGIN, text_y, title);
    for (uint32_t x = 0; x < ramp; x++) {
        uint8_t colour[3];
        heat_colour(x / (double)ramp, colour);
        for (uint32_t y = 0; y < ramp_h; y++)
            put(p, left + x, ramp_y + y, colour);
    }
    for (uint32_t k = 0; k < 4; k++) {
        uint32_t at = k * (ramp - text_width(ticks[k])) / 3;
        write_text(p, left + at, ramp_y + ramp_h + 4, ticks[k]);
    }
}

bool heat_draw(const struct job_heat_request *head, const uint8_t *levels, const struct decode_picture *photo,
               struct decode_picture *out, struct err *err)
{
    *out = (struct decode_picture){.width_px = photo->width_px > LEAST_WIDTH ? photo->width_px : LEAST_WIDTH,
                                   .height_px = 2 * photo->height_px + MARGIN + LEGEND};
    out->rgb = malloc((size_t)out->width_px * out->height_px * 3);
    if (out->rgb == NULL)
        return err_nomem(err);
    memset(out->rgb, 24, (size_t)out->width_px * out->height_px * 3);
    for (uint32_t y = 0; y < photo->height_px; y++)
        for (uint32_t x = 0; x < photo->width_px; x++)
            draw_pixel(head, levels, photo, x, y, out);
    draw_legend(out, 2 * photo->height_px + MARGIN);
    return true;
}

static bool run(const struct job_heat_request *head, const uint8_t *levels, const struct mapped *map,
                uint8_t **bytes, size_t *size, struct err *err)
{
    static const uint32_t whole[4] = {0, 0, 0, 0};
    struct decode_picture photo = {0}, drawn = {0};
    enum decode_kind as = head->kind == FRAME_RAW ? DECODE_RAW : DECODE_JPEG;
    bool ok = decode_crop(as, map->bytes, map->size, whole, MAX_EDGE, head->orientation, &photo, err) &&
              heat_draw(head, levels, &photo, &drawn, err) &&
              (head->png ? decode_encode_png(&drawn, bytes, size, err)
                         : decode_encode_jpeg(&drawn, QUALITY, bytes, size, err));
    decode_picture_release(&photo);
    decode_picture_release(&drawn);
    return ok;
}

void heat_job(const uint8_t *request, size_t size, int fd, struct worker_reply *reply)
{
    struct job_heat_request head;
    struct mapped map = {0};
    struct err err = ERR_INIT;
    uint8_t *bytes = NULL;
    size_t made = 0;
    bool ok = size > sizeof head;
    if (ok)
        memcpy(&head, request, sizeof head);
    ok = ok && head.cols > 0 && head.rows > 0 && head.n_boxes <= HEAT_BOXES &&
         (uint64_t)head.cols * head.rows == size - sizeof head;
    if (!ok)
        err_set(&err, ERR_FORMAT, "the worker does not know this job");
    ok = ok && jobs_map(fd, &map, &err) && run(&head, request + sizeof head, &map, &bytes, &made, &err);
    if (ok)
        jobs_reply(reply, bytes, made, NULL, 0);
    else
        jobs_failed(reply, &err);
    free(bytes);
    jobs_unmap(&map);
}
