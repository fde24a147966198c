/*
 * burst.h - order frames in time and group them into bursts. Pure: no files.
 *
 * A burst is a run of frames of one camera body whose neighbours are closer in time than the gap. Where there
 * are no capture times at all: consecutive numbers in one folder.
 *
 * Calling sequence: fill struct burst_frame for every frame of a session (any order), call burst_group(),
 * read `order` and `burst` of each frame and the list of bursts. burst_result_release() frees the lists.
 *
 * Order within a body: time; where times tie, are absent or constant in their sub-seconds: maker-note
 * sequence, then folder and number, with rollover (9999 is followed by 0001 in the same or the next folder).
 * Clocks set back: see .c.
 */
#ifndef CHAFFINCH_BURST_H
#define CHAFFINCH_BURST_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chaffinch/err.h"

struct burst_frame {
    /* in */
    const char *body;   /* serial, else maker + model + folder run; equal strings = one body */
    const char *folder; /* path of the folder within the session */
    const char *prefix; /* of the file name */
    int number;         /* -1 = none */
    int folder_number;  /* DCF 100..999, -1 = none */
    bool has_time;
    int64_t time_ns;   /* camera's civil clock */
    int subsec_digits; /* 0 = whole seconds */
    bool has_offset;
    int offset_min;
    uint32_t sequence;    /* maker-note hint, 0 = none */
    uint32_t burst_group; /* maker-note hint, 0 = none */
    double focal_mm;      /* 0 = unknown; a change starts a new set-up */
    uint32_t width_px, height_px;
    int orientation;
    /* out */
    uint32_t burst;       /* index into result.bursts */
    uint32_t position;    /* 0.. within the burst */
    int64_t estimated_ns; /* time with ties spread evenly, for tracking and curves; has_time as it was */
};

struct burst_info {
    const char *body;
    uint32_t first; /* index into result.order */
    uint32_t count;
    int64_t start_ns; /* of the first frame with a time; 0 if none */
    bool has_time;
};

struct burst_result {
    uint32_t *order; /* frame indices in burst order, then position */
    size_t n_frames;
    struct burst_info *bursts; /* in time order (sorted by UTC where every body has an offset, else by civil
                                  time; those without time last) */
    size_t n_bursts;
    int64_t gap_ns; /* the gap that was used */
};

enum { BURST_GAP_FLOOR_MS = 300, BURST_GAP_CEILING_MS = 5000 };

struct burst_options {
    int64_t gap_ns; /* 0 = choose from the distribution of gaps, between floor and ceiling */
};

/* False with ERR_NOMEM. On success the caller owns the result. The frames' out fields are filled. */
bool burst_group(struct burst_frame *frames, size_t n, const struct burst_options *options,
                 struct burst_result *result, struct err *err);
void burst_result_release(struct burst_result *result);
/* The gap that would be chosen from these sorted neighbour distances (ns). */
int64_t burst_choose_gap(const int64_t *gaps_ns, size_t n);

#endif
