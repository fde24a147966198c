/* Decoding of raws, with their previews. */
#include "fuzz.h"

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    (void)fuzz_luma(DECODE_RAW, bytes, size);
    return 0;
}
