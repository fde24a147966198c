/*
 * Metadata in the structure of a raw file itself, without LibRaw, which knows no sub-seconds, no offset and
 * no recent body. Layouts of RAF, RW2 and CR3: as ExifTool 12.57 reads them.
 */
#include <string.h>

#include "packet.h"
#include "sources.h"
#include "tags.h"
#include "tiff.h"

enum {
    TAG_PREVIEW_JPEG = 0x002e, /* Panasonic: a JPEG with the Exif of the picture */
    TAG_XMP = 0x02bc,
    RAF_JPEG_AT = 84,
    BOX_HEADER_BYTES = 8,
    UUID_BYTES = 16,
    EXIF_SEARCH_BYTES = 1 << 20
};

static size_t read32(const uint8_t *p)
{
    return (size_t)p[0] << 24 | (size_t)p[1] << 16 | (size_t)p[2] << 8 | p[3];
}

static bool starts_with(const uint8_t *bytes, size_t size, size_t at, const char *head)
{
    size_t n = strlen(head);
    return at <= size && size - at >= n && memcmp(bytes + at, head, n) == 0;
}

static enum source tiff_fill(const uint8_t *bytes, size_t size, struct frame_meta *meta)
{
    struct tiff tiff;
    struct tiff_value value;
    if (!tiff_open(&tiff, bytes, size))
        return SOURCE_FOREIGN;
    if (!tags_fill(bytes, 0, size, meta, NULL))
        return SOURCE_NO_MEMORY;
    if (tiff_find(&tiff, tiff.first_ifd, TAG_XMP, &value) && !packet_fill(value.at, value.size, meta))
        return SOURCE_NO_MEMORY;
    if (!meta->has_time && tiff_find(&tiff, tiff.first_ifd, TAG_PREVIEW_JPEG, &value) &&
        jpeg_fill(bytes, (size_t)(value.at - bytes), (size_t)(value.at - bytes) + value.size, meta) ==
            SOURCE_NO_MEMORY)
        return SOURCE_NO_MEMORY;
    return SOURCE_READ;
}

/* ---- boxes (ISO 14496-12) ------------------------------------------------------ */

struct box {
    size_t at, end; /* of its body, in the file */
    char type[5];
};

/* The box at *at of a container that ends at `end`; *at moves behind it. */
static bool next_box(const uint8_t *bytes, size_t end, size_t *at, struct box *box)
{
    if (*at > end || end - *at < BOX_HEADER_BYTES)
        return false;
    size_t length = read32(bytes + *at);
    if (length < BOX_HEADER_BYTES || length > end - *at)
        return false;
    *box = (struct box){.at = *at + BOX_HEADER_BYTES, .end = *at + length};
    memcpy(box->type, bytes + *at + 4, 4);
    *at += length;
    return true;
}

/* CMT2 holds the Exif directory, CMT1 the first one, whose time is that of the last change: CMT2 goes first.
 */
static bool metadata_boxes(const uint8_t *bytes, size_t from, size_t end, struct frame_meta *meta)
{
    static const char *const types[] = {"CMT2", "CMT1"};
    struct box box;
    for (size_t i = 0; i < sizeof types / sizeof *types; i++)
        for (size_t at = from; next_box(bytes, end, &at, &box);)
            if (strcmp(box.type, types[i]) == 0 && !tags_fill(bytes, box.at, box.end - box.at, meta, NULL))
                return false;
    return true;
}

static enum source cr3_fill(const uint8_t *bytes, size_t size, struct frame_meta *meta)
{
    struct box movie, box;
    for (size_t at = 0; next_box(bytes, size, &at, &movie);) {
        if (strcmp(movie.type, "moov") != 0)
            continue;
        for (size_t in = movie.at; next_box(bytes, movie.end, &in, &box);)
            if (strcmp(box.type, "uuid") == 0 && box.end - box.at > UUID_BYTES &&
                !metadata_boxes(bytes, box.at + UUID_BYTES, box.end, meta))
                return SOURCE_NO_MEMORY;
    }
    return SOURCE_READ;
}

/* ---- by kind ------------------------------------------------------------------- */

static enum source raf_fill(const uint8_t *bytes, size_t size, struct frame_meta *meta)
{
    return jpeg_fill(bytes, read32(bytes + RAF_JPEG_AT), size, meta) == SOURCE_NO_MEMORY ? SOURCE_NO_MEMORY
                                                                                         : SOURCE_READ;
}

enum source raw_fill(const uint8_t *bytes, size_t size, struct frame_meta *meta)
{
    if (starts_with(bytes, size, 0, "FUJIFILMCCD-RAW") && size >= RAF_JPEG_AT + 4)
        return raf_fill(bytes, size, meta);
    if (starts_with(bytes, size, 4, "ftypcrx "))
        return cr3_fill(bytes, size, meta);
    if (starts_with(bytes, size, 6, "HEAPCCDR"))
        return SOURCE_FOREIGN; /* its byte-order mark is that of a TIFF, the rest is not: for LibRaw */
    return tiff_fill(bytes, size, meta);
}

/* The Exif item lies in the file as it would in a JPEG; where exactly is told by boxes that need no reading
   for this. */
enum source heif_fill(const uint8_t *bytes, size_t size, struct frame_meta *meta)
{
    static const char head[] = "Exif\0"; /* with its NUL */
    if (!starts_with(bytes, size, 4, "ftyp"))
        return SOURCE_FOREIGN;
    size_t end = size < EXIF_SEARCH_BYTES ? size : EXIF_SEARCH_BYTES;
    /* The name of the item looks the same; a TIFF header follows the item only. */
    for (size_t at = 0; at < end;) {
        const uint8_t *found = memmem(bytes + at, end - at, head, sizeof head);
        if (found == NULL)
            break;
        at = (size_t)(found - bytes) + sizeof head;
        if ((starts_with(bytes, size, at, "II") || starts_with(bytes, size, at, "MM")))
            return tags_fill(bytes, at, size - at, meta, NULL) ? SOURCE_READ : SOURCE_NO_MEMORY;
    }
    return SOURCE_READ;
}
