/* table.c - what the bench found, for people and for scripts. */
#include "table.h"

#include <math.h>
#include <string.h>

static const struct {
    const char *token, *text, *target;
    int digits;
} title[MARKS] = {
    [MARK_HIT] = {"hit", "top frame among the best three", ">= .95", 3},
    [MARK_REGRET] = {"regret_px", "blur regret of the top frame, px", "<= .015", 3},
    [MARK_RHO] = {"rho", "rank correlation", ">= .95", 3},
    [MARK_IOU_MOVING] = {"iou_moving", "box overlap, flying", ">= .88", 3},
    [MARK_IOU_ALL] = {"iou_all", "box overlap, all", ">= .86", 3},
    [MARK_KEPT_EMPTY] = {"kept_empty", "kept frames that are empty", "<= .002", 4},
    [MARK_KEPT_CUT] = {"kept_cut", "kept frames that are cut", "<= .005", 4},
    [MARK_KEPT_LANDED] = {"kept_landed", "kept at rest while sharper ones fly", "<= .02", 4},
    [MARK_NEVER_KEPT] = {"never_kept", "never-sharp bursts that kept", "<= .05", 3},
    [MARK_SHARP_NOTHING] = {"sharp_nothing", "sharp bursts that kept nothing", "<= .01", 3},
    [MARK_LOST] = {"lost", "complete frames called no-subject", "<= .001", 4},
    [MARK_HOVER_REST] = {"hover_rest", "hover frames called at rest", "<= .02", 3},
    [MARK_ARRIVED] = {"arrived", "arrivals that keep one each", ">= .95", 3},
    [MARK_SETUP] = {"setup", "camera positions told apart", "", 3},
    [MARK_HEAD_REGRET] = {"head_regret_px", "head regret of tilted birds, px", "<= .05", 3},
    [MARK_VL_HIT] = {"vl_hit", "whole frame, Laplacian: hit", "", 3},
    [MARK_VL_REGRET] = {"vl_regret_px", "  regret, px", "", 3},
    [MARK_VL_RHO] = {"vl_rho", "  rank correlation", "", 3},
    [MARK_TG_HIT] = {"tg_hit", "whole frame, Tenengrad: hit", "", 3},
    [MARK_TG_REGRET] = {"tg_regret_px", "  regret, px", "", 3},
    [MARK_TG_RHO] = {"tg_rho", "  rank correlation", "", 3},
};

/* ".95" instead of "0.95": the columns are narrow. */
static const char *slim(double v, int digits, char *text, size_t room)
{
    char full[32];
    if (isnan(v))
        return "-";
    snprintf(full, sizeof full, "%.*f", digits, v);
    bool minus = full[0] == '-';
    const char *from = full + minus;
    snprintf(text, room, "%s%s", minus ? "-" : "", from[0] == '0' && from[1] == '.' ? from + 1 : from);
    return text;
}

static void cell(FILE *out, struct estimate e, int digits)
{
    char a[16], b[16];
    if (isnan(e.value))
        fprintf(out, "  %4s %5s", "-", "");
    else
        fprintf(out, "  %4s %s%-4s", slim(e.value, digits, a, sizeof a), isnan(e.error) ? " " : "±",
                isnan(e.error) ? "" : slim(e.error, digits, b, sizeof b));
}

/* What goes wrong is named behind the line, with how often. */
static const struct {
    enum mark mark;
    const char *text;
    bool good; /* the mark counts what is right */
} faults[] = {
    {MARK_LOST, "lost", false},
    {MARK_SHARP_NOTHING, "kept nothing", false},
    {MARK_NEVER_KEPT, "kept soft", false},
    {MARK_KEPT_EMPTY, "empty", false},
    {MARK_KEPT_CUT, "cut", false},
    {MARK_KEPT_LANDED, "landed", false},
    {MARK_HOVER_REST, "at rest", false},
    {MARK_ARRIVED, "left out", true},
    {MARK_SETUP, "set-up", true},
};

static size_t misses_of(const struct marks *m, size_t n, enum miss why)
{
    size_t sum = 0;
    for (size_t i = 0; i < n; i++)
        sum += m[i].miss[why];
    return sum;
}

static const char *const miss_text[MISSES] = {"not found",  "wrong region", "ruled out",
                                              "incomplete", "smaller pose", "order"};

static void row_line(FILE *out, const struct table_row *row)
{
    static const enum mark shown[] = {MARK_HIT,     MARK_REGRET, MARK_RHO,
                                      MARK_IOU_ALL, MARK_VL_HIT, MARK_TG_HIT};
    fprintf(out, "%-11s %3zu", row->name, row->n);
    for (size_t k = 0; k < sizeof shown / sizeof shown[0]; k++)
        cell(out, marks_mean(row->marks, row->n, shown[k]), 2);
    cell(out, marks_blur_error(row->marks, row->n, 0.5), 2);
    double decoded = 0;
    int bursts = 0;
    for (size_t i = 0; i < row->n; i++) {
        decoded += row->marks[i].decoded;
        bursts += row->marks[i].decoded_bursts;
    }
    if (bursts > 0)
        fprintf(out, "  decoded %.2f", decoded / bursts);
    for (size_t k = 0; k < sizeof faults / sizeof faults[0]; k++) {
        struct estimate e = marks_mean(row->marks, row->n, faults[k].mark);
        double bad = faults[k].good ? e.weight * (1 - e.value) : e.weight * e.value;
        if (bad > 0.5)
            fprintf(out, "  %s %.0f/%.0f", faults[k].text, bad, e.weight);
    }
    for (int k = 0; k < MISSES; k++) {
        size_t missed = misses_of(row->marks, row->n, (enum miss)k);
        if (missed > 0)
            fprintf(out, "  miss: %s %zu", miss_text[k], missed);
    }
    fprintf(out, "\n");
}

static void totals(FILE *out, const struct marks *all, size_t n)
{
    char a[32], b[32];
    fprintf(out, "\n%-38s %8s %8s %8s  %s\n", "all conditions", "value", "± s.e.", "of", "target");
    for (int k = 0; k < MARKS; k++) {
        struct estimate e = marks_mean(all, n, (enum mark)k);
        fprintf(out, "%-38s %8s %8s %8.0f  %s\n", title[k].text, slim(e.value, title[k].digits, a, sizeof a),
                slim(e.error, title[k].digits, b, sizeof b), e.weight, title[k].target);
    }
    for (int p90 = 0; p90 < 2; p90++) {
        struct estimate e = marks_blur_error(all, n, p90 ? 0.9 : 0.5);
        fprintf(out, "%-38s %8s %8s %8.0f  %s\n",
                p90 ? "  90th percentile" : "relative error of blur, median", slim(e.value, 3, a, sizeof a),
                slim(e.error, 3, b, sizeof b), e.weight, p90 ? "<= .40" : "<= .15");
    }
}

static void print_misses(FILE *out, const struct marks *all, size_t n)
{
    fprintf(out, "\npasses missed for:");
    for (int k = 0; k < MISSES; k++)
        fprintf(out, "%s %s %zu", k > 0 ? "," : "", miss_text[k], misses_of(all, n, (enum miss)k));
    fprintf(out, "\n");
}

/* Where not all frames were decoded: is the top of each pass still the top? */
static void print_tops(FILE *out, const struct marks *all, size_t n)
{
    int tops = 0, same = 0;
    double fast = 0, full = 0;
    for (size_t i = 0; i < n; i++) {
        tops += all[i].tops;
        same += all[i].same_tops;
        fast += all[i].decodes_fast;
        full += all[i].decodes_all;
    }
    if (tops > 0 && full > 0)
        fprintf(out,
                "\ntop frames that stay when not all frames are decoded: %d of %d (%.3f), with %.2f of the "
                "decodes\n",
                same, tops, (double)same / tops, fast / full);
}

void table_print(FILE *out, const struct table_row *row, size_t rows, const struct marks *all, size_t n)
{
    double seconds = 0;
    fprintf(out, "%-11s %3s  %-11s  %-11s  %-11s  %-11s  %-11s  %-11s  %-11s\n", "condition", "n", "hit",
            "regret px", "rho", "box overlap", "whole VL", "whole TG", "blur error");
    for (size_t i = 0; i < rows; i++)
        row_line(out, &row[i]);
    totals(out, all, n);
    for (size_t i = 0; i < n; i++)
        seconds += all[i].engine_s;
    print_misses(out, all, n);
    print_tops(out, all, n);
    fprintf(out, "\n%.1f s of processor time for finding, scoring and choosing in %zu bursts\n", seconds, n);
}

static void csv_lines(FILE *out, const char *name, const struct marks *m, size_t n)
{
    for (int k = 0; k < MARKS; k++) {
        struct estimate e = marks_mean(m, n, (enum mark)k);
        if (!isnan(e.value))
            fprintf(out, "%s,%s,%.6g,%.6g,%.0f\n", name, title[k].token, e.value, e.error, e.weight);
    }
    for (int p90 = 0; p90 < 2; p90++) {
        struct estimate e = marks_blur_error(m, n, p90 ? 0.9 : 0.5);
        if (!isnan(e.value))
            fprintf(out, "%s,%s,%.6g,%.6g,%.0f\n", name, p90 ? "blur_error_p90" : "blur_error_median",
                    e.value, e.error, e.weight);
    }
}

void table_csv(FILE *out, const struct table_row *row, size_t rows, const struct marks *all, size_t n)
{
    fprintf(out, "condition,metric,value,standard_error,weight\n");
    for (size_t i = 0; i < rows; i++)
        csv_lines(out, row[i].name, row[i].marks, row[i].n);
    csv_lines(out, "all", all, n);
}
