/* pump.h - keep the workers busy: submit while there is room, take results as they come, stop when a signal
 * asks. */
#ifndef CHAFFINCH_SESSION_PUMP_H
#define CHAFFINCH_SESSION_PUMP_H

#include "chaffinch/session.h"
#include "jobs.h"

struct pump {
    struct session *s;
    struct worker_pool *workers;
    void *context;
    /* Submits job number i (tag i), or settles it without a worker. */
    bool (*submit)(void *context, struct worker_pool *workers, size_t i, struct err *err);
    bool (*result)(void *context, const struct worker_result *result, struct err *err);
};

/* Runs jobs 0 .. n-1. After an error or an interrupt the jobs under way are waited for and thrown away. */
bool pump_run(const struct pump *pump, size_t n, struct err *err);

/* Where jobs come from that are not all known beforehand. */
struct pump_source {
    /* Which job is next; false = none, for now. */
    bool (*next)(void *context, size_t *i);
    /* Nothing is under way and none is next: *more = look again, else that is the end. */
    bool (*settle)(void *context, bool *more, struct err *err);
};
bool pump_run_from(const struct pump *pump, const struct pump_source *source, struct err *err);

/* Pictures of one frame, best first, at most two. */
struct pump_picture {
    const char *path;
    uint32_t kind; /* enum frame_file_kind */
};
/* Opens them and submits them with the job kind `job`. A file that cannot be opened is named and counted in
 *failed; false only for what must stop the run. */
bool pump_pictures(struct session *s, struct worker_pool *workers, uint32_t job, size_t tag,
                   const struct pump_picture *pictures, size_t n, uint64_t *failed, struct err *err);
/* The same for JOB_MEASURE, of which only a part may be wanted. */
bool pump_measure(struct session *s, struct worker_pool *workers, size_t tag, const struct job_part *part,
                  const struct pump_picture *pictures, size_t n, uint64_t *failed, struct err *err);
/* Opens a picture below the session, or where apply took it. */
int pump_open(struct session *s, const char *path, struct err *err);

#endif
