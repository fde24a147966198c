/* readback.h - hash a file as it lies on the medium, past the page cache. */
#ifndef CHAFFINCH_CARD_READBACK_H
#define CHAFFINCH_CARD_READBACK_H

#include <stdatomic.h>

#include "chaffinch/files.h"
#include "chaffinch/hash.h"

enum { READBACK_BYTES = 1 << 20 };

struct readback {
    uint8_t *buffer; /* READBACK_BYTES */
    struct hash *hash;
};

bool readback_init(struct readback *r, struct err *err);
void readback_release(struct readback *r);
/* Drops the cached pages of the file (which must be synced) and reads it from its start to its end. `cancel`
   (NULL = never) ends it early with ERR_INTERRUPTED. ERR_IO with the cause. */
bool readback_digest(struct readback *r, const struct files *fs, int fd, const char *shown,
                     const atomic_bool *cancel, struct hash_digest *digest, uint64_t *size, struct err *err);

#endif
