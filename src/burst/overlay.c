/*
 * A clock that is set back lays a later burst over an earlier one: by time they look like one. Numbers go on
 * all the while, so a run of frames is walked by number. It is cut where the clock goes back, and where more
 * numbers pass than a camera can shoot in that time (frames deleted since were shot too). The pieces are
 * chains. Chains that follow each other in time and in number, as over a rollover that could not be unrolled
 * or from one card slot to the other, are put together again.
 *
 * Names that were given later may hold numbers that say nothing about order. They would leave many small
 * pieces: then the run stays as the clock has it.
 */
#include <stdlib.h>

#include "order.h"

enum { FASTEST_PER_S = 250, FRAMES_A_PIECE = 8 };

/* How many numbers may pass from a to b. */
static int64_t numbers_possible(const struct order_key *a, const struct order_key *b)
{
    int64_t longest = b->clock_ns - a->clock_ns + (a->step_ns > b->step_ns ? a->step_ns : b->step_ns);
    return longest < 0 ? 0 : 1 + longest / (SECOND_NS / FASTEST_PER_S);
}

static bool goes_back(const struct order_key *a, const struct order_key *b)
{
    return b->clock_ns + b->step_ns <= a->clock_ns;
}

static bool breaks_chain(const struct order_key *a, const struct order_key *b)
{
    return goes_back(a, b) || b->place - a->place > numbers_possible(a, b);
}

/* Keys are by place. Returns the number of chains. */
static size_t find_chains(struct order_key *key, size_t n)
{
    uint32_t chain = 0;
    for (size_t from = 0, end; from < n; from = end, chain++) {
        int64_t start = key[from].clock_ns;
        for (end = from + 1; end < n && !breaks_chain(&key[end - 1], &key[end]); end++)
            start = key[end].clock_ns < start ? key[end].clock_ns : start;
        for (size_t i = from; i < end; i++) {
            key[i].chain = chain;
            key[i].chain_ns = start;
        }
    }
    return chain;
}

static int by_chain(const void *a, const void *b)
{
    const struct order_key *x = a, *y = b;
    if (x->chain_ns != y->chain_ns)
        return x->chain_ns < y->chain_ns ? -1 : 1;
    if (x->chain != y->chain)
        return x->chain < y->chain ? -1 : 1;
    return order_by_rank(a, b);
}

/* a ends one chain, b starts the next in time: do they go on, by clock and number? */
static bool follows(const struct order_key *a, const struct order_key *b)
{
    int passed = (b->frame->number - a->frame->number + NUMBER_LAST) % NUMBER_LAST;
    return !goes_back(a, b) && passed > 0 && passed <= numbers_possible(a, b);
}

void overlay_cut(struct order_key *key, size_t n, int64_t gap_ns, bool *starts)
{
    for (size_t i = 0; i < n; i++)
        if (key[i].frame->number < 0 || key[i].frame->number > NUMBER_LAST)
            return;
    qsort(key, n, sizeof *key, order_by_place);
    size_t chains = find_chains(key, n), pieces = 1;
    if (chains > 1) {
        qsort(key, n, sizeof *key, by_chain);
        for (size_t i = 1; i < n; i++) {
            starts[i] = gap_shortest_pause(&key[i - 1], &key[i]) > gap_ns ||
                        (key[i].chain != key[i - 1].chain && !follows(&key[i - 1], &key[i]));
            pieces += starts[i];
        }
    }
    if (chains > 1 && pieces <= 1 + n / FRAMES_A_PIECE)
        return;
    qsort(key, n, sizeof *key, order_by_rank);
    for (size_t i = 1; i < n; i++)
        starts[i] = false;
}
