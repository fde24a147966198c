#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "lesson.h"
#include "sheet.h"

struct summary {
    size_t passes, birds, rests, nothing_kept, sharp, whole, frames_with_bird, planes, at_start;
    size_t cause[LESSON_CAUSES];
    double plane_x, flight_x; /* mean, as shares of the width */
    double speed;             /* mean of those known, px/s */
    size_t speeds;
    double exposure_s, clipped;
};

static void take_pass(const struct session_glimpse *b, uint32_t number, struct lesson_sample *sample,
                      struct summary *s)
{
    bool turned = b->orientation >= 5;
    double width = turned ? b->height_px : b->width_px;
    struct lesson_fit fit;
    struct summary seen = {0};
    uint32_t n_whole = 0;
    size_t n = 0;
    int64_t start_ns = b->scores.n > 0 ? b->scores.item[0].time_ns : 0;
    for (size_t i = 0; i < b->scores.n; i++) {
        const struct rank_item *item = &b->scores.item[i];
        if (item->pass != number)
            continue;
        const struct sheet_box stored = {item->x_px, item->y_px, item->w_px, item->h_px};
        struct sheet_box box = sheet_upright(stored, b->width_px, b->height_px, b->orientation);
        bool known = (item->flags & RANK_F_NO_BLUR) == 0 && !isnan(item->blur_px);
        bool whole = (item->flags & (RANK_F_CUT | RANK_F_HIDDEN | RANK_F_AT_REST)) == 0;
        sample[n++] =
            (struct lesson_sample){.t_s = (double)(item->time_ns - start_ns) / 1e9,
                                   .x = box.x + box.w / 2.0,
                                   .y = box.y + box.h / 2.0,
                                   .blur_px = known ? item->blur_px : NAN,
                                   .sd_px = known ? (item->blur_high_px - item->blur_low_px) / 2 : NAN,
                                   .whole = whole};
        n_whole += whole;
        seen.sharp += whole && known && item->blur_px <= LESSON_SHARP_PX;
        seen.at_start += item->frame == 0;
    }
    lesson_fit_pass(sample, n, &fit);
    if (n == 0 || !lesson_trusts(&fit, n_whole))
        return;
    s->frames_with_bird += n;
    s->whole += n_whole;
    s->sharp += seen.sharp;
    s->at_start += seen.at_start;
    fit.has_speed = fit.has_speed && b->has_time;
    s->passes++;
    s->cause[lesson_cause_of(sample, n, &fit, b->exposure_s)]++;
    if (fit.has_plane) {
        s->planes++;
        s->plane_x += fit.x / width;
        s->flight_x += (sample[0].x + sample[n - 1].x) / 2 / width;
    }
    if (fit.has_speed) {
        s->speeds++;
        s->speed += fit.speed;
    }
}

/* Would the engine keep a frame of it? Single frames that look sharp beside soft neighbours do not count. */
static bool keeps_one(const struct session_glimpse *b, bool *keeps, struct err *err)
{
    const struct rank_burst burst = {b->rests ? SUBJECT_IN_PLACE : SUBJECT_MOVING, b->rests};
    const struct rank_options options = {.keep = 1};
    struct rank_frame *frame = calloc(b->n_frames + 1, sizeof *frame);
    if (frame == NULL)
        return err_nomem(err);
    for (size_t i = 0; i < b->n_frames; i++)
        frame[i].measured = true;
    for (size_t i = 0; i < b->scores.n; i++)
        frame[b->scores.item[i].frame].time_ns = b->scores.item[i].time_ns;
    bool ok = rank_choose(&burst, b->scores.item, b->scores.n, frame, b->n_frames, &options, err);
    *keeps = false;
    for (size_t i = 0; ok && i < b->n_frames; i++)
        *keeps = *keeps || frame[i].proposal == RANK_KEEP;
    free(frame);
    return ok;
}

static bool sum_up(const struct session_glance *glance, struct summary *s, struct err *err)
{
    for (size_t i = 0; i < glance->n; i++) {
        const struct session_glimpse *b = &glance->burst[i];
        struct lesson_sample *sample = calloc(b->scores.n + 1, sizeof *sample);
        if (sample == NULL)
            return err_nomem(err);
        size_t before = s->passes;
        for (uint32_t pass = 1; pass <= b->n_passes; pass++)
            take_pass(b, pass, sample, s);
        free(sample);
        bool keeps = true;
        if (s->passes > before && !keeps_one(b, &keeps, err))
            return false;
        s->nothing_kept += !keeps;
        s->birds += s->passes > before;
        s->rests += b->rests;
        s->clipped += b->clipped / (double)glance->n;
        s->exposure_s = b->exposure_s;
    }
    return true;
}

static const char *side_of(double x)
{
    return x < 0.4 ? "left" : x > 0.6 ? "right" : "middle";
}

static void write_lines(struct str *out, const struct session_glance *glance, const struct summary *s)
{
    str_printf(out, "birds           %zu pass%s in %zu of %zu bursts%s\n", s->passes,
               s->passes == 1 ? "" : "es", s->birds, glance->n, s->rests > 0 ? ", some at rest" : "");
    str_printf(out, "sharp zone      %zu of %zu frames with a bird\n", s->sharp, s->frames_with_bird);
    if (s->planes > 0)
        str_printf(
            out,
            "plane of focus  %s: %.0f %% of the width, the flights are centred at %.0f %% (%zu pass%s)\n",
            side_of(s->plane_x / (double)s->planes), 100 * s->plane_x / (double)s->planes,
            100 * s->flight_x / (double)s->planes, s->planes, s->planes == 1 ? "" : "es");
    else
        str_append(out, "plane of focus  not enough data\n");
    str_printf(out, "focus or motion focus %zu, motion %zu, neither %zu, not clear %zu\n",
               s->cause[LESSON_FOCUS], s->cause[LESSON_MOTION], s->cause[LESSON_NEITHER],
               s->cause[LESSON_UNKNOWN]);
    str_printf(out, "clipped         %.1f %% of the picture\n", 100 * s->clipped);
}

/* The first thing that would help most. */
static void write_sentence(struct str *out, const struct summary *s)
{
    double off = s->planes > 0 ? (s->plane_x - s->flight_x) / (double)s->planes : 0;
    size_t clear = s->cause[LESSON_FOCUS] + s->cause[LESSON_MOTION] + s->cause[LESSON_NEITHER];
    if (s->passes == 0)
        str_append(out, "No bird was caught: look at the trigger, or turn pre-capture on.\n");
    else if (s->clipped > 0.05)
        str_append(out, "Expose less: much of the picture is clipped.\n");
    else if (s->at_start * 2 > s->passes)
        str_append(out, "Press earlier, or turn pre-capture on: the birds are there in the first frame.\n");
    else if (clear > 0 && s->cause[LESSON_NEITHER] * 2 > clear)
        str_append(out, "Look at the glass and the focus ring: it is soft even in the plane of focus.\n");
    else if (clear > 0 && s->cause[LESSON_MOTION] * 2 > clear && s->speeds > 0)
        str_printf(out, "Use a shorter shutter time, about 1/%.0f s.\n",
                   s->speed / (double)s->speeds / LESSON_LINE_PX);
    else if (s->sharp * 8 < s->frames_with_bird || s->nothing_kept * 2 > s->birds)
        str_append(out, "Hardly a frame was sharp: the birds pass before or behind the plane of focus, focus "
                        "anew on their "
                        "path.\n");
    else if (s->planes == 0 && s->sharp * 3 < s->whole)
        str_append(out,
                   "Few frames were sharp, and no bird was seen to cross the plane of focus: focus anew on "
                   "their path.\n");
    else if (fabs(off) > 0.08)
        str_printf(out, "Move the focus aid to the %s, by about %.0f %% of the width.\n",
                   off > 0 ? "left" : "right", 100 * fabs(off));
    else
        str_append(out, "Change nothing.\n");
}

bool report_glance(const struct session_glance *glance, struct str *out, struct err *err)
{
    struct summary s = {0};
    if (!sum_up(glance, &s, err))
        return false;
    write_lines(out, glance, &s);
    write_sentence(out, &s);
    return str_ok(out, err);
}
