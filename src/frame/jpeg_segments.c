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

/* body[0 .. size) = the segment behind its length. False = out of memory. */
static bool take_segment(const uint8_t *bytes, uint8_t code, size_t at, size_t size, struct frame_meta *meta)
{
    static const char exif[] = "Exif\0", xmp[] = "http://ns.adobe.com/xap/1.0/"; /* with their NUL */
    const uint8_t *body = bytes + at;
    if (code == APP1 && starts_with(body, size, exif, sizeof exif))
        return tags_fill(bytes, at + sizeof exif, size - sizeof exif, meta, NULL);
    if (code == APP1 && starts_with(body, size, xmp, sizeof xmp))
        packet_fill(body + sizeof xmp, size - sizeof xmp, meta);
    if (is_frame_header(code) && size >= 5) {
        meta->height_px = (uint32_t)read16(body + 1);
        meta->width_px = (uint32_t)read16(body + 3);
    }
    return true;
}

enum source jpeg_fill(const uint8_t *bytes, size_t at, size_t size, struct frame_meta *meta)
{
    if (at > size || size - at < 3 || bytes[at] != MARK || bytes[at + 1] != SOI || bytes[at + 2] != MARK)
        return SOURCE_FOREIGN;
    for (at += 2; size - at >= 4 && bytes[at] == MARK;) {
        uint8_t code = bytes[at + 1];
        if (code == MARK) { /* fill byte */
            at++;
            continue;
        }
        if (code == TEM || (code >= RST0 && code <= RST7)) {
            at += 2;
            continue;
        }
        size_t length = read16(bytes + at + 2);
        if (code == SOS || code == EOI || length < 2)
            break;
        size_t room = size - at - 2, whole = length < room ? length : room;
        if (!take_segment(bytes, code, at + 4, whole - 2, meta))
            return SOURCE_NO_MEMORY;
        if (length > room)
            break;
        at += 2 + length;
    }
    return SOURCE_READ;
}
