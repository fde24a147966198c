/*
 * maker.h - pictures and files for tests and benches, made on the spot: JPEGs of every kind and minimal DNGs.
 *
 * Everything returned is malloc'ed and the caller's; a failure ends the program with a message (tests only).
 */
#ifndef TESTS_MAKER_H
#define TESTS_MAKER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct bytes {
    uint8_t *at;
    size_t size;
};

/* RGB, with soft shading, a few hard edges and grain: as hard to compress as a photograph. */
uint8_t *make_picture(uint32_t width_px, uint32_t height_px, uint32_t seed);

enum make_space { MAKE_YCBCR, MAKE_GREY, MAKE_CMYK, MAKE_YCCK };

struct make_jpeg {
    uint32_t width_px, height_px, seed;
    enum make_space space;
    int quality;      /* 0 = 90 */
    bool full_chroma; /* 4:4:4 instead of 4:2:0 */
    bool progressive;
    bool arithmetic;
    bool many_scans;  /* progressive, each coefficient a scan of its own: 190 scans */
    unsigned restart; /* MCU rows between restart markers */
};
struct bytes make_jpeg(const struct make_jpeg *how);

/* Changes the sides that the header of a JPEG claims. */
void make_jpeg_claim(struct bytes *jpeg, uint16_t width_px, uint16_t height_px);

/* A Bayer DNG (16 bit samples, 12 bit range, black 64) of a grainy scene, or all black. A preview is put
   before the raw data when it is given. */
struct make_dng {
    uint32_t width_px, height_px, seed;
    bool black;
    const struct bytes *preview;
};
struct bytes make_dng(const struct make_dng *how);

/* A file of the folder ../shared/data; at = NULL, and "skipped: no shared data" is printed, where it is
 * absent. */
struct bytes shared_file(const char *name);

#endif
