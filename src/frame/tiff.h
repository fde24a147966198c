/*
 * tiff.h - a reader of TIFF directories in memory that never leaves its bytes. Private to frame.
 *
 * It finds what libexif does not hand out: values beyond the first 64 KiB (raw files), text of Exif 3.0's
 * type 129, the place of the thumbnail, directories with other magic numbers. Layout: TIFF 6.0.
 */
#ifndef CHAFFINCH_FRAME_TIFF_H
#define CHAFFINCH_FRAME_TIFF_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct tiff {
    const uint8_t *bytes; /* from the byte-order mark on; offsets count from here */
    size_t size;
    bool big; /* big endian */
    uint32_t first_ifd;
};

enum tiff_type {
    TIFF_BYTE = 1,
    TIFF_SHORT = 3,
    TIFF_LONG = 4,
    TIFF_RATIONAL = 5,
    TIFF_SLONG = 9,
    TIFF_SRATIONAL = 10,
    TIFF_IFD = 13,
    TIFF_UTF8 = 129 /* Exif 3.0 */
};

struct tiff_value {
    uint16_t type;
    uint32_t count;
    const uint8_t *at;
    size_t size; /* in bytes, within the file */
};

/* False if the bytes do not start like a TIFF. Any magic number goes: makers have their own. */
bool tiff_open(struct tiff *tiff, const uint8_t *bytes, size_t size);
/* The entry `tag` of the directory at `ifd`; false if absent or outside the bytes. */
bool tiff_find(const struct tiff *tiff, uint32_t ifd, uint16_t tag, struct tiff_value *value);
/* Offset of the directory after this one, 0 if none. */
uint32_t tiff_next(const struct tiff *tiff, uint32_t ifd);
/* The first number of a value: integers and rationals. False where there is none, or the denominator is 0. */
bool tiff_number(const struct tiff *tiff, const struct tiff_value *value, double *number);
/* As an offset or size: 0 if absent. */
uint32_t tiff_offset(const struct tiff *tiff, uint32_t ifd, uint16_t tag);

#endif
