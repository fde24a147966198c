/*
 * Times that grow. Frames that share a value of the clock are spread over the step of the clock, at the pace
 * of their burst: ten a tenth of a second stand ten milliseconds apart. Frames at the start of a burst fill
 * the end of their step and take the pace from the next one, frames at its end the start of theirs.
 */
#include "order.h"

static const int64_t UNKNOWN_PACE_NS = SECOND_NS / 60;

static void spread_group(const struct order_key *group, size_t n, int64_t step, size_t pace, bool first)
{
    int64_t each = step / (int64_t)(pace > n ? pace : n);
    int64_t start = group[0].clock_ns + (first && pace > n ? step - each * (int64_t)n : 0);
    for (size_t i = 0; i < n; i++)
        group[i].frame->estimated_ns = start + each * (int64_t)i;
}

static size_t group_size(const struct order_key *key, size_t at, size_t n)
{
    size_t size = 1;
    while (at + size < n && key[at + size].clock_ns == key[at].clock_ns)
        size++;
    return size;
}

static void spread_ties(const struct order_key *key, size_t n)
{
    size_t before = 0;
    for (size_t i = 0, size; i < n; i += size) {
        size = group_size(key, i, n);
        bool last = i + size == n;
        int64_t step = key[i].step_ns;
        if (!last && key[i + size].clock_ns - key[i].clock_ns < step)
            step = key[i + size].clock_ns - key[i].clock_ns;
        size_t pace = i == 0 && !last ? group_size(key, size, n) : last ? before : size;
        spread_group(key + i, size, step, pace, i == 0);
        before = size;
    }
}

void estimate_times(const struct order_key *key, size_t n)
{
    /* Back to the civil time of the burst's first frame, also where the offset changes within. */
    int64_t civil = key[0].frame->time_ns - key[0].clock_ns;
    if (key[0].frame->has_time)
        spread_ties(key, n);
    for (size_t i = 0; i < n; i++) {
        struct burst_frame *f = key[i].frame;
        f->estimated_ns = f->has_time ? f->estimated_ns + civil : (int64_t)i * UNKNOWN_PACE_NS;
        if (i > 0 && f->estimated_ns <= key[i - 1].frame->estimated_ns)
            f->estimated_ns = key[i - 1].frame->estimated_ns + 1;
    }
}
