/*
 * tags_maker.h - Exif structures and JPEG heads for tests, written by TIFF 6.0 and CIPA DC-008, without any
 * of the code under test.
 *
 * Fixed room, no memory to free; a structure that does not fit ends the program (tests only).
 */
#ifndef TESTS_TAGS_MAKER_H
#define TESTS_TAGS_MAKER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { TAGS_ROOM = 256 * 1024, TAGS_MAX = 24 };

struct made_tag {
    int ifd; /* 0 = first directory, 1 = Exif directory, 2 = thumbnail directory */
    uint16_t tag, type;
    uint32_t count;
    uint8_t value[128];
    size_t size;
};

struct made_tags {
    bool big_endian;
    uint32_t exif_at; /* where the Exif directory goes, 0 = right behind the first one */
    size_t n;
    struct made_tag tag[TAGS_MAX];
    uint8_t bytes[TAGS_ROOM];
    size_t size;
};

void tags_text(struct made_tags *t, int ifd, uint16_t tag, const char *text);
void tags_bytes(struct made_tags *t, int ifd, uint16_t tag, uint16_t type, const void *value, size_t size);
void tags_short(struct made_tags *t, int ifd, uint16_t tag, uint16_t number);
void tags_long(struct made_tags *t, int ifd, uint16_t tag, uint32_t number);
void tags_rational(struct made_tags *t, int ifd, uint16_t tag, uint32_t numerator, uint32_t denominator);
/* Lays the directories out in t->bytes: a TIFF structure. */
void tags_lay_out(struct made_tags *t);

/* SOI, APP1 with the structure (may be NULL), APP1 with the XMP packet (may be NULL), SOF0, SOS, EOI. Returns
   the size; out has room for it. */
size_t tags_jpeg(const struct made_tags *t, const char *xmp, uint8_t *out, size_t room);

#endif
