/* packet.h - the rating in an XMP packet. Private to frame. */
#ifndef CHAFFINCH_FRAME_PACKET_H
#define CHAFFINCH_FRAME_PACKET_H

#include <stdbool.h>
#include <stddef.h>

#include "chaffinch/frame.h"

/* Fills meta->rating from xmp:Rating (ISO 16684-1) where it is 0 yet. What cannot be parsed has no rating.
   False when memory ran out, so that a mark made in the camera does not get lost without a word; the XMP
   library tells that in nearly all cases, and calls the others damaged XML. */
bool packet_fill(const uint8_t *packet, size_t size, struct frame_meta *meta);

#endif
