/*
 * locating.h - which part of each frame to decode, from the thumbnails of its burst.
 *
 * Works burst by burst, in windows of at most LOCATE_FRAMES frames; memory holds the thumbnails of the
 * windows that are under way.
 */
#ifndef CHAFFINCH_SESSION_LOCATING_H
#define CHAFFINCH_SESSION_LOCATING_H

#include "chaffinch/locate.h"
#include "chaffinch/session.h"
#include "jobs.h"

/* A frame that is to be measured. */
struct locating_frame {
    int64_t burst;
    struct job_part part; /* out; wanted = false: as a whole */
    /* Out too: a frame of which not more than the part is needed, and that is not needed to tell the scene;
       its subject's way (locate.h), and the number of the window of frames that was looked at together. */
    bool optional, complete;
    uint16_t way;
    uint32_t window;
};

struct locating_told {
    uint64_t answer[LOCATE_ANSWERS]; /* windows of bursts by answer */
};

/* Path of the JPEG of frame i, malloc'ed; NULL where it has none, or with err set. */
typedef char *locating_path(void *context, size_t i, struct err *err);

/* `frame` in order of burst and position. A file that cannot be read counts as one without a thumbnail: the
   measuring that follows says what is wrong with it. `keys`: whole frames a burst, 0 = as the scene asks. */
bool locating_run(struct session *s, struct worker_pool *workers, struct locating_frame *frame, size_t n,
                  size_t keys, locating_path *path, void *context, struct locating_told *told,
                  struct err *err);

#endif
