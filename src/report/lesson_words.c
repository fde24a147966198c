#include "lesson.h"

#include <inttypes.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "chaffinch/field.h"
#include "chaffinch/log.h"

enum { LEAST_PASSES = LESSON_LEAST_PASSES, LEAST_BURSTS = 3, LEAST_FRAMES = 20 };

__attribute__((format(printf, 2, 3))) static void say(struct lesson_advice *a, const char *format, ...)
{
    size_t used = strlen(a->text);
    va_list args;
    va_start(args, format);
    (void)vsnprintf(a->text + used, sizeof a->text - used, format, args);
    va_end(args);
}

static const char *of_them(size_t n, const char *one, const char *many)
{
    return n == 1 ? one : many;
}

static struct lesson_advice begin(const char *topic, size_t n, const char *one, const char *many,
                                  size_t least)
{
    struct lesson_advice a = {.topic = topic, .n = n, .enough = n >= least};
    (void)snprintf(a.of, sizeof a.of, "%s", of_them(n, one, many));
    if (!a.enough)
        say(&a, "Not enough data: %zu %s, %zu are needed.", n, a.of, least);
    return a;
}

/* ---- where the plane of focus lay ---------------------------------------------------------------------- */

/* "160 px (give or take 20)", "5.8 cm (give or take 0.6; 160 px)". */
static void say_length(struct lesson_advice *a, double px, double error_px, const struct lesson_aid *aid)
{
    if (aid != NULL)
        say(a, "%.1f cm (give or take %.1f; %.0f px)", px * aid->mm_per_px / 10,
            hypot(error_px, px * aid->error) * aid->mm_per_px / 10, px);
    else
        say(a, "%.0f px (give or take %.0f)", px, error_px);
}

/* Where a move of (x, y) px in the picture leads: towards what stands at that side, or as the thing lies that
   gave the scale. */
static void say_direction(struct lesson_advice *a, double x, double y, const struct lesson_setup *s,
                          const struct report_lesson_options *o)
{
    const char *side = x < 0 ? o->left : o->right, *plain = x < 0 ? "left" : "right";
    if (fabs(x) < fabs(y))
        say(a, "%s", y < 0 ? "upwards" : "downwards");
    else if (side != NULL)
        say(a, "towards %s", side);
    else if (s->aid != NULL && s->aid->name != NULL)
        say(a, "%s %s, to the %s", (s->aid->x - s->plane.x) * x > 0 ? "towards" : "away from", s->aid->name,
            plain);
    else
        say(a, "to the %s", plain);
}

static struct lesson_advice advise_plane(const struct lesson_setup *s, const struct report_lesson_options *o)
{
    const struct lesson_plane *p = &s->plane;
    struct lesson_advice a = begin("plane", p->n, "pass that crossed the plane of focus",
                                   "passes that crossed the plane of focus", LEAST_PASSES);
    if (!a.enough || s->width == 0)
        return a;
    say(&a,
        "The birds were sharpest at %.1f %% of the width (%.0f px of %" PRIu32
        ", give or take %.0f; single passes spread by %.0f) and %.1f %% of the height. Their flights are "
        "centred at %.1f %%. ",
        100 * p->x / s->width, p->x, s->width, p->error, p->sd_x, 100 * p->y / s->height,
        100 * p->middle_x / s->width);
    if (fabs(p->move_px) < 2 * p->error || fabs(p->move_px) < 0.01 * s->width) {
        say(&a, "The plane of focus is centred on the flights within its error: leave the focus aid where it "
                "is.");
        return a;
    }
    say(&a, "To centre it, move the focus aid ");
    say_length(&a, fabs(p->move_px), p->error, s->aid);
    say(&a, " ");
    say_direction(&a, p->move_px * p->dir_x, p->move_px * p->dir_y, s, o);
    say(&a, " along the flight and focus on it there.");
    return a;
}

/* ---- the sharp zone ------------------------------------------------------------------------------------ */

static void say_lacking(struct lesson_advice *a, const struct lesson_setup *s, const struct lesson_zone *z)
{
    const struct {
        bool lacks;
        const char *word;
    } all[] = {
        {!(s->focal_mm > 0), "the focal length (the Exif does not tell one for all frames)"},
        {!(s->f_number > 0), "the aperture (the Exif does not tell one for all frames)"},
        {!(z->distance_mm > 0), "the distance (--distance, or --scale with a focus aid)"},
        {isnan(z->ranking.coc_mm) && s->focal_mm > 0 && s->f_number > 0 && z->distance_mm > 0,
         "the sensor (--sensor)"},
    };
    const char *before = "What the optics would give is not known, for want of ";
    for (size_t i = 0; i < sizeof all / sizeof *all; i++)
        if (all[i].lacks) {
            say(a, "%s%s", before, all[i].word);
            before = " and ";
        }
    say(a, ".");
}

static void say_optics(struct lesson_advice *a, const struct lesson_setup *s, const struct lesson_zone *z)
{
    say(a,
        "By the optics that is a zone of %.0f mm (a disc of %.1f px or %.3f mm); the usual circle of "
        "confusion, %.3f mm or %.1f px, gives %.0f mm. ",
        z->ranking.depth_mm, z->ranking.coc_px, z->ranking.coc_mm, z->optics.coc_mm, z->optics.coc_px,
        z->optics.depth_mm);
    if (s->growth.n >= LEAST_PASSES)
        say(a,
            "As the blur grew (%zu passes), the birds went through it at %.1f m/s: that is %.1f frames in "
            "the wider and %.1f in the narrower zone, where %.0f and %.0f were measured. ",
            s->growth.n, z->along_mps, z->ranking.frames, z->optics.frames, z->ranking.measured.median,
            z->optics.measured.median);
    say(a, "The two differ since the usual circle of confusion is meant for the whole picture seen from a "
           "distance, whatever its pixels, and ranking's limit for the subject at 1:1.");
}

static struct lesson_advice advise_zone(const struct lesson_setup *s, const struct lesson_zone *z)
{
    struct lesson_advice a = begin("sharp-zone", s->sharp.n, "pass", "passes", LEAST_PASSES);
    if (!a.enough)
        return a;
    say(&a,
        "A pass had %.0f frames with a blur up to %.1f px, where ranking calls a subject sharp; the middle "
        "half of the passes %.0f to %.0f. ",
        s->sharp.median, LESSON_SHARP_PX, s->sharp.low, s->sharp.high);
    if (z->optics.depth_mm > 0)
        say_optics(&a, s, z);
    else
        say_lacking(&a, s, z);
    if (s->sharp.median < 1)
        say(&a, " Most passes had none: a smaller aperture or more frames a second would help, if the light "
                "allows.");
    return a;
}

/* ---- motion, and what costs the frames ----------------------------------------------------------------- */

static void say_shutter(struct lesson_advice *a, double seconds)
{
    char text[FIELD_TEXT_SIZE];
    say(a, "%s", field_exposure_text(text, seconds));
}

static struct lesson_advice advise_speed(const struct lesson_setup *s, const struct lesson_zone *z)
{
    struct lesson_advice a =
        begin("speed", s->speed.n, "pass whose speed is known", "passes whose speed is known", LEAST_PASSES);
    if (!a.enough)
        return a;
    say(&a, "The birds crossed at %.0f px/s (the middle half of the passes: %.0f to %.0f)", s->speed.median,
        s->speed.low, s->speed.high);
    if (z->across_mps > 0)
        say(&a, ", %.1f m/s at the plane of focus by %s", z->across_mps,
            s->aid != NULL ? "the focus aid" : "the optics");
    if (!(s->exposure_s > 0)) {
        say(&a, ". The exposure is not in the Exif, so the motion blur cannot be told.");
        return a;
    }
    say(&a, ". In ");
    say_shutter(&a, s->exposure_s);
    say(&a, " that is a smear of %.1f px, as blurred as %.2f px all round. ", s->speed.median * s->exposure_s,
        sqrt(lesson_motion_var(s->speed.median, s->exposure_s)));
    say(&a, "A smear of %.0f px, which nobody sees, needs ", LESSON_LINE_PX);
    say_shutter(&a, LESSON_LINE_PX / s->speed.high);
    say(&a, " for the faster ones.");
    return a;
}

static void say_causes(struct lesson_advice *a, const struct lesson_setup *s)
{
    size_t unclear = s->cause[LESSON_UNKNOWN];
    say(a,
        "Distance from the plane of focus costs the frames in %zu %s, motion in %zu, neither explains it in "
        "%zu",
        s->cause[LESSON_FOCUS], of_them(s->cause[LESSON_FOCUS], "pass", "passes"), s->cause[LESSON_MOTION],
        s->cause[LESSON_NEITHER]);
    if (unclear > 0)
        say(a, "; %zu %s not clear", unclear, of_them(unclear, "is", "are"));
    say(a, ". ");
}

static struct lesson_advice advise_cause(const struct lesson_setup *s)
{
    size_t clear = s->cause[LESSON_FOCUS] + s->cause[LESSON_MOTION] + s->cause[LESSON_NEITHER];
    struct lesson_advice a =
        begin("cause", clear, "pass with a clear cause", "passes with a clear cause", LEAST_PASSES);
    if (!a.enough)
        return a;
    if (s->frames_sharp * 10 >= s->frames_whole * 9) {
        say(&a, "Hardly a frame was lost to blur: %zu of %zu whole ones are sharp.", s->frames_sharp,
            s->frames_whole);
        return a;
    }
    say_causes(&a, s);
    if (s->cause[LESSON_NEITHER] * 2 > clear)
        say(&a,
            "The picture is soft even in the plane of focus: look for heat shimmer, mist on the glass, or a "
            "bumped focus ring.");
    else if (s->cause[LESSON_MOTION] * 2 > clear && s->speed.high > 0) {
        say(&a, "A shutter time of ");
        say_shutter(&a, LESSON_LINE_PX / s->speed.high);
        say(&a, " would have been enough.");
    } else if (s->cause[LESSON_FOCUS] * 2 > clear)
        say(&a, "A shorter shutter time would gain little; place the plane better, or close the aperture.");
    else
        say(&a, "No cause prevails.");
    return a;
}

/* ---- edges, trigger, length ---------------------------------------------------------------------------- */

/* A track that may be none is left out, and a few passes are not a habit. */
static struct lesson_advice advise_cut(const struct lesson_setup *s)
{
    static const char *const names[] = {"left", "right", "top", "bottom"};
    struct lesson_advice a = begin("cut", s->passes, "pass", "passes", LEAST_PASSES);
    int worst = 0;
    if (!a.enough)
        return a;
    say(&a,
        "In the %zu frames of %zu passes the edge cuts the bird in %zu: %zu at the left, %zu at the right, "
        "%zu at the top, %zu at the bottom. ",
        s->pass_frames, s->passes, s->cut, s->side[0], s->side[1], s->side[2], s->side[3]);
    for (int i = 1; i < LESSON_SIDES; i++)
        worst = s->side[i] > s->side[worst] ? i : worst;
    if (s->cut * 10 < s->pass_frames)
        say(&a, "That is in order.");
    else if (s->side[worst ^ 1] * 2 > s->side[worst])
        say(&a, "Both sides cut, as when birds come in and go out: only more room around the flight (a "
                "shorter focal length) would gain whole frames.");
    else
        say(&a, "Aim further to the %s.", names[worst]);
    return a;
}

static void say_late(struct lesson_advice *a, const struct lesson_setup *s)
{
    if (s->missed_s.n > 0)
        say(a,
            "Late: those birds had come over the edge up to %.2f s before. Turn pre-capture on, or make it "
            "longer, by %.1f s at least.",
            s->missed_s.high, ceil(10 * s->missed_s.high + .5) / 10);
    else
        say(a,
            "Late: turn pre-capture on, or make it longer, by what a person takes to press, %.2f s, at "
            "least.",
            FIELD_REACTION_S);
}

static struct lesson_advice advise_trigger(const struct lesson_setup *s)
{
    struct lesson_advice a = begin("trigger", s->bursts, "burst", "bursts", LEAST_BURSTS);
    if (!a.enough)
        return a;
    say(&a, "%zu of %zu bursts %s nothing that flies. ", s->empty, s->bursts,
        of_them(s->empty, "shows", "show"));
    if (s->empty * 2 > s->bursts)
        say(&a, "Look at the trigger: it fires when nothing is there. If birds were, turn pre-capture on. ");
    if (s->passes < LEAST_PASSES) {
        say(&a, "Not enough passes (%zu, %d are needed) to say more.", s->passes, LEAST_PASSES);
        return a;
    }
    say(&a,
        "In %zu of %zu passes the bird was there already in the first frame, in %zu it was still there in "
        "the last; a median of %.0f frames came before it. ",
        s->at_start, s->passes, s->at_end, s->entered.median);
    if (s->at_start * 3 > s->passes)
        say_late(&a, s);
    else if (s->fps > 0 && s->entered.median > s->fps)
        say(&a, "Early: the first %.0f frames could be spared.", s->entered.median - s->fps / 4);
    else if (s->at_end * 3 > s->passes)
        say(&a, "Let go of the button later.");
    else
        say(&a, "The trigger is well placed.");
    return a;
}

static struct lesson_advice advise_length(const struct lesson_setup *s)
{
    struct lesson_advice a = begin("length", s->bursts, "burst", "bursts", LEAST_BURSTS);
    char bytes[32], each[32];
    if (!a.enough || s->burst_frames == 0)
        return a;
    say(&a, "A burst has %.0f frames on average; %.0f %% of them show a subject. They take %s",
        (double)s->burst_frames / (double)s->bursts,
        100.0 * (double)s->with_subject / (double)s->burst_frames, log_bytes(s->bytes, bytes));
    if (s->kept > 0)
        say(&a, ", %s for each frame that is kept", log_bytes(s->bytes / s->kept, each));
    say(&a, ".");
    return a;
}

static struct lesson_advice advise_keepers(const struct lesson_setup *s)
{
    struct lesson_advice a = begin("keepers", s->frames, "frame", "frames", LEAST_FRAMES);
    if (a.enough)
        say(&a, "%zu of %zu frames %s kept, %.1f %%.", s->kept, s->frames, of_them(s->kept, "is", "are"),
            100.0 * (double)s->kept / (double)s->frames);
    return a;
}

const char *lesson_cause_name(enum lesson_cause cause)
{
    static const char *const names[LESSON_CAUSES] = {"unknown", "focus", "motion", "neither"};
    return names[cause];
}

const char *lesson_place_reason(const struct lesson_pass *p)
{
    static const char *const reasons[] = {
        [LESSON_PLACED] = NULL,
        [LESSON_TOO_FEW] = "too few whole frames whose blur is known",
        [LESSON_NO_LEAST] = "its blur has no least within the pass",
        [LESSON_UNSURE] = "the error of the place is too large to tell it of this pass alone",
        [LESSON_NO_FLIGHT] = "no steady flight"};
    return p->fit.has_plane ? NULL : reasons[p->fit.place];
}

void lesson_advise(const struct lesson_setup *setup, const struct lesson_zone *zone,
                   const struct report_lesson_options *options, struct lesson_advice advice[LESSON_ADVICE])
{
    advice[LESSON_PLANE_ADVICE] = advise_plane(setup, options);
    advice[LESSON_ZONE_ADVICE] = advise_zone(setup, zone);
    advice[LESSON_SPEED_ADVICE] = advise_speed(setup, zone);
    advice[LESSON_CAUSE_ADVICE] = advise_cause(setup);
    advice[LESSON_CUT_ADVICE] = advise_cut(setup);
    advice[LESSON_TRIGGER_ADVICE] = advise_trigger(setup);
    advice[LESSON_LENGTH_ADVICE] = advise_length(setup);
    advice[LESSON_KEEPERS_ADVICE] = advise_keepers(setup);
}

/* ---- what the advice rests on -------------------------------------------------------------------------- */

__attribute__((format(printf, 2, 3))) static void note(struct lesson_notes *n, const char *format, ...)
{
    va_list args;
    if (n->n == LESSON_NOTES)
        return;
    va_start(args, format);
    (void)vsnprintf(n->text[n->n++], sizeof n->text[0], format, args);
    va_end(args);
}

static bool contradict(const struct lesson_setup *s, const struct lesson_zone *z)
{
    double ratio = s->aid != NULL ? z->optics_mm_per_px / s->aid->mm_per_px : (double)NAN;
    return fabs(ratio - 1) > fmax(.05, 3 * (s->aid != NULL ? s->aid->error : 0));
}

static void note_scale(struct lesson_notes *n, const struct lesson_setup *s, const struct lesson_zone *z)
{
    char near[FIELD_TEXT_SIZE];
    if (s->aid == NULL)
        return;
    const char *name = s->aid->name != NULL ? s->aid->name : "the focus aid";
    note(n, "By %s a px is %.3f mm (give or take %.1f %%) at the plane of focus%s%s.", name,
         s->aid->mm_per_px, 100 * s->aid->error, z->distance_by_aid ? ", which then lies at " : "",
         z->distance_by_aid ? field_length_text(near, z->distance_mm, false) : "");
    if (contradict(s, z))
        note(n,
             "That contradicts the distance of %s, at which the optics make it %.3f mm: one of the two is "
             "wrong. Lengths go by %s, the sharp zone by the distance.",
             field_length_text(near, z->distance_mm, false), z->optics_mm_per_px, name);
}

void lesson_note(const struct lesson_setup *s, const struct lesson_zone *z, struct lesson_notes *n)
{
    n->n = 0;
    if (!(s->exposure_s > 0))
        note(n, "The Exif tells no exposure time, or not one for all frames: what motion did, and which "
                "shutter time would do, is not known.");
    if (!s->timed)
        note(n, "The Exif tells no time of capture: speed and frame rate are not known.");
    if (s->singles > 0)
        note(n, "%zu %s fewer than %d frames: nothing is learnt from %s.", s->singles,
             of_them(s->singles, "burst has", "bursts have"), LESSON_BURST_FRAMES,
             of_them(s->singles, "it", "them"));
    if (s->doubtful > 0)
        note(n,
             "%zu %s out of the advice: neither a steady flight nor %d whole frames, as glitter or a mirror "
             "image at the edge would be.",
             s->doubtful, of_them(s->doubtful, "track is left", "tracks are left"), LESSON_PASS_FRAMES);
    note_scale(n, s, z);
}
