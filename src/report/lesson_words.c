#include "lesson.h"

#include <inttypes.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "chaffinch/field.h"
#include "chaffinch/log.h"

enum { LEAST_PASSES = 3, LEAST_BURSTS = 3, LEAST_FRAMES = 20 };

__attribute__((format(printf, 2, 3))) static void say(struct lesson_advice *a, const char *format, ...)
{
    size_t used = strlen(a->text);
    va_list args;
    va_start(args, format);
    (void)vsnprintf(a->text + used, sizeof a->text - used, format, args);
    va_end(args);
}

static struct lesson_advice begin(const char *topic, size_t n, const char *of, size_t least)
{
    struct lesson_advice a = {.topic = topic, .n = n, .of = of, .enough = n >= least};
    if (!a.enough)
        say(&a, "Not enough data: %zu %s, %zu are needed.", n, of, least);
    return a;
}

/* "160 px", "160 px (5.8 cm, give or take 0.6)". */
static void say_length(struct lesson_advice *a, double px, double error_px,
                       const struct report_lesson_options *o)
{
    if (o->mm_per_px > 0)
        say(a, "%.1f cm (give or take %.1f; %.0f px)", px * o->mm_per_px / 10,
            hypot(error_px, px * o->scale_error) * o->mm_per_px / 10, px);
    else
        say(a, "%.0f px (give or take %.0f)", px, error_px);
}

/* Where a move of (x, y) px in the picture leads. */
static void say_direction(struct lesson_advice *a, double x, double y, const struct report_lesson_options *o)
{
    const char *side = x < 0 ? o->left : o->right;
    if (fabs(x) >= fabs(y))
        say(a, "%s%s", side != NULL ? "towards " : "to the ", side != NULL ? side : x < 0 ? "left" : "right");
    else
        say(a, "%s", y < 0 ? "upwards" : "downwards");
}

static struct lesson_advice advise_plane(const struct lesson_setup *s, const struct report_lesson_options *o)
{
    const struct lesson_plane *p = &s->plane;
    struct lesson_advice a = begin("plane", p->n, "passes that crossed the plane of focus", LEAST_PASSES);
    if (!a.enough || s->width == 0)
        return a;
    say(&a,
        "The birds were sharpest at %.1f %% of the width (%.0f px of %" PRIu32
        ", standard error %.0f, spread %.0f) and %.1f %% of the height. Their flights are centred at %.1f "
        "%%. ",
        100 * p->x / s->width, p->x, s->width, p->error, p->sd_x, 100 * p->y / s->height,
        100 * p->middle_x / s->width);
    double error = hypot(p->error, p->sd_y / sqrt((double)p->n));
    if (fabs(p->move_px) < 2 * error || fabs(p->move_px) < 0.01 * s->width) {
        say(&a, "The plane of focus is centred on the flights within its error: leave the focus aid where it "
                "is.");
        return a;
    }
    say(&a, "To centre it, move the focus aid ");
    say_length(&a, fabs(p->move_px), error, o);
    say(&a, " ");
    say_direction(&a, p->move_px * p->dir_x, p->move_px * p->dir_y, o);
    say(&a, " along the flight and focus on it there.");
    return a;
}

/* What the optics say beforehand, where lens, sensor and distance are known. */
static bool ask_field(const struct lesson_setup *s, const struct report_lesson_options *o, double *mps,
                      struct field_answer *answer)
{
    struct field_setup f = field_setup_empty();
    struct err err = ERR_INIT;
    uint32_t long_edge = s->width > s->height ? s->width : s->height;
    double distance = o->distance_mm > 0 ? o->distance_mm : s->focus_m * 1000;
    char size[48];
    if (!(o->sensor_width_mm > 0) || !(s->focal_mm > 0) || !(s->f_number > 0) || !(distance > s->focal_mm))
        return false;
    (void)snprintf(size, sizeof size, "%.3fx%.3f", o->sensor_width_mm, o->sensor_width_mm * 2 / 3);
    if (!field_read_sensor("--sensor", size, &f.sensor, &err))
        return false;
    f.sensor.pitch_mm = o->sensor_width_mm / long_edge;
    *mps = s->speed * f.sensor.pitch_mm / field_magnification(s->focal_mm, distance) / 1000;
    f.focal_mm = s->focal_mm;
    f.f_number = s->f_number;
    f.distance_mm = distance;
    f.speed_mps = *mps;
    f.fps = s->fps > 0 ? s->fps : NAN;
    f.shutter_s = s->exposure_s > 0 ? s->exposure_s : NAN;
    return field_solve(&f, answer, &err);
}

static struct lesson_advice advise_zone(const struct lesson_setup *s, const struct report_lesson_options *o)
{
    struct lesson_advice a = begin("sharp-zone", s->n_sharp, "passes", LEAST_PASSES);
    struct field_answer answer;
    double mps;
    if (!a.enough)
        return a;
    say(&a,
        "A pass had %.0f frames inside the sharp zone (blur up to %.1f px), the middle half of the passes "
        "%.0f to "
        "%.0f. ",
        s->sharp, LESSON_SHARP_PX, s->sharp_low, s->sharp_high);
    if (ask_field(s, o, &mps, &answer))
        say(&a,
            "The optics give a sharp zone of %.0f mm; straight through it at this speed and %.0f frames a "
            "second "
            "are %.1f frames.",
            answer.depth_mm, s->fps, answer.frames_in_depth);
    else
        say(&a,
            "What the optics would give is not known: that needs focal length, aperture and distance, and "
            "--sensor.");
    if (s->sharp < 1)
        say(&a, " Most passes had none: a smaller aperture or more frames a second would help, if the light "
                "allows.");
    return a;
}

static void say_shutter(struct lesson_advice *a, double seconds)
{
    char text[FIELD_TEXT_SIZE];
    say(a, "%s", field_exposure_text(text, seconds));
}

static struct lesson_advice advise_speed(const struct lesson_setup *s, const struct report_lesson_options *o)
{
    struct lesson_advice a = begin("speed", s->n_speed, "passes whose speed is known", LEAST_PASSES);
    struct field_answer answer;
    double mps;
    if (!a.enough)
        return a;
    say(&a, "The birds crossed at %.0f px/s (the middle half of the passes: %.0f to %.0f)", s->speed,
        s->speed_low, s->speed_high);
    if (o->mm_per_px > 0)
        say(&a, ", %.1f m/s at the focus aid's distance", s->speed * o->mm_per_px / 1000);
    else if (ask_field(s, o, &mps, &answer))
        say(&a, ", %.1f m/s at the plane of focus", mps);
    if (!(s->exposure_s > 0)) {
        say(&a, ". The exposure is not in the Exif, so the motion blur cannot be told.");
        return a;
    }
    say(&a, ". In ");
    say_shutter(&a, s->exposure_s);
    say(&a, " that is a smear of %.1f px, as blurred as %.2f px all round. ", s->speed * s->exposure_s,
        sqrt(lesson_motion_var(s->speed, s->exposure_s)));
    say(&a, "A smear of %.0f px, which nobody sees, needs ", LESSON_LINE_PX);
    say_shutter(&a, LESSON_LINE_PX / s->speed_high);
    say(&a, " for the faster ones.");
    return a;
}

static struct lesson_advice advise_cause(const struct lesson_setup *s)
{
    size_t clear = s->cause[LESSON_FOCUS] + s->cause[LESSON_MOTION] + s->cause[LESSON_NEITHER];
    struct lesson_advice a = begin("cause", clear, "passes with a clear cause", LEAST_PASSES);
    if (!a.enough)
        return a;
    if (s->frames_sharp * 10 >= s->frames_whole * 9) {
        say(&a, "Hardly a frame was lost to blur: %zu of %zu whole ones are sharp.", s->frames_sharp,
            s->frames_whole);
        return a;
    }
    say(&a,
        "Distance from the plane of focus costs the frames in %zu passes, motion in %zu, neither explains it "
        "in "
        "%zu; %zu are not clear. ",
        s->cause[LESSON_FOCUS], s->cause[LESSON_MOTION], s->cause[LESSON_NEITHER], s->cause[LESSON_UNKNOWN]);
    if (s->cause[LESSON_NEITHER] * 2 > clear)
        say(&a,
            "The picture is soft even in the plane of focus: look for heat shimmer, mist on the glass, or a "
            "bumped focus ring.");
    else if (s->cause[LESSON_MOTION] * 2 > clear && s->speed_high > 0) {
        say(&a, "A shutter time of ");
        say_shutter(&a, LESSON_LINE_PX / s->speed_high);
        say(&a, " would have been enough.");
    } else
        say(&a, "A shorter shutter time would gain little; place the plane better, or close the aperture.");
    return a;
}

static struct lesson_advice advise_cut(const struct lesson_setup *s)
{
    static const char *const names[] = {"left", "right", "top", "bottom"};
    struct lesson_advice a = begin("cut", s->with_subject, "frames with a subject", LEAST_FRAMES);
    int worst = 0;
    if (!a.enough)
        return a;
    say(&a,
        "The edge cuts the subject in %zu of %zu frames: %zu at the left, %zu at the right, %zu at the top, "
        "%zu "
        "at the bottom. ",
        s->cut, s->with_subject, s->side[0], s->side[1], s->side[2], s->side[3]);
    for (int i = 1; i < LESSON_SIDES; i++)
        worst = s->side[i] > s->side[worst] ? i : worst;
    if (s->cut * 10 < s->with_subject)
        say(&a, "That is in order.");
    else if (s->side[worst ^ 1] * 2 > s->side[worst])
        say(&a, "Both sides cut, as when birds come in and go out: only more room around the flight (a "
                "shorter focal "
                "length) would gain whole frames.");
    else
        say(&a, "Aim further to the %s.", names[worst]);
    return a;
}

static struct lesson_advice advise_trigger(const struct lesson_setup *s)
{
    struct lesson_advice a = begin("trigger", s->bursts, "bursts", LEAST_BURSTS);
    if (!a.enough)
        return a;
    say(&a, "%zu of %zu bursts show nothing that flies. ", s->empty, s->bursts);
    if (s->passes == 0)
        return a;
    say(&a,
        "In %zu of %zu passes the bird was there already in the first frame, in %zu it was still there in "
        "the "
        "last; a median of %.0f frames came before it. ",
        s->at_start, s->passes, s->at_end, s->entered);
    if (s->at_start * 3 > s->passes)
        say(&a, "Late: turn pre-capture on, or make it longer, by half a second at least.");
    else if (s->fps > 0 && s->entered > s->fps)
        say(&a, "Early: the first %.0f frames could be spared.", s->entered - s->fps / 4);
    else if (s->at_end * 3 > s->passes)
        say(&a, "Let go of the button later.");
    else
        say(&a, "The trigger is well placed.");
    return a;
}

static struct lesson_advice advise_length(const struct lesson_setup *s)
{
    struct lesson_advice a = begin("length", s->bursts, "bursts", LEAST_BURSTS);
    char bytes[32], each[32];
    if (!a.enough || s->frames == 0)
        return a;
    say(&a, "A burst has %.0f frames on average; %.0f %% of all frames show a subject. They take %s",
        (double)s->frames / (double)s->bursts, 100.0 * (double)s->with_subject / (double)s->frames,
        log_bytes(s->bytes, bytes));
    if (s->kept > 0)
        say(&a, ", %s for each frame that is kept", log_bytes(s->bytes / s->kept, each));
    say(&a, ".");
    return a;
}

static struct lesson_advice advise_keepers(const struct lesson_setup *s)
{
    struct lesson_advice a = begin("keepers", s->frames, "frames", LEAST_FRAMES);
    if (a.enough)
        say(&a, "%zu of %zu frames are kept, %.1f %%.", s->kept, s->frames,
            100.0 * (double)s->kept / (double)s->frames);
    return a;
}

void lesson_advise(const struct lesson_setup *setup, const struct report_lesson_options *options,
                   struct lesson_advice advice[LESSON_ADVICE])
{
    advice[0] = advise_plane(setup, options);
    advice[1] = advise_zone(setup, options);
    advice[2] = advise_speed(setup, options);
    advice[3] = advise_cause(setup);
    advice[4] = advise_cut(setup);
    advice[5] = advise_trigger(setup);
    advice[6] = advise_length(setup);
    advice[7] = advise_keepers(setup);
}

void lesson_key_text(enum lesson_key key, double value, char out[40])
{
    char text[FIELD_TEXT_SIZE];
    if (isnan(value))
        (void)snprintf(out, 40, "not known");
    else if (key == LESSON_BY_SHUTTER)
        (void)snprintf(out, 40, "%s", field_exposure_text(text, value));
    else if (key == LESSON_BY_HOUR)
        (void)snprintf(out, 40, "%02.0f:00", value);
    else
        (void)snprintf(out, 40, "%s%.0f", key == LESSON_BY_ISO ? "ISO " : "burst ", value);
}
