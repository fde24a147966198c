/* Metadata of foreign files: Exif, XMP, TIFF structures, maker notes. The first byte picks the kind of file.
 */
#include "fuzz.h"

#include "chaffinch/frame.h"

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    static const enum frame_file_kind kinds[] = {FRAME_JPEG, FRAME_RAW, FRAME_HEIF, FRAME_CONTAINER};
    struct frame_meta meta = {0};
    struct err err = ERR_INIT;
    char text[48];
    if (size == 0)
        return 0;
    bool ok = frame_peek(kinds[bytes[0] & 3], bytes + 1, size - 1, &meta, &err);
    fuzz_must(ok || err.code != ERR_NONE);
    fuzz_must(!ok || (meta.orientation >= 1 && meta.orientation <= 8));
    fuzz_must(meta.thumb_size == 0 || (uint64_t)meta.thumb_offset + meta.thumb_size <= size - 1);
    frame_time_text(&meta, text);
    return 0;
}
