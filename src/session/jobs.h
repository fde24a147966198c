/*
 * jobs.h - what the engine's workers do, and the bytes that cross the pipe. Parent and worker are one binary,
 * so plain structs go over.
 */
#ifndef CHAFFINCH_SESSION_JOBS_H
#define CHAFFINCH_SESSION_JOBS_H

#include <stdint.h>

#include "chaffinch/decode.h"
#include "chaffinch/frame.h"
#include "chaffinch/hash.h"

enum job_kind { JOB_PEEK = 1, JOB_MEASURE, JOB_CROP };

enum { JOB_PICTURES = 2 };

/* Request of JOB_PEEK and JOB_MEASURE: what the descriptors are, best first (JPEG before raw). */
struct job_request {
    uint32_t n;
    uint32_t kind[JOB_PICTURES]; /* enum frame_file_kind */
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
    char warning[200]; /* of a better picture that could not be read, else empty */
};

struct job_crop_request {
    uint32_t kind;
    uint32_t box[4];
    uint32_t max_edge_px;
    uint32_t orientation;
    int32_t quality;
};
/* Reply of JOB_CROP: this head, then the JPEG. */
struct job_cropped {
    uint32_t width_px, height_px;
};

#endif
