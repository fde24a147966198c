#include "tiff.h"

enum { HEADER_BYTES = 8, ENTRY_BYTES = 12 };

static uint32_t read16(const struct tiff *t, const uint8_t *p)
{
    return t->big ? (uint32_t)p[0] << 8 | p[1] : (uint32_t)p[1] << 8 | p[0];
}

static uint32_t read32(const struct tiff *t, const uint8_t *p)
{
    return t->big ? read16(t, p) << 16 | read16(t, p + 2) : read16(t, p + 2) << 16 | read16(t, p);
}

bool tiff_open(struct tiff *tiff, const uint8_t *bytes, size_t size)
{
    if (size < HEADER_BYTES || bytes[0] != bytes[1] || (bytes[0] != 'I' && bytes[0] != 'M'))
        return false;
    *tiff = (struct tiff){.bytes = bytes, .size = size, .big = bytes[0] == 'M'};
    tiff->first_ifd = read32(tiff, bytes + 4);
    return true;
}

/* Bytes of one value of this type, 0 = unknown. */
static size_t type_size(uint16_t type)
{
    static const uint8_t size[] = {0, 1, 1, 2, 4, 8, 1, 1, 2, 4, 8, 4, 8, 4};
    if (type == TIFF_UTF8)
        return 1;
    return type < sizeof size ? size[type] : 0;
}

/* How many of the directory's entries lie within the bytes. */
static size_t entries_of(const struct tiff *t, uint32_t ifd, bool *whole)
{
    *whole = false;
    if (ifd < HEADER_BYTES || ifd > t->size || t->size - ifd < 2)
        return 0;
    size_t n = read16(t, t->bytes + ifd), room = (t->size - ifd - 2) / ENTRY_BYTES;
    *whole = n <= room;
    return *whole ? n : room;
}

bool tiff_find(const struct tiff *t, uint32_t ifd, uint16_t tag, struct tiff_value *value)
{
    bool whole;
    size_t n = entries_of(t, ifd, &whole);
    for (size_t i = 0; i < n; i++) {
        const uint8_t *entry = t->bytes + ifd + 2 + i * ENTRY_BYTES;
        if (read16(t, entry) != tag)
            continue;
        *value = (struct tiff_value){.type = (uint16_t)read16(t, entry + 2), .count = read32(t, entry + 4)};
        uint64_t size = (uint64_t)value->count * type_size(value->type);
        uint64_t offset = size <= 4 ? (uint64_t)(entry + 8 - t->bytes) : read32(t, entry + 8);
        if (size == 0 || offset > t->size || size > t->size - offset)
            return false;
        value->at = t->bytes + offset;
        value->size = (size_t)size;
        return true;
    }
    return false;
}

uint32_t tiff_next(const struct tiff *t, uint32_t ifd)
{
    bool whole;
    size_t end = ifd + 2 + entries_of(t, ifd, &whole) * ENTRY_BYTES;
    return whole && end <= t->size && t->size - end >= 4 ? read32(t, t->bytes + end) : 0;
}

bool tiff_number(const struct tiff *t, const struct tiff_value *value, double *number)
{
    const uint8_t *p = value->at;
    if (type_size(value->type) == 0 || value->size < type_size(value->type))
        return false;
    switch (value->type) {
    case TIFF_BYTE:
        *number = p[0];
        return true;
    case TIFF_SHORT:
        *number = read16(t, p);
        return true;
    case TIFF_LONG:
    case TIFF_IFD:
        *number = read32(t, p);
        return true;
    case TIFF_RATIONAL:
        *number = read32(t, p + 4) != 0 ? (double)read32(t, p) / read32(t, p + 4) : 0;
        return read32(t, p + 4) != 0;
    case TIFF_SLONG:
        *number = (int32_t)read32(t, p);
        return true;
    case TIFF_SRATIONAL:
        *number = read32(t, p + 4) != 0 ? (double)(int32_t)read32(t, p) / (int32_t)read32(t, p + 4) : 0;
        return read32(t, p + 4) != 0;
    default:
        return false;
    }
}

uint32_t tiff_offset(const struct tiff *t, uint32_t ifd, uint16_t tag)
{
    struct tiff_value value;
    double number;
    bool found = tiff_find(t, ifd, tag, &value) && tiff_number(t, &value, &number) && number >= 0 &&
                 number <= UINT32_MAX && value.type != TIFF_RATIONAL && value.type != TIFF_SRATIONAL;
    return found ? (uint32_t)number : 0;
}
