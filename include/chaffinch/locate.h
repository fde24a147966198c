/*
 * locate.h - where to decode: thumbnails of a burst in, a part of each frame out. Pure.
 *
 * A thumbnail (DCF requires 160 x 120 px) costs a thousandth of a decode and shows when and where something
 * moves. It says which frames must be decoded and where, never what is scored: subjects and scores come from
 * the cells of the decoded parts.
 *
 * Calling sequence:
 *     struct locate_frame *frame = calloc(n, sizeof *frame);
 *     enum locate_answer answer;
 *     locate_subjects(&input, frame, &answer, &err);
 *
 * Every frame is decoded as a whole (answer tells why) where a thumbnail is missing or of another shape, the
 * camera moved by more than .3 px of the thumbnail, hardly anything moves (fewer than 8 % of the frames, or
 * 2), thumbnails are noisy (over 2 steps of luma), the burst is short (under 20 frames) and never empty, or
 * the subject is small (under 10 px of the thumbnail). The study behind these limits found .996 of the
 * complete frames covered to 99 % by such boxes.
 */
#ifndef CHAFFINCH_LOCATE_H
#define CHAFFINCH_LOCATE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chaffinch/err.h"

enum {
    LOCATE_FRAMES = 200, /* the most in one call: memory is bounded by it */
    LOCATE_KEYS_FAST = 2 /* whole frames where the sharpest is all that is wanted */
};

struct locate_input {
    size_t n;                           /* at most LOCATE_FRAMES */
    const uint8_t *const *luma;         /* width * height each; NULL = no thumbnail, or another size */
    uint32_t width, height;             /* of the thumbnails, px */
    uint32_t frame_width, frame_height; /* of the frames, px: tells black bars */
    size_t keys;                        /* whole frames that a burst gets; 0 = 3 or more, as the scene asks */
};

enum locate_answer {
    LOCATE_PARTS, /* the boxes hold */
    LOCATE_NO_THUMBNAIL,
    LOCATE_ODD_THUMBNAIL,
    LOCATE_CAMERA_MOVES,
    LOCATE_NOTHING_MOVES,
    LOCATE_NOISY,
    LOCATE_SHORT,
    LOCATE_SMALL_SUBJECT,
    LOCATE_NO_GAIN,
    LOCATE_ANSWERS
};
/* "no thumbnail", ... in words for a log. */
const char *locate_answer_words(enum locate_answer answer);

/* In shares of the frame, 0..1; x1 <= x0: nothing. */
struct locate_box {
    float x0, y0, x1, y1;
};

struct locate_frame {
    bool whole;                /* decode all of it: a key frame, or no way to tell */
    struct locate_box part;    /* else decode this; empty = the frame holds no subject */
    struct locate_box subject; /* where the subject may be; also of whole frames */
    float gain;                /* exposure against the burst, 1 = equal */
    uint16_t way;              /* of the subject through the burst, from 1; 0 = none, LOCATE_SEVERAL */
    bool complete;             /* it is not cut by the edge of the picture, as far as a thumbnail tells */
};
enum { LOCATE_SEVERAL = UINT16_MAX };

/*
 * Which frames to decode where not all have to be: the sharpest of a way is found by bracketing. First every
 * fourth complete frame, then the neighbours of the best four of these, then on uphill from the best three.
 *
 * n frames, way and complete as above. known[t]: it was decoded, and score[t] says how sharp it is (NAN: that
 * cannot be told). Sets wanted[t] for what is to be decoded next, and returns how many that are: 0 = the top
 * is found. The same knowledge gives the same answer. Short ways and frames with several subjects are wanted
 * at once.
 */
size_t locate_bracket(const struct locate_frame *frame, size_t n, const bool *known, const float *score,
                      bool *wanted);

/* Of the same frames the sharpest three of each way: top[t]. Only these need a part that is surely large
 * enough. */
void locate_tops(const struct locate_frame *frame, size_t n, const bool *known, const float *score,
                 bool *top);

/* False with ERR_NOMEM. */
bool locate_subjects(const struct locate_input *input, struct locate_frame *frame, enum locate_answer *answer,
                     struct err *err);

#endif
