/*
 * report.h - what people and scripts read about a session: lists, the explanation of one frame, the contact
 * sheet.
 *
 * Nothing here changes a decision or a picture. Lists and explanations need a catalogue opened for reading
 * only. Numbers are written with a point and without grouping whatever the locale.
 *
 * Calling sequence:
 *     report_list(catalogue, &options, &sink, &err);              streams: memory is bounded by one burst
 *     report_explain(catalogue, frame, &options, &text, &err);    text is a str of the caller
 *     report_sheet_write(session, workers, output, &where, &err);
 *
 * Errors: as catalogue.h, and what the sink or the crop source returns. On failure the text may hold a part.
 * Ownership: every str stays the caller's.
 */
#ifndef CHAFFINCH_REPORT_H
#define CHAFFINCH_REPORT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chaffinch/catalogue.h"
#include "chaffinch/err.h"
#include "chaffinch/session.h"
#include "chaffinch/str.h"
#include "chaffinch/worker.h"

/* Takes finished lines; false stops the report with its error. */
struct report_sink {
    void *context;
    bool (*write)(void *context, const char *bytes, size_t size, struct err *err);
};

enum report_format { REPORT_TABLE, REPORT_CSV, REPORT_JSONL };

struct report_list_options {
    bool frames;     /* one row a frame; else one row a burst */
    bool print0;     /* frames only: paths, each ended by a NUL, and nothing else */
    const char *top; /* print0: stands before each path below the session, as "/home/me/pond/"; NULL = "" */
    const char *outcome; /* "keep", "reject", "none"; NULL = all. Bursts: those that hold such a frame */
    int64_t burst;       /* 0 = all */
    enum report_format format;
};
/* Frames whose files are all gone are left out. Table cells escape names; CSV (RFC 4180, LF) and print0 give
   the raw bytes; JSON Lines (RFC 8259, one object a line, "format":1) give a name that is not UTF-8 as null
   and in base64 beside it. */
bool report_list(struct catalogue *c, const struct report_list_options *options,
                 const struct report_sink *sink, struct err *err);

struct report_explain_options {
    const char *session; /* as the user typed it: named in the commands that the text suggests */
    bool json;           /* one object instead of sentences */
};
/* Why a frame stands where it stands. `frame` is a catalogue id; ERR_USAGE when there is no such frame. */
bool report_explain(struct catalogue *c, int64_t frame, const struct report_explain_options *options,
                    struct str *out, struct err *err);

/* Where the sheet gets its pictures from: session_crops, or a stand-in of a test. Same contract. */
struct report_crops {
    void *context;
    bool (*get)(void *context, const struct session_crop *crops, size_t n, session_crop_done *done,
                void *done_context, struct err *err);
};
struct report_sheet_options {
    const char *name; /* of the session: its folder's name, no path */
    struct report_crops crops;
};
/* One self-contained HTML page without script and without outside resources. The number and the bytes of its
   pictures are bounded: 10,000 frames make less than 30 MB. It carries file names below their last folder,
   and no path, serial number, position or login name. */
bool report_sheet(struct catalogue *c, const struct report_sheet_options *options, struct str *html,
                  struct err *err);
/* Makes the sheet of an open session and writes it to `output`, a file that must not exist (ERR_EXISTS), or
   to `.chaffinch/contact-sheet.html`, which is replaced, where output is NULL. *where (malloc, caller frees)
   is the path that was written. A session open for reading will do. */
bool report_sheet_write(struct session *s, struct worker_pool *workers, const char *output, char **where,
                        struct err *err);

/* ---- handing on -----------------------------------------------------------------------------------------
 */

enum report_sidecar_name {
    REPORT_SIDECAR_BASE, /* IMG_1.xmp */
    REPORT_SIDECAR_WHOLE /* IMG_1.JPG.xmp */
};
enum report_keyword {
    REPORT_KEYWORD_SETUP = 1 << 0, /* "set-up 2" */
    REPORT_KEYWORD_BURST = 1 << 1, /* "burst 14" */
    REPORT_KEYWORD_PASS = 1 << 2   /* "pass 14.1" */
};
struct report_hand_on_options {
    bool unseen;                       /* also what no person has decided or accepted */
    bool mark_rejects;                 /* rejects get xmp:Rating -1; else nothing is written for them */
    int keep_rating, shortlist_rating; /* 0..3; 0 = no rating */
    unsigned keywords;                 /* enum report_keyword */
    const char *prefix;                /* before each keyword; NULL = none */
    enum report_sidecar_name name;     /* of new sidecars; existing ones keep theirs */
};
struct report_handed_on {
    uint64_t frames;
    uint64_t written;      /* new sidecars */
    uint64_t prepared;     /* merged texts that wait for chaffinch-apply --sidecars */
    uint64_t unchanged;    /* sidecars that say all of it already */
    uint64_t rated_before; /* a rating that was there stays */
    uint64_t taken_back;   /* prepared: without the marks of an earlier run, the frame is not handed on now */
    uint64_t away;         /* lie in rejects/ and are left out */
    uint64_t unseen;       /* kept by the engine, left out since nobody has looked */
    uint64_t failed;       /* each named through the session's log */
};
/* Writes XMP sidecars (ISO 16684) where a picture has none, without replacing anything, and prepares merged
   texts below `.chaffinch/outgoing/` where it has one; also where a frame that an earlier run handed on is
   not handed on any more, to take back what that run wrote. Pictures are never written. The session must be
   open for writing. ERR_IO where `.chaffinch/` cannot be written; a sidecar that cannot is counted in failed.
 */
bool report_hand_on(struct session *s, struct worker_pool *workers,
                    const struct report_hand_on_options *options, struct report_handed_on *handed,
                    struct err *err);

struct report_deliver_options {
    const char *folder; /* made where it is missing; outside of the session */
    const char *label;  /* part of each name; NULL = the session's label, else its folder's name */
    bool with_place;    /* keep GPS, serial numbers, owner, maker notes; raw files go along too */
};
struct report_delivered {
    uint64_t written;  /* files, each read back from the disk */
    uint64_t there;    /* lay there already, byte for byte */
    uint64_t withheld; /* frames that have no JPEG: a raw file cannot lose what tells a place */
    uint64_t unseen, failed;
};
/* Copies of the kept frames, named DATE_LABEL_CAMERANUMBER, with the marks embedded as XMP and the coded
   picture untouched. A session open for reading will do. */
bool report_deliver(struct session *s, struct worker_pool *workers,
                    const struct report_hand_on_options *marks, const struct report_deliver_options *options,
                    struct report_delivered *delivered, struct err *err);

struct report_crop_options {
    const char *folder; /* NULL = `.chaffinch/crops/` */
    double aspect;      /* width / height of the upright crop */
    double fill;        /* share of the crop that the subject takes, in its longer direction */
    bool without_place, unseen;
};
/* One line a kept frame: where its crop lies, its size, what it is good to; or why there is no such crop. */
typedef bool report_crop_line(void *context, const char *line, struct err *err);
struct report_cropped {
    uint64_t written, there, impossible, unseen, failed;
};
/* Lossless crops around the subject of each kept frame, as new files. */
bool report_cut(struct session *s, struct worker_pool *workers, const struct report_crop_options *options,
                report_crop_line *line, void *context, struct report_cropped *cropped, struct err *err);

/* ---- what a session teaches -----------------------------------------------------------------------------
 */

enum report_lesson_format { REPORT_LESSON_TEXT, REPORT_LESSON_JSON, REPORT_LESSON_PAGE };
/* A focus aid, or anything else at the plane of focus, whose length is known and which a frame shows. It
   tells the scale of the set-up that the frame belongs to, and of no other. */
struct report_scale {
    int64_t frame;
    double mm;
    double end_px[2][2]; /* x, y of both its ends, px of the stored full-size picture */
    const char *name;    /* of the thing, for the advice ("the perch"); NULL = the focus aid */
};
struct report_sensor {
    double width_mm; /* 0 = not known */
    double coc_mm;   /* its usual circle of confusion */
};
struct report_lesson_options {
    enum report_lesson_format format;
    int64_t setup; /* only this one; 0 = all */
    const struct report_scale *scale;
    size_t n_scales;
    const char *left,
        *right; /* what stands on either side of the picture ("the post"); NULL = the side's name */
    struct report_sensor sensor; /* not known: as the Exif tells */
    double distance_mm;          /* of the plane of focus; 0 = as the focus aid or the Exif tells */
};
/* Per set-up: where the plane of focus lay and how far to move the focus aid, frames within the sharp zone,
   speed and motion blur, what costs the frames, cut frames by side, trigger, burst length, keeper rates. Each
   piece of advice carries its numbers and its sample. Needs a session open for reading; `workers` read the
   Exif of a frame of each set-up and the pictures of the page, which is self-contained and carries no path,
   serial number or position. Appends to `out`. ERR_USAGE: not ranked yet, no such set-up or frame, a focus
   aid outside of the picture. */
bool report_lesson(struct session *s, struct worker_pool *workers,
                   const struct report_lesson_options *options, struct str *out, struct err *err);

/* Five lines and a sentence about the last bursts, for the field: birds, frames in the sharp zone, which side
   the plane of focus lies, focus or motion, clipped share; what to change. */
bool report_glance(const struct session_glance *glance, struct str *out, struct err *err);

#endif
