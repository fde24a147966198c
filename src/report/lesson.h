/*
 * lesson.h - what a session teaches, worked out per set-up. Private to report.
 *
 *     lesson_fit.c     one pass: speed, and when its blur was least (pure)
 *     lesson_load.c    the session's passes, bursts and set-ups out of the catalogue
 *     lesson_setup.c   what the passes of one set-up have in common
 *     lesson_words.c   the advice, each with its numbers and its sample
 *     lesson_json.c, lesson_page.c   the other two ways to show it
 *
 * Positions are those of the upright picture. All blur is a Gaussian-equivalent radius in px of the full-size
 * picture; its square is a variance, so what causes it adds up: blur^2 = best^2 + motion^2 + focus^2. A line
 * of length n, the way of the subject during the exposure, has n^2/12 along it and none across: n^2/24 on the
 * mean of both axes. A disc of diameter d has d^2/16 (variance of a uniform line and of a uniform disc).
 */
#ifndef CHAFFINCH_REPORT_LESSON_H
#define CHAFFINCH_REPORT_LESSON_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chaffinch/report.h"

#define LESSON_BEST_PX 0.58 /* sqrt(1/3): what pixels, lens and demosaicing leave of a perfect point */
#define LESSON_SHARP_PX 2.2 /* a subject counts as sharp up to here, as ranking has it */
#define LESSON_LINE_PX 2.0  /* motion during the exposure that nobody sees */

struct lesson_sample {
    double t_s, x, y;      /* centre of the subject */
    double blur_px, sd_px; /* NaN = not known */
    bool whole;            /* not cut, not hidden, not at rest */
};

struct lesson_fit {
    bool has_speed;
    double vx, vy;  /* px/s, where the blur was least, else in the middle of the pass */
    double speed;   /* px/s */
    bool crosses;   /* its blur has a least value within the pass */
    bool has_plane; /* the blur has a least within the pass that the errors do not explain away */
    double at_s, at_sd_s;
    double x, y;    /* of the subject at that time */
    double sd_px;   /* error of the place along the flight */
    double least;   /* blur^2 there */
    double rate;    /* focus blur grows by this many px a second on either side */
    double sharp_s; /* time with a blur below LESSON_SHARP_PX; 0 = none */
};
/* Pure. `fit` is zeroed where nothing can be said. */
void lesson_fit_pass(const struct lesson_sample *sample, size_t n, struct lesson_fit *fit);

enum lesson_cause { LESSON_UNKNOWN, LESSON_FOCUS, LESSON_MOTION, LESSON_NEITHER, LESSON_CAUSES };
/* What costs the frames of a pass: over its whole frames, the share of the blur^2 beyond the best that the
   motion makes, against what the distance from the plane of focus makes. UNKNOWN where neither is clear
   (less than twice the other), or too few frames. */
enum lesson_cause lesson_cause_of(const struct lesson_sample *sample, size_t n, const struct lesson_fit *fit,
                                  double exposure_s);
double lesson_motion_var(double speed, double exposure_s); /* of blur^2 */

struct lesson_pass {
    int64_t burst;
    uint32_t pass;
    size_t first, n; /* samples */
    double exposure_s;
    uint32_t sharp, whole;     /* frames */
    bool at_start, at_end;     /* there already in the burst's first frame, still there in its last */
    uint32_t entered;          /* frames of the burst before it */
    double middle_x, middle_y; /* of its way through the picture */
    struct lesson_fit fit;
    enum lesson_cause cause;
};

enum { LESSON_LEFT, LESSON_RIGHT, LESSON_TOP, LESSON_BOTTOM, LESSON_SIDES };

struct lesson_burst {
    int64_t number, setup;
    uint32_t n_frames, n_passes, with_subject, kept;
    bool perch, timed; /* timed: the Exif tells when */
    double fps;        /* NaN = not known */
    uint64_t bytes;
    uint32_t width, height;           /* upright */
    uint32_t cut, side[LESSON_SIDES]; /* frames in which the edge cuts the subject */
    bool has_hour;
    int hour;
    double exposure_s, iso, f_number, focal_mm, focus_m;
    int64_t empty_frame; /* a frame without a subject, 0 = none */
    int64_t any_frame;
    int orientation;
};

struct lesson {
    struct lesson_sample *sample;
    size_t n_samples, sample_room;
    struct lesson_pass *pass;
    size_t n_passes, pass_room;
    struct lesson_burst *burst;
    size_t n_bursts, burst_room;
};
bool lesson_load(struct catalogue *c, struct lesson *lesson, struct err *err);
void lesson_release(struct lesson *lesson);

/* ---- one set-up ---------------------------------------------------------------------------------------- */

struct lesson_plane {
    size_t n;                /* passes */
    double x, y, sd_x, sd_y; /* mean and spread of the places where blur was least */
    double error;            /* standard error of the mean along x */
    bool has_line;           /* x = x + slope (y - mean y) */
    double slope;
    double middle_x, middle_y; /* of the flights */
    double dir_x, dir_y;       /* along the flights, unit, without sign */
    double move_px;            /* along it, to centre the plane on the flights; 0 where it is centred */
};

enum { LESSON_TABLES = 4, LESSON_ADVICE = 8 };

struct lesson_setup {
    int64_t number;
    const struct lesson_burst *burst; /* of this set-up lie between others: see `setup` */
    bool timed;
    size_t bursts, empty, frames, kept, with_subject, passes;
    uint32_t width, height;
    struct lesson_plane plane;
    size_t cause[LESSON_CAUSES];
    size_t n_speed;
    double speed, speed_low, speed_high; /* px/s: median, and the middle half */
    double exposure_s;                   /* median */
    double fps;
    size_t n_sharp;
    size_t frames_sharp, frames_whole;   /* of all its passes */
    double sharp, sharp_low, sharp_high; /* frames a pass within the sharp zone */
    size_t at_start, at_end;
    double entered; /* median frames before a subject entered */
    size_t cut, side[LESSON_SIDES];
    uint64_t bytes;
    double focal_mm, f_number, focus_m; /* 0 = not known or not the same */
};
/* Set-up number `setup` of the lesson; false where it has no burst. */
bool lesson_setup_make(const struct lesson *lesson, int64_t setup, struct lesson_setup *out, struct err *err);

struct lesson_advice {
    const char *topic; /* "plane", "sharp-zone", "speed", "cause", "cut", "trigger", "length", "keepers" */
    size_t n;
    const char *of; /* what the sample counts */
    bool enough;
    char text[700];
};
/* LESSON_ADVICE pieces. */
void lesson_advise(const struct lesson_setup *setup, const struct report_lesson_options *options,
                   struct lesson_advice advice[LESSON_ADVICE]);

/* Keeper rates: rows of one key. */
enum lesson_key { LESSON_BY_BURST, LESSON_BY_HOUR, LESSON_BY_SHUTTER, LESSON_BY_ISO };
struct lesson_rate {
    double key; /* NaN = not known */
    uint32_t frames, kept;
};
/* In order of the key; malloc'ed. */
bool lesson_rates(const struct lesson *lesson, int64_t setup, enum lesson_key key, struct lesson_rate **rate,
                  size_t *n, struct err *err);
void lesson_key_text(enum lesson_key key, double value, char out[40]);

/* ---- showing it ---------------------------------------------------------------------------------------- */

bool lesson_write_text(const struct lesson *lesson, const struct report_lesson_options *options,
                       const char *name, struct str *out, struct err *err);
bool lesson_write_json(const struct lesson *lesson, const struct report_lesson_options *options,
                       const char *name, struct str *out, struct err *err);
bool lesson_write_page(const struct lesson *lesson, const struct report_lesson_options *options,
                       const char *name, const struct report_crops *crops, struct str *out, struct err *err);

#endif
