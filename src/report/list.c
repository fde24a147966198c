#include "chaffinch/report.h"

#include <inttypes.h>
#include <string.h>

#include "list_rows.h"
#include "summary.h"
#include "text.h"

struct lister {
    struct catalogue *c;
    const struct report_list_options *options;
    const struct report_sink *sink;
    struct str line;
    struct catalogue_items items;
    bool marked; /* a frame with a decision was listed */
    int64_t day; /* of the last burst in the table, in days since 1970; INT64_MIN = none yet */
};

static bool send_line(struct lister *l, struct err *err)
{
    bool ok = str_ok(&l->line, err) &&
              (l->line.size == 0 || l->sink->write(l->sink->context, l->line.bytes, l->line.size, err));
    str_clear(&l->line);
    return ok;
}

static bool send_frame(void *context, const struct catalogue_row *row, struct err *err)
{
    struct lister *l = context;
    if (l->options->print0 && l->options->top != NULL && text_path(row)[0] != '/')
        str_append(&l->line, l->options->top);
    if (l->options->print0)
        str_append_bytes(&l->line, text_path(row), strlen(text_path(row)) + 1);
    else if (l->options->format == REPORT_CSV)
        list_csv_frame(&l->line, row);
    else if (l->options->format == REPORT_TABLE)
        list_table_frame(&l->line, row);
    else if (!catalogue_items_load(&l->items, l->c, row->frame.burst, err) ||
             !list_json_line(&l->line, list_json_frame(l->c, row, &l->items, err), err))
        return false;
    l->marked = l->marked || row->decision != CATALOGUE_UNDECIDED;
    return send_line(l, err);
}

static bool list_frames(struct lister *l, struct err *err)
{
    const struct catalogue_filter filter = {.burst = l->options->burst, .outcome = l->options->outcome};
    if (!l->options->print0 && l->options->format == REPORT_CSV)
        str_append(&l->line, list_csv_frames_header);
    if (!l->options->print0 && l->options->format == REPORT_TABLE)
        str_append(&l->line, list_table_frames_header);
    if (!send_line(l, err) || !catalogue_each_row(l->c, &filter, send_frame, l, err))
        return false;
    if (l->marked && !l->options->print0 && l->options->format == REPORT_TABLE)
        str_append(&l->line, "* decided by a person, or by a mark made in the camera\n");
    return send_line(l, err);
}

/* The table says the date once, above the bursts of that day. */
static void table_day(struct lister *l, const struct burst_summary *b)
{
    const int64_t day_ns = INT64_C(86400000000000);
    char date[TEXT_TIME_SIZE];
    int64_t day = b->start_ns / day_ns;
    if (!b->has_time || day == l->day)
        return;
    str_printf(&l->line, "%s%s\n", l->day != INT64_MIN ? "\n" : "", text_date(date, b->start_ns));
    l->day = day;
}

static bool send_burst(struct lister *l, const struct burst_summary *b, struct err *err)
{
    if (l->options->format == REPORT_CSV)
        list_csv_burst(&l->line, b);
    else if (l->options->format == REPORT_JSONL) {
        if (!list_json_line(&l->line, list_json_burst(b, err), err))
            return false;
    } else {
        table_day(l, b);
        list_table_burst(&l->line, b);
    }
    return send_line(l, err);
}

static void table_total(struct lister *l, const struct burst_summaries *all)
{
    uint64_t passes = 0;
    for (size_t i = 0; i < all->n; i++)
        passes += all->burst[i].passes;
    str_append_char(&l->line, '\n');
    text_append_count(&l->line, all->n, "burst");
    str_append(&l->line, ", ");
    if (passes == 1)
        str_append(&l->line, "1 pass");
    else
        str_printf(&l->line, "%" PRIu64 " passes", passes);
    str_append(&l->line, ", ");
    text_append_count(&l->line, all->frames, "frame");
    str_printf(&l->line, ": keep %" PRIu64 ", reject %" PRIu64 ", for your eyes %" PRIu64 "\n", all->keep,
               all->reject, all->none);
}

static bool list_bursts(struct lister *l, struct err *err)
{
    struct burst_summaries all;
    if (!burst_summaries_load(l->c, &all, err))
        return false;
    if (l->options->format == REPORT_CSV)
        str_append(&l->line, list_csv_bursts_header);
    if (l->options->format == REPORT_TABLE)
        str_append(&l->line, list_table_bursts_header);
    bool ok = send_line(l, err);
    for (size_t i = 0; ok && i < all.n; i++) {
        const struct burst_summary *b = &all.burst[i];
        bool wanted = (l->options->burst == 0 || l->options->burst == b->number) &&
                      (l->options->outcome == NULL || burst_summary_outcome(b, l->options->outcome) > 0);
        ok = !wanted || send_burst(l, b, err);
    }
    if (ok && l->options->format == REPORT_TABLE) {
        table_total(l, &all);
        ok = send_line(l, err);
    }
    burst_summaries_release(&all);
    return ok;
}

struct burst_search {
    int64_t wanted;
    bool found;
};

static bool match_burst(void *context, const struct catalogue_burst *burst, struct err *err)
{
    struct burst_search *search = context;
    (void)err;
    search->found = search->found || burst->number == search->wanted;
    return true;
}

static bool burst_exists(struct catalogue *c, int64_t number, struct err *err)
{
    struct burst_search search = {.wanted = number};
    if (!catalogue_each_burst(c, match_burst, &search, err))
        return false;
    return search.found ||
           err_set(err, ERR_USAGE, "there is no burst %" PRId64 ": 'chaffinch list SESSION' shows them",
                   number);
}

bool report_list(struct catalogue *c, const struct report_list_options *options,
                 const struct report_sink *sink, struct err *err)
{
    struct lister l = {.c = c, .options = options, .sink = sink, .day = INT64_MIN};
    bool ok = options->burst == 0 || burst_exists(c, options->burst, err);
    if (ok)
        ok = options->frames ? list_frames(&l, err) : list_bursts(&l, err);
    str_release(&l.line);
    catalogue_items_release(&l.items);
    return ok;
}
