/*
 * session.h - the pipelines of measure, rank and run: they own the order of things, the catalogue and the
 * workers.
 *
 * Calling sequence:
 *     worker handler of the whole engine: session_worker (give it to worker_pool_start before anything else)
 *     struct session *s = session_open(fs, path, SESSION_WRITE, log, stop, &err);
 *     session_measure(s, workers, &options, &totals, &err);
 *     session_rank(s, &options, &totals, &err);
 *     session_close(s);
 *
 * Errors: as catalogue.h; per-file failures are counted in the totals and logged, and never stop the batch.
 */
#ifndef CHAFFINCH_SESSION_H
#define CHAFFINCH_SESSION_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chaffinch/card.h"
#include "chaffinch/catalogue.h"
#include "chaffinch/err.h"
#include "chaffinch/frame.h"
#include "chaffinch/hash.h"
#include "chaffinch/log.h"
#include "chaffinch/rank.h"
#include "chaffinch/root.h"
#include "chaffinch/worker.h"

/* The handler that every worker of the engine runs; it knows the jobs below. */
worker_handler session_worker;

enum session_access {
    SESSION_READ,
    SESSION_WRITE,
    SESSION_CREATE /* makes the folder where it is missing */
};

struct session {
    struct root root;
    struct catalogue *catalogue;
    struct log *log;
    const volatile int *stop;
};
/* SESSION_WRITE takes the lock and makes `.chaffinch/` where it is missing. NULL with err. */
struct session *session_open(const struct files *fs, const char *path, enum session_access access,
                             struct log *log, const volatile int *stop, struct err *err);
void session_close(struct session *s); /* NULL is accepted */

/* For card_options.same_exposure; context = an idle worker pool. Body and time (within 1 s) of the two
   pictures are compared; CARD_SAME_UNKNOWN where one of them does not tell its time. */
enum card_same session_same_exposure(void *context, int fd_a, const char *path_a, int fd_b,
                                     const char *path_b);

/* What the head of one picture tells, read in an idle worker. ERR_FORMAT when it is no picture. */
bool session_peek(struct worker_pool *workers, int fd, const char *path, struct frame_meta *meta,
                  struct err *err);

struct session_measure_options {
    bool all;       /* measure again what was measured, and decode every frame as a whole */
    bool fast;      /* only what finds the sharpest frame of each pass; the rest stays not scored */
    int64_t gap_ns; /* 0 = chosen from the gaps */
    /* What a copy run has still to bring (NULL = nothing is under way): only bursts to which no further file
       can belong are measured, and nothing is taken for missing. */
    const struct card_coming *coming;
};
struct session_measured {
    uint64_t frames, bursts, measured, skipped; /* skipped: measured before */
    uint64_t failed;                            /* files that failed in THIS run */
    uint64_t found_unreadable;                  /* part of failed: later runs know it */
    uint64_t unreadable, format;
    double decoded;         /* sum over the measured frames of the share that was decoded */
    uint64_t not_decoded;   /* measured frames whose thumbnails show no subject: nothing was decoded */
    uint64_t left_out;      /* frames that were not needed to find the sharpest: not scored */
    uint64_t decoded_again; /* the subject reached the edge of the decoded part: decoded once more */
    uint64_t not_ranked;    /* bursts whose stored cells could not be read: session_rank tries again */
};
/* Walks, makes frames and bursts, decodes and measures what is new, and ranks each burst as soon as that is
   done, so that a person can begin to look. ERR_USAGE when there are no pictures; ERR_INTERRUPTED. */
bool session_measure(struct session *s, struct worker_pool *workers,
                     const struct session_measure_options *options, struct session_measured *totals,
                     struct err *err);

/* Copies as card_copy does, into the session, and meanwhile measures and ranks the bursts that are there as a
   whole, so that each file is read from the card once and from the disk hardly again, and a person can begin
   to look. The copy runs in a thread of its own and waits for nothing; where there is no thread or not much
   room on the disk, it is only copied. True, false and *report as card_copy: what measuring fails in is left
   to the session_measure that must follow, which finishes the rest. Of *measured only failed and
   found_unreadable are filled. `fast` as for session_measure. same_exposure must not use `workers`. */
bool session_ingest(struct session *s, struct worker_pool *workers, struct card_set *set,
                    const struct card_options *options, bool fast, struct card_report *report,
                    struct session_measured *measured, struct err *err);

struct session_ranked {
    uint64_t bursts, passes, kept, rejected, none;
    uint64_t nothing_sharp; /* bursts */
};
/* How to choose. What is given is stored with the session; what is not is as last time. */
struct session_rank_options {
    uint32_t keep;       /* of each pass; 0 = as last time, at first 3 */
    uint32_t keep_total; /* of the session; 0 = no limit; UINT32_MAX = as last time, at first no limit */
    double max_blur_px;  /* 0 = the engine's own limit; below 0 = as last time, at first that */
    int64_t min_gap_ns;  /* below 0 = as last time, at first 30 ms, in a perch burst .5 s */
};
#define SESSION_RANK_OPTIONS_INIT                                                                            \
    {                                                                                                        \
        .keep_total = UINT32_MAX, .max_blur_px = -1, .min_gap_ns = -1                                        \
    }
/* Finds subjects, scores and chooses, from stored cells. Bursts whose cells are unchanged are chosen anew
   from their summaries only. With a total the best of every pass comes first, the least blurred before the
   others, then the second of every pass, and so on; what is beyond the total is proposed none, never reject.
   What a person accepted stands, and counts. */
bool session_rank(struct session *s, const struct session_rank_options *options,
                  struct session_ranked *totals, struct err *err);
/* Chooses anew for one burst, from summaries. Where the session has a total, the burst gets of it what the
   other bursts leave. */
bool session_choose_burst(struct session *s, int64_t burst, const struct session_rank_options *options,
                          struct err *err);

/* A frame drawn for a person who asks why: the picture with its subjects' boxes, and below it the detail of
   every cell as colour, with a legend. PNG or JPEG bytes, malloc'ed, the caller's. ERR_USAGE where the frame
   has no picture or no cells, ERR_FORMAT where it cannot be decoded. */
bool session_heat(struct session *s, struct worker_pool *workers, int64_t frame, bool png, uint8_t **bytes,
                  size_t *size, struct err *err);

/* A crop of a frame, decoded in a worker, as JPEG bytes without metadata, upright. box in px of the stored
   full-size picture (zero size = whole frame); malloc'ed, caller frees. Submits and collects many: `n`
   requests, results in order of completion through `done` (jpeg = NULL: that one could not be decoded, cause
   says why; bytes belong to the caller of `done` during the call only). */
struct session_crop {
    int64_t frame;
    uint32_t box[4]; /* x, y, w, h */
    uint32_t max_edge_px;
    int quality;
};
typedef bool session_crop_done(void *context, size_t index, const uint8_t *jpeg, size_t size,
                               uint32_t width_px, uint32_t height_px, const char *cause, struct err *err);
bool session_crops(struct session *s, struct worker_pool *workers, const struct session_crop *crops, size_t n,
                   session_crop_done *done, void *context, struct err *err);

/* What is made for other programs and other eyes, one piece a file, in workers: bytes come back, nothing is
   written. Frame.h tells what marks do (frame_mark) and what a copy loses (frame_dress). */
enum session_errand_kind {
    SESSION_MARK,  /* an XMP text: the sidecar, or a new one, with the marks */
    SESSION_DRESS, /* a JPEG with its coded picture untouched and the marks embedded */
    SESSION_CUT    /* a JPEG that holds `box` of the picture, coefficients copied, metadata kept */
};
struct session_errand {
    enum session_errand_kind kind;
    const char *picture;         /* below the session or absolute; NULL for SESSION_MARK */
    const char *sidecar;         /* NULL = none */
    int rating;                  /* as struct frame_marks */
    const char *const *keywords; /* at most 8 */
    size_t n_keywords;
    bool without_place;
    uint32_t box[4];
};
struct session_made {
    const uint8_t *bytes; /* NULL: cause tells why. Valid during the call */
    size_t size;
    const char *cause;
    bool changed, rated, taken_back; /* as struct frame_marked */
    int old_rating;
    struct hash_digest read; /* of the sidecar, as it was merged */
};
typedef bool session_errand_done(void *context, size_t index, const struct session_made *made,
                                 struct err *err);
bool session_errands(struct session *s, struct worker_pool *workers, const struct session_errand *errands,
                     size_t n, session_errand_done *done, void *context, struct err *err);

/* Pictures for a person's eyes, one at a time and without waiting, for a caller with a loop of its own. They
   are stored pixels, not turned upright. Of a frame with a JPEG and a raw the first that can be decoded is
   shown. `s` needs no more than its root and its catalogue. */
enum session_picture_size {
    SESSION_SMALL, /* the Exif thumbnail where it is good, else decoded; long edge at most 320 px */
    SESSION_WHOLE, /* long edge at most 3072 px */
    SESSION_PART   /* the box at 1:1 */
};
struct session_picture {
    int64_t frame;
    enum session_picture_size size;
    uint32_t box[4]; /* x, y, w, h in px of the stored full-size picture; clamped */
};
/* Submits the job. The pool must have room. ERR_FORMAT where the frame has no picture that can be decoded,
   and what opening its file fails with: those concern this picture only. */
bool session_picture_submit(struct session *s, struct worker_pool *workers, uint64_t tag,
                            const struct session_picture *picture, struct err *err);
/* Of a result that is ok: where its JPEG begins and how long it is, within result->bytes. */
bool session_picture_bytes(const struct worker_result *result, const uint8_t **jpeg, size_t *size);

/* The empty background of a set-up as a small grey JPEG, one px a cell; malloc'ed, caller frees.
   ERR_NOT_FOUND where none is kept. */
bool session_background(struct session *s, int64_t setup, uint8_t **jpeg, size_t *size, struct err *err);

/* The last bursts of a card or folder, in memory: nothing is written anywhere. */
struct session_glimpse {
    struct rank_scores scores; /* frame = index within the burst */
    size_t n_frames, n_passes;
    bool rests, has_time;
    double clipped; /* share of px at black or white */
    double exposure_s;
    int orientation;
    uint32_t width_px, height_px; /* stored */
};
struct session_glance {
    struct session_glimpse *burst; /* in time order */
    size_t n;
};
/* `last` bursts of at least 5 frames, JPEGs only. ERR_USAGE when there are none. The caller releases it. */
bool session_look(const struct files *fs, const char *card, struct worker_pool *workers, size_t last,
                  struct log *log, const volatile int *stop, struct session_glance *glance, struct err *err);
void session_glance_release(struct session_glance *glance);

#endif
