/* For people at a terminal 80 to 100 columns wide. */
#include "list_rows.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "text.h"

const char list_table_bursts_header[] =
    "burst  time          lasts    frames  passes  keep  reject  eyes  blur px  good to\n";
const char list_table_frames_header[] =
    "burst  pass  rank  blur px  good to  outcome  why            time          path\n";

static char *good_to(char out[24], uint32_t px)
{
    out[0] = '\0';
    if (px > 0)
        (void)snprintf(out, 24, "%" PRIu32 " px", px);
    return out;
}

void list_table_burst(struct str *out, const struct burst_summary *b)
{
    char clock[TEXT_TIME_SIZE] = "no time", lasts[TEXT_NUMBER_SIZE] = "", blur[TEXT_NUMBER_SIZE], edge[24];
    if (b->has_time) {
        text_clock(clock, b->start_ns, b->subsec_digits < 3 ? b->subsec_digits : 3);
        text_number(lasts, (double)(b->end_ns - b->start_ns) / 1e9, 2);
        (void)snprintf(lasts + strlen(lasts), sizeof lasts - strlen(lasts), " s");
    }
    str_printf(out,
               "%5" PRId64 "  %-12s  %-7s  %6" PRIu64 "  %6" PRIu32 "  %4" PRIu64 "  %6" PRIu64 "  %4" PRIu64
               "  %7s  %7s",
               b->number, clock, lasts, b->frames, b->passes, b->keep, b->reject, b->none,
               text_number(blur, b->best_blur_px, 2), good_to(edge, b->good_to_px));
    if (b->nothing_sharp)
        str_append(out, "  nothing sharp");
    if (b->perch)
        str_append(out, "  perch");
    if (b->accepted)
        str_append(out, "  accepted");
    str_append_char(out, '\n');
}

static void append_number_or_blank(struct str *out, uint32_t n, int width)
{
    if (n > 0)
        str_printf(out, "%*" PRIu32, width, n);
    else
        str_printf(out, "%*s", width, "");
}

void list_table_frame(struct str *out, const struct catalogue_row *row)
{
    char blur[TEXT_NUMBER_SIZE] = "", edge[24] = "", clock[TEXT_TIME_SIZE] = "", outcome[24];
    if (row->has_item && text_blur_known(&row->item)) {
        text_number(blur, row->item.blur_px, 2);
        good_to(edge, rank_good_to_px(row->item.blur_px, text_long_edge(&row->frame)));
    }
    if (row->frame.has_time)
        text_clock(clock, row->frame.time_ns, row->frame.subsec_digits < 3 ? row->frame.subsec_digits : 3);
    (void)snprintf(outcome, sizeof outcome, "%s%s", row->outcome,
                   row->decision != CATALOGUE_UNDECIDED ? "*" : "");
    append_number_or_blank(out, (uint32_t)row->frame.burst, 5);
    append_number_or_blank(out, row->choice.pass, 6);
    append_number_or_blank(out, row->choice.rank, 6);
    str_printf(out, "  %7s  %7s  %-7s  %-13s  %-12s  ", blur, edge, outcome,
               rank_reason_token(text_reason(row)), clock);
    text_append_name(out, text_path(row));
    str_append_char(out, '\n');
}
