#include "order.h"

#include <stdlib.h>
#include <string.h>

#define SECOND_NS INT64_C(1000000000)
enum { NUMBERS = 10000 };

int order_compare(const void *a, const void *b)
{
    const struct order_key *x = a, *y = b;
    const struct burst_frame *f = x->frame, *g = y->frame;
    int d = strcmp(f->body, g->body);
    if (d != 0)
        return d;
    if (f->has_time != g->has_time)
        return f->has_time ? -1 : 1;
    if (f->has_time && f->time_ns != g->time_ns)
        return f->time_ns < g->time_ns ? -1 : 1;
    if (f->has_time && f->sequence != g->sequence && f->sequence > 0 && g->sequence > 0 &&
        f->burst_group == g->burst_group)
        return f->sequence < g->sequence ? -1 : 1;
    if (x->place != y->place)
        return x->place < y->place ? -1 : 1;
    d = strcmp(f->folder, g->folder);
    return d != 0 ? d : strcmp(f->prefix, g->prefix);
}

static int64_t step_of_digits(int digits)
{
    int64_t step = SECOND_NS;
    for (int i = 0; i < digits && step > 1; i++)
        step /= 10;
    return step;
}

/* Sub-seconds that are the same in all frames of a body ("00", as some bodies write) tell nothing: whole
 * seconds. */
static void find_steps(struct order_key *key, size_t n)
{
    bool constant = true;
    size_t timed = 0;
    int64_t fraction = -1;
    for (size_t i = 0; i < n; i++) {
        const struct burst_frame *f = key[i].frame;
        if (!f->has_time)
            continue;
        int64_t own = ((f->time_ns % SECOND_NS) + SECOND_NS) % SECOND_NS;
        constant = constant && (fraction < 0 || own == fraction);
        fraction = own;
        timed++;
    }
    for (size_t i = 0; i < n; i++)
        key[i].step_ns = constant && timed >= 3 ? SECOND_NS : step_of_digits(key[i].frame->subsec_digits);
}

/* Frames without a number stand behind those that have one. */
static int number_or_last(const struct burst_frame *f)
{
    return f->number >= 0 ? f->number : 2 * NUMBERS;
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
    if (f->number != g->number)
        return number_or_last(f) < number_or_last(g) ? -1 : 1;
    return order_compare(a, b);
}

/*
 * Did the numbers of this folder roll over? They did when 9999 and 0001 are both there, an empty stretch lies
 * between the low and the high ones, and, where times tell, the low ones are not the earlier ones. *low_end =
 * how many of the sorted keys are the low ones.
 */
static bool rolled_over(const struct order_key *key, size_t n, size_t *low_end)
{
    if (n < 2 || key[0].frame->number != 1 || key[n - 1].frame->number != NUMBERS - 1)
        return false;
    size_t widest = 0;
    int width = 0;
    for (size_t i = 1; i < n; i++) {
        if (key[i].frame->number - key[i - 1].frame->number > width) {
            width = key[i].frame->number - key[i - 1].frame->number;
            widest = i;
        }
    }
    *low_end = widest;
    const struct burst_frame *first = key[0].frame, *last = key[n - 1].frame;
    return width > 1 && (!first->has_time || !last->has_time || first->time_ns >= last->time_ns);
}

/* Counts on from folder to folder, so that 100/9999 is followed by 101/0001. Keys are one body's, by folder
 * and number. */
static void find_places(struct order_key *key, size_t n)
{
    int64_t base = 0;
    int last_number = -1;
    for (size_t from = 0, end; from < n; from = end) {
        for (end = from + 1; end < n && strcmp(key[end].frame->folder, key[from].frame->folder) == 0;)
            end++;
        size_t low_end = 0, numbered = end;
        while (numbered > from && key[numbered - 1].frame->number < 0)
            numbered--;
        bool rolled = rolled_over(key + from, numbered - from, &low_end);
        bool goes_on = last_number == NUMBERS - 1 && key[from].frame->number == 1 && !rolled;
        if (from > 0)
            base += goes_on ? NUMBERS - 1 : 4 * (int64_t)NUMBERS;
        for (size_t i = from; i < end; i++)
            key[i].place =
                base + number_or_last(key[i].frame) + (rolled && i - from < low_end ? NUMBERS - 1 : 0);
        last_number = numbered > from ? key[numbered - 1].frame->number : -1;
        if (rolled) {
            base += NUMBERS - 1;
            last_number = key[from + low_end - 1].frame->number;
        }
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
        key[i].frame = &frames[i];
    qsort(key, n, sizeof *key, by_folder_and_number);
    for (size_t from = 0, end; from < n; from = end) {
        for (end = from + 1; end < n && strcmp(key[end].frame->body, key[from].frame->body) == 0;)
            end++;
        find_steps(key + from, end - from);
        find_places(key + from, end - from);
    }
    qsort(key, n, sizeof *key, order_compare);
    return key;
}
