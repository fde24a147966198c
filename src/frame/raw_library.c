/*
 * What LibRaw 0.20 tells about a raw: sides, make, exposure, and a time of whole seconds.
 *
 * LibRaw turns the camera's civil time into a time_t with mktime(); localtime_r() in the same zone gives the
 * civil time back, whatever that zone is. CIFF files (CRW) hold seconds since 1970 of the camera's clock
 * already, which LibRaw hands on as they are.
 */
#include <stdio.h>
#include <string.h>
#include <time.h>

#include <libraw/libraw.h>

#include "packet.h"
#include "sources.h"
#include "tags.h"

static void on_damage(void *context, const char *file, const int offset)
{
    (void)context; /* LibRaw would print it; whether the picture can be decoded is for the decoder to say */
    (void)file;
    (void)offset;
}

static void take_time(const libraw_data_t *raw, bool is_ciff, struct frame_meta *meta)
{
    time_t seconds = raw->other.timestamp;
    struct tm civil;
    char date[64];
    if (meta->has_time || seconds <= 0)
        return;
    if ((is_ciff ? gmtime_r(&seconds, &civil) : localtime_r(&seconds, &civil)) != NULL &&
        strftime(date, sizeof date, "%Y:%m:%d %H:%M:%S", &civil) > 0)
        frame_time_parse(date, NULL, NULL, meta);
}

static void take_text(char *out, size_t room, const char *text, size_t size)
{
    if (out[0] == '\0')
        tags_clean_text(out, room, (const uint8_t *)text, strnlen(text, size));
}

static void take_number(double *field, double number, double most)
{
    if (*field <= 0 && number > 0 && number <= most)
        *field = number;
}

/* LibRaw's flip says how to turn the picture: 3 = 180, 5 = 90 counter-clockwise, 6 = 90 clockwise. */
static int orientation_of_flip(int flip)
{
    return flip == 3 ? 3 : flip == 5 ? 8 : flip == 6 ? 6 : 1;
}

/* LibRaw reads an absent shutter speed as 1 s: where there are tags, they are believed instead. */
static void take_exposure(const libraw_data_t *raw, struct frame_meta *meta)
{
    take_number(&meta->exposure_s, (double)raw->other.shutter, 1e6);
    take_number(&meta->f_number, (double)raw->other.aperture, 1e3);
    take_number(&meta->focal_mm, (double)raw->other.focal_len, 1e5);
}

/* False = out of memory. */
static bool take_fields(const libraw_data_t *raw, struct frame_meta *meta)
{
    take_text(meta->maker, sizeof meta->maker, raw->idata.make, sizeof raw->idata.make);
    take_text(meta->model, sizeof meta->model, raw->idata.model, sizeof raw->idata.model);
    take_text(meta->lens, sizeof meta->lens, raw->lens.Lens, sizeof raw->lens.Lens);
    take_number(&meta->iso, (double)raw->other.iso_speed, 1e8);
    meta->width_px = raw->sizes.width;
    meta->height_px = raw->sizes.height;
    if (meta->orientation <= 1)
        meta->orientation = orientation_of_flip(raw->sizes.flip);
    return raw->idata.xmpdata == NULL ||
           packet_fill((const uint8_t *)raw->idata.xmpdata, raw->idata.xmplen, meta);
}

/* The Exif of the preview, where the structure of the raw told no time. */
static enum source preview_fill(libraw_data_t *raw, struct frame_meta *meta)
{
    int code = libraw_unpack_thumb(raw);
    const libraw_thumbnail_t *thumb = &raw->thumbnail;
    if (code == LIBRAW_UNSUFFICIENT_MEMORY)
        return SOURCE_NO_MEMORY;
    if (code != LIBRAW_SUCCESS || thumb->tformat != LIBRAW_THUMBNAIL_JPEG || thumb->thumb == NULL)
        return SOURCE_FOREIGN;
    struct frame_meta of_preview = *meta;
    enum source source = jpeg_fill((const uint8_t *)thumb->thumb, 0, thumb->tlength, &of_preview);
    /* Places and sides are those of the preview. */
    of_preview.width_px = meta->width_px;
    of_preview.height_px = meta->height_px;
    of_preview.thumb_offset = meta->thumb_offset;
    of_preview.thumb_size = meta->thumb_size;
    if (source == SOURCE_READ)
        *meta = of_preview;
    return source;
}

enum source libraw_fill(const uint8_t *bytes, size_t size, bool has_tags, struct frame_meta *meta)
{
    enum source source = SOURCE_FOREIGN;
    bool is_ciff = size > 14 && memcmp(bytes + 6, "HEAPCCDR", 8) == 0;
    if (size == 0)
        return source;
    libraw_data_t *raw = libraw_init(0);
    if (raw == NULL)
        return SOURCE_NO_MEMORY;
    libraw_set_dataerror_handler(raw, on_damage, NULL);
    /* LibRaw does not write to the buffer; its C interface lacks the const. */
    int code = libraw_open_buffer(raw, (void *)(uintptr_t)bytes, size);
    if (code == LIBRAW_UNSUFFICIENT_MEMORY) {
        source = SOURCE_NO_MEMORY;
    } else if (code == LIBRAW_SUCCESS) {
        source = SOURCE_READ;
        if (!meta->has_time && preview_fill(raw, meta) == SOURCE_NO_MEMORY)
            source = SOURCE_NO_MEMORY;
        take_time(raw, is_ciff, meta);
        if (!take_fields(raw, meta))
            source = SOURCE_NO_MEMORY;
        if (!has_tags)
            take_exposure(raw, meta);
    }
    libraw_close(raw);
    return source;
}
