/* dress.h - the Exif of a JPEG copy. Private to frame. */
#ifndef CHAFFINCH_FRAME_DRESS_H
#define CHAFFINCH_FRAME_DRESS_H

#include "chaffinch/frame.h"

/* Appends the TIFF block of an Exif segment as the copy gets it; nothing where all of it had to go. Sizes and
   thumbnail are patched in place, so that maker notes, whose offsets count from the start, stay true. */
bool dress_exif(const uint8_t *tiff, size_t size, const struct frame_dress *dress, struct str *out,
                struct err *err);

#endif
