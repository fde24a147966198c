/* Names of files: kinds, DCF numbers, companions; and Exif dates. Names are the input's lines. */
#include "fuzz.h"

#include <stdlib.h>
#include <string.h>

#include "chaffinch/frame.h"

enum { NAMES = 64 };

static void check_groups(const char *const *names, size_t n)
{
    int32_t group[NAMES];
    enum frame_file_kind kinds[NAMES];
    size_t n_frames = 0;
    struct err err = ERR_INIT;
    fuzz_must(frame_group(names, n, group, kinds, &n_frames, &err));
    for (size_t i = 0; i < n; i++) {
        fuzz_must(group[i] >= -1 && group[i] < (int32_t)n_frames);
        /* A picture is of a frame, always. */
        fuzz_must(!frame_kind_is_picture(kinds[i]) || group[i] >= 0);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    const char *names[NAMES];
    size_t n = 0;
    char *text = malloc(size + 1), *rest = text;
    fuzz_must(text != NULL);
    memcpy(text, bytes, size);
    text[size] = '\0';
    for (char *name; n < NAMES && (name = strsep(&rest, "\n")) != NULL;) {
        struct frame_name parsed;
        if (*name == '\0' || strlen(name) > 255)
            continue;
        frame_name_parse(name, &parsed);
        fuzz_must(parsed.number >= -1);
        names[n++] = name;
    }
    check_groups(names, n);
    struct frame_meta meta = {0};
    char shown[48];
    frame_time_parse(n > 0 ? names[0] : "", n > 1 ? names[1] : NULL, n > 2 ? names[2] : NULL, &meta);
    frame_time_text(&meta, shown);
    free(text);
    return 0;
}
