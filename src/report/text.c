#include "text.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/frame.h"

/* Through integers, since printf's %f asks the locale for its point. */
char *text_number(char out[TEXT_NUMBER_SIZE], double value, int decimals)
{
    static const long long powers[] = {1, 10, 100, 1000, 10000, 100000, 1000000};
    long long power = powers[decimals];
    out[0] = '\0';
    if (!isfinite(value) || fabs(value) * (double)power > 9e17)
        return out;
    long long scaled = llround(value * (double)power), whole = llabs(scaled) / power;
    size_t n = (size_t)snprintf(out, TEXT_NUMBER_SIZE, "%s%lld", scaled < 0 ? "-" : "", whole);
    long long rest = llabs(scaled) % power;
    if (decimals > 0)
        out[n++] = '.';
    for (int d = decimals - 1; d >= 0; d--, n++)
        out[n] = (char)('0' + rest / powers[d] % 10);
    out[n] = '\0';
    return out;
}

void text_append_number(struct str *s, double value, int decimals)
{
    char number[TEXT_NUMBER_SIZE];
    str_append(s, text_number(number, value, decimals));
}

void text_append_csv(struct str *s, const char *text)
{
    if (strpbrk(text, ",\"\r\n") == NULL) {
        str_append(s, text);
        return;
    }
    str_append_char(s, '"');
    for (; *text != '\0'; text++) {
        if (*text == '"')
            str_append_char(s, '"');
        str_append_char(s, *text);
    }
    str_append_char(s, '"');
}

void text_append_name(struct str *s, const char *name)
{
    size_t room = strlen(name) * 4 + 8;
    char *safe = malloc(room);
    if (safe == NULL) {
        s->failed = true;
        return;
    }
    str_append_char(s, '\'');
    str_append(s, err_escape(safe, room, name));
    str_append_char(s, '\'');
    free(safe);
}

void text_append_count(struct str *s, uint64_t n, const char *noun)
{
    str_printf(s, "%llu %s%s", (unsigned long long)n, noun, n == 1 ? "" : "s");
}

char *text_time(char out[TEXT_TIME_SIZE], const struct catalogue_frame *frame)
{
    out[0] = '\0';
    if (frame->has_time)
        frame_time_format(frame->time_ns, frame->subsec_digits, frame->has_offset, frame->offset_min, out);
    return out;
}

char *text_date(char out[TEXT_TIME_SIZE], int64_t time_ns)
{
    frame_time_format(time_ns, 0, false, 0, out);
    out[strcspn(out, "T")] = '\0';
    return out;
}

char *text_clock(char out[TEXT_TIME_SIZE], int64_t time_ns, int digits)
{
    char whole[TEXT_TIME_SIZE];
    frame_time_format(time_ns, digits, false, 0, whole);
    const char *t = strchr(whole, 'T');
    (void)snprintf(out, TEXT_TIME_SIZE, "%s", t != NULL ? t + 1 : whole);
    return out;
}

const char *text_proposal(const struct catalogue_row *row)
{
    return row->choice.proposal[0] != '\0' ? row->choice.proposal : rank_proposal_token(RANK_NONE);
}

enum rank_reason text_reason(const struct catalogue_row *row)
{
    enum rank_reason reason = rank_reason_of_token(row->choice.reason);
    if (row->choice.proposal[0] != '\0' && reason != RANK_REASONS)
        return reason;
    if (strcmp(row->frame.state, "unreadable") == 0)
        return RANK_UNREADABLE;
    return strcmp(row->frame.state, "format") == 0 ? RANK_FORMAT : RANK_NOT_SCORED;
}

const char *text_decision(enum catalogue_decision decision)
{
    return decision == CATALOGUE_KEEP ? "keep" : decision == CATALOGUE_REJECT ? "reject" : "";
}

uint32_t text_long_edge(const struct catalogue_frame *frame)
{
    return frame->width_px > frame->height_px ? frame->width_px : frame->height_px;
}

bool text_has_subject(const struct catalogue_row *row)
{
    return row->has_item && row->item.w_px > 0 && row->item.h_px > 0;
}

bool text_blur_known(const struct catalogue_item *item)
{
    return (item->flags & RANK_F_NO_BLUR) == 0 && isfinite(item->blur_px);
}

const char *text_path(const struct catalogue_row *row)
{
    return row->path != NULL ? row->path : row->frame.name;
}

const char *text_leaf(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash != NULL ? slash + 1 : path;
}
