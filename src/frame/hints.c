/*
 * The numbers of frames in a burst, by maker. All of them are reverse-engineered: names and places as
 * libexif 0.6.24 and ExifTool 12.57 give them.
 */
#include "hints.h"

#include <stdlib.h>
#include <string.h>

#include <libexif/exif-mnote-data.h>

#include "tags.h"

enum hint { HINT_SEQUENCE, HINT_BURST_GROUP, HINT_IMAGE_COUNT, HINT_SERIAL };

static void take_number(enum hint hint, uint64_t number, struct frame_meta *meta)
{
    uint32_t small = number <= UINT32_MAX ? (uint32_t)number : 0;
    if (hint == HINT_SEQUENCE && meta->sequence == 0)
        meta->sequence = small;
    else if (hint == HINT_BURST_GROUP && meta->burst_group == 0)
        meta->burst_group = small;
    else if (hint == HINT_IMAGE_COUNT && meta->image_count == 0)
        meta->image_count = number;
}

/* libexif hands maker notes out as text. */
struct named {
    const char *name;
    char before; /* the number stands behind the first of these, '\0' = at the start */
    enum hint hint;
};
static const struct named named[] = {
    {"Sequence Number", '\0', HINT_SEQUENCE},    /* Canon ShotInfo[9] */
    {"ContinuousSequence", '\0', HINT_SEQUENCE}, /* Fujifilm 0x1101 */
    {"Mode", '/', HINT_SEQUENCE},                /* Olympus 0x0200: "Normal/3/0" */
    {"TotalPictures,", '\0', HINT_IMAGE_COUNT},  /* Nikon 0x00a7 */
    {"SerialNumber", '\0', HINT_SERIAL},         /* Nikon 0x001d */
};

static void take_text(const struct named *n, const char *text, struct frame_meta *meta)
{
    if (n->hint == HINT_SERIAL) {
        if (meta->serial[0] == '\0')
            tags_clean_text(meta->serial, sizeof meta->serial, (const uint8_t *)text, strlen(text));
        return;
    }
    if (n->before != '\0') {
        text = strchr(text, n->before);
        if (text == NULL)
            return;
        text++;
    }
    if (*text >= '0' && *text <= '9')
        take_number(n->hint, strtoull(text, NULL, 10), meta);
}

void hints_from_libexif(ExifData *data, struct frame_meta *meta)
{
    ExifMnoteData *notes = exif_data_get_mnote_data(data);
    unsigned count = notes != NULL ? exif_mnote_data_count(notes) : 0;
    for (unsigned i = 0; i < count; i++) {
        const char *name = exif_mnote_data_get_name(notes, i);
        for (size_t k = 0; name != NULL && k < sizeof named / sizeof *named; k++) {
            char text[128] = "";
            if (strcmp(name, named[k].name) == 0 &&
                exif_mnote_data_get_value(notes, i, text, sizeof text - 1) != NULL)
                take_text(&named[k], text, meta);
        }
    }
}

/* Notes that are a directory behind a signature. */
struct note {
    const char *signature;
    uint8_t signature_size;
    uint8_t directory; /* bytes from the start of the note to its directory; offsets count as in the file */
    uint16_t tag;
    enum hint hint;
};
static const struct note note_table[] = {
    {"Panasonic", 9, 12, 0x002b, HINT_SEQUENCE},
    {"SONY", 4, 12, 0xb04a, HINT_SEQUENCE},
};

/* Nikon's notes hold a TIFF of their own. Bytes 4 and 5 of its tag 0x0056 are the id that all frames of a
   burst share, 0 for single frames. */
static void from_nikon(const struct tiff_value *note, struct frame_meta *meta)
{
    enum { HEADER_AT = 10, TAG_BURST = 0x0056, ID_AT = 4 };
    struct tiff own;
    struct tiff_value value;
    double id;
    if (note->size <= HEADER_AT || memcmp(note->at, "Nikon", 6) != 0 ||
        !tiff_open(&own, note->at + HEADER_AT, note->size - HEADER_AT) ||
        !tiff_find(&own, own.first_ifd, TAG_BURST, &value) || value.size < ID_AT + 2)
        return;
    const struct tiff_value two_bytes = {.type = TIFF_SHORT, .count = 1, .at = value.at + ID_AT, .size = 2};
    if (tiff_number(&own, &two_bytes, &id))
        take_number(HINT_BURST_GROUP, (uint64_t)id, meta);
}

void hints_from_note(const struct tiff *tiff, const struct tiff_value *note, struct frame_meta *meta)
{
    for (size_t i = 0; i < sizeof note_table / sizeof *note_table; i++) {
        const struct note *n = &note_table[i];
        struct tiff_value value;
        double number;
        if (note->size <= n->directory || memcmp(note->at, n->signature, n->signature_size) != 0)
            continue;
        uint32_t ifd = (uint32_t)(note->at - tiff->bytes) + n->directory;
        if (tiff_find(tiff, ifd, n->tag, &value) && tiff_number(tiff, &value, &number) && number > 0 &&
            number < UINT16_MAX)
            take_number(n->hint, (uint64_t)number, meta);
    }
    from_nikon(note, meta);
}
