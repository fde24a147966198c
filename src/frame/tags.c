/*
 * Tags are asked of libexif first. It reads the first 64 KiB only, and drops text of Exif 3.0's type 129:
 * what it lacks is looked up in the bytes themselves. Tag numbers: CIPA DC-008.
 */
#include "tags.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include <libexif/exif-data.h>
#include <libexif/exif-log.h>

#include "chaffinch/str.h"
#include "hints.h"
#include "tiff.h"

enum {
    TAG_MAKE = 0x010f,
    TAG_MODEL = 0x0110,
    TAG_ORIENTATION = 0x0112,
    TAG_DATE_TIME = 0x0132,
    TAG_THUMB_OFFSET = 0x0201,
    TAG_THUMB_SIZE = 0x0202,
    TAG_RATING = 0x4746,
    TAG_EXPOSURE_TIME = 0x829a,
    TAG_F_NUMBER = 0x829d,
    TAG_EXIF_IFD = 0x8769,
    TAG_ISO = 0x8827,
    TAG_EXPOSURE_INDEX = 0x8832,
    TAG_ISO_SPEED = 0x8833,
    TAG_DATE_TIME_ORIGINAL = 0x9003,
    TAG_DATE_TIME_DIGITIZED = 0x9004,
    TAG_OFFSET_TIME = 0x9010,
    TAG_OFFSET_TIME_ORIGINAL = 0x9011,
    TAG_OFFSET_TIME_DIGITIZED = 0x9012,
    TAG_SUBJECT_DISTANCE = 0x9206,
    TAG_FOCAL_LENGTH = 0x920a,
    TAG_FOCAL_LENGTH_35MM = 0xa405,
    TAG_MAKER_NOTE = 0x927c,
    TAG_SUBSEC = 0x9290,
    TAG_SUBSEC_ORIGINAL = 0x9291,
    TAG_SUBSEC_DIGITIZED = 0x9292,
    TAG_BODY_SERIAL = 0xa431,
    TAG_LENS_MODEL = 0xa434
};

enum {
    LIBEXIF_BYTES_MAX = 0xfff0, /* libexif reads no further than an APP1 segment can be long */
    ISO_OVERFLOW = 65535,       /* ISO as a SHORT is full: the exposure index has the number */
    RATING_MAX = 5
};

struct tags {
    ExifData *data;
    struct tiff tiff;
    uint32_t exif_ifd; /* 0 = none */
    bool no_memory;
};

/* ---- values -------------------------------------------------------------------- */

static bool find(const struct tags *t, uint16_t tag, struct tiff_value *value)
{
    static const ExifIfd ifds[] = {EXIF_IFD_EXIF, EXIF_IFD_0};
    for (size_t i = 0; i < sizeof ifds / sizeof *ifds; i++) {
        const ExifEntry *e = exif_content_get_entry(t->data->ifd[ifds[i]], (ExifTag)tag);
        if (e != NULL && e->data != NULL && e->size > 0) {
            *value = (struct tiff_value){.type = (uint16_t)e->format,
                                         .count = (uint32_t)e->components,
                                         .at = e->data,
                                         .size = e->size};
            return true;
        }
    }
    return (t->exif_ifd != 0 && tiff_find(&t->tiff, t->exif_ifd, tag, value)) ||
           tiff_find(&t->tiff, t->tiff.first_ifd, tag, value);
}

/* A number of the tag in the range, else 0. */
static double number_of(const struct tags *t, uint16_t tag, double least, double most)
{
    struct tiff_value value;
    double number;
    bool good =
        find(t, tag, &value) && tiff_number(&t->tiff, &value, &number) && number >= least && number <= most;
    return good ? number : 0;
}

/* Latin-1, of which 0x80-0x9f are controls, as UTF-8. */
static size_t put_latin1(char *out, uint8_t c)
{
    if (c < 0xa0) {
        out[0] = ' ';
        return 1;
    }
    out[0] = (char)(0xc0 | c >> 6);
    out[1] = (char)(0x80 | (c & 0x3f));
    return 2;
}

char *tags_clean_text(char *out, size_t room, const uint8_t *bytes, size_t size)
{
    size_t n = 0, step;
    for (size_t i = 0; i < size && bytes[i] != '\0'; i += step > 0 ? step : 1) {
        step = str_utf8_step(bytes + i, size - i);
        size_t wide = step > 0 ? step : 2;
        if (n + wide >= room)
            break;
        if (step == 0)
            n += put_latin1(out + n, bytes[i]);
        else if (bytes[i] < 0x20 || bytes[i] == 0x7f || (n == 0 && bytes[i] == ' '))
            out[n] = ' ', n += n > 0;
        else
            memcpy(out + n, bytes + i, step), n += step;
    }
    while (n > 0 && out[n - 1] == ' ')
        n--;
    out[n] = '\0';
    return out;
}

static void text_of(const struct tags *t, uint16_t tag, char *out, size_t room)
{
    struct tiff_value value;
    if (out[0] == '\0' && find(t, tag, &value))
        tags_clean_text(out, room, value.at, value.size);
}

/* ---- fields -------------------------------------------------------------------- */

/* The time of exposure; where a camera writes none, the time it was made a file, which was the same moment.
 */
static void take_time(const struct tags *t, struct frame_meta *meta)
{
    static const uint16_t source[][3] = {
        {TAG_DATE_TIME_ORIGINAL, TAG_SUBSEC_ORIGINAL, TAG_OFFSET_TIME_ORIGINAL},
        {TAG_DATE_TIME_DIGITIZED, TAG_SUBSEC_DIGITIZED, TAG_OFFSET_TIME_DIGITIZED},
        {TAG_DATE_TIME, TAG_SUBSEC, TAG_OFFSET_TIME},
    };
    for (size_t i = 0; i < sizeof source / sizeof *source && !meta->has_time; i++) {
        char date[64] = "", subsec[64] = "", offset[64] = "";
        text_of(t, source[i][0], date, sizeof date);
        text_of(t, source[i][1], subsec, sizeof subsec);
        text_of(t, source[i][2], offset, sizeof offset);
        frame_time_parse(date, subsec, offset, meta);
    }
}

static void take_numbers(const struct tags *t, struct frame_meta *meta)
{
    const struct {
        double *field;
        uint16_t tag;
        double most;
    } table[] = {
        {&meta->exposure_s, TAG_EXPOSURE_TIME, 1e6},
        {&meta->f_number, TAG_F_NUMBER, 1e3},
        {&meta->focal_mm, TAG_FOCAL_LENGTH, 1e5},
        {&meta->focal_35mm, TAG_FOCAL_LENGTH_35MM, 65535},
        {&meta->focus_m, TAG_SUBJECT_DISTANCE, 1e6}, /* 0xffffffff = infinity, as good as unknown */
        {&meta->iso, TAG_ISO, ISO_OVERFLOW - 1},
        {&meta->iso, TAG_EXPOSURE_INDEX, 1e8},
        {&meta->iso, TAG_ISO_SPEED, 1e8},
    };
    for (size_t i = 0; i < sizeof table / sizeof *table; i++)
        if (*table[i].field <= 0)
            *table[i].field = number_of(t, table[i].tag, 0, table[i].most);
    if (meta->orientation <= 1) {
        double orientation = number_of(t, TAG_ORIENTATION, 1, 8);
        meta->orientation = orientation > 0 ? (int)orientation : 1;
    }
    if (meta->rating == 0)
        meta->rating = (int)number_of(t, TAG_RATING, 0, RATING_MAX);
}

/* Some bodies write only zeros: they would all be one body. */
static void take_serial(const struct tags *t, struct frame_meta *meta)
{
    text_of(t, TAG_BODY_SERIAL, meta->serial, sizeof meta->serial);
    if (meta->serial[strspn(meta->serial, "0 ")] == '\0')
        meta->serial[0] = '\0';
}

/* The thumbnail is a JPEG that the second directory points to. */
static void take_thumb(const struct tags *t, size_t at, struct frame_meta *meta)
{
    uint32_t ifd = tiff_next(&t->tiff, t->tiff.first_ifd);
    if (ifd == 0 || meta->thumb_size != 0)
        return;
    uint32_t offset = tiff_offset(&t->tiff, ifd, TAG_THUMB_OFFSET);
    uint32_t size = tiff_offset(&t->tiff, ifd, TAG_THUMB_SIZE);
    const uint8_t *p = t->tiff.bytes + offset;
    if (offset == 0 || size < 4 || offset > t->tiff.size || size > t->tiff.size - offset || p[0] != 0xff ||
        p[1] != 0xd8 || at > UINT32_MAX - offset)
        return;
    meta->thumb_offset = (uint32_t)at + offset;
    meta->thumb_size = size;
}

static void take_hints(const struct tags *t, struct frame_meta *meta)
{
    struct tiff_value note;
    hints_from_libexif(t->data, meta);
    if (tiff_find(&t->tiff, t->exif_ifd, TAG_MAKER_NOTE, &note))
        hints_from_note(&t->tiff, &note, meta);
}

/* ---- libexif ------------------------------------------------------------------- */

/* Keeps libexif from printing, and learns what it tells nobody else. */
static void on_log(ExifLog *log, ExifLogCode code, const char *domain, const char *format, va_list args,
                   void *context)
{
    struct tags *t = context;
    (void)log;
    (void)domain;
    (void)format;
    (void)args;
    t->no_memory = t->no_memory || code == EXIF_LOG_CODE_NO_MEMORY;
}

/* libexif wants an APP1 payload, and 42 as the magic number, which some raws lack. */
static bool load(struct tags *t, const uint8_t *bytes, size_t size)
{
    static const uint8_t head[] = {'E', 'x', 'i', 'f', 0, 0};
    size_t n = size < LIBEXIF_BYTES_MAX - sizeof head ? size : LIBEXIF_BYTES_MAX - sizeof head;
    uint8_t *payload = malloc(sizeof head + n);
    ExifLog *log = exif_log_new();
    t->data = exif_data_new();
    bool ok = payload != NULL && log != NULL && t->data != NULL;
    if (ok) {
        memcpy(payload, head, sizeof head);
        memcpy(payload + sizeof head, bytes, n);
        payload[sizeof head + 2] = t->tiff.big ? 0 : 42;
        payload[sizeof head + 3] = t->tiff.big ? 42 : 0;
        exif_log_set_func(log, on_log, t);
        exif_data_log(t->data, log);
        exif_data_unset_option(t->data, EXIF_DATA_OPTION_IGNORE_UNKNOWN_TAGS);
        exif_data_unset_option(t->data, EXIF_DATA_OPTION_FOLLOW_SPECIFICATION);
        exif_data_load_data(t->data, payload, (unsigned)(sizeof head + n));
        ok = !t->no_memory;
    }
    if (log != NULL)
        exif_log_unref(log);
    free(payload);
    return ok;
}

bool tags_fill(const uint8_t *bytes, size_t at, size_t size, struct frame_meta *meta, struct err *err)
{
    struct tags t = {0};
    if (!tiff_open(&t.tiff, bytes + at, size))
        return true;
    t.exif_ifd = tiff_offset(&t.tiff, t.tiff.first_ifd, TAG_EXIF_IFD);
    bool ok = load(&t, bytes + at, size);
    if (ok) {
        take_time(&t, meta);
        text_of(&t, TAG_MAKE, meta->maker, sizeof meta->maker);
        text_of(&t, TAG_MODEL, meta->model, sizeof meta->model);
        text_of(&t, TAG_LENS_MODEL, meta->lens, sizeof meta->lens);
        take_serial(&t, meta);
        take_numbers(&t, meta);
        take_thumb(&t, at, meta);
        take_hints(&t, meta);
    }
    if (t.data != NULL)
        exif_data_unref(t.data);
    return ok || err_nomem(err);
}
