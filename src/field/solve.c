/* From the question to the answer: what cannot be is refused first, then each group of numbers is worked out.
 * NAN runs through the formulas by itself, so an answer that lacks one of its values is NAN without a test.
 */
#include <math.h>
#include <stdio.h>

#include "chaffinch/field.h"

#define PI 3.14159265358979323846
#define NONE ((double)NAN)
#define ENDLESS ((double)INFINITY)

struct field_setup field_setup_empty(void)
{
    return (struct field_setup){
        .focal_mm = NONE,
        .f_number = NONE,
        .distance_mm = NONE,
        .sensor = {.width_mm = NONE, .height_mm = NONE, .coc_mm = NONE, .pitch_mm = NONE},
        .coc_mm = NONE,
        .background_mm = NONE,
        .smooth_mm = NONE,
        .speed_mps = NONE,
        .angle_deg = NONE,
        .shutter_s = NONE,
        .blur_mm = NONE,
        .readout_s = NONE,
        .fps = NONE,
        .reaction_s = FIELD_REACTION_S,
        .card_bytes = NONE,
        .frame_bytes = NONE};
}

/* ---- what cannot be ---- */

static bool within(const char *what, const char *before, double value, const char *unit, double min,
                   double max, struct err *err)
{
    if (isnan(value) || (value >= min && value <= max))
        return true;
    return err_set(err, ERR_USAGE, "the %s '%s%g%s' is out of range: %s%g%s to %s%g%s", what, before, value,
                   unit, before, min, unit, before, max, unit);
}

/* The limits are those of physics where it has one, else far outside of what is built. */
static bool ranges_hold(const struct field_setup *s, double coc_mm, struct err *err)
{
    return within("focal length", "", s->focal_mm, " mm", 1, 1e4, err) &&
           within("aperture", "f/", s->f_number, "", 0.5, 128, err) &&
           within("distance", "", s->distance_mm / 1e3, " m", 0, 1e5, err) &&
           within("circle of confusion", "", coc_mm, " mm", 1e-4, 5, err) &&
           within("speed", "", s->speed_mps, " m/s", 0.001, 1000, err) &&
           within("angle", "", s->angle_deg, " degrees", 0, 90, err) &&
           within("shutter time", "", s->shutter_s, " s", 1e-6, 3600, err) &&
           within("readout time", "", s->readout_s, " s", 1e-6, 1, err) &&
           within("allowed blur", "", s->blur_mm, " mm", 1e-5, 100, err) &&
           within("smoothness", "", s->smooth_mm, " mm", 1e-5, 1000, err) &&
           within("frame rate", "", s->fps, " a second", 0.01, 1e4, err) &&
           within("reaction time", "", s->reaction_s, " s", 0, 10, err) &&
           within("size of a frame", "", s->frame_bytes / 1e6, " MB", 0.001, 1e4, err) &&
           within("size of the card", "", s->card_bytes / 1e9, " GB", 0.001, 1e6, err);
}

static bool geometry_holds(const struct field_setup *s, double coc_mm, struct err *err)
{
    char a[FIELD_TEXT_SIZE], b[FIELD_TEXT_SIZE];
    if (s->distance_mm <= s->focal_mm)
        return err_set(
            err, ERR_USAGE, "the distance '%s' lies inside the focal length of %s: nothing is in focus there",
            field_length_text(a, s->distance_mm, s->feet), field_length_text(b, s->focal_mm, false));
    if (coc_mm >= s->focal_mm / s->f_number)
        return err_set(
            err, ERR_USAGE, "the circle of confusion '%s' is as wide as the opening of the lens, %s",
            field_length_text(a, coc_mm, false), field_length_text(b, s->focal_mm / s->f_number, false));
    if (s->background_mm < s->distance_mm)
        return err_set(
            err, ERR_USAGE,
            "the background '%s' lies in front of the subject at %s; '+%s' means behind the subject",
            field_length_text(a, s->background_mm, s->feet), field_length_text(b, s->distance_mm, s->feet),
            a);
    return true;
}

static bool timing_holds(const struct field_setup *s, struct err *err)
{
    char a[FIELD_TEXT_SIZE], b[FIELD_TEXT_SIZE];
    /* A billionth more than the interval is one that was typed as its fraction. */
    if (s->shutter_s * s->fps > 1 + 1e-9)
        return err_set(err, ERR_USAGE,
                       "the shutter time '%s' is longer than the %s between frames at %g a second",
                       field_exposure_text(a, s->shutter_s), field_duration_text(b, 1 / s->fps), s->fps);
    if (s->frame_bytes > s->card_bytes)
        return err_set(err, ERR_USAGE, "a frame of '%g MB' does not fit on a card of %g GB",
                       s->frame_bytes / 1e6, s->card_bytes / 1e9);
    return true;
}

static bool is_complete(const struct field_setup *s, struct err *err)
{
    const char *missing = isnan(s->focal_mm)          ? "focal length"
                          : isnan(s->f_number)        ? "aperture"
                          : isnan(s->distance_mm)     ? "distance"
                          : isnan(s->sensor.width_mm) ? "sensor"
                                                      : NULL;
    return missing == NULL || err_set(err, ERR_USAGE, "the %s is not given", missing);
}

/* ---- groups of numbers ---- */

static void solve_depth(const struct field_setup *s, struct field_answer *a)
{
    double f = s->focal_mm, n = s->f_number, d = s->distance_mm;
    a->near_mm = field_near_mm(f, n, a->coc_mm, d);
    a->far_mm = field_far_mm(f, n, a->coc_mm, d);
    a->depth_mm = a->far_mm - a->near_mm;
    a->hyperfocal_mm = field_hyperfocal_mm(f, n, a->coc_mm);
    a->magnification = field_magnification(f, d);
    a->view_width_mm = s->sensor.width_mm / a->magnification;
    a->view_height_mm = s->sensor.height_mm / a->magnification;
    a->diffraction_mm = field_airy_mm(n);
    a->diffraction_px = a->diffraction_mm / s->sensor.pitch_mm;
}

static void solve_background(const struct field_setup *s, struct field_answer *a)
{
    static const double shares[FIELD_LADDER] = {0.05, 0.10, 0.20};
    double f = s->focal_mm, n = s->f_number, d = s->distance_mm, width = s->sensor.width_mm;
    a->background_blur_mm = isnan(s->background_mm) ? NONE : field_blur_mm(f, n, d, s->background_mm);
    a->background_blur_px = a->background_blur_mm / s->sensor.pitch_mm;
    a->background_blur_share = a->background_blur_mm / width;
    a->background_needed_mm = isnan(s->smooth_mm) ? NONE : field_blur_where_mm(f, n, d, s->smooth_mm);
    for (size_t i = 0; i < FIELD_LADDER; i++) {
        a->ladder_share[i] = shares[i];
        a->ladder_mm[i] = field_blur_where_mm(f, n, d, shares[i] * width);
    }
}

/* Without an angle each answer takes the worst path for it: straight across for motion blur, head-on for the
   time inside the sharp zone. */
static double share_across(const struct field_setup *s)
{
    return isnan(s->angle_deg) ? 1 : s->angle_deg >= 90 ? 0 : cos(s->angle_deg * PI / 180);
}

static double share_along(const struct field_setup *s)
{
    return isnan(s->angle_deg) ? 1 : sin(s->angle_deg * PI / 180);
}

static void solve_motion(const struct field_setup *s, struct field_answer *a)
{
    double across = s->speed_mps * share_across(s), pitch = s->sensor.pitch_mm, m = a->magnification;
    a->motion_blur_px = field_motion_px(across, s->shutter_s, m, pitch);
    a->motion_blur_mm = across * 1000 * s->shutter_s * m;
    double allowed_mm = isnan(s->blur_mm) ? a->coc_mm : s->blur_mm;
    a->allowed_blur_px = allowed_mm / pitch;
    a->shutter_needed_s = field_motion_time_s(across, allowed_mm, m, 1); /* a length needs no pitch */
    a->skew_mm = across * 1000 * s->readout_s;
    a->skew_px = a->skew_mm * m / pitch;
}

static double fly_through_s(double mm, double mps)
{
    return isnan(mm) || isnan(mps) ? NONE : mps <= 0 ? ENDLESS : mm / (mps * 1000);
}

static void solve_timing(const struct field_setup *s, struct field_answer *a)
{
    double along = s->speed_mps * share_along(s), across = s->speed_mps * share_across(s);
    a->time_in_depth_s = fly_through_s(a->depth_mm, along);
    a->frames_in_depth = a->time_in_depth_s * s->fps;
    a->time_in_view_s = fly_through_s(a->view_width_mm, across);
    a->frames_in_view = a->time_in_view_s * s->fps;
    a->advance_mm = s->speed_mps * 1000 / s->fps;
    a->reaction_s = s->reaction_s;
    a->reaction_frames = s->reaction_s * s->fps;
    a->reaction_travel_mm = s->speed_mps * 1000 * s->reaction_s;
    /* The finger starts when the eye sees the subject at the plane. The buffer must then reach back over the
       reaction and over the first half of the way through the sharp zone, that lies before the plane. */
    double before_s = fly_through_s(s->distance_mm - a->near_mm, along);
    a->pre_capture_s = isfinite(before_s) ? s->reaction_s + before_s : s->reaction_s;
    a->card_frames = floor(s->card_bytes / s->frame_bytes);
    a->card_s = a->card_frames / s->fps;
}

bool field_solve(const struct field_setup *s, struct field_answer *a, struct err *err)
{
    double coc_mm = isnan(s->coc_mm) ? s->sensor.coc_mm : s->coc_mm;
    if (!is_complete(s, err) || !ranges_hold(s, coc_mm, err) || !geometry_holds(s, coc_mm, err) ||
        !timing_holds(s, err))
        return false;
    *a = (struct field_answer){.coc_mm = coc_mm};
    solve_depth(s, a);
    solve_background(s, a);
    solve_motion(s, a);
    solve_timing(s, a);
    return true;
}
