#include "tags_maker.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { ASCII = 2, SHORT = 3, LONG = 4, RATIONAL = 5 };

static void must(bool good)
{
    if (good)
        return;
    fputs("tags_maker: no room\n", stderr);
    exit(2);
}

static void put16(const struct made_tags *t, uint8_t *p, uint32_t v)
{
    p[t->big_endian ? 0 : 1] = (uint8_t)(v >> 8);
    p[t->big_endian ? 1 : 0] = (uint8_t)v;
}

static void put32(const struct made_tags *t, uint8_t *p, uint32_t v)
{
    put16(t, p + (t->big_endian ? 0 : 2), v >> 16);
    put16(t, p + (t->big_endian ? 2 : 0), v & 0xffff);
}

static struct made_tag *add(struct made_tags *t, int ifd, uint16_t tag, uint16_t type, uint32_t count,
                            size_t size)
{
    must(t->n < TAGS_MAX && size <= sizeof t->tag[0].value);
    struct made_tag *made = &t->tag[t->n++];
    *made = (struct made_tag){.ifd = ifd, .tag = tag, .type = type, .count = count, .size = size};
    return made;
}

void tags_text(struct made_tags *t, int ifd, uint16_t tag, const char *text)
{
    tags_bytes(t, ifd, tag, ASCII, text, strlen(text) + 1);
}

void tags_bytes(struct made_tags *t, int ifd, uint16_t tag, uint16_t type, const void *value, size_t size)
{
    memcpy(add(t, ifd, tag, type, (uint32_t)size, size)->value, value, size);
}

void tags_short(struct made_tags *t, int ifd, uint16_t tag, uint16_t number)
{
    put16(t, add(t, ifd, tag, SHORT, 1, 2)->value, number);
}

void tags_long(struct made_tags *t, int ifd, uint16_t tag, uint32_t number)
{
    put32(t, add(t, ifd, tag, LONG, 1, 4)->value, number);
}

void tags_rational(struct made_tags *t, int ifd, uint16_t tag, uint32_t numerator, uint32_t denominator)
{
    struct made_tag *made = add(t, ifd, tag, RATIONAL, 1, 8);
    put32(t, made->value, numerator);
    put32(t, made->value + 4, denominator);
}

static size_t tags_of(const struct made_tags *t, int ifd)
{
    size_t n = 0;
    for (size_t i = 0; i < t->n; i++)
        n += t->tag[i].ifd == ifd;
    return n;
}

/* Writes one directory at `at`, its values behind it; returns the end. */
static size_t put_directory(struct made_tags *t, int ifd, size_t at, uint32_t next)
{
    size_t n = tags_of(t, ifd), entry = at + 2, end = at + 2 + 12 * n + 4;
    must(end < TAGS_ROOM);
    put16(t, t->bytes + at, (uint32_t)n);
    for (size_t i = 0; i < t->n; i++) {
        const struct made_tag *made = &t->tag[i];
        if (made->ifd != ifd)
            continue;
        must(end + made->size + 1 < TAGS_ROOM);
        put16(t, t->bytes + entry, made->tag);
        put16(t, t->bytes + entry + 2, made->type);
        put32(t, t->bytes + entry + 4, made->count);
        if (made->size <= 4) {
            memcpy(t->bytes + entry + 8, made->value, made->size);
        } else {
            put32(t, t->bytes + entry + 8, (uint32_t)end);
            memcpy(t->bytes + end, made->value, made->size);
            end += made->size + made->size % 2;
        }
        entry += 12;
    }
    put32(t, t->bytes + entry, next);
    return end;
}

/* Twice: the second time the places of the directories are known. */
void tags_lay_out(struct made_tags *t)
{
    uint32_t exif_at = t->exif_at, thumb_at = 0;
    memcpy(t->bytes, t->big_endian ? "MM\0*" : "II*\0", 4);
    put32(t, t->bytes + 4, 8);
    struct made_tag *pointer = add(t, 0, 0x8769, LONG, 1, 4);
    for (int round = 0; round < 2; round++) {
        put32(t, pointer->value, exif_at);
        t->size = put_directory(t, 0, 8, thumb_at);
        if (tags_of(t, 2) > 0) {
            thumb_at = (uint32_t)t->size;
            t->size = put_directory(t, 2, thumb_at, 0);
        }
        exif_at = exif_at > 0 ? exif_at : (uint32_t)t->size;
        must(exif_at >= t->size || round > 0);
        t->size = put_directory(t, 1, exif_at, 0);
    }
}

static size_t put_segment(uint8_t *out, size_t at, size_t room, uint8_t code, const void *head,
                          size_t head_size, const void *body, size_t body_size)
{
    size_t length = 2 + head_size + body_size;
    must(length <= 0xffff && at + 2 + length <= room);
    out[at] = 0xff;
    out[at + 1] = code;
    out[at + 2] = (uint8_t)(length >> 8);
    out[at + 3] = (uint8_t)length;
    memcpy(out + at + 4, head, head_size);
    if (body_size > 0)
        memcpy(out + at + 4 + head_size, body, body_size);
    return at + 2 + length;
}

size_t tags_jpeg(const struct made_tags *t, const char *xmp, uint8_t *out, size_t room)
{
    static const uint8_t frame[] = {8, 0, 120, 0, 160, 1, 1, 0x11, 0}; /* 160 x 120 */
    static const uint8_t scan[] = {1, 1, 0, 0, 63, 0};
    size_t at = 2;
    must(room > 4);
    out[0] = 0xff;
    out[1] = 0xd8;
    if (t != NULL)
        at = put_segment(out, at, room, 0xe1, "Exif\0", 6, t->bytes, t->size);
    if (xmp != NULL)
        at = put_segment(out, at, room, 0xe1, "http://ns.adobe.com/xap/1.0/", 29, xmp, strlen(xmp));
    at = put_segment(out, at, room, 0xc0, frame, sizeof frame, NULL, 0);
    at = put_segment(out, at, room, 0xda, scan, sizeof scan, NULL, 0);
    must(at + 2 <= room);
    out[at] = 0xff;
    out[at + 1] = 0xd9;
    return at + 2;
}
