/*
 * locating.h - which part of each frame to decode, from the thumbnails of its burst.
 *
 * Works burst by burst, in windows of at most LOCATE_FRAMES frames; memory holds the thumbnails of one
 * window.
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

/*
 * Window by window, by a caller who keeps the workers busy with other things besides:
 *
 *     locating_open(&l, ...)                      frames 0 .. n - 1, in order of burst and position
 *     while (locating_begin(&l, &err))            the next window: frames l.first .. l.first + l.n - 1
 *         for each of them, locating_submit(); for each result of these jobs, locating_take()
 *         when locating_is_ready(): locating_finish(&l, &err) fills l.frame
 *     locating_release(&l)
 *
 * A file that cannot be read counts as one without a thumbnail: the measuring that follows says what is wrong
 * with it. `keys`: whole frames a burst, 0 = as the scene asks.
 */
typedef int64_t locating_burst(void *context, size_t i);
struct locating_thumb {
    struct job_thumb head;
    uint8_t *luma;
};
struct locating {
    struct session *s;
    size_t all, keys;
    locating_burst *burst; /* of frame i */
    locating_path *path;
    void *context;
    struct locating_told told;
    /* The burst, and the window of it: its number, its first frame and how many, and of how many the
       thumbnail is not known yet. */
    size_t burst_first, burst_n, part, parts;
    uint32_t window;
    size_t first, n, waiting;
    struct locating_thumb *thumb; /* [n] */
    struct locating_frame *frame; /* [n] */
};
/* False with ERR_NOMEM. Always release. */
bool locating_open(struct locating *l, struct session *s, size_t n, size_t keys, locating_burst *burst,
                   locating_path *path, void *context, struct err *err);
void locating_release(struct locating *l);
/* False behind the last window. */
bool locating_begin(struct locating *l);
/* Of frame i of all, which is in the window; the job gets this tag. */
bool locating_submit(struct locating *l, struct worker_pool *workers, size_t i, uint64_t tag,
                     struct err *err);
bool locating_take(struct locating *l, size_t i, const struct worker_result *result, struct err *err);
static inline bool locating_is_ready(const struct locating *l)
{
    return l->waiting == 0;
}
bool locating_finish(struct locating *l, struct err *err);

/* All windows at once, for frames of which `burst` is filled in. */
bool locating_run(struct session *s, struct worker_pool *workers, struct locating_frame *frame, size_t n,
                  size_t keys, locating_path *path, void *context, struct locating_told *told,
                  struct err *err);

#endif
