/* summary.h - one line about each burst, added up from its frames. */
#ifndef CHAFFINCH_REPORT_SUMMARY_H
#define CHAFFINCH_REPORT_SUMMARY_H

#include "chaffinch/catalogue.h"

struct burst_summary {
    int64_t number, setup;
    uint32_t passes;
    char mode[16];
    bool perch, nothing_sharp, accepted;
    uint64_t frames, keep, reject, none;
    /* time of the first frame that has one, as its camera wrote it, and how long the burst lasts */
    bool has_time, has_offset;
    int64_t start_ns, end_ns;
    int subsec_digits, offset_min;
    /* the sharpest complete frame; best_blur_px NaN = not known */
    double best_blur_px;
    uint32_t good_to_px;
};

struct burst_summaries {
    struct burst_summary *burst;
    size_t n, room;
    uint64_t frames, keep, reject, none; /* of the whole session, frames without a burst too */
};

/* On success the caller owns it: burst_summaries_release(). */
bool burst_summaries_load(struct catalogue *c, struct burst_summaries *all, struct err *err);
void burst_summaries_release(struct burst_summaries *all);
/* NULL where there is none. */
const struct burst_summary *burst_summaries_find(const struct burst_summaries *all, int64_t number);
uint64_t burst_summary_outcome(const struct burst_summary *burst, const char *outcome);

#endif
