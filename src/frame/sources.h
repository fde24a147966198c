/* sources.h - where the kinds of files keep their metadata. Private to frame. */
#ifndef CHAFFINCH_FRAME_SOURCES_H
#define CHAFFINCH_FRAME_SOURCES_H

#include "chaffinch/frame.h"

/* What a look at a file came to. */
enum source {
    SOURCE_NO_MEMORY = -1,
    SOURCE_FOREIGN, /* not such a file */
    SOURCE_READ
};

/* The segments of the JPEG bytes[at .. size): Exif, XMP and the sides of the picture. */
enum source jpeg_fill(const uint8_t *bytes, size_t at, size_t size, struct frame_meta *meta);
/* TIFF-like raws, RAF and CR3 by their own structure. */
enum source raw_fill(const uint8_t *bytes, size_t size, struct frame_meta *meta);
/* What LibRaw tells, for what is not known yet, and the Exif of the preview where no time is known. has_tags:
   raw_fill() could read the file. */
enum source libraw_fill(const uint8_t *bytes, size_t size, bool has_tags, struct frame_meta *meta);
/* The Exif item of HEIF files. */
enum source heif_fill(const uint8_t *bytes, size_t size, struct frame_meta *meta);

#endif
