/*
 * burst.h - order frames in time and group them into bursts. Pure: no files.
 *
 * A burst is a run of frames of one camera body whose neighbours are closer in time than the gap. Where there
 * are no capture times at all: consecutive numbers in one folder.
 *
 * Calling sequence: fill struct burst_frame for every frame of a session (any order), call burst_group(),
 * read `order` and `burst` of each frame and the list of bursts. burst_result_release() frees the lists.
 *
 * Order within a body: the clock, which is UTC where every frame of the body has an offset, else civil time;
 * where clocks tie, maker-note sequence numbers if each frame has one and none is missing between, else
 * folder and number, with rollover (9999 is followed by 0001 in the same or the next folder). Sub-seconds
 * that are the same in all frames count as none. Whole seconds are taken at their shortest: a pause that may
 * be none ends no burst.
 *
 * A clock set back lays a later burst over an earlier one. They are told apart where, by number, the clock
 * goes back, or more numbers pass than a camera can shoot in the time. Numbers that contradict the clock all
 * over (names given later) are not believed. Bursts are numbered by the clock as it was.
 *
 * A change of width x height by half or more ends a burst. The order of the input never matters.
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
    int64_t time_ns;    /* camera's civil clock */
    double focal_mm;    /* 0 = unknown; not used here: a change starts a set-up, not a burst */
    bool has_time, has_offset;
    int number;        /* -1 = none */
    int folder_number; /* DCF 100..999, -1 = none */
    int subsec_digits; /* 0 = whole seconds */
    int offset_min;
    uint32_t sequence;            /* maker-note hint, 0 = none */
    uint32_t burst_group;         /* maker-note hint, 0 = none */
    uint32_t width_px, height_px; /* 0 = unknown */
    int orientation;
    /* out */
    uint32_t burst;       /* index into result.bursts */
    uint32_t position;    /* 0.. within the burst */
    int64_t estimated_ns; /* civil time with ties spread evenly, for tracking and curves: grows strictly
                             within a burst. Without a time: from 0, at 60 a second */
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
/* The gap that would be chosen from these sorted neighbour distances (ns): the middle of the widest empty
   stretch on a log scale between floor and ceiling, 1.22 s where there is nothing to choose from. */
int64_t burst_choose_gap(const int64_t *gaps_ns, size_t n);

#endif
