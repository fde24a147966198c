/*
 * The sharp zone, as planned and as measured.
 *
 * A point off the plane of focus becomes a disc; as a Gaussian-equivalent radius that is a quarter of its
 * diameter, to which the best that lens and pixels do adds as a variance. What that is on the measured scale
 * the passes themselves say, at their sharpest. So the circle of confusion that
 * planning goes by is a blur that can be looked for in what was measured, and the blur up to which ranking
 * calls a subject sharp is a circle of confusion that the optics give a depth for.
 */
#include "lesson.h"

#include <math.h>
#include <stdlib.h>

#include "chaffinch/field.h"

/* The blur at the plane of focus, over the passes that cross it. */
static bool find_best(const struct lesson *l, const struct lesson_setup *s, double *best_px, struct err *err)
{
    double *least = calloc(l->n_passes + 1, sizeof *least);
    size_t n = 0;
    if (least == NULL)
        return err_nomem(err);
    for (size_t i = 0; i < l->n_passes; i++) {
        const struct lesson_pass *p = &l->pass[i];
        if (p->trusted && p->fit.crosses && lesson_is_of(l, p, s->number))
            least[n++] = sqrt(p->fit.least);
    }
    *best_px = n > 0 ? fmax(lesson_middle_of(least, n).median, LESSON_BEST_PX) : LESSON_BEST_PX;
    free(least);
    return true;
}

static double disc_of_blur(double blur_px, double best_px)
{
    return 4 * sqrt(fmax(blur_px * blur_px - best_px * best_px, 0));
}

/* Whole frames of each pass up to a blur. */
static bool count_frames(const struct lesson *l, const struct lesson_setup *s, double blur_px,
                         struct lesson_middle *frames, struct err *err)
{
    double *count = calloc(l->n_passes + 1, sizeof *count);
    size_t n = 0;
    if (count == NULL)
        return err_nomem(err);
    for (size_t i = 0; i < l->n_passes; i++) {
        const struct lesson_pass *p = &l->pass[i];
        if (!p->trusted || !lesson_is_of(l, p, s->number))
            continue;
        for (size_t k = p->first; k < p->first + p->n; k++)
            count[n] += l->sample[k].whole && l->sample[k].blur_px <= blur_px;
        n++;
    }
    *frames = lesson_middle_of(count, n);
    free(count);
    return true;
}

/* Focus blur of a subject grows by (f m/N)/s/pitch/4 px for each mm from the plane of focus. */
static double growth_px_per_mm(const struct lesson_setup *s, double distance_mm, double pitch_mm)
{
    double m = field_magnification(s->focal_mm, distance_mm);
    return s->focal_mm * m / s->f_number / distance_mm / pitch_mm / 4;
}

/* Depth about the plane for a circle of confusion, and frames in it of a subject that goes through it by so
   many mm from frame to frame. */
static void ask_optics(const struct lesson_setup *s, double distance_mm, double frame_mm,
                       struct lesson_limit *limit)
{
    double near = field_near_mm(s->focal_mm, s->f_number, limit->coc_mm, distance_mm);
    double far = field_far_mm(s->focal_mm, s->f_number, limit->coc_mm, distance_mm);
    limit->depth_mm = far - near;
    limit->frames = frame_mm > 0 ? limit->depth_mm / frame_mm : NAN;
}

/* The distance that was typed, else the one at which the focus aid is as large as it is seen, else the
   Exif's. */
static void find_distance(const struct lesson_setup *s, const struct report_lesson_options *o,
                          double pitch_mm, struct lesson_zone *z)
{
    bool aid = s->aid != NULL && s->focal_mm > 0 && pitch_mm > 0;
    z->distance_mm = NAN;
    if (o->distance_mm > 0)
        z->distance_mm = o->distance_mm;
    else if (aid)
        z->distance_mm = s->focal_mm * (1 + s->aid->mm_per_px / pitch_mm);
    else if (s->focus_m > 0)
        z->distance_mm = s->focus_m * 1000;
    z->distance_by_aid = aid && !(o->distance_mm > 0);
}

/* Motion smears at the limit too: what it takes of the blur that ranking allows is not left for focus. */
static double left_for_focus(const struct lesson_setup *s)
{
    double motion =
        s->exposure_s > 0 && s->speed.n > 0 ? lesson_motion_var(s->speed.median, s->exposure_s) : 0;
    return sqrt(fmax(LESSON_SHARP_PX * LESSON_SHARP_PX - motion, 0));
}

bool lesson_zone_make(const struct lesson *l, const struct lesson_setup *s,
                      const struct report_lesson_options *o, struct lesson_zone *z, struct err *err)
{
    uint32_t long_edge = s->width > s->height ? s->width : s->height;
    const struct report_sensor *sensor = o->sensor.width_mm > 0 ? &o->sensor : &s->sensor;
    double pitch_mm = sensor->width_mm > 0 && long_edge > 0 ? sensor->width_mm / long_edge : NAN;
    *z = (struct lesson_zone){.optics_mm_per_px = NAN, .across_mps = NAN, .along_mps = NAN};
    z->optics = (struct lesson_limit){NAN, NAN, NAN, NAN, NAN, {0, NAN, NAN, NAN}};
    z->ranking = z->optics;
    double best_px = LESSON_BEST_PX;
    if (!find_best(l, s, &best_px, err))
        return false;
    find_distance(s, o, pitch_mm, z);
    z->ranking.blur_px = LESSON_SHARP_PX;
    z->ranking.coc_px = disc_of_blur(left_for_focus(s), best_px);
    z->ranking.measured = s->sharp;
    bool known = s->focal_mm > 0 && s->f_number > 0 && z->distance_mm > s->focal_mm && pitch_mm > 0;
    if (known)
        z->optics_mm_per_px = pitch_mm / field_magnification(s->focal_mm, z->distance_mm);
    z->mm_per_px = s->aid != NULL ? s->aid->mm_per_px : z->optics_mm_per_px;
    if (s->speed.n > 0)
        z->across_mps = s->speed.median * z->mm_per_px / 1000;
    if (!known)
        return true;
    double growth = growth_px_per_mm(s, z->distance_mm, pitch_mm);
    /* As advice does: what few passes show is not told. */
    double frame_mm = s->growth.n >= LESSON_LEAST_PASSES ? s->growth.median / growth : NAN;
    if (s->rate.n >= LESSON_LEAST_PASSES)
        z->along_mps = s->rate.median / growth / 1000;
    z->optics.coc_mm = sensor->coc_mm;
    z->optics.coc_px = sensor->coc_mm / pitch_mm;
    z->optics.blur_px = hypot(best_px, z->optics.coc_px / 4);
    z->ranking.coc_mm = z->ranking.coc_px * pitch_mm;
    ask_optics(s, z->distance_mm, frame_mm, &z->optics);
    ask_optics(s, z->distance_mm, frame_mm, &z->ranking);
    return count_frames(l, s, z->optics.blur_px, &z->optics.measured, err);
}
