#include "readback.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>

bool readback_init(struct readback *r, struct err *err)
{
    r->buffer = malloc(READBACK_BYTES);
    r->hash = r->buffer != NULL ? hash_new(err) : NULL;
    if (r->hash != NULL)
        return true;
    readback_release(r);
    return err_nomem(err);
}

void readback_release(struct readback *r)
{
    free(r->buffer);
    hash_free(r->hash);
    *r = (struct readback){0};
}

bool readback_digest(struct readback *r, const struct files *fs, int fd, const char *shown,
                     const atomic_bool *cancel, struct hash_digest *digest, uint64_t *size, struct err *err)
{
    /* Advice may be refused (memory file systems): then there is no medium behind the cache. */
    (void)fs->fadvise(fs->context, fd, 0, 0, POSIX_FADV_DONTNEED);
    (void)fs->fadvise(fs->context, fd, 0, 0, POSIX_FADV_SEQUENTIAL);
    hash_reset(r->hash);
    *size = 0;
    for (;;) {
        ssize_t n = fs->pread(fs->context, fd, r->buffer, READBACK_BYTES, (off_t)*size);
        if (n < 0 && errno == EINTR)
            continue;
        if (n < 0)
            return err_sys(err, "read back", shown);
        if (n == 0)
            break;
        if (cancel != NULL && atomic_load(cancel))
            return err_set(err, ERR_INTERRUPTED, "interrupted: run the same command again to go on");
        hash_update(r->hash, r->buffer, (size_t)n);
        *size += (uint64_t)n;
    }
    hash_digest(r->hash, digest);
    return true;
}
