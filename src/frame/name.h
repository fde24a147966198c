/* name.h - names without their extensions. Private to frame. */
#ifndef CHAFFINCH_FRAME_NAME_H
#define CHAFFINCH_FRAME_NAME_H

#include <stddef.h>

/* The part of a name that all files of a frame share. */
struct name_base {
    size_t size;         /* of that part */
    size_t picture_size; /* NAME.EXT.xmp: of NAME.EXT, the picture it belongs to; 0 else */
};
/* "DEMO0001.JPG": 8; "DEMO0001.JPG.xmp": 8 and 12. Only an extension of a picture is taken off twice, so that
   "pond.1.jpg" and "pond.2.jpg" stay two pictures. */
struct name_base name_base(const char *name);

/* Order of bytes with A-Z as a-z: names on a card differ by case only where the disk does not care. */
int name_compare_folded(const char *a, size_t na, const char *b, size_t nb);

#endif
