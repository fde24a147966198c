#include "rank_options.h"

#include <string.h>

void rank_options_fill(struct option_spec table[RANK_OPTIONS], struct session_rank_options *target)
{
    const struct option_spec rows[RANK_OPTIONS] = {
        {"keep", OPTION_COUNT, &target->keep, "N",
         "frames to keep per pass (default: as last time, at first 3)", 1, 1000},
        {"keep-total", OPTION_COUNT, &target->keep_total, "N",
         "frames to keep in the whole session, the best of each pass first; 0 = no limit (default: as last "
         "time)",
         0, 1000000},
        {"max-blur", OPTION_NUMBER, &target->max_blur_px, "PX",
         "never keep a frame that is blurred more; 0 = the engine's own limit (default: as last time)", 0,
         1000},
        {"min-gap", OPTION_SECONDS, &target->min_gap_ns, "SECONDS",
         "least time between kept frames of a pass, as 0.2 or 200ms (default: as last time, at first 30ms, "
         "at a perch 0.5)",
         0, 3600},
    };
    memcpy(table, rows, sizeof rows);
}
