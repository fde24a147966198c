/* The pause that ends a burst. */
#include <math.h>
#include <stdlib.h>

#include "order.h"

/* The widest empty stretch on a log scale, between floor and ceiling, parts the pauses within bursts from
   those between them; the gap is its middle. */
int64_t burst_choose_gap(const int64_t *gaps_ns, size_t n)
{
    const double floor_ns = BURST_GAP_FLOOR_MS * 1e6, ceiling_ns = BURST_GAP_CEILING_MS * 1e6;
    double below = floor_ns, widest = 0, gap = sqrt(floor_ns * ceiling_ns);
    for (size_t i = 0; i <= n; i++) {
        double value = i < n ? fmin(fmax((double)gaps_ns[i], floor_ns), ceiling_ns) : ceiling_ns;
        if (log(value / below) > widest) {
            widest = log(value / below);
            gap = sqrt(below * value);
        }
        below = value;
    }
    return (int64_t)gap;
}

int64_t gap_shortest_pause(const struct order_key *a, const struct order_key *b)
{
    int64_t pause = b->clock_ns - a->clock_ns, step = a->step_ns > b->step_ns ? a->step_ns : b->step_ns;
    return pause >= step && step >= SECOND_NS ? pause - step : pause;
}

static int by_value(const void *a, const void *b)
{
    int64_t x = *(const int64_t *)a, y = *(const int64_t *)b;
    return x < y ? -1 : x > y;
}

/* The distribution takes pauses as they read: in whole seconds they are as often too long as too short. */
bool gap_choose(const struct order_key *key, size_t n, int64_t *gap_ns, struct err *err)
{
    size_t count = 0;
    int64_t *pauses = calloc(n + 1, sizeof *pauses);
    if (pauses == NULL)
        return err_nomem(err);
    for (size_t i = 1; i < n; i++)
        if (key[i].frame->has_time && key[i - 1].frame->has_time && order_same_body(&key[i], &key[i - 1]))
            pauses[count++] = key[i].clock_ns - key[i - 1].clock_ns;
    qsort(pauses, count, sizeof *pauses, by_value);
    *gap_ns = burst_choose_gap(pauses, count);
    free(pauses);
    return true;
}
