/*
 * heat.h - a frame drawn for a person who asks why: the picture with the boxes of its subjects, and below it
 * the same with the detail of each cell as colour.
 *
 * The colours are a ramp from dark blue over grey to yellow whose lightness grows all the way: it reads the
 * same without red and green, and in grey.
 */
#ifndef CHAFFINCH_SESSION_HEAT_H
#define CHAFFINCH_SESSION_HEAT_H

#include <stdint.h>

#include "chaffinch/decode.h"
#include "chaffinch/worker.h"

enum { HEAT_BOXES = 8 };

/* Request of JOB_HEAT: this head, then cols * rows levels: 0 = not above the noise, 255 = 64 times the noise
   or more, between them by the logarithm. */
struct job_heat_request {
    uint32_t kind; /* enum frame_file_kind */
    uint32_t orientation;
    uint32_t png; /* else JPEG */
    uint32_t cols, rows;
    float col_share, row_share; /* of one cell in the width and the height of the stored picture */
    uint32_t n_boxes;
    float box[HEAT_BOXES][4]; /* x, y, w, h as shares of the stored picture; the first is drawn boldest */
};

/* The worker's side. */
void heat_job(const uint8_t *request, size_t size, int fd, struct worker_reply *reply);

/* Colour of a level from 0 to 1. */
void heat_colour(double level, uint8_t rgb[3]);
/* Draws; `photo` is upright and is used up. The result is the caller's (decode_picture_release). */
bool heat_draw(const struct job_heat_request *head, const uint8_t *levels, const struct decode_picture *photo,
               struct decode_picture *out, struct err *err);

#endif
