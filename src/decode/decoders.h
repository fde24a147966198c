/*
 * decoders.h - what each picture format offers, and what they share.
 */
#ifndef DECODE_DECODERS_H
#define DECODE_DECODERS_H

#include "chaffinch/decode.h"

/* A part of a frame to be made: `box` in px of the full-size frame (clamped, not empty), divided by `shrink`,
   a power of two. */
struct crop {
    uint32_t box[4]; /* x, y, width, height */
    uint32_t shrink;
};

struct decoder {
    bool (*luma)(const uint8_t *bytes, size_t size, const struct decode_sink *sink,
                 struct decode_source *source, struct err *err);
    /* Not rotated. *picture is filled on success only. */
    bool (*crop)(const uint8_t *bytes, size_t size, const uint32_t box[4], uint32_t max_edge_px,
                 struct decode_picture *picture, struct err *err);
};

extern const struct decoder decode_jpeg_decoder;
extern const struct decoder decode_raw_decoder;

/* Clamps `box` (zero size = the whole) to the frame and chooses `shrink`. */
struct crop decode_crop_plan(const uint32_t box[4], uint32_t max_edge_px, uint32_t width_px,
                             uint32_t height_px);
/* ceil(length / shrink) */
uint32_t decode_shrunk(uint32_t length, uint32_t shrink);

/* pixels[] for an RGB picture; false with ERR_NOMEM. */
bool decode_picture_alloc(struct decode_picture *picture, uint32_t width_px, uint32_t height_px,
                          struct err *err);
/* Means over boxes of `shrink` x `shrink`; boxes at the edge are cut. In place. */
void decode_picture_shrink(struct decode_picture *picture, uint32_t shrink);
/* Cuts out a part, which must lie inside. In place. */
void decode_picture_cut(struct decode_picture *picture, uint32_t x, uint32_t y, uint32_t width,
                        uint32_t height);
/* Rotates and mirrors to upright. False with ERR_NOMEM; the picture is then as it was. */
bool decode_picture_turn(struct decode_picture *picture, unsigned orientation, struct err *err);

#endif
