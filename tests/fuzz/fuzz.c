#include "fuzz.h"

#include <fcntl.h>
#include <ftw.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "chaffinch/str.h"

enum { PIXELS_MAX = 1 << 20 };

void fuzz_check(bool holds, const char *text, const char *file, int line)
{
    if (holds)
        return;
    fprintf(stderr, "%s:%d: does not hold: %s\n", file, line, text);
    abort();
}

struct rows {
    uint32_t width_px, height_px, n;
    uint64_t sum; /* every byte is looked at */
    uint8_t *places;
    size_t stride;
};

static bool begin(void *context, const struct decode_source *source, struct err *err)
{
    struct rows *r = context;
    r->width_px = source->width_px;
    r->height_px = source->height_px;
    if ((uint64_t)source->width_px * source->height_px > PIXELS_MAX)
        return err_set(err, ERR_FORMAT, "too large to fuzz");
    r->stride = (r->width_px + 7) / 8 * 8;
    r->places = malloc(r->stride * DECODE_PLACES); /* exactly: whatever is written beyond is seen */
    return r->places != NULL || err_nomem(err);
}

static void row(void *context, const uint8_t *luma)
{
    struct rows *r = context;
    for (uint32_t x = 0; x < r->width_px; x++)
        r->sum += luma[x];
    r->n++;
}

static uint8_t *place(void *context, uint32_t ahead)
{
    struct rows *r = context;
    fuzz_must(ahead < DECODE_PLACES);
    return r->places + (r->n + ahead) % DECODE_PLACES * r->stride;
}

static void placed(void *context, uint32_t rows)
{
    struct rows *r = context;
    for (; rows > 0; rows--)
        row(r, place(r, 0));
}

bool fuzz_luma(enum decode_kind kind, const uint8_t *bytes, size_t size)
{
    struct rows rows = {0};
    struct decode_source source = {0};
    struct err err = ERR_INIT;
    const struct decode_sink sink = {
        .context = &rows, .begin = begin, .row = row, .place = place, .placed = placed};
    bool ok = decode_luma(kind, bytes, size, &sink, &source, &err);
    free(rows.places);
    fuzz_must(ok || err.code != ERR_NONE);
    fuzz_must(rows.n <= rows.height_px);
    fuzz_must(!ok || rows.n == rows.height_px);
    return ok;
}

void fuzz_open(struct fuzz_place *place)
{
    struct err err = ERR_INIT;
    place->path =
        str_make(NULL, "%s/chaffinch-fuzz-XXXXXX", access("/dev/shm", W_OK) == 0 ? "/dev/shm" : "/tmp");
    fuzz_must(place->path != NULL && mkdtemp(place->path) != NULL);
    fuzz_must(root_open(&place->root, files_system(), place->path, false, true, &err));
}

void fuzz_write(const struct fuzz_place *place, const char *name, const uint8_t *bytes, size_t size)
{
    int fd = openat(place->root.state, name, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0644);
    fuzz_must(fd >= 0 && write(fd, bytes, size) == (ssize_t)size && close(fd) == 0);
}

static int remove_one(const char *path, const struct stat *st, int kind, struct FTW *where)
{
    (void)st, (void)kind, (void)where;
    return remove(path);
}

void fuzz_close(struct fuzz_place *place)
{
    root_close(&place->root);
    (void)nftw(place->path, remove_one, 8, FTW_DEPTH | FTW_PHYS);
    free(place->path);
}
