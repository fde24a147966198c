/*
 * names.h - which files of a folder belong to one frame, and what they are called when a name is taken
 * (pure).
 */
#ifndef CHAFFINCH_CARD_NAMES_H
#define CHAFFINCH_CARD_NAMES_H

#include <stdbool.h>
#include <stdint.h>

#include "chaffinch/err.h"

enum { NAMES_NO_SUFFIX = 0, NAMES_FIRST_SUFFIX = 2, NAMES_LAST_SUFFIX = 9999, NAMES_LEAF_MAX = 255 };

/* What all files of one frame share: folder and base name up to the first dot (one at the front does not
   count), A-Z folded in the base name. malloc'ed; NULL with ERR_NOMEM. */
char *names_family(const char *path, struct err *err);

/* The path with "-N" put behind the base name: "a/DSC_0001.JPG.xmp", 2 -> "a/DSC_0001-2.JPG.xmp". Suffix 0 =
   as it is. A base name too long for it is cut (whole UTF-8 sequences). malloc'ed; NULL with ERR_NOMEM. */
char *names_with_suffix(const char *path, uint32_t suffix, struct err *err);

/* True for names that a line of text cannot carry: with newline, CR or backslash. */
bool names_need_nul(const char *path);

#endif
