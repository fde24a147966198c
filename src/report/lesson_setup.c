#include "lesson.h"

#include <math.h>
#include <stdlib.h>

static int by_value(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Median and quartiles; sorts. */
static void middle(double *v, size_t n, double *median, double *low, double *high)
{
    *median = *low = *high = NAN;
    if (n == 0)
        return;
    qsort(v, n, sizeof v[0], by_value);
    *median = n % 2 ? v[n / 2] : (v[n / 2 - 1] + v[n / 2]) / 2;
    *low = v[n / 4];
    *high = v[n - 1 - n / 4];
}

static const struct lesson_burst *burst_of(const struct lesson *l, const struct lesson_pass *pass)
{
    for (size_t i = 0; i < l->n_bursts; i++)
        if (l->burst[i].number == pass->burst)
            return &l->burst[i];
    return NULL;
}

static bool is_of(const struct lesson *l, const struct lesson_pass *pass, int64_t setup)
{
    const struct lesson_burst *b = burst_of(l, pass);
    return b != NULL && b->setup == setup;
}

static void add_burst(struct lesson_setup *s, const struct lesson_burst *b)
{
    bool first = s->bursts == 0;
    s->burst = first ? b : s->burst;
    s->width = first ? b->width : s->width;
    s->height = first ? b->height : s->height;
    s->focal_mm = first || s->focal_mm == b->focal_mm ? b->focal_mm : 0;
    s->f_number = first || s->f_number == b->f_number ? b->f_number : 0;
    s->focus_m = first || s->focus_m == b->focus_m ? b->focus_m : 0;
    s->timed = s->timed || b->timed;
    s->bursts++;
    s->empty += b->n_passes == 0 && !b->perch && b->n_frames > 1;
    s->frames += b->n_frames;
    s->kept += b->kept;
    s->with_subject += b->with_subject;
    s->cut += b->cut;
    s->bytes += b->bytes;
    for (int i = 0; i < LESSON_SIDES; i++)
        s->side[i] += b->side[i];
}

/* A mean direction of lines: doubled angles, so that flights to the left and to the right are one line. */
static void note_direction(struct lesson_plane *p, const struct lesson_fit *fit, double twice[2])
{
    double angle = 2 * atan2(fit->vy, fit->vx);
    (void)p;
    twice[0] += cos(angle);
    twice[1] += sin(angle);
}

static void find_plane(const struct lesson *l, int64_t setup, struct lesson_plane *p)
{
    double twice[2] = {0, 0}, xx = 0, yy = 0, xy = 0;
    for (size_t i = 0; i < l->n_passes; i++) {
        const struct lesson_pass *pass = &l->pass[i];
        if (!pass->fit.has_plane || !is_of(l, pass, setup))
            continue;
        p->n++;
        p->x += pass->fit.x;
        p->y += pass->fit.y;
        p->middle_x += pass->middle_x;
        p->middle_y += pass->middle_y;
        note_direction(p, &pass->fit, twice);
    }
    if (p->n == 0)
        return;
    double n = (double)p->n, angle = atan2(twice[1], twice[0]) / 2;
    p->x /= n;
    p->y /= n;
    p->middle_x /= n;
    p->middle_y /= n;
    p->dir_x = cos(angle);
    p->dir_y = sin(angle);
    for (size_t i = 0; i < l->n_passes; i++) {
        const struct lesson_pass *pass = &l->pass[i];
        if (!pass->fit.has_plane || !is_of(l, pass, setup))
            continue;
        double dx = pass->fit.x - p->x, dy = pass->fit.y - p->y;
        xx += dx * dx;
        yy += dy * dy;
        xy += dx * dy;
    }
    p->sd_x = p->n > 1 ? sqrt(xx / (n - 1)) : NAN;
    p->sd_y = p->n > 1 ? sqrt(yy / (n - 1)) : NAN;
    p->error = p->sd_x / sqrt(n);
    p->has_line = p->n >= 4 && yy > 0 && p->sd_y > 0.03 * p->sd_x;
    p->slope = p->has_line ? xy / yy : 0;
    p->move_px = (p->middle_x - p->x) * p->dir_x + (p->middle_y - p->y) * p->dir_y;
}

struct lists {
    double *speed, *sharp, *entered, *exposure, *fps;
    size_t n_speed, n_passes, n_bursts;
};

static void collect(const struct lesson *l, int64_t setup, struct lesson_setup *s, struct lists *lists)
{
    for (size_t i = 0; i < l->n_passes; i++) {
        const struct lesson_pass *pass = &l->pass[i];
        if (!is_of(l, pass, setup))
            continue;
        s->passes++;
        s->cause[pass->cause]++;
        s->at_start += pass->at_start;
        s->at_end += pass->at_end;
        if (pass->fit.has_speed)
            lists->speed[lists->n_speed++] = pass->fit.speed;
        lists->sharp[lists->n_passes] = pass->sharp;
        s->frames_sharp += pass->sharp;
        s->frames_whole += pass->whole;
        lists->entered[lists->n_passes++] = pass->entered;
    }
    for (size_t i = 0; i < l->n_bursts; i++) {
        const struct lesson_burst *b = &l->burst[i];
        if (b->setup != setup)
            continue;
        add_burst(s, b);
        lists->exposure[lists->n_bursts] = b->exposure_s;
        lists->fps[lists->n_bursts++] = isnan(b->fps) ? 0 : b->fps;
    }
}

bool lesson_setup_make(const struct lesson *l, int64_t setup, struct lesson_setup *s, struct err *err)
{
    double low, high;
    size_t n = l->n_passes + 1, m = l->n_bursts + 1;
    double *all = calloc(3 * n + 2 * m, sizeof *all);
    *s = (struct lesson_setup){.number = setup};
    if (all == NULL)
        return err_nomem(err);
    struct lists lists = {all, all + n, all + 2 * n, all + 3 * n, all + 3 * n + m, 0, 0, 0};
    collect(l, setup, s, &lists);
    find_plane(l, setup, &s->plane);
    s->n_speed = lists.n_speed;
    s->n_sharp = lists.n_passes;
    middle(lists.speed, lists.n_speed, &s->speed, &s->speed_low, &s->speed_high);
    middle(lists.sharp, lists.n_passes, &s->sharp, &s->sharp_low, &s->sharp_high);
    middle(lists.entered, lists.n_passes, &s->entered, &low, &high);
    middle(lists.exposure, lists.n_bursts, &s->exposure_s, &low, &high);
    middle(lists.fps, lists.n_bursts, &s->fps, &low, &high);
    free(all);
    return s->bursts > 0 || err_set(err, ERR_USAGE, "there is no set-up %d", (int)setup);
}

/* ---- keeper rates -------------------------------------------------------------------------------------- */

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
