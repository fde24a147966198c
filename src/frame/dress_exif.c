#include "dress.h"

#include <stdlib.h>
#include <string.h>

#include <libexif/exif-data.h>

#include "tiff.h"

/* CIPA DC-008 (Exif) and TIFF 6.0. */
enum {
    TAG_WIDTH = 0x0100,
    TAG_HEIGHT = 0x0101,
    TAG_THUMB_OFFSET = 0x0201,
    TAG_THUMB_LENGTH = 0x0202,
    TAG_XMP = 0x02bc,
    TAG_IPTC = 0x83bb,
    TAG_EXIF_IFD = 0x8769,
    TAG_MAKER_NOTE = 0x927c,
    TAG_USER_COMMENT = 0x9286,
    TAG_PIXEL_X = 0xa002,
    TAG_PIXEL_Y = 0xa003,
    TAG_IMAGE_ID = 0xa420,
    TAG_ARTIST = 0x013b,
    TAG_OWNER = 0xa430,
    TAG_BODY_SERIAL = 0xa431,
    TAG_LENS_SERIAL = 0xa435,
    TAG_CAMERA_SERIAL = 0xc62f,
    EXIF_HEAD_BYTES = 6,
    EXIF_BYTES_MAX = 0xffff - 2 - EXIF_HEAD_BYTES
};

/* ---- what is not for other eyes ------------------------------------------------------------------------ */

static bool tells_place(ExifTag tag, ExifIfd ifd)
{
    static const int tags[] = {TAG_XMP,    TAG_IPTC,  TAG_MAKER_NOTE,  TAG_USER_COMMENT, TAG_IMAGE_ID,
                               TAG_ARTIST, TAG_OWNER, TAG_BODY_SERIAL, TAG_LENS_SERIAL,  TAG_CAMERA_SERIAL};
    if (ifd == EXIF_IFD_GPS)
        return true;
    for (size_t i = 0; i < sizeof tags / sizeof tags[0]; i++)
        if ((int)tag == tags[i])
            return true;
    return false;
}

/* A tag that nobody here knows may be anybody's serial number. */
static bool known(ExifTag tag, ExifIfd ifd)
{
    return exif_tag_get_name_in_ifd(tag, ifd) != NULL;
}

static void clean_directory(ExifContent *content, ExifIfd ifd)
{
    for (unsigned i = content->count; i-- > 0;) {
        ExifEntry *e = content->entries[i];
        if (tells_place(e->tag, ifd) || !known(e->tag, ifd))
            exif_content_remove_entry(content, e);
    }
}

/* Written anew from what libexif understood. A block that it cannot read is left out. */
static bool cleaned(const uint8_t *tiff, size_t size, uint8_t **block, size_t *block_size, struct err *err)
{
    static const uint8_t head[EXIF_HEAD_BYTES] = "Exif\0";
    unsigned char *saved = NULL;
    unsigned saved_size = 0;
    uint8_t *whole = malloc(sizeof head + size);
    ExifData *data = exif_data_new();
    if (whole == NULL || data == NULL) {
        free(whole);
        exif_data_unref(data);
        return err_nomem(err);
    }
    memcpy(whole, head, sizeof head);
    memcpy(whole + sizeof head, tiff, size);
    exif_data_unset_option(data, EXIF_DATA_OPTION_IGNORE_UNKNOWN_TAGS);
    exif_data_unset_option(data, EXIF_DATA_OPTION_FOLLOW_SPECIFICATION);
    exif_data_load_data(data, whole, (unsigned)(sizeof head + size));
    free(whole);
    for (int i = 0; i < EXIF_IFD_COUNT; i++)
        clean_directory(data->ifd[i], (ExifIfd)i);
    exif_data_save_data(data, &saved, &saved_size);
    exif_data_unref(data);
    *block = NULL;
    *block_size = 0;
    if (saved == NULL || saved_size <= sizeof head) {
        free(saved);
        return true;
    }
    *block_size = saved_size - sizeof head;
    memmove(saved, saved + sizeof head, *block_size);
    *block = saved;
    return true;
}

/* ---- sizes and thumbnail, in place --------------------------------------------------------------------- */

static void set_number(const struct tiff *t, uint32_t ifd, uint16_t tag, uint32_t number)
{
    struct tiff_value v;
    if (ifd == 0 || !tiff_find(t, ifd, tag, &v) || v.count != 1 ||
        (v.type != TIFF_LONG && v.type != TIFF_SHORT))
        return;
    /* The block is ours: tiff.h only reads, but these bytes may be written. */
    uint8_t *at = (uint8_t *)(uintptr_t)v.at;
    size_t n = v.type == TIFF_LONG ? 4 : 2;
    for (size_t i = 0; i < n; i++)
        at[t->big ? n - 1 - i : i] = (uint8_t)(number >> (8 * i));
}

static void set_sizes(const struct tiff *t, const struct frame_dress *dress)
{
    uint32_t exif = tiff_offset(t, t->first_ifd, TAG_EXIF_IFD);
    if (dress->width_px == 0)
        return;
    set_number(t, exif, TAG_PIXEL_X, dress->width_px);
    set_number(t, exif, TAG_PIXEL_Y, dress->height_px);
    set_number(t, t->first_ifd, TAG_WIDTH, dress->width_px);
    set_number(t, t->first_ifd, TAG_HEIGHT, dress->height_px);
}

/* The block has room for the thumbnail behind `*size`. */
static bool set_thumb(struct tiff *t, uint8_t *block, size_t *size, const struct frame_dress *dress,
                      struct err *err)
{
    uint32_t ifd = tiff_next(t, t->first_ifd);
    uint32_t at = ifd != 0 ? tiff_offset(t, ifd, TAG_THUMB_OFFSET) : 0;
    uint32_t room = ifd != 0 ? tiff_offset(t, ifd, TAG_THUMB_LENGTH) : 0;
    if (dress->thumb == NULL || at == 0 || room == 0)
        return true;
    if (at > *size || room > *size - at || dress->thumb_size > room) {
        if (*size + dress->thumb_size > EXIF_BYTES_MAX)
            return err_set(err, ERR_FORMAT, "the new thumbnail does not fit into its Exif");
        at = (uint32_t)*size;
        *size += dress->thumb_size;
    } else
        memset(block + at, 0, room);
    memcpy(block + at, dress->thumb, dress->thumb_size);
    set_number(t, ifd, TAG_THUMB_OFFSET, at);
    set_number(t, ifd, TAG_THUMB_LENGTH, (uint32_t)dress->thumb_size);
    return true;
}

bool dress_exif(const uint8_t *tiff, size_t size, const struct frame_dress *dress, struct str *out,
                struct err *err)
{
    uint8_t *clean = NULL, *block = NULL;
    struct tiff t;
    bool ok = !dress->without_place || cleaned(tiff, size, &clean, &size, err);
    const uint8_t *from = dress->without_place ? clean : tiff;
    if (!ok || from == NULL)
        goto out;
    block = malloc(size + dress->thumb_size + 1);
    if (block == NULL) {
        ok = err_nomem(err);
        goto out;
    }
    memcpy(block, from, size);
    if (tiff_open(&t, block, size)) {
        set_sizes(&t, dress);
        ok = set_thumb(&t, block, &size, dress, err);
    }
    if (ok)
        str_append_bytes(out, block, size);
out:
    free(clean);
    free(block);
    return ok;
}
