/* The contract that scripts read: columns stay as they are, new ones may only be added at the end. */
#include "list_rows.h"

#include <inttypes.h>

#include "text.h"

const char list_csv_frames_header[] =
    "burst,pass,frame,path,time,score,blur_px,rank,proposal,decision,outcome,reason,x,y,w,h\n";
const char list_csv_bursts_header[] =
    "burst,start,seconds,frames,passes,keep,reject,none,best_blur_px,good_to_px,setup,mode,perch,"
    "nothing_sharp,accepted\n";

static void append_positive(struct str *out, int64_t n)
{
    if (n > 0)
        str_printf(out, "%" PRId64, n);
    str_append_char(out, ',');
}

static void append_scores(struct str *out, const struct catalogue_row *row)
{
    if (text_has_subject(row))
        text_append_number(out, row->item.score, 6);
    str_append_char(out, ',');
    if (text_has_subject(row) && text_blur_known(&row->item))
        text_append_number(out, row->item.blur_px, 3);
    str_append_char(out, ',');
}

void list_csv_frame(struct str *out, const struct catalogue_row *row)
{
    char time[TEXT_TIME_SIZE];
    append_positive(out, row->frame.burst);
    append_positive(out, text_has_subject(row) ? row->choice.pass : 0);
    str_printf(out, "%" PRIu32 ",", row->frame.position + 1);
    text_append_csv(out, text_path(row));
    str_printf(out, ",%s,", text_time(time, &row->frame));
    append_scores(out, row);
    append_positive(out, row->choice.rank);
    str_printf(out, "%s,%s,%s,%s,", text_proposal(row), text_decision(row->decision), row->outcome,
               rank_reason_token(text_reason(row)));
    if (text_has_subject(row))
        str_printf(out, "%" PRIu32 ",%" PRIu32 ",%" PRIu32 ",%" PRIu32 "\n", row->item.x_px, row->item.y_px,
                   row->item.w_px, row->item.h_px);
    else
        str_append(out, ",,,\n");
}

void list_csv_burst(struct str *out, const struct burst_summary *b)
{
    const struct catalogue_frame first = {.has_time = b->has_time,
                                          .time_ns = b->start_ns,
                                          .subsec_digits = b->subsec_digits,
                                          .has_offset = b->has_offset,
                                          .offset_min = b->offset_min};
    char time[TEXT_TIME_SIZE];
    str_printf(out, "%" PRId64 ",%s,", b->number, text_time(time, &first));
    if (b->has_time)
        text_append_number(out, (double)(b->end_ns - b->start_ns) / 1e9, 3);
    str_printf(out, ",%" PRIu64 ",%" PRIu32 ",%" PRIu64 ",%" PRIu64 ",%" PRIu64 ",", b->frames, b->passes,
               b->keep, b->reject, b->none);
    text_append_number(out, b->best_blur_px, 3);
    str_append_char(out, ',');
    append_positive(out, b->good_to_px);
    append_positive(out, b->setup);
    str_printf(out, "%s,%s,%s,%s\n", b->mode, b->perch ? "yes" : "no", b->nothing_sharp ? "yes" : "no",
               b->accepted ? "yes" : "no");
}
