#ifndef CARDGEN_TIFFOUT_H
#define CARDGEN_TIFFOUT_H
/* Little-endian TIFF directories in a growing buffer: the frame of both Exif and DNG. Tag types, tag order
 * and offsets follow TIFF 6.0. */
#include <stddef.h>
#include <stdint.h>

struct bytes {
    uint8_t *data; /* owned */
    size_t size, room;
};

void bytes_add(struct bytes *b, const void *data, size_t n);
void bytes_u16(struct bytes *b, unsigned v);
void bytes_u32(struct bytes *b, uint32_t v);
void bytes_free(struct bytes *b);

enum {
    TIFF_BYTE = 1,
    TIFF_ASCII,
    TIFF_SHORT,
    TIFF_LONG,
    TIFF_RATIONAL,
    TIFF_UNDEFINED = 7,
    TIFF_SRATIONAL = 10
};

struct tiff_entry {
    uint16_t tag, type;
    uint32_t count;
    uint8_t data[80]; /* little-endian values */
};

struct tiff_ifd {
    struct tiff_entry entry[32];
    int count;
};

/* Entries must be added in rising order of tags. */
void tiff_add(struct tiff_ifd *d, int tag, int type, uint32_t count, const uint32_t *values);
void tiff_short(struct tiff_ifd *d, int tag, unsigned v);
void tiff_long(struct tiff_ifd *d, int tag, uint32_t v);
void tiff_rational(struct tiff_ifd *d, int tag, uint32_t num, uint32_t den);
void tiff_ascii(struct tiff_ifd *d, int tag, const char *text);
void tiff_undefined(struct tiff_ifd *d, int tag, const char *four);

/* Changes the LONG of an entry that is there: offsets are known once everything has its size. */
void tiff_set(struct tiff_ifd *d, int tag, uint32_t v);

/* Size of the directory with its long values, even. */
uint32_t tiff_size(const struct tiff_ifd *d);

/* Appends the directory, which starts at `offset` of the TIFF; next = offset of the next one or 0. */
void tiff_write(struct bytes *b, const struct tiff_ifd *d, uint32_t offset, uint32_t next);

#endif
