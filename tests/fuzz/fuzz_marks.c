/* What is handed on: marks merged into any bytes as XMP, and copies of any bytes as JPEG. */
#include "fuzz.h"

#include <string.h>

#include "chaffinch/frame.h"

static const char *const words[] = {"burst 14", "swallow"};

/* A copy that is made is a JPEG whose copy can be made again. */
static void dress(const uint8_t *bytes, size_t size, const struct frame_dress *how)
{
    struct str once = STR_INIT, twice = STR_INIT;
    struct err err = ERR_INIT;
    if (frame_dress(bytes, size, NULL, 0, how, &once, &err)) {
        fuzz_must(once.size >= 4 && memcmp(once.bytes, "\xff\xd8", 2) == 0);
        fuzz_must(frame_dress((const uint8_t *)once.bytes, once.size, NULL, 0, how, &twice, &err));
    } else
        fuzz_must(err.code != ERR_NONE);
    str_release(&once);
    str_release(&twice);
}

static void mark(const uint8_t *bytes, size_t size)
{
    const struct frame_marks marks = {.rating = 1, .keywords = words, .n_keywords = 2};
    struct frame_marked marked, again;
    struct str once = STR_INIT, twice = STR_INIT;
    struct err err = ERR_INIT;
    if (frame_mark((const char *)bytes, size, &marks, &once, &marked, &err)) {
        fuzz_must(frame_mark(once.bytes, once.size, &marks, &twice, &again, &err));
        fuzz_must(!again.changed && again.old_rating != 0);
    }
    str_release(&once);
    str_release(&twice);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    const struct frame_marks marks = {.rating = 1, .keywords = words, .n_keywords = 2};
    static const uint8_t thumb[64] = {0xff, 0xd8};
    const struct frame_dress place = {.marks = &marks, .without_place = true};
    const struct frame_dress all = {
        .width_px = 640, .height_px = 480, .thumb = thumb, .thumb_size = sizeof thumb};
    if (memmem(bytes, size, "rdf", 3) != NULL)
        mark(bytes, size);
    if (size < 4 || bytes[0] != 0xff)
        return 0;
    dress(bytes, size, &place);
    dress(bytes, size, &all);
    return 0;
}
