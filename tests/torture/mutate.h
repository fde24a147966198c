/*
 * mutate.h - picture files that lie: fixtures, and what a seed makes of them.
 *
 * All bytes are malloc'ed and the caller's.
 */
#ifndef TESTS_TORTURE_MUTATE_H
#define TESTS_TORTURE_MUTATE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct fixture {
    char name[80];
    bool raw;
    uint8_t *bytes;
    size_t size;
};

struct fixtures {
    struct fixture at[64];
    size_t n;
};

/* Sound files: JPEGs of every kind, with Exif, XMP and MPF; DNGs with and without a preview. */
void fixtures_make(struct fixtures *f);
/* Files that claim more than they hold: pictures of 65500 x 65500 in 630 bytes, raws of 60000 x 60000,
   thousands of scans, directories that lead to themselves, offsets of 4 GiB. */
void fixtures_make_bombs(struct fixtures *f);
void fixtures_release(struct fixtures *f);

/* The fixture changed in 1 to 8 places, as `seed` says: bits, bytes, numbers that are off by one or huge,
   blocks moved, left out or doubled. *size is set. */
uint8_t *mutate(const struct fixture *f, uint32_t seed, size_t *size);

#endif
