/*
 * decode.c - the table of formats.
 */
#include "chaffinch/decode.h"
#include "decoders.h"

static const struct decoder *decoder_of(enum decode_kind kind)
{
    return kind == DECODE_RAW ? &decode_raw_decoder : &decode_jpeg_decoder;
}

bool decode_luma(enum decode_kind kind, const uint8_t *bytes, size_t size, const struct decode_sink *sink,
                 struct decode_source *source, struct err *err)
{
    return decoder_of(kind)->luma(bytes, size, sink, source, err);
}

bool decode_crop(enum decode_kind kind, const uint8_t *bytes, size_t size, const uint32_t box[4],
                 uint32_t max_edge_px, unsigned orientation, struct decode_picture *picture, struct err *err)
{
    struct decode_picture made = {0};
    if (!decoder_of(kind)->crop(bytes, size, box, max_edge_px, &made, err))
        return false;
    if (!decode_picture_turn(&made, orientation, err)) {
        decode_picture_release(&made);
        return false;
    }
    *picture = made;
    return true;
}
