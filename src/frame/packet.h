/* packet.h - the rating in an XMP packet. Private to frame. */
#ifndef CHAFFINCH_FRAME_PACKET_H
#define CHAFFINCH_FRAME_PACKET_H

#include <stddef.h>

#include "chaffinch/frame.h"

/* Fills meta->rating from xmp:Rating (ISO 16684-1) where it is 0 yet. What cannot be parsed has no rating. */
void packet_fill(const uint8_t *packet, size_t size, struct frame_meta *meta);

#endif
