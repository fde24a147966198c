#include "outfile.h"
#include "rng.h"
#include "tiffout.h"
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define DAY_UTC 1778882400 /* 2026-05-16 00:00:00 +02:00 */

static bool failed(const char *path)
{
    fprintf(stderr, "cardgen: cannot write '%s': %s\n", path, strerror(errno));
    return false;
}

static bool make_folders(char *path)
{
    for (char *p = strchr(path + 1, '/'); p; p = strchr(p + 1, '/')) {
        *p = 0;
        bool ok = mkdir(path, 0777) == 0 || errno == EEXIST;
        if (!ok)
            return failed(path);
        *p = '/';
    }
    return true;
}

static bool write_all(int fd, const uint8_t *data, size_t size)
{
    while (size > 0) {
        ssize_t n = write(fd, data, size);
        if (n < 0)
            return false;
        data += n;
        size -= (size_t)n;
    }
    return true;
}

bool outfile_put(const char *out, const char *path, const void *data, size_t size, double time_s, bool locked)
{
    char full[4096];
    if (snprintf(full, sizeof full, "%s/card/%s", out, path) >= (int)sizeof full) {
        errno = ENAMETOOLONG;
        return failed(path);
    }
    if (!make_folders(full))
        return false;
    int fd = open(full, O_WRONLY | O_CREAT | O_EXCL, 0644);
    if (fd < 0)
        return failed(full);
    struct timespec t = {DAY_UTC + (time_t)time_s / 2 * 2, 0}, both[2] = {t, t};
    bool ok = write_all(fd, data, size) && futimens(fd, both) == 0 && (!locked || fchmod(fd, 0444) == 0);
    if (close(fd) != 0)
        ok = false;
    return ok || failed(full);
}

static void be32(struct bytes *b, uint32_t v)
{
    bytes_add(b, (uint8_t[]){(uint8_t)(v >> 24), (uint8_t)(v >> 16), (uint8_t)(v >> 8), (uint8_t)v}, 4);
}

static void box(struct bytes *b, const char *type, uint32_t payload)
{
    be32(b, payload + 8);
    bytes_add(b, type, 4);
}

static void filler(struct bytes *b, size_t n, uint64_t seed)
{
    struct rng r = rng_from(seed, rng_name("filler"));
    for (size_t i = 0; i < n; i += 4)
        be32(b, rng_u32(&r));
}

bool outfile_heif(const char *out, const char *path, double time_s, uint64_t seed)
{
    struct bytes b = {0};
    box(&b, "ftyp", 16);
    bytes_add(&b, "heix\0\0\0\0mif1heix", 16);
    box(&b, "mdat", 4096);
    filler(&b, 4096, seed + 1);
    bool ok = outfile_put(out, path, b.data, b.size, time_s, false);
    bytes_free(&b);
    return ok;
}

bool outfile_clip(const char *out, const char *path, double time_s, uint64_t seed)
{
    struct bytes b = {0};
    box(&b, "ftyp", 16);
    bytes_add(&b, "mp42\0\0\0\1mp42isom", 16);
    box(&b, "mdat", 262144);
    filler(&b, 262144, seed + 2);
    box(&b, "moov", 108);
    box(&b, "mvhd", 100);
    uint8_t header[100] = {[14] = 3, [15] = 0xe8, [20] = 0, [21] = 1,    [36] = 0x00,
                           [37] = 1, [52] = 0,    [53] = 1, [68] = 0x40, [99] = 2};
    bytes_add(&b, header, sizeof header);
    bool ok = outfile_put(out, path, b.data, b.size, time_s, false);
    bytes_free(&b);
    return ok;
}

bool outfile_apple_double(const char *out, const char *path, double time_s)
{
    struct bytes b = {0};
    be32(&b, 0x00051607); /* magic, version 2 */
    be32(&b, 0x00020000);
    bytes_add(&b, (uint8_t[18]){[17] = 2}, 18);     /* filler, two entries */
    const uint32_t entry[] = {9, 50, 32, 2, 82, 0}; /* Finder information; empty resource fork */
    for (int i = 0; i < 6; i++)
        be32(&b, entry[i]);
    uint8_t zero[4096 - 50] = {0};
    bytes_add(&b, zero, sizeof zero);
    bool ok = outfile_put(out, path, b.data, b.size, time_s, false);
    bytes_free(&b);
    return ok;
}

bool outfile_sidecar(const char *out, const char *path, double time_s)
{
    static const char text[] =
        "<?xpacket begin=\"\xef\xbb\xbf\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>\n"
        "<x:xmpmeta xmlns:x=\"adobe:ns:meta/\">\n"
        " <rdf:RDF xmlns:rdf=\"http://www.w3.org/1999/02/22-rdf-syntax-ns#\">\n"
        "  <rdf:Description rdf:about=\"\" xmlns:dc=\"http://purl.org/dc/elements/1.1/\">\n"
        "   <dc:title><rdf:Alt><rdf:li xml:lang=\"x-default\">Two swallows over the mill "
        "pond</rdf:li></rdf:Alt></dc:title>\n"
        "  </rdf:Description>\n"
        " </rdf:RDF>\n"
        "</x:xmpmeta>\n"
        "<?xpacket end=\"w\"?>\n";
    return outfile_put(out, path, text, sizeof text - 1, time_s, false);
}
