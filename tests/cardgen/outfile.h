#ifndef CARDGEN_OUTFILE_H
#define CARDGEN_OUTFILE_H
/* Files under OUT/card, with the times a FAT card gives them. All return false with a message on stderr. */
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* Writes one file (folders are made) with its time of last change set to time_s after midnight of the demo
 * day, rounded down to 2 s as on FAT. `locked`: the read-only attribute, mode 0444. */
bool outfile_put(const char *out, const char *path, const void *data, size_t size, double time_s,
                 bool locked);

/* A file that only begins like a HEIF picture. */
bool outfile_heif(const char *out, const char *path, double time_s, uint64_t seed);

/* A short video container: file type, media data, empty movie header. */
bool outfile_clip(const char *out, const char *path, double time_s, uint64_t seed);

/* The header that one computer leaves beside files it has looked at (AppleDouble, RFC 1740). */
bool outfile_apple_double(const char *out, const char *path, double time_s);

/* XMP packet with a title. */
bool outfile_sidecar(const char *out, const char *path, double time_s);

#endif
