/* What was kept, and what blurred, by shutter time and the like. */
#include "lesson.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "chaffinch/field.h"

static double key_of(const struct lesson_burst *b, enum lesson_key key)
{
    switch (key) {
    case LESSON_BY_BURST:
        return (double)b->number;
    case LESSON_BY_HOUR:
        return b->has_hour ? (double)b->hour : (double)NAN;
    case LESSON_BY_SHUTTER:
        return b->exposure_s > 0 ? b->exposure_s : NAN;
    case LESSON_BY_ISO:
        return b->iso > 0 ? b->iso : NAN;
    }
    return NAN;
}

static int by_key(const void *a, const void *b)
{
    double x = ((const struct lesson_rate *)a)->key, y = ((const struct lesson_rate *)b)->key;
    if (isnan(x) || isnan(y))
        return isnan(x) - isnan(y);
    return (x > y) - (x < y);
}

bool lesson_rates(const struct lesson *l, int64_t setup, enum lesson_key key, struct lesson_rate **rate,
                  size_t *n, struct err *err)
{
    *n = 0;
    *rate = calloc(l->n_bursts + 1, sizeof **rate);
    if (*rate == NULL)
        return err_nomem(err);
    for (size_t i = 0; i < l->n_bursts; i++) {
        const struct lesson_burst *b = &l->burst[i];
        double value = key_of(b, key);
        size_t k = 0;
        if (b->setup != setup)
            continue;
        while (k < *n && !((*rate)[k].key == value || (isnan((*rate)[k].key) && isnan(value))))
            k++;
        if (k == *n)
            (*rate)[(*n)++].key = value;
        (*rate)[k].frames += b->n_frames;
        (*rate)[k].kept += b->kept;
    }
    qsort(*rate, *n, sizeof **rate, by_key);
    return true;
}

/* ---- blur by shutter time ------------------------------------------------------------------------------ */

static bool same_exposure(double a, double b)
{
    return a == b || (isnan(a) && isnan(b));
}

static double exposure_of(const struct lesson_pass *pass)
{
    return pass->exposure_s > 0 ? pass->exposure_s : NAN;
}

static void sum_shutter(const struct lesson *l, int64_t setup, struct lesson_shutter *s, double *scratch)
{
    double *speed = scratch, *least = scratch + l->n_passes, *blur = scratch + 2 * l->n_passes;
    size_t n_speed = 0, n_least = 0, n_blur = 0;
    for (size_t i = 0; i < l->n_passes; i++) {
        const struct lesson_pass *p = &l->pass[i];
        if (!p->trusted || !lesson_is_of(l, p, setup) || !same_exposure(exposure_of(p), s->exposure_s))
            continue;
        s->passes++;
        if (p->fit.has_speed)
            speed[n_speed++] = p->fit.speed;
        if (p->fit.crosses)
            least[n_least++] = sqrt(p->fit.least);
        for (size_t k = p->first; k < p->first + p->n; k++)
            if (l->sample[k].whole && !isnan(l->sample[k].blur_px))
                blur[n_blur++] = l->sample[k].blur_px;
    }
    s->speed = lesson_middle_of(speed, n_speed);
    s->least = lesson_middle_of(least, n_least);
    s->measured = lesson_middle_of(blur, n_blur);
}

static int by_exposure(const void *a, const void *b)
{
    double x = ((const struct lesson_shutter *)a)->exposure_s;
    double y = ((const struct lesson_shutter *)b)->exposure_s;
    if (isnan(x) || isnan(y))
        return isnan(x) - isnan(y);
    return (x > y) - (x < y);
}

bool lesson_shutters(const struct lesson *l, int64_t setup, struct lesson_shutter **shutter, size_t *n,
                     struct err *err)
{
    double *scratch = calloc(2 * l->n_passes + l->n_samples + 1, sizeof *scratch);
    *n = 0;
    *shutter = calloc(l->n_passes + 1, sizeof **shutter);
    if (*shutter == NULL || scratch == NULL) {
        free(scratch);
        free(*shutter);
        *shutter = NULL;
        return err_nomem(err);
    }
    for (size_t i = 0; i < l->n_passes; i++) {
        double exposure_s = exposure_of(&l->pass[i]);
        size_t k = 0;
        while (k < *n && !same_exposure((*shutter)[k].exposure_s, exposure_s))
            k++;
        if (k < *n || !l->pass[i].trusted || !lesson_is_of(l, &l->pass[i], setup))
            continue;
        (*shutter)[(*n)++].exposure_s = exposure_s;
        sum_shutter(l, setup, &(*shutter)[k], scratch);
    }
    free(scratch);
    qsort(*shutter, *n, sizeof **shutter, by_exposure);
    return true;
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
