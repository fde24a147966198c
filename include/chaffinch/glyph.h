/*
 * glyph.h - letters for the pictures that the engine draws itself: 5 x 7 dots and two rows for tails.
 *
 * Small letters, digits and the marks that numbers need; enough for a legend, not for prose. Drawn for this
 * program. Pure.
 */
#ifndef CHAFFINCH_GLYPH_H
#define CHAFFINCH_GLYPH_H

#include <stdint.h>

enum { GLYPH_COLS = 5, GLYPH_ROWS = 9, GLYPH_LINE = 7, GLYPH_ADVANCE = 6 };

/* GLYPH_ROWS rows from the top, bit 4 = the leftmost dot; the letter stands on row GLYPH_LINE - 1. NULL: a
   blank, or no such letter. */
const uint8_t *glyph_rows(char letter);

#endif
