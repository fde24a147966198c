/* Decoding, cropping and cutting of JPEGs. Large claims are left to the torture tests: here they only cost
 * time. */
#include "fuzz.h"

#include <stdlib.h>

#include "chaffinch/decode.h"

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    const uint32_t box[4] = {16, 16, 48, 30};
    struct decode_picture picture = {0};
    uint8_t *cut = NULL;
    size_t cut_size = 0;
    struct err err = ERR_INIT;
    if (!fuzz_luma(DECODE_JPEG, bytes, size))
        return 0;
    if (decode_crop(DECODE_JPEG, bytes, size, box, 640, 1 + size % 8, &picture, &err))
        decode_picture_release(&picture);
    if (decode_cut_jpeg(bytes, size, box, &cut, &cut_size, &err))
        free(cut);
    return 0;
}
