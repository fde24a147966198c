/* tags.h - Exif tags of one TIFF structure -> frame_meta. Private to frame. */
#ifndef CHAFFINCH_FRAME_TAGS_H
#define CHAFFINCH_FRAME_TAGS_H

#include "chaffinch/frame.h"

/* Fills what `meta` does not know yet from the TIFF structure bytes[at .. at + size). Nonsense leaves it as
   it is; false only with ERR_NOMEM. */
bool tags_fill(const uint8_t *bytes, size_t at, size_t size, struct frame_meta *meta, struct err *err);

/* Text as cameras write it -> UTF-8 that fits: cut at the first NUL, other bytes taken as Latin-1, controls
   as blanks, blanks at both ends dropped. Returns `out`. */
char *tags_clean_text(char *out, size_t room, const uint8_t *bytes, size_t size);

#endif
