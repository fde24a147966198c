#include "summary.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "text.h"

static bool add_burst(void *context, const struct catalogue_burst *row, struct err *err)
{
    struct burst_summaries *all = context;
    if (all->n == all->room) {
        size_t room = all->room > 0 ? all->room * 2 : 64;
        struct burst_summary *grown = realloc(all->burst, room * sizeof *grown);
        if (grown == NULL)
            return err_nomem(err);
        all->burst = grown;
        all->room = room;
    }
    struct burst_summary *b = &all->burst[all->n++];
    *b = (struct burst_summary){.number = row->number,
                                .setup = row->setup,
                                .passes = row->n_passes,
                                .perch = row->perch,
                                .nothing_sharp = row->nothing_sharp,
                                .best_blur_px = NAN};
    (void)snprintf(b->mode, sizeof b->mode, "%s", row->mode);
    return true;
}

static int by_number(const void *key, const void *element)
{
    int64_t number = *(const int64_t *)key, other = ((const struct burst_summary *)element)->number;
    return (number > other) - (number < other);
}

const struct burst_summary *burst_summaries_find(const struct burst_summaries *all, int64_t number)
{
    return all->n == 0 ? NULL : bsearch(&number, all->burst, all->n, sizeof *all->burst, by_number);
}

static int by_burst(const void *a, const void *b)
{
    return by_number(&((const struct burst_summary *)a)->number, b);
}

static void add_time(struct burst_summary *b, const struct catalogue_frame *frame)
{
    if (!frame->has_time)
        return;
    if (!b->has_time) {
        b->has_time = true;
        b->start_ns = b->end_ns = frame->time_ns;
        b->subsec_digits = frame->subsec_digits;
        b->has_offset = frame->has_offset;
        b->offset_min = frame->offset_min;
    }
    b->start_ns = frame->time_ns < b->start_ns ? frame->time_ns : b->start_ns;
    b->end_ns = frame->time_ns > b->end_ns ? frame->time_ns : b->end_ns;
}

static bool add_frame(void *context, const struct catalogue_row *row, struct err *err)
{
    struct burst_summaries *all = context;
    struct burst_summary *b = (struct burst_summary *)burst_summaries_find(all, row->frame.burst);
    bool keep = strcmp(row->outcome, "keep") == 0, reject = strcmp(row->outcome, "reject") == 0;
    (void)err;
    all->frames++;
    all->keep += keep;
    all->reject += reject;
    all->none += !keep && !reject;
    if (b == NULL)
        return true;
    b->frames++;
    b->keep += keep;
    b->reject += reject;
    b->none += !keep && !reject;
    b->accepted = b->accepted || row->accepted;
    add_time(b, &row->frame);
    if (row->choice.rank > 0 && row->has_item && text_blur_known(&row->item) &&
        !(row->item.blur_px >= b->best_blur_px)) {
        b->best_blur_px = row->item.blur_px;
        b->good_to_px = rank_good_to_px(row->item.blur_px, text_long_edge(&row->frame));
    }
    return true;
}

bool burst_summaries_load(struct catalogue *c, struct burst_summaries *all, struct err *err)
{
    const struct catalogue_filter every = {.burst = 0};
    *all = (struct burst_summaries){0};
    bool ok = catalogue_each_burst(c, add_burst, all, err);
    if (ok && all->n > 0)
        qsort(all->burst, all->n, sizeof *all->burst, by_burst);
    ok = ok && catalogue_each_row(c, &every, add_frame, all, err);
    if (!ok)
        burst_summaries_release(all);
    return ok;
}

void burst_summaries_release(struct burst_summaries *all)
{
    free(all->burst);
    *all = (struct burst_summaries){0};
}

uint64_t burst_summary_outcome(const struct burst_summary *burst, const char *outcome)
{
    if (strcmp(outcome, "keep") == 0)
        return burst->keep;
    return strcmp(outcome, "reject") == 0 ? burst->reject : burst->none;
}
