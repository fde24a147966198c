#include "chaffinch/hash.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#define XXH_STATIC_LINKING_ONLY /* a state on the stack: fingerprints must not fail for want of memory */
#include <xxhash.h>

struct hash {
    XXH3_state_t *state;
};

struct hash *hash_new(struct err *err)
{
    struct hash *h = calloc(1, sizeof *h);
    if (h == NULL || (h->state = XXH3_createState()) == NULL) {
        free(h);
        err_nomem(err);
        return NULL;
    }
    hash_reset(h);
    return h;
}

void hash_reset(struct hash *h)
{
    (void)XXH3_128bits_reset(h->state);
}

void hash_update(struct hash *h, const void *bytes, size_t size)
{
    if (size > 0)
        (void)XXH3_128bits_update(h->state, bytes, size);
}

static struct hash_digest canonical(XXH128_hash_t value)
{
    XXH128_canonical_t bytes;
    struct hash_digest digest;
    XXH128_canonicalFromHash(&bytes, value);
    memcpy(digest.bytes, bytes.digest, sizeof digest.bytes);
    return digest;
}

void hash_digest(const struct hash *h, struct hash_digest *digest)
{
    *digest = canonical(XXH3_128bits_digest(h->state));
}

void hash_free(struct hash *h)
{
    if (h == NULL)
        return;
    (void)XXH3_freeState(h->state);
    free(h);
}

struct hash_digest hash_of(const void *bytes, size_t size)
{
    return canonical(XXH3_128bits(bytes, size));
}

struct hash_digest hash_fingerprint(uint64_t file_size, const void *head, size_t head_size)
{
    XXH3_state_t state;
    uint8_t size_bytes[8];
    for (int i = 0; i < 8; i++)
        size_bytes[i] = (uint8_t)(file_size >> (8 * i));
    XXH3_INITSTATE(&state);
    (void)XXH3_128bits_reset(&state);
    (void)XXH3_128bits_update(&state, size_bytes, sizeof size_bytes);
    if (head_size > 0)
        (void)XXH3_128bits_update(&state, head, head_size);
    return canonical(XXH3_128bits_digest(&state));
}

bool hash_equal(const struct hash_digest *a, const struct hash_digest *b)
{
    return memcmp(a->bytes, b->bytes, HASH_SIZE) == 0;
}

char *hash_text(const struct hash_digest *digest, char out[HASH_TEXT_SIZE])
{
    for (int i = 0; i < HASH_SIZE; i++)
        (void)snprintf(out + 2 * i, 3, "%02x", digest->bytes[i]);
    return out;
}

static int hex_digit(char c)
{
    if (c >= '0' && c <= '9')
        return c - '0';
    if (c >= 'a' && c <= 'f')
        return c - 'a' + 10;
    return -1;
}

bool hash_parse(const char *text, struct hash_digest *digest)
{
    if (strlen(text) < HASH_SIZE * 2)
        return false;
    for (int i = 0; i < HASH_SIZE; i++) {
        int high = hex_digit(text[2 * i]), low = hex_digit(text[2 * i + 1]);
        if (high < 0 || low < 0)
            return false;
        digest->bytes[i] = (uint8_t)(high << 4 | low);
    }
    return true;
}
