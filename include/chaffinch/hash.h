/*
 * hash.h - XXH3-128 of streams, and the fingerprint of a picture.
 *
 * Source: xxHash 0.8.1 (libxxhash); digests are in its canonical (big-endian) byte order, so that `xxhsum
 * -H128 -c` reads what hash_text prints.
 *
 * Calling sequence: struct hash *h = hash_new(&err); hash_update(h, bytes, size); ...; hash_digest(h,
 * &digest); hash_free(h);
 */
#ifndef CHAFFINCH_HASH_H
#define CHAFFINCH_HASH_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chaffinch/err.h"

enum { HASH_SIZE = 16, HASH_TEXT_SIZE = 33, HASH_FINGERPRINT_BYTES = 65536 };

struct hash_digest {
    uint8_t bytes[HASH_SIZE];
};

struct hash;
struct hash *hash_new(struct err *err); /* NULL with ERR_NOMEM */
void hash_reset(struct hash *h);
void hash_update(struct hash *h, const void *bytes, size_t size);
void hash_digest(const struct hash *h, struct hash_digest *digest);
void hash_free(struct hash *h);

struct hash_digest hash_of(const void *bytes, size_t size);
/* Fingerprint of a file: XXH3-128 of its size (8 bytes, little-endian) and its first 64 KiB (`head_size` of
 * them). */
struct hash_digest hash_fingerprint(uint64_t file_size, const void *head, size_t head_size);
bool hash_equal(const struct hash_digest *a, const struct hash_digest *b);
/* 32 lower-case hex digits. */
char *hash_text(const struct hash_digest *digest, char out[HASH_TEXT_SIZE]);
bool hash_parse(const char *text, struct hash_digest *digest);

#endif
