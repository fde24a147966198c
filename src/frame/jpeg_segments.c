/* The segments of a JPEG up to its picture data (ITU T.81): APP1 with Exif (CIPA DC-008) or XMP (ISO
 * 16684-3). */
#include <string.h>

#include "packet.h"
#include "sources.h"
#include "tags.h"

enum { MARK = 0xff, SOI = 0xd8, EOI = 0xd9, SOS = 0xda, APP1 = 0xe1, TEM = 0x01, RST0 = 0xd0, RST7 = 0xd7 };

static size_t read16(const uint8_t *p)
{
    return (size_t)p[0] << 8 | p[1];
}

/* SOF0 to SOF15, without DHT, JPG and DAC, which lie among them. */
static bool is_frame_header(uint8_t code)
{
    return code >= 0xc0 && code <= 0xcf && code != 0xc4 && code != 0xc8 && code != 0xcc;
}

static bool starts_with(const uint8_t *p, size_t size, const char *head, size_t head_size)
{
    return size >= head_size && memcmp(p, head, head_size) == 0;
}

/* What the walk along the segments finds. */
struct found {
    const uint8_t *packet; /* the first XMP packet */
    size_t packet_size;
    bool has_frame; /* a frame header: without one there is no picture */
    bool no_memory;
};

/* bytes[at .. at + size) = the segment behind its length. False = out of memory. */
static bool take_segment(const uint8_t *bytes, uint8_t code, size_t at, size_t size, struct found *found,
                         struct frame_meta *meta)
{
    static const char exif[] = "Exif\0", xmp[] = "http://ns.adobe.com/xap/1.0/"; /* with their NUL */
    const uint8_t *body = bytes + at;
    if (code == APP1 && starts_with(body, size, exif, sizeof exif))
        return tags_fill(bytes, at + sizeof exif, size - sizeof exif, meta, NULL);
    if (code == APP1 && found->packet == NULL && starts_with(body, size, xmp, sizeof xmp)) {
        found->packet = body + sizeof xmp;
        found->packet_size = size - sizeof xmp;
    }
    if (is_frame_header(code) && size >= 5) {
        found->has_frame = true;
        meta->height_px = (uint32_t)read16(body + 1);
        meta->width_px = (uint32_t)read16(body + 3);
    }
    return true;
}

/* True if the walk came to the picture data or the end mark, false if the bytes ran out or make no sense. */
static bool walk(const uint8_t *bytes, size_t at, size_t size, struct found *found, struct frame_meta *meta)
{
    while (size - at >= 2 && bytes[at] == MARK) {
        uint8_t code = bytes[at + 1];
        if (code == SOS || code == EOI)
            return true;
        if (code == MARK) { /* fill byte */
            at++;
            continue;
        }
        if (code == TEM || (code >= RST0 && code <= RST7)) {
            at += 2;
            continue;
        }
        size_t room = size - at - 2, length = room >= 2 ? read16(bytes + at + 2) : 0;
        if (length < 2)
            return false;
        found->no_memory =
            !take_segment(bytes, code, at + 4, (length < room ? length : room) - 2, found, meta);
        if (found->no_memory || length > room)
            return false;
        at += 2 + length;
    }
    return false;
}

enum source jpeg_fill(const uint8_t *bytes, size_t at, size_t size, struct frame_meta *meta)
{
    struct found found = {0};
    if (at > size || size - at < 3 || bytes[at] != MARK || bytes[at + 1] != SOI || bytes[at + 2] != MARK)
        return SOURCE_FOREIGN;
    bool ended = walk(bytes, at + 2, size, &found, meta);
    if (found.no_memory)
        return SOURCE_NO_MEMORY;
    /* Behind the walk: the rating of Exif goes first, wherever its segment stands. */
    if (found.packet != NULL && !packet_fill(found.packet, found.packet_size, meta))
        return SOURCE_NO_MEMORY;
    /* Bytes that run out early may be the head of a picture, or all that is left of one: its time is worth
       having. Bytes that end by the rules without a frame header hold tables or tags alone. */
    return ended && !found.has_frame ? SOURCE_FOREIGN : SOURCE_READ;
}
