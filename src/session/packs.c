#include "packs.h"

#include <fcntl.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/publish.h"

struct pack_writer {
    struct session *s;
    int fd;
    uint64_t size;
    char name[48];
};

static void pack_name(int64_t pack, char out[48])
{
    (void)snprintf(out, 48, "cells/%06" PRId64 ".cells", pack);
}

bool pack_exists(struct session *s, int64_t pack)
{
    char name[48];
    struct err ignored = ERR_INIT;
    pack_name(pack, name);
    int fd = files_open_path(s->root.fs, s->root.state, name, NULL, &ignored);
    files_drop(s->root.fs, fd);
    return fd >= 0;
}

struct pack_writer *pack_start(struct session *s, int64_t *number, struct err *err)
{
    struct pack_writer *w = calloc(1, sizeof *w);
    if (w == NULL) {
        err_nomem(err);
        return NULL;
    }
    w->s = s;
    /* Packs are never written again once their run is over, so a number that is taken is skipped. */
    for (*number = 1; pack_exists(s, *number);)
        ++*number;
    pack_name(*number, w->name);
    w->fd = publish_temp(&s->root, w->name, err);
    if (w->fd < 0) {
        free(w);
        return NULL;
    }
    return w;
}

bool pack_add(struct pack_writer *w, const uint8_t *bytes, size_t size, int64_t *offset, struct err *err)
{
    static const uint8_t zero[8] = {0};
    size_t pad = (8 - size % 8) % 8;
    if (!files_write_full(w->s->root.fs, w->fd, bytes, size, w->name, err) ||
        !files_write_full(w->s->root.fs, w->fd, zero, pad, w->name, err))
        return false;
    *offset = (int64_t)w->size;
    w->size += size + pad;
    return true;
}

uint64_t pack_size(const struct pack_writer *w)
{
    return w->size;
}

bool pack_sync(struct pack_writer *w, struct err *err)
{
    return files_sync(w->s->root.fs, w->fd, w->name, err);
}

void pack_close(struct pack_writer *w)
{
    if (w == NULL)
        return;
    files_drop(w->s->root.fs, w->fd);
    free(w);
}

static bool read_at(const struct files *fs, int fd, uint8_t *bytes, size_t size, int64_t offset,
                    const char *name, struct err *err)
{
    for (size_t got = 0; got < size;) {
        ssize_t n = fs->pread(fs->context, fd, bytes + got, size - got, (off_t)offset + (off_t)got);
        if (n < 0)
            return err_sys(err, "read", name);
        if (n == 0)
            return err_set(err, ERR_DAMAGED, "'%s' is shorter than the catalogue says", name);
        got += (size_t)n;
    }
    return true;
}

bool pack_read(struct session *s, int64_t pack, int64_t offset, int64_t size, uint8_t **bytes,
               struct err *err)
{
    char name[48];
    const struct files *fs = s->root.fs;
    pack_name(pack, name);
    if (size <= 0 || size > (int64_t)1 << 28 || offset < 0)
        return err_set(err, ERR_DAMAGED, "the catalogue names an impossible place in '%s'", name);
    int fd = files_open_path(fs, s->root.state, name, NULL, err);
    if (fd < 0)
        return false;
    uint8_t *got = malloc((size_t)size);
    bool ok = got != NULL ? read_at(fs, fd, got, (size_t)size, offset, name, err) : err_nomem(err);
    files_drop(fs, fd);
    if (!ok) {
        free(got);
        return false;
    }
    *bytes = got;
    return true;
}
