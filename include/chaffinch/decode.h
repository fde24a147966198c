/*
 * decode.h - picture files to rows of luma. JPEG by libjpeg-turbo, raw by LibRaw, behind one table.
 *
 * All input is a memory buffer (the worker maps the file). Nothing here opens a file. Runs inside workers
 * only. Ownership: buffers stay the caller's. Errors: ERR_FORMAT with the cause ("the picture is cut short:
 * 812 of 1800 rows", "CMYK colours are not supported"), ERR_NOMEM.
 *
 * What counts as unreadable for a raw: any data-error callback, fewer than .05 bytes a claimed pixel, more
 * than half of the rows constant, no decodable picture. An embedded preview is scored when its long edge is
 * at least 640 px and it has a quarter of the sensor's pixels or more; when it has less than half of the
 * frame's long edge, the raw is decoded at half size.
 */
#ifndef CHAFFINCH_DECODE_H
#define CHAFFINCH_DECODE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chaffinch/err.h"

enum decode_kind { DECODE_JPEG, DECODE_RAW };

/* What was decoded, filled before the first row arrives. */
struct decode_source {
    uint32_t width_px, height_px;           /* of the rows that are handed out */
    uint32_t full_width_px, full_height_px; /* of the frame */
    enum { DECODE_FULL, DECODE_PREVIEW, DECODE_HALF } from;
    unsigned warnings; /* of the decoder; more than none and all rows there: still readable, noted */
};

/* Row sink: `begin` once, then `row` for each row top to bottom (width_px bytes). `begin` false stops with
 * its error.
 *
 * A sink that keeps rows may offer `place` and `placed` besides (both or neither), and the decoder, where it
 * can, makes rows right there instead of calling `row`: place(0) is where the next row goes, place(k) where
 * the k-th after it does, k < DECODE_PLACES, each with room for width_px rounded up to a multiple of 8 and
 * also for rows below the last; placed(n) says that the next n rows are there. */
enum { DECODE_PLACES = 16 };
struct decode_sink {
    void *context;
    bool (*begin)(void *context, const struct decode_source *source, struct err *err);
    void (*row)(void *context, const uint8_t *luma);
    uint8_t *(*place)(void *context, uint32_t ahead);
    void (*placed)(void *context, uint32_t rows);
};

/* One full-size grey decode. A JPEG cut short (rows missing) is ERR_FORMAT. Stops at the first EOI. */
bool decode_luma(enum decode_kind kind, const uint8_t *bytes, size_t size, const struct decode_sink *sink,
                 struct decode_source *source, struct err *err);

/* A part of a JPEG: box = x, y, width, height in px, inside the picture; the sink gets box[3] rows of box[2]
 * bytes, equal to those of a full decode, and `begin` is told the size of the whole picture. Rows above the
 * box are only skipped (their bits must still be read), rows below it are not looked at when the file ends as
 * a JPEG should; where its end mark is missing everything is decoded, so that a picture that is cut short is
 * found out. box[2] = 0: nothing is handed out, only that is checked. */
bool decode_luma_box(const uint8_t *bytes, size_t size, const uint32_t box[4], const struct decode_sink *sink,
                     struct decode_source *source, struct err *err);
/* Sides of a JPEG from its header. ERR_FORMAT. */
bool decode_jpeg_size(const uint8_t *bytes, size_t size, uint32_t *width_px, uint32_t *height_px,
                      struct err *err);

/* An RGB picture, 3 bytes a pixel, malloc'ed, freed by the caller through decode_picture_release. */
struct decode_picture {
    uint32_t width_px, height_px;
    uint8_t *rgb;
};
/* The box (px of the full-size, unrotated frame; clamped) scaled down by the smallest power of two that makes
   its long edge at most max_edge_px, then rotated/mirrored upright by `orientation` (Exif 1..8). Box of zero
   size = the whole frame. */
bool decode_crop(enum decode_kind kind, const uint8_t *bytes, size_t size, const uint32_t box[4],
                 uint32_t max_edge_px, unsigned orientation, struct decode_picture *picture, struct err *err);
void decode_picture_release(struct decode_picture *picture);
/* JPEG bytes (malloc) of a picture, without any metadata. quality 1..100. */
bool decode_encode_jpeg(const struct decode_picture *picture, int quality, uint8_t **bytes, size_t *size,
                        struct err *err);
/* PNG likewise. */
bool decode_encode_png(const struct decode_picture *picture, uint8_t **bytes, size_t *size, struct err *err);
/* Cuts `box` (px of the stored picture, inside it, its upper left corner on a border of the coded blocks: 16
   px do for all cameras, the other sides anywhere) out of a JPEG without decoding it: the coefficients are
   copied, so nothing is lost. The result (malloc) has no metadata, not even a JFIF header. */
bool decode_cut_jpeg(const uint8_t *bytes, size_t size, const uint32_t box[4], uint8_t **out,
                     size_t *out_size, struct err *err);

#endif
