/*
 * lesson.h - what a session teaches, worked out per set-up. Private to report.
 *
 *     lesson_fit.c     one pass: speed, and when its blur was least (pure)
 *     lesson_load.c    the session's passes, bursts and set-ups out of the catalogue
 *     lesson_aid.c     what tells the scale of a set-up: focus aids, sensors
 *     lesson_setup.c   what the passes of one set-up have in common
 *     lesson_zone.c    the sharp zone: what the optics promised, and what was measured
 *     lesson_words.c   the advice, each with its numbers and its sample
 *     lesson_rates.c   what was kept, and what blurred, by shutter time and the like
 *     lesson_write.c, lesson_json.c, lesson_page.c   the three ways to show it
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

enum {
    LESSON_BURST_FRAMES = 5, /* fewer are not ranked: single frames, of which nothing is learnt here */
    LESSON_LEAST_PASSES = 3, /* for advice: fewer are no habit */
    LESSON_PASS_FRAMES = 5   /* whole ones: with fewer it may be glitter, or a mirror image at the edge */
};

struct lesson_sample {
    double t_s, x, y;      /* centre of the subject */
    double blur_px, sd_px; /* NaN = not known */
    bool whole;            /* not cut, not hidden, not at rest */
};

/* Why no place of the plane of focus is told. */
enum lesson_place { LESSON_PLACED, LESSON_TOO_FEW, LESSON_NO_LEAST, LESSON_UNSURE, LESSON_NO_FLIGHT };

struct lesson_fit {
    bool has_speed;
    double vx, vy;  /* px/s, where the blur was least, else in the middle of the pass */
    double speed;   /* px/s */
    bool crosses;   /* its blur has a least value within the pass */
    bool has_plane; /* and its place is sure enough to be told of this pass alone */
    enum lesson_place place;
    double at_s, at_sd_s;
    double x, y;    /* of the subject at that time */
    double sd_px;   /* error of the place along the flight */
    double least;   /* blur^2 there */
    double rate;    /* focus blur grows by this many px a second on either side */
    double sharp_s; /* time with a blur below LESSON_SHARP_PX; 0 = none */
};
/* Pure. `fit` is zeroed where nothing can be said. */
void lesson_fit_pass(const struct lesson_sample *sample, size_t n, struct lesson_fit *fit);

/* It flies, or is seen whole often enough: not glitter, nor a mirror image at the edge. */
static inline bool lesson_trusts(const struct lesson_fit *fit, uint32_t whole)
{
    return fit->has_speed || whole >= LESSON_PASS_FRAMES;
}

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
    bool trusted;              /* counts in what is advised */
    double missed_s;           /* there in the first frame: since it came over the edge; NaN = not known */
    uint32_t cut, side[4];     /* frames in which the edge cuts it, as LESSON_LEFT ... */
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
    uint32_t width, height; /* upright */
    bool has_hour;
    int hour;
    double exposure_s, iso, f_number, focal_mm, focus_m;
    int64_t empty_frame; /* a frame without a subject, 0 = none */
    int64_t any_frame;
    int orientation;
};

/* What is known of the scale of a set-up. */
struct lesson_aid {
    int64_t setup;
    double mm_per_px, error; /* at the plane of focus; error as a share of it */
    double x, y;             /* its middle, in the upright picture */
    const char *name;        /* NULL = the focus aid */
};

struct lesson {
    struct lesson_sample *sample;
    size_t n_samples, sample_room;
    struct lesson_pass *pass;
    size_t n_passes, pass_room;
    struct lesson_burst *burst;
    size_t n_bursts, burst_room;
    struct lesson_aid *aid;
    size_t n_aids;
    struct report_sensor *sensor; /* by the Exif, of set-up i */
    size_t n_sensors;
};
bool lesson_load(struct catalogue *c, struct lesson *lesson, struct err *err);
void lesson_release(struct lesson *lesson);
/* Both add to a loaded lesson. ERR_USAGE names what is wrong with a focus aid. */
bool lesson_add_aids(struct lesson *lesson, struct catalogue *c, const struct report_lesson_options *options,
                     struct err *err);
bool lesson_add_sensors(struct lesson *lesson, struct session *s, struct worker_pool *workers,
                        struct err *err);

/* ---- one set-up ---------------------------------------------------------------------------------------- */

/* Median, and the middle half of the values; NaN where there are none. */
struct lesson_middle {
    size_t n;
    double median, low, high;
};

struct lesson_plane {
    size_t n;                /* passes; the less sure of its place one is, the less it counts */
    double x, y, sd_x, sd_y; /* mean and spread of the places where blur was least */
    double error;            /* standard error of the mean, along the flights */
    bool has_line;           /* x = x + slope (y - mean y) */
    double slope;
    double middle_x, middle_y; /* of the flights */
    double dir_x, dir_y;       /* along the flights, unit, without sign */
    double move_px;            /* along it, to centre the plane on the flights */
};

struct lesson_setup {
    int64_t number;
    bool timed;
    size_t bursts, singles, empty; /* bursts: of LESSON_BURST_FRAMES or more; the others are singles */
    size_t frames, kept;
    size_t burst_frames, with_subject; /* of the bursts, without the singles */
    size_t passes, doubtful;           /* trusted ones, and the others */
    size_t pass_frames;                /* of the trusted ones */
    uint32_t width, height;
    struct lesson_plane plane;
    size_t cause[LESSON_CAUSES];
    struct lesson_middle speed;        /* px/s */
    struct lesson_middle rate;         /* growth of focus blur, px/s */
    struct lesson_middle growth;       /* the same, px a frame */
    struct lesson_middle sharp;        /* frames of a pass within the sharp zone, as ranking has it */
    struct lesson_middle entered;      /* frames before a subject came in */
    struct lesson_middle missed_s;     /* of those that were there in the first frame */
    size_t frames_sharp, frames_whole; /* of all its passes */
    double exposure_s;                 /* median */
    double fps;
    size_t at_start, at_end;
    size_t cut, side[LESSON_SIDES];
    uint64_t bytes;
    double focal_mm, f_number, focus_m; /* 0 = not known or not the same */
    struct report_sensor sensor;        /* by the Exif */
    const struct lesson_aid *aid;       /* NULL = none */
};
/* Set-up number `setup` of the lesson; false where it has no burst. */
bool lesson_setup_make(const struct lesson *lesson, int64_t setup, struct lesson_setup *out, struct err *err);
const struct lesson_burst *lesson_burst_of(const struct lesson *lesson, const struct lesson_pass *pass);
bool lesson_is_of(const struct lesson *lesson, const struct lesson_pass *pass, int64_t setup);
/* Sorts. */
struct lesson_middle lesson_middle_of(double *value, size_t n);

/* The sharp zone by two measures: the circle of confusion that is usual for the sensor, and the blur up to
   which ranking calls a subject sharp. */
struct lesson_limit {
    double coc_mm, coc_px;         /* disc of a point at the limit */
    double blur_px;                /* of a subject there */
    double depth_mm, frames;       /* by the optics: of the zone, and of a pass in it */
    struct lesson_middle measured; /* frames of a pass up to that blur */
};
struct lesson_zone {         /* NaN = not known */
    double mm_per_px;        /* at the plane of focus: by the focus aid, else by the optics */
    double optics_mm_per_px; /* by the optics */
    double distance_mm;      /* of the plane of focus */
    bool distance_by_aid;
    double across_mps, along_mps; /* speed across the view, and towards or away from the camera */
    struct lesson_limit optics, ranking;
};
bool lesson_zone_make(const struct lesson *lesson, const struct lesson_setup *setup,
                      const struct report_lesson_options *options, struct lesson_zone *zone, struct err *err);

enum { LESSON_ADVICE = 8 };
enum lesson_topic {
    LESSON_PLANE_ADVICE,
    LESSON_ZONE_ADVICE,
    LESSON_SPEED_ADVICE,
    LESSON_CAUSE_ADVICE,
    LESSON_CUT_ADVICE,
    LESSON_TRIGGER_ADVICE,
    LESSON_LENGTH_ADVICE,
    LESSON_KEEPERS_ADVICE
};

struct lesson_advice {
    const char *topic; /* "plane", "sharp-zone", "speed", "cause", "cut", "trigger", "length", "keepers" */
    size_t n;
    char of[80]; /* what the sample counts, for n of them */
    bool enough; /* else text says what is missing, and no number of this topic is worth telling */
    char text[1200];
};
/* What the advice of a set-up rests on, and what it lacks. */
enum { LESSON_NOTES = 8 };
struct lesson_notes {
    size_t n;
    char text[LESSON_NOTES][320];
};
void lesson_note(const struct lesson_setup *setup, const struct lesson_zone *zone,
                 struct lesson_notes *notes);

/* LESSON_ADVICE pieces. */
void lesson_advise(const struct lesson_setup *setup, const struct lesson_zone *zone,
                   const struct report_lesson_options *options, struct lesson_advice advice[LESSON_ADVICE]);

/* Keeper rates: rows of one key. */
enum lesson_key { LESSON_BY_BURST, LESSON_BY_HOUR, LESSON_BY_SHUTTER, LESSON_BY_ISO };
struct lesson_rate {
    double key; /* NaN = not known */
    uint32_t frames, kept;
};
/* In order of the key; malloc'ed. */
bool lesson_rates(const struct lesson *lesson, int64_t setup, enum lesson_key key, struct lesson_rate **rate,
                  size_t *n, struct err *err);
/* What blurred at each shutter time. Bursts whose frames differ in it are under NaN. */
struct lesson_shutter {
    double exposure_s;
    size_t passes;
    struct lesson_middle speed;    /* px/s */
    struct lesson_middle measured; /* blur of the whole frames, px */
    struct lesson_middle least;    /* blur in the plane of focus, px */
};
bool lesson_shutters(const struct lesson *lesson, int64_t setup, struct lesson_shutter **shutter, size_t *n,
                     struct err *err);
void lesson_key_text(enum lesson_key key, double value, char out[40]);

/* ---- showing it ---------------------------------------------------------------------------------------- */

/* Calls `visit` for each set-up that there is, or for the one that was asked for. Set-up 0: bursts of which
   ranking has not said where they were taken. */
typedef bool lesson_visit(void *context, const struct lesson *lesson, const struct lesson_setup *setup,
                          const struct lesson_zone *zone, struct err *err);
bool lesson_each_setup(const struct lesson *lesson, const struct report_lesson_options *options,
                       lesson_visit *visit, void *context, struct err *err);

/* "focus"; why no place is told of a pass, NULL where one is. */
const char *lesson_cause_name(enum lesson_cause cause);
const char *lesson_place_reason(const struct lesson_pass *pass);
/* Its topic for people. */
const char *lesson_topic_words(const char *topic);
/* "3 bursts, 1 frame, 2 passes" */
void lesson_counts(struct str *out, size_t bursts, size_t frames, size_t passes);

bool lesson_write_text(const struct lesson *lesson, const struct report_lesson_options *options,
                       const char *name, struct str *out, struct err *err);
bool lesson_write_json(const struct lesson *lesson, const struct report_lesson_options *options,
                       const char *name, struct str *out, struct err *err);
bool lesson_write_page(const struct lesson *lesson, const struct report_lesson_options *options,
                       const char *name, const struct report_crops *crops, struct str *out, struct err *err);

#endif
