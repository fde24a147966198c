/*
 * jobs.h - what the engine's workers do, and the bytes that cross the pipe. Parent and worker are one binary,
 * so plain structs go over.
 */
#ifndef CHAFFINCH_SESSION_JOBS_H
#define CHAFFINCH_SESSION_JOBS_H

#include <stdbool.h>
#include <stdint.h>

#include "chaffinch/decode.h"
#include "chaffinch/frame.h"
#include "chaffinch/hash.h"
#include "chaffinch/measure.h"

enum job_kind {
    JOB_PEEK = 1,
    JOB_MEASURE,
    JOB_CROP,
    JOB_MARK,
    JOB_DRESS,
    JOB_CUT,
    JOB_PICTURE,
    JOB_HEAT,
    JOB_THUMB
};

enum { JOB_PICTURES = 2, JOB_HEAD_BYTES = 1 << 16 /* of a file, read to find its thumbnail */ };

/* What to measure of a JPEG whose burst was looked at in thumbnails. The window may be the whole grid. */
struct job_part {
    bool wanted;
    uint32_t width_px, height_px; /* that the frame must have; else it is measured as a whole */
    struct grid_window window, subject;
    float gain;
};

/* Request of JOB_PEEK and JOB_MEASURE: what the descriptors are, best first (JPEG before raw). */
struct job_request {
    uint32_t n;
    uint32_t kind[JOB_PICTURES]; /* enum frame_file_kind */
    struct job_part part;        /* of the first picture; JOB_MEASURE only */
};

/* Reply of JOB_THUMB (one JPEG): this head, then cols * rows of luma. */
struct job_thumb {
    uint32_t width_px, height_px; /* of the picture */
    uint32_t cols, rows;          /* of its thumbnail */
};

struct job_peeked {
    struct frame_meta meta; /* of the first picture that tells a time, else of the first readable one */
    bool readable[JOB_PICTURES];
    struct hash_digest fingerprint[JOB_PICTURES];
    char cause[JOB_PICTURES][160]; /* why not readable */
};

/* Reply of JOB_MEASURE: this head, then the packed grid. */
struct job_measured {
    struct decode_source source;
    uint32_t picture;  /* which descriptor was measured */
    float decoded;     /* share of the picture's cells that were measured, 0..1 */
    char warning[200]; /* of a better picture that could not be read, else empty */
};

struct job_crop_request {
    uint32_t kind;
    uint32_t box[4];
    uint32_t max_edge_px;
    uint32_t orientation;
    int32_t quality;
};
/* Request of JOB_PICTURE: the first of up to JOB_PICTURES descriptors that can be decoded is shown. */
struct job_picture_request {
    uint32_t n;
    uint32_t kind[JOB_PICTURES]; /* enum frame_file_kind */
    uint32_t box[4];
    uint32_t max_edge_px;
    uint32_t thumbnail; /* 1 = the Exif thumbnail will do, where it shows the same picture */
    int32_t quality;
};

/* Reply of JOB_CROP and JOB_PICTURE: this head, then the JPEG. */
struct job_cropped {
    uint32_t width_px, height_px;
};

/* Request of JOB_MARK, JOB_DRESS and JOB_CUT: this head, then the keywords, each ended by NUL. Descriptors:
   the picture if has_picture, then the sidecar if has_sidecar. */
struct job_errand_request {
    int32_t rating;
    uint32_t n_keywords;
    bool has_picture, has_sidecar, without_place;
    uint32_t box[4]; /* JOB_CUT, in px of the stored picture, on block borders */
};
enum { JOB_KEYWORDS = 8 };
/* Their reply: this head, then the text or the JPEG. */
struct job_errand {
    bool changed, rated, taken_back;
    int32_t old_rating;
    struct hash_digest read; /* XXH3-128 of the sidecar as it was read */
};

struct worker_reply;
/* What JOB_PICTURE does. */
void jobs_picture(const struct job_picture_request *request, const int *fds, struct worker_reply *reply);
void jobs_errand(uint32_t kind, const uint8_t *request, size_t size, const int *fds, size_t n_fds,
                 struct worker_reply *reply);

/* JOB_THUMB: reads the head of the file only. */
void jobs_thumb(int fd, struct worker_reply *reply);

/* ---- shared by the jobs ---- */

struct mapped {
    const uint8_t *bytes;
    size_t size;
};
bool jobs_map(int fd, struct mapped *map, struct err *err);
void jobs_unmap(struct mapped *map);
void jobs_failed(struct worker_reply *reply, const struct err *err);
/* Reply = head then tail, in one block. */
void jobs_reply(struct worker_reply *reply, const void *head, size_t head_size, const void *tail,
                size_t tail_size);

#endif
