/* hints.h - what maker notes say about bursts: hints for the order, never more. Private to frame. */
#ifndef CHAFFINCH_FRAME_HINTS_H
#define CHAFFINCH_FRAME_HINTS_H

#include <libexif/exif-data.h>

#include "chaffinch/frame.h"
#include "tiff.h"

/* From the notes that libexif reads. */
void hints_from_libexif(ExifData *data, struct frame_meta *meta);
/* From notes that libexif does not read; `note` is the value of the MakerNote tag within `tiff`. */
void hints_from_note(const struct tiff *tiff, const struct tiff_value *note, struct frame_meta *meta);

#endif
