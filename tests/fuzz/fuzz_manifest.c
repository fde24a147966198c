/* The manifest as it may be found on a disk: read, mended, added to. */
#include "fuzz.h"

#include "../../src/card/manifest.h"

static bool count(void *context, const char *path, const struct hash_digest *digest, struct err *err)
{
    size_t *lines = context;
    (void)digest;
    (void)err;
    fuzz_must(*path != '\0');
    ++*lines;
    return true;
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    static const char *const names[] = {MANIFEST_TEXT, MANIFEST_NUL};
    struct fuzz_place place;
    struct err err = ERR_INIT;
    struct manifest_lines lines = {0};
    const struct hash_digest digest = {{1, 2, 3}};
    size_t before = 0, after = 0;
    bool present;
    if (size == 0)
        return 0;
    fuzz_open(&place);
    fuzz_write(&place, names[bytes[0] & 1], bytes + 1, size - 1);
    if (manifest_read(&place.root, count, &before, &present, &err)) {
        fuzz_must(manifest_mend(&place.root, &err));
        manifest_line(&lines, "DCIM/100DEMOS/one more.JPG", &digest);
        manifest_line(&lines, "DCIM/100DEMOS/odd\nname.JPG", &digest);
        fuzz_must(manifest_write(&place.root, &lines, &err));
        fuzz_must(manifest_read(&place.root, count, &after, &present, &err));
        fuzz_must(present && after == before + 2);
    } else
        fuzz_must(err.code == ERR_DAMAGED);
    manifest_lines_release(&lines);
    fuzz_close(&place);
    return 0;
}
