/*
 * The metadata of a JPEG copy: its segments one by one (ITU T.81), Exif (CIPA DC-008) and XMP (ISO 16684-3)
 * rewritten as asked, the coded picture untouched.
 */
#include "dress.h"

#include <string.h>

enum {
    MARK = 0xff,
    SOI = 0xd8,
    EOI = 0xd9,
    SOS = 0xda,
    APP0 = 0xe0,
    APP1 = 0xe1,
    APP2 = 0xe2,
    APP14 = 0xee,
    APP15 = 0xef,
    COM = 0xfe,
    RST0 = 0xd0,
    RST7 = 0xd7,
    TEM = 0x01,
    SEGMENT_BYTES_MAX = 0xffff - 2
};

static const char exif_head[] = "Exif\0";                      /* with its NUL: 6 bytes */
static const char xmp_head[] = "http://ns.adobe.com/xap/1.0/"; /* with its NUL */
static const char icc_head[] = "ICC_PROFILE";                  /* with its NUL */

struct segment {
    uint8_t code;
    const uint8_t *body; /* behind the length */
    size_t size;
};

/* The segment at *at; moves *at behind it. False at SOS, at the end, or where the bytes make no sense. */
static bool next_segment(const uint8_t *jpeg, size_t size, size_t *at, struct segment *segment)
{
    while (size - *at >= 2 && jpeg[*at] == MARK && jpeg[*at + 1] == MARK)
        ++*at;
    if (size - *at < 4 || jpeg[*at] != MARK || jpeg[*at + 1] == SOS || jpeg[*at + 1] == EOI)
        return false;
    size_t length = (size_t)jpeg[*at + 2] << 8 | jpeg[*at + 3];
    if (length < 2 || length > size - *at - 2)
        return false;
    *segment = (struct segment){jpeg[*at + 1], jpeg + *at + 4, length - 2};
    *at += 2 + length;
    return true;
}

static bool begins(const struct segment *s, uint8_t code, const char *head, size_t head_size)
{
    return s->code == code && s->size >= head_size && memcmp(s->body, head, head_size) == 0;
}

static bool put_segment(struct str *out, uint8_t code, const char *head, size_t head_size, const void *body,
                        size_t size, struct err *err)
{
    size_t length = head_size + size + 2;
    if (head_size + size > SEGMENT_BYTES_MAX)
        return err_set(err, ERR_FORMAT, "its metadata does not fit into a segment any more");
    str_append_char(out, (char)MARK);
    str_append_char(out, (char)code);
    str_append_char(out, (char)(length >> 8));
    str_append_char(out, (char)(length & 0xff));
    str_append_bytes(out, head, head_size);
    str_append_bytes(out, body, size);
    return true;
}

/* Where the coded picture ends: behind its first end mark. Inside coded data a 0xff stands before 0x00 or a
   restart mark only; the scans of a progressive picture have segments between them. */
static size_t picture_end(const uint8_t *jpeg, size_t size, size_t at)
{
    while (size - at >= 2) {
        const uint8_t *mark = memchr(jpeg + at, MARK, size - at - 1);
        if (mark == NULL)
            return size;
        at = (size_t)(mark - jpeg);
        uint8_t code = jpeg[at + 1];
        if (code == EOI)
            return at + 2;
        if (code == MARK) {
            at++;
            continue;
        }
        at += 2;
        if (code == 0 || code == TEM || (code >= RST0 && code <= RST7) || size - at < 2)
            continue;
        size_t length = (size_t)jpeg[at] << 8 | jpeg[at + 1];
        at += length < size - at ? length : size - at;
    }
    return size;
}

static bool put_xmp(const struct segment *old, const struct frame_dress *dress, struct str *out,
                    struct err *err)
{
    struct str text = STR_INIT;
    struct frame_marked marked;
    const char *packet = dress->packet;
    size_t size = dress->packet_size;
    if (packet == NULL && old != NULL) {
        packet = (const char *)old->body + sizeof xmp_head;
        size = old->size - sizeof xmp_head;
    }
    struct frame_marks marks = dress->marks != NULL ? *dress->marks : (struct frame_marks){0};
    marks.embedded = true;
    marks.without_place = dress->without_place;
    bool ok = frame_mark(packet, size, &marks, &text, &marked, err) &&
              put_segment(out, APP1, xmp_head, sizeof xmp_head, text.bytes, text.size, err);
    str_release(&text);
    return ok;
}

static bool put_exif(const struct segment *old, const struct frame_dress *dress, struct str *out,
                     struct err *err)
{
    struct str tiff = STR_INIT;
    bool ok = dress_exif(old->body + sizeof exif_head, old->size - sizeof exif_head, dress, &tiff, err);
    ok = ok &&
         (tiff.size == 0 || put_segment(out, APP1, exif_head, sizeof exif_head, tiff.bytes, tiff.size, err));
    str_release(&tiff);
    return ok;
}

/* What goes into a copy for other eyes: nothing that may hold more than is known here. */
static bool plain(const struct segment *s)
{
    return s->code == APP0 || s->code == APP14 || begins(s, APP2, icc_head, sizeof icc_head) ||
           s->code < APP0;
}

static bool is_metadata(const struct segment *s)
{
    return (s->code >= APP0 && s->code <= APP15) || s->code == COM;
}

struct seen {
    bool exif, xmp;
    bool has_old; /* old_xmp is the packet of the picture */
    struct segment old_xmp;
};

static bool put_one(const struct segment *s, const struct frame_dress *dress, struct seen *seen,
                    struct str *out, struct err *err)
{
    bool exif = begins(s, APP1, exif_head, sizeof exif_head);
    /* A new packet stands behind JFIF and Exif, where readers look for it. */
    if (!seen->xmp && !exif && s->code != APP0) {
        seen->xmp = true;
        if (!put_xmp(seen->has_old ? &seen->old_xmp : NULL, dress, out, err))
            return false;
    }
    if (exif) {
        bool first = !seen->exif;
        seen->exif = true;
        return !first || put_exif(s, dress, out, err);
    }
    if (begins(s, APP1, xmp_head, sizeof xmp_head) || (dress->without_place && !plain(s)))
        return true;
    return put_segment(out, s->code, "", 0, s->body, s->size, err);
}

static void find_xmp(const uint8_t *jpeg, size_t size, struct seen *seen)
{
    struct segment s;
    for (size_t at = 2; !seen->has_old && next_segment(jpeg, size, &at, &s);) {
        seen->has_old = begins(&s, APP1, xmp_head, sizeof xmp_head);
        seen->old_xmp = s;
    }
}

/* Everything of `jpeg` before its first scan, or only what is metadata. *at = where the scan begins. */
static bool put_head(const uint8_t *jpeg, size_t size, bool metadata_only, const struct frame_dress *dress,
                     struct str *out, size_t *at, struct err *err)
{
    struct segment s;
    struct seen seen = {0};
    bool ok = true;
    find_xmp(jpeg, size, &seen);
    /* Nothing to write: a picture without a packet stays without one. */
    seen.xmp = !seen.has_old && dress->packet == NULL && dress->marks == NULL;
    *at = 2;
    while (ok && next_segment(jpeg, size, at, &s)) {
        /* The parts of a multi-picture file are found by their place in it; a cut copy has none of them. */
        bool mpf = begins(&s, APP2, "MPF", sizeof "MPF");
        if (!metadata_only || (is_metadata(&s) && s.code != APP14 && !mpf))
            ok = put_one(&s, dress, &seen, out, err);
    }
    return ok;
}

bool frame_dress(const uint8_t *jpeg, size_t size, const uint8_t *body, size_t body_size,
                 const struct frame_dress *dress, struct str *out, struct err *err)
{
    size_t at;
    if (size < 4 || jpeg[0] != MARK || jpeg[1] != SOI)
        return err_set(err, ERR_FORMAT, "it is no JPEG");
    str_append_bytes(out, "\xff\xd8", 2);
    if (!put_head(jpeg, size, body != NULL, dress, out, &at, err))
        return false;
    /* What is not understood may hold anything. */
    if (size - at < 2 || jpeg[at] != MARK || jpeg[at + 1] != SOS)
        return err_set(err, ERR_FORMAT, "its segments make no sense before the picture begins");
    if (body != NULL)
        str_append_bytes(out, body + 2, body_size - 2);
    else
        str_append_bytes(out, jpeg + at, (dress->without_place ? picture_end(jpeg, size, at) : size) - at);
    return str_ok(out, err);
}
