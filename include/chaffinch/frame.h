/*
 * frame.h - from file names and bytes to frames: DCF names, companions, metadata.
 *
 * A frame is one exposure: its raw and/or JPEG and all companions that share its DCF number. It moves as one
 * or not at all.
 *
 * Calling sequence (the ingest stage): frame_group() on the names of one folder tells which files belong
 * together (pure); frame_peek() on the head of a picture, inside a worker, gives its metadata.
 *
 * Sources: DCF = JEITA CP-3461 / CIPA DC-009; Exif = CIPA DC-008.
 */
#ifndef CHAFFINCH_FRAME_H
#define CHAFFINCH_FRAME_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chaffinch/err.h"
#include "chaffinch/str.h"

/* What a file is, by its name. */
enum frame_file_kind {
    FRAME_JPEG = 1,
    FRAME_RAW,       /* a raw picture that LibRaw may know */
    FRAME_HEIF,      /* .hif .heic .heif .avif: a picture that is not scored */
    FRAME_CONTAINER, /* a raw burst in one file: not scored */
    FRAME_SIDECAR,   /* .xmp, as NAME.xmp or NAME.EXT.xmp */
    FRAME_SOUND,     /* .wav and the like beside a picture of the same number */
    FRAME_THUMB,     /* .thm */
    FRAME_COMPANION, /* any other file that shares the name of a picture */
    FRAME_OTHER      /* belongs to no picture: videos, settings, AppleDouble "._" files */
};

/* Kind by name alone; COMPANION and OTHER are told apart by frame_group(). "._" names are always OTHER. */
enum frame_file_kind frame_kind_of_name(const char *name);
/* True for kinds that are pictures: JPEG, RAW, HEIF, CONTAINER. */
bool frame_kind_is_picture(enum frame_file_kind kind);

/* The parts of a picture's name. DCF: four characters + 0001-9999; other names: the trailing digits of the
 * base name count as number. */
struct frame_name {
    char prefix[64]; /* "_DSC", "DSC_" and the like, upper case; the base name without its number */
    int number;      /* -1 where there is none; DEMO0001-2, a copy beside DEMO0001, has its number */
    int digits;      /* how many digits the number was written with */
    bool dcf;        /* follows the rule to the letter */
    int folder;      /* 100..999 of a DCF folder NNNAAAAA, -1 else: from the path's last folder */
};
void frame_name_parse(const char *path, struct frame_name *name);

/* Groups the files of ONE folder. group[i] = index of the frame that files[i] belongs to, -1 for what belongs
   to no picture; kinds[i] is filled too (a sidecar, sound or thumbnail without its picture is FRAME_OTHER).
   Frames are numbered 0.. in byte order of their base names. The base name is the part before the last
   extension; NAME.EXT.xmp belongs to NAME where EXT is one of a picture, so that "pond.1.jpg" and
   "pond.2.jpg" are two frames. Files share a frame when their base names are equal but for case (ASCII) and
   one of them is a picture. Twins, pictures whose whole names differ by case only (IMG_1.JPG and img_1.jpg on
   a case-sensitive disk), stay two frames; NAME.EXT.xmp then goes to the picture it names, other files to the
   exact spelling, else to the first. The result does not depend on the order of the names. False with
   ERR_NOMEM. Pure. */
bool frame_group(const char *const *names, size_t n, int32_t *group, enum frame_file_kind *kinds,
                 size_t *n_frames, struct err *err);

/* All that is known about an exposure. Text is UTF-8 or empty. */
struct frame_meta {
    bool has_time;
    int64_t time_ns;   /* DateTimeOriginal + SubSecTimeOriginal as civil time, ns since 1970-01-01 00:00:00 of
                          the camera's clock */
    int subsec_digits; /* fraction digits as written, 0 = none (trailing blanks trimmed), at most 9 count */
    bool has_offset;
    int offset_min; /* OffsetTimeOriginal, minutes east of UTC */
    char maker[64], model[64], lens[96];
    char serial[64];   /* of the body; empty where a camera writes none, or only zeros */
    double exposure_s; /* 0 = unknown, as the next five */
    double f_number;
    double focal_mm;
    double focal_35mm; /* FocalLengthIn35mmFilm: tells the size of the sensor */
    double iso;
    double focus_m;               /* SubjectDistance */
    int orientation;              /* 1..8, 1 if absent */
    uint32_t width_px, height_px; /* of the stored picture, 0 = unknown */
    int rating; /* -1 rejected, 0 none, 1..5: Exif 0x4746 of IFD0, else xmp:Rating of the embedded packet */
    uint32_t sequence;                 /* maker-note number in the burst, 0 = none. A hint only */
    uint32_t burst_group;              /* maker-note burst id, 0 = none. A hint only */
    uint32_t thumb_offset, thumb_size; /* Exif thumbnail within the bytes, 0 = none */
    uint64_t image_count;              /* maker-note shutter count, 0 = unknown. A hint only */
};

/* Reads the metadata of a JPEG, raw or HEIF from memory (whole file or its first part; a JPEG's first 256 KiB
   are enough, a raw wants the whole file). Must run in a worker: the libraries that read it print, and may
   crash. Absent or damaged Exif is no error: has_time is false then. ERR_FORMAT only if the bytes are not
   such a picture at all: a JPEG may be cut anywhere, but one that ends with no frame header holds no picture.
   A raw that LibRaw does not know is accepted where its own tags tell a time. Whether
   its picture can be decoded is another question. ERR_NOMEM when memory runs out. The time is
   DateTimeOriginal's, else DateTimeDigitized's, else DateTime's, each with its own fraction and offset. */
bool frame_peek(enum frame_file_kind kind, const uint8_t *bytes, size_t size, struct frame_meta *meta,
                struct err *err);

/* Exif date and time parsing on its own, for tests: "YYYY:MM:DD HH:MM:SS", fraction digits (may be NULL),
   offset "+HH:MM" (may be NULL). Blank, zero or impossible dates, and years outside 1900-2261, give
   has_time = false and has_offset = false. A fraction or offset that is nonsense counts as not written. */
void frame_time_parse(const char *date, const char *subsec, const char *offset, struct frame_meta *meta);
/* "2026-05-01T07:30:15.042+02:00": RFC 3339 with as many fraction digits as written, no zone where the camera
 * wrote none; "" if unknown. */
void frame_time_text(const struct frame_meta *meta, char out[48]);
/* The same from its parts, as the catalogue keeps them. */
void frame_time_format(int64_t time_ns, int subsec_digits, bool has_offset, int offset_min, char out[48]);

/* Can this be what frame_peek() fills? For the bytes that cross a worker's pipe. */
bool frame_meta_valid(const struct frame_meta *meta);

/* ---- marks for other programs ----------------------------------------------------------------------------
 * ISO 16684-1 (XMP). Must run in a worker like every parser of foreign bytes. */

struct frame_marks {
    int rating;                  /* xmp:Rating to be written where none is, -1..5; 0 = none, and one that
                                    an earlier run wrote is taken back */
    const char *const *keywords; /* added to dc:subject where they are missing */
    size_t n_keywords;
    bool embedded;      /* with the packet wrapper that a picture wants, and room to grow */
    bool without_place; /* drops properties that tell place, body or owner, and values that are paths */
};
struct frame_marked {
    bool changed;    /* something was added or taken back: without it the text need not be written */
    bool rated;      /* the rating was written */
    bool taken_back; /* a rating of an earlier run was taken back */
    int old_rating;  /* what was there, -1..5; 0 = none or zero */
};
/* Merges the marks into an XMP text (NULL = none yet) and appends the result. A rating that is there and not
   zero stays; every property that is not ours stays, which is proven by reading the result back. Keywords
   that an earlier run added and that are not among the marks are taken back. ERR_FORMAT: not well-formed XMP,
   or something would not survive. */
bool frame_mark(const char *packet, size_t size, const struct frame_marks *marks, struct str *out,
                struct frame_marked *marked, struct err *err);

/* What a JPEG's metadata becomes in a copy. */
struct frame_dress {
    const struct frame_marks *marks; /* NULL = its XMP stays as it is */
    const char *packet; /* XMP to begin with instead of the embedded one (a sidecar); NULL = the embedded */
    size_t packet_size;
    bool without_place; /* no GPS, serial number, owner, maker note or path; no second picture behind the end
                         */
    uint32_t width_px, height_px; /* of the new picture, 0 = as it was */
    const uint8_t *thumb;         /* JPEG instead of the Exif thumbnail, NULL = as it was */
    size_t thumb_size;
};
/* Appends `body` (a JPEG, or NULL = the picture of `jpeg` itself, coded data untouched) with the metadata of
   `jpeg` as `dress` tells. Must run in a worker. ERR_FORMAT. */
bool frame_dress(const uint8_t *jpeg, size_t size, const uint8_t *body, size_t body_size,
                 const struct frame_dress *dress, struct str *out, struct err *err);

#endif
