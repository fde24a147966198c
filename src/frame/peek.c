/* The metadata of one picture, whatever its kind. */
#include "chaffinch/frame.h"

#include <math.h>
#include <string.h>

#include "chaffinch/str.h"
#include "sources.h"

static enum source fill_raw(const uint8_t *bytes, size_t size, struct frame_meta *meta)
{
    enum source structure = raw_fill(bytes, size, meta);
    meta->width_px = meta->height_px = 0; /* those of a preview, if any */
    if (structure == SOURCE_NO_MEMORY)
        return structure;
    enum source library = libraw_fill(bytes, size, structure == SOURCE_READ, meta);
    /* A raw of a body that LibRaw does not know yet still tells its time. */
    return library == SOURCE_FOREIGN && meta->has_time ? SOURCE_READ : library;
}

static enum source fill(enum frame_file_kind kind, const uint8_t *bytes, size_t size, struct frame_meta *meta)
{
    switch (kind) {
    case FRAME_JPEG:
        return jpeg_fill(bytes, 0, size, meta);
    case FRAME_RAW:
    case FRAME_CONTAINER:
        return fill_raw(bytes, size, meta);
    case FRAME_HEIF:
        return heif_fill(bytes, size, meta);
    default:
        return SOURCE_FOREIGN;
    }
}

static const char *kind_text(enum frame_file_kind kind)
{
    switch (kind) {
    case FRAME_JPEG:
        return "a JPEG";
    case FRAME_RAW:
    case FRAME_CONTAINER:
        return "a raw file that can be read";
    case FRAME_HEIF:
        return "a HEIF file";
    default:
        return "a picture";
    }
}

bool frame_peek(enum frame_file_kind kind, const uint8_t *bytes, size_t size, struct frame_meta *meta,
                struct err *err)
{
    *meta = (struct frame_meta){.orientation = 1};
    if (size == 0)
        return err_set(err, ERR_FORMAT, "the file is empty");
    switch (fill(kind, bytes, size, meta)) {
    case SOURCE_READ:
        return true;
    case SOURCE_NO_MEMORY:
        return err_nomem(err);
    default:
        return err_set(err, ERR_FORMAT, "this is not %s", kind_text(kind));
    }
}

static bool is_text(const char *text, size_t room)
{
    size_t size = strnlen(text, room);
    return size < room && str_is_utf8(text, size);
}

static bool is_amount(double value)
{
    return isfinite(value) && value >= 0;
}

/* What crossed a pipe may be any bytes: a bool is looked at as a byte before it is used as one. */
static bool is_bool(const bool *value)
{
    unsigned char byte;
    memcpy(&byte, value, 1);
    return byte <= 1;
}

bool frame_meta_valid(const struct frame_meta *m)
{
    return is_bool(&m->has_time) && is_bool(&m->has_offset) && is_text(m->maker, sizeof m->maker) &&
           is_text(m->model, sizeof m->model) && is_text(m->serial, sizeof m->serial) &&
           is_text(m->lens, sizeof m->lens) && is_amount(m->exposure_s) && is_amount(m->f_number) &&
           is_amount(m->focal_mm) && is_amount(m->focal_35mm) && is_amount(m->iso) && is_amount(m->focus_m) &&
           m->orientation >= 1 && m->orientation <= 8 && m->rating >= -1 && m->rating <= 5 &&
           m->subsec_digits >= 0 && m->subsec_digits <= 9 && m->offset_min >= -14 * 60 &&
           m->offset_min <= 14 * 60;
}
