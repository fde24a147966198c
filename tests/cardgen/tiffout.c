#include "tiffout.h"
#include "canvas.h"
#include <stdlib.h>
#include <string.h>

void bytes_add(struct bytes *b, const void *data, size_t n)
{
    if (b->size + n > b->room) {
        size_t room = (b->size + n) * 2;
        uint8_t *p = canvas_alloc(room, 1);
        if (b->size)
            memcpy(p, b->data, b->size);
        free(b->data);
        b->data = p;
        b->room = room;
    }
    if (n)
        memcpy(b->data + b->size, data, n);
    b->size += n;
}

void bytes_u16(struct bytes *b, unsigned v)
{
    bytes_add(b, (uint8_t[]){(uint8_t)v, (uint8_t)(v >> 8)}, 2);
}

void bytes_u32(struct bytes *b, uint32_t v)
{
    bytes_u16(b, v & 0xffff);
    bytes_u16(b, v >> 16);
}

void bytes_free(struct bytes *b)
{
    free(b->data);
    *b = (struct bytes){0};
}

static uint32_t type_size(int type)
{
    switch (type) {
    case TIFF_SHORT:
        return 2;
    case TIFF_LONG:
        return 4;
    case TIFF_RATIONAL:
    case TIFF_SRATIONAL:
        return 8;
    default:
        return 1;
    }
}

static void put_le(uint8_t *p, uint32_t v, uint32_t n)
{
    for (uint32_t i = 0; i < n; i++)
        p[i] = (uint8_t)(v >> (8 * i));
}

void tiff_add(struct tiff_ifd *d, int tag, int type, uint32_t count, const uint32_t *values)
{
    struct tiff_entry *e = &d->entry[d->count++];
    *e = (struct tiff_entry){.tag = (uint16_t)tag, .type = (uint16_t)type, .count = count};
    uint32_t size = type_size(type), numbers = size == 8 ? 2 * count : count, each = size == 8 ? 4 : size;
    for (uint32_t i = 0; i < numbers; i++)
        put_le(e->data + i * each, values[i], each);
}

void tiff_short(struct tiff_ifd *d, int tag, unsigned v)
{
    tiff_add(d, tag, TIFF_SHORT, 1, (uint32_t[]){v});
}

void tiff_long(struct tiff_ifd *d, int tag, uint32_t v)
{
    tiff_add(d, tag, TIFF_LONG, 1, &v);
}

void tiff_rational(struct tiff_ifd *d, int tag, uint32_t num, uint32_t den)
{
    tiff_add(d, tag, TIFF_RATIONAL, 1, (uint32_t[]){num, den});
}

void tiff_ascii(struct tiff_ifd *d, int tag, const char *text)
{
    struct tiff_entry *e = &d->entry[d->count++];
    size_t n = strlen(text) + 1;
    n = n > sizeof e->data ? sizeof e->data : n;
    *e = (struct tiff_entry){.tag = (uint16_t)tag, .type = TIFF_ASCII, .count = (uint32_t)n};
    memcpy(e->data, text, n - 1);
}

void tiff_undefined(struct tiff_ifd *d, int tag, const char *four)
{
    struct tiff_entry *e = &d->entry[d->count++];
    *e = (struct tiff_entry){.tag = (uint16_t)tag, .type = TIFF_UNDEFINED, .count = 4};
    memcpy(e->data, four, 4);
}

void tiff_set(struct tiff_ifd *d, int tag, uint32_t v)
{
    for (int i = 0; i < d->count; i++)
        if (d->entry[i].tag == tag)
            put_le(d->entry[i].data, v, 4);
}

static uint32_t data_size(const struct tiff_entry *e)
{
    return e->count * type_size(e->type);
}

uint32_t tiff_size(const struct tiff_ifd *d)
{
    uint32_t n = 2 + 12 * (uint32_t)d->count + 4;
    for (int i = 0; i < d->count; i++)
        if (data_size(&d->entry[i]) > 4)
            n += (data_size(&d->entry[i]) + 1) & ~1u;
    return n;
}

void tiff_write(struct bytes *b, const struct tiff_ifd *d, uint32_t offset, uint32_t next)
{
    uint32_t at = offset + 2 + 12 * (uint32_t)d->count + 4;
    bytes_u16(b, (unsigned)d->count);
    for (int i = 0; i < d->count; i++) {
        const struct tiff_entry *e = &d->entry[i];
        uint32_t n = data_size(e);
        bytes_u16(b, e->tag);
        bytes_u16(b, e->type);
        bytes_u32(b, e->count);
        if (n > 4) {
            bytes_u32(b, at);
            at += (n + 1) & ~1u;
        } else {
            bytes_add(b, e->data, 4);
        }
    }
    bytes_u32(b, next);
    for (int i = 0; i < d->count; i++)
        if (data_size(&d->entry[i]) > 4)
            bytes_add(b, d->entry[i].data, (data_size(&d->entry[i]) + 1) & ~1u);
}
