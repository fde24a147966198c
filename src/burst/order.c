#include "order.h"

#include <stdlib.h>
#include <string.h>

enum {
    NEAR_ROLLOVER = 500,  /* numbers this close to the end, or the start, may belong to a rollover */
    FOLDERS_APART = 40000 /* places between folders that do not follow each other */
};

bool order_same_body(const struct order_key *a, const struct order_key *b)
{
    return strcmp(a->frame->body, b->frame->body) == 0;
}

int order_by_rank(const void *a, const void *b)
{
    const struct order_key *x = a, *y = b;
    return x->rank < y->rank ? -1 : x->rank > y->rank;
}

int order_by_place(const void *a, const void *b)
{
    const struct order_key *x = a, *y = b;
    if (x->place != y->place)
        return x->place < y->place ? -1 : 1;
    return order_by_rank(a, b);
}

/* Total but for frames that agree in everything. */
static int by_clock(const void *a, const void *b)
{
    const struct order_key *x = a, *y = b;
    const struct burst_frame *f = x->frame, *g = y->frame;
    int d = strcmp(f->body, g->body);
    if (d != 0)
        return d;
    if (f->has_time != g->has_time)
        return f->has_time ? -1 : 1;
    if (f->has_time && x->clock_ns != y->clock_ns)
        return x->clock_ns < y->clock_ns ? -1 : 1;
    if (x->place != y->place)
        return x->place < y->place ? -1 : 1;
    d = strcmp(f->folder, g->folder);
    return d != 0 ? d : strcmp(f->prefix, g->prefix);
}

static int by_sequence(const void *a, const void *b)
{
    const struct order_key *x = a, *y = b;
    if (x->frame->sequence != y->frame->sequence)
        return x->frame->sequence < y->frame->sequence ? -1 : 1;
    return by_clock(a, b);
}

static int by_folder_and_number(const void *a, const void *b)
{
    const struct burst_frame *f = ((const struct order_key *)a)->frame,
                             *g = ((const struct order_key *)b)->frame;
    int d = strcmp(f->body, g->body);
    if (d != 0)
        return d;
    if (f->folder_number != g->folder_number)
        return f->folder_number < g->folder_number ? -1 : 1;
    d = strcmp(f->folder, g->folder);
    if (d != 0)
        return d;
    if ((f->number < 0) != (g->number < 0))
        return f->number < 0 ? 1 : -1;
    if (f->number != g->number)
        return f->number < g->number ? -1 : 1;
    return by_clock(a, b);
}

/* ---- the clock of a body -------------------------------------------------------- */

static int64_t step_of_digits(int digits)
{
    int64_t step = SECOND_NS;
    for (int i = 0; i < digits && step > 1; i++)
        step /= 10;
    return step;
}

/* Sub-seconds that are the same in all frames of a body ("00", as some bodies write) tell nothing: whole
   seconds. Two frames may agree by chance. */
static void find_clocks(struct order_key *key, size_t n)
{
    bool constant = true, utc = true;
    size_t timed = 0;
    int64_t fraction = -1;
    for (size_t i = 0; i < n; i++) {
        const struct burst_frame *f = key[i].frame;
        if (!f->has_time)
            continue;
        int64_t own = ((f->time_ns % SECOND_NS) + SECOND_NS) % SECOND_NS;
        constant = constant && (fraction < 0 || own == fraction);
        utc = utc && f->has_offset;
        fraction = own;
        timed++;
    }
    for (size_t i = 0; i < n; i++) {
        const struct burst_frame *f = key[i].frame;
        key[i].step_ns = constant && timed >= 3 ? SECOND_NS : step_of_digits(f->subsec_digits);
        key[i].clock_ns = f->time_ns - (utc ? (int64_t)f->offset_min * 60 * SECOND_NS : 0);
    }
}

/* ---- places --------------------------------------------------------------------- */

/*
 * Did the numbers of this folder roll over? Then an empty stretch lies between the low numbers and the high
 * ones, those reach the ends of the range, and the low ones were not shot earlier. Where there are no times,
 * 9999 and 0001 must both be there. *low_end = how many of the sorted keys are the low ones.
 */
static bool rolled_over(const struct order_key *key, size_t n, size_t *low_end)
{
    const struct burst_frame *first = key[0].frame, *last = key[n - 1].frame;
    int width = 1;
    if (first->number < 1 || first->number > NEAR_ROLLOVER || last->number > NUMBER_LAST ||
        last->number < NUMBER_LAST - NEAR_ROLLOVER)
        return false;
    for (size_t i = 1; i < n; i++) {
        if (key[i].frame->number - key[i - 1].frame->number > width) {
            width = key[i].frame->number - key[i - 1].frame->number;
            *low_end = i;
        }
    }
    if (first->has_time && last->has_time)
        return width > 1 && key[0].clock_ns >= key[n - 1].clock_ns;
    return width > 1 && first->number == 1 && last->number == NUMBER_LAST;
}

/* One folder: its numbered frames count on from the base, those without a number come behind them. Returns
   the last number, -1 = none; the base moves where the numbers rolled over. */
static int place_folder(struct order_key *key, size_t n, int64_t *base)
{
    size_t numbered = 0, low_end = 0;
    while (numbered < n && key[numbered].frame->number >= 0)
        numbered++;
    bool rolled = numbered > 1 && rolled_over(key, numbered, &low_end);
    for (size_t i = 0; i < n; i++)
        key[i].place = i >= numbered
                           ? *base + FOLDERS_APART / 2
                           : *base + key[i].frame->number + (rolled && i < low_end ? NUMBER_LAST : 0);
    if (rolled)
        *base += NUMBER_LAST;
    return numbered == 0 ? -1 : key[rolled ? low_end - 1 : numbered - 1].frame->number;
}

/* Counts on from folder to folder, so that 100/9999 is followed by 101/0001. Keys are one body's, by folder
   and number. */
static void find_places(struct order_key *key, size_t n)
{
    int64_t base = 0;
    int last_number = -1;
    for (size_t from = 0, end; from < n; from = end) {
        for (end = from + 1; end < n && strcmp(key[end].frame->folder, key[from].frame->folder) == 0;)
            end++;
        if (from > 0)
            base += last_number == NUMBER_LAST && key[from].frame->number == 1 ? NUMBER_LAST : FOLDERS_APART;
        last_number = place_folder(key + from, end - from, &base);
    }
}

/* ---- ties ----------------------------------------------------------------------- */

/* Frames of one value of the clock: maker-note sequence numbers order them where each has one, of one burst,
   without a hole. A hole may be a second press within the same second, which began to count anew. */
static void settle_tie(struct order_key *key, size_t n)
{
    uint32_t least = UINT32_MAX, most = 0;
    for (size_t i = 0; i < n; i++) {
        uint32_t sequence = key[i].frame->sequence;
        if (sequence == 0 || key[i].frame->burst_group != key[0].frame->burst_group)
            return;
        least = sequence < least ? sequence : least;
        most = sequence > most ? sequence : most;
    }
    if (most - least != n - 1)
        return;
    qsort(key, n, sizeof *key, by_sequence);
}

static void settle_ties(struct order_key *key, size_t n)
{
    for (size_t from = 0, end; from < n; from = end) {
        for (end = from + 1; end < n && order_same_body(&key[from], &key[end]) && key[end].frame->has_time &&
                             key[from].frame->has_time && key[end].clock_ns == key[from].clock_ns;)
            end++;
        if (end - from > 1)
            settle_tie(key + from, end - from);
    }
}

struct order_key *order_frames(struct burst_frame *frames, size_t n, struct err *err)
{
    struct order_key *key = calloc(n + 1, sizeof *key);
    if (key == NULL) {
        err_nomem(err);
        return NULL;
    }
    for (size_t i = 0; i < n; i++)
        key[i] = (struct order_key){.frame = &frames[i], .clock_ns = frames[i].time_ns};
    qsort(key, n, sizeof *key, by_folder_and_number);
    for (size_t from = 0, end; from < n; from = end) {
        for (end = from + 1; end < n && order_same_body(&key[from], &key[end]);)
            end++;
        find_clocks(key + from, end - from);
        find_places(key + from, end - from);
    }
    qsort(key, n, sizeof *key, by_clock);
    settle_ties(key, n);
    for (size_t i = 0; i < n; i++)
        key[i].rank = (uint32_t)i;
    return key;
}
