#include "lesson.h"

#include <math.h>
#include <stdlib.h>

static int by_value(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

struct lesson_middle lesson_middle_of(double *v, size_t n)
{
    struct lesson_middle m = {n, NAN, NAN, NAN};
    if (n == 0)
        return m;
    qsort(v, n, sizeof v[0], by_value);
    m.median = n % 2 ? v[n / 2] : (v[n / 2 - 1] + v[n / 2]) / 2;
    m.low = v[n / 4];
    m.high = v[n - 1 - n / 4];
    return m;
}

const struct lesson_burst *lesson_burst_of(const struct lesson *l, const struct lesson_pass *pass)
{
    for (size_t i = 0; i < l->n_bursts; i++)
        if (l->burst[i].number == pass->burst)
            return &l->burst[i];
    return NULL;
}

bool lesson_is_of(const struct lesson *l, const struct lesson_pass *pass, int64_t setup)
{
    const struct lesson_burst *b = lesson_burst_of(l, pass);
    return b != NULL && b->setup == setup;
}

static void add_burst(struct lesson_setup *s, const struct lesson_burst *b)
{
    bool first = s->bursts + s->singles == 0;
    s->width = first ? b->width : s->width;
    s->height = first ? b->height : s->height;
    s->focal_mm = first || s->focal_mm == b->focal_mm ? b->focal_mm : 0;
    s->f_number = first || s->f_number == b->f_number ? b->f_number : 0;
    s->focus_m = first || s->focus_m == b->focus_m ? b->focus_m : 0;
    s->timed = s->timed || b->timed;
    s->frames += b->n_frames;
    s->kept += b->kept;
    s->bytes += b->bytes;
    if (b->n_frames < LESSON_BURST_FRAMES) {
        s->singles++;
        return;
    }
    s->bursts++;
    s->burst_frames += b->n_frames;
    s->with_subject += b->with_subject;
    s->empty += b->n_passes == 0 && !b->perch;
}

/* ---- the plane of focus -------------------------------------------------------------------------------- */

/* A pass whose place is not sure enough to be told alone still says something together with others. */
static bool tells_plane(const struct lesson *l, const struct lesson_pass *pass, int64_t setup)
{
    return pass->trusted && pass->fit.crosses && isfinite(pass->fit.sd_px) && lesson_is_of(l, pass, setup);
}

/* How a pass counts: its own error, and the spread of the places, which even a sure pass has. */
static double weight_of(const struct lesson_pass *pass, double spread_px)
{
    double sd = fmax(pass->fit.sd_px, 1);
    return 1 / (sd * sd + spread_px * spread_px);
}

/* Means, with the directions of flight as doubled angles, so that to the left and to the right are one. */
static void find_means(const struct lesson *l, int64_t setup, double spread_px, struct lesson_plane *p)
{
    double sum = 0, twice[2] = {0, 0};
    *p = (struct lesson_plane){.n = 0};
    for (size_t i = 0; i < l->n_passes; i++) {
        const struct lesson_pass *pass = &l->pass[i];
        if (!tells_plane(l, pass, setup))
            continue;
        double w = weight_of(pass, spread_px), angle = 2 * atan2(pass->fit.vy, pass->fit.vx);
        p->n++;
        sum += w;
        p->x += w * pass->fit.x;
        p->y += w * pass->fit.y;
        p->middle_x += w * pass->middle_x;
        p->middle_y += w * pass->middle_y;
        twice[0] += w * cos(angle);
        twice[1] += w * sin(angle);
    }
    if (p->n == 0)
        return;
    p->x /= sum;
    p->y /= sum;
    p->middle_x /= sum;
    p->middle_y /= sum;
    p->dir_x = cos(atan2(twice[1], twice[0]) / 2);
    p->dir_y = sin(atan2(twice[1], twice[0]) / 2);
    p->error = 1 / sqrt(sum);
}

/* Spread about the means; *own = what of it, along the flights, the errors of the passes do not explain. */
static void find_spread(const struct lesson *l, int64_t setup, struct lesson_plane *p, double *own)
{
    double xx = 0, yy = 0, xy = 0, along = 0, errors = 0, n = (double)p->n;
    for (size_t i = 0; i < l->n_passes; i++) {
        const struct lesson_pass *pass = &l->pass[i];
        if (!tells_plane(l, pass, setup))
            continue;
        double dx = pass->fit.x - p->x, dy = pass->fit.y - p->y;
        double d = dx * p->dir_x + dy * p->dir_y;
        xx += dx * dx;
        yy += dy * dy;
        xy += dx * dy;
        along += d * d;
        errors += pass->fit.sd_px * pass->fit.sd_px / n;
    }
    p->sd_x = p->n > 1 ? sqrt(xx / (n - 1)) : NAN;
    p->sd_y = p->n > 1 ? sqrt(yy / (n - 1)) : NAN;
    p->has_line = p->n >= 4 && yy > 0 && p->sd_y > 0.03 * p->sd_x;
    p->slope = p->has_line ? xy / yy : 0;
    *own = p->n > 1 ? sqrt(fmax(along / (n - 1) - errors, 0)) : 0;
}

/* The first round takes the passes alike as far as their spread is not known, the second by what it found. */
static void find_plane(const struct lesson *l, const struct lesson_setup *s, struct lesson_plane *p)
{
    enum { ROUNDS = 3 };
    double spread = s->width;
    for (int round = 0; round < ROUNDS; round++) {
        find_means(l, s->number, spread, p);
        if (p->n == 0)
            return;
        find_spread(l, s->number, p, &spread);
    }
    p->move_px = (p->middle_x - p->x) * p->dir_x + (p->middle_y - p->y) * p->dir_y;
}

/* ---- all of it ----------------------------------------------------------------------------------------- */

enum list { SPEED, RATE, GROWTH, SHARP, ENTERED, MISSED, PASS_LISTS };

struct lists {
    double *pass[PASS_LISTS], *exposure, *fps;
    size_t n[PASS_LISTS], n_bursts;
};

static void list(struct lists *lists, enum list which, bool known, double value)
{
    if (known)
        lists->pass[which][lists->n[which]++] = value;
}

static void add_pass(struct lesson_setup *s, const struct lesson_pass *pass, const struct lesson_burst *burst,
                     struct lists *lists)
{
    bool grows = pass->fit.crosses && pass->fit.has_speed;
    if (!pass->trusted) {
        s->doubtful++;
        return;
    }
    s->passes++;
    s->pass_frames += pass->n;
    s->cause[pass->cause]++;
    s->at_start += pass->at_start;
    s->at_end += pass->at_end;
    s->frames_sharp += pass->sharp;
    s->frames_whole += pass->whole;
    s->cut += pass->cut;
    for (int i = 0; i < LESSON_SIDES; i++)
        s->side[i] += pass->side[i];
    list(lists, SPEED, pass->fit.has_speed, pass->fit.speed);
    list(lists, RATE, grows, pass->fit.rate);
    list(lists, GROWTH, grows && burst->fps > 0, pass->fit.rate / burst->fps);
    list(lists, SHARP, true, pass->sharp);
    list(lists, ENTERED, true, pass->entered);
    list(lists, MISSED, !isnan(pass->missed_s), pass->missed_s);
}

static void collect(const struct lesson *l, struct lesson_setup *s, struct lists *lists)
{
    for (size_t i = 0; i < l->n_passes; i++)
        if (lesson_is_of(l, &l->pass[i], s->number))
            add_pass(s, &l->pass[i], lesson_burst_of(l, &l->pass[i]), lists);
    for (size_t i = 0; i < l->n_bursts; i++) {
        const struct lesson_burst *b = &l->burst[i];
        if (b->setup != s->number)
            continue;
        add_burst(s, b);
        lists->exposure[lists->n_bursts] = b->exposure_s;
        lists->fps[lists->n_bursts] = isnan(b->fps) ? 0 : b->fps;
        lists->n_bursts += b->n_frames >= LESSON_BURST_FRAMES;
    }
}

static double median_of(double *value, size_t n)
{
    return lesson_middle_of(value, n).median;
}

static void note_scale(const struct lesson *l, struct lesson_setup *s)
{
    if ((size_t)s->number < l->n_sensors)
        s->sensor = l->sensor[s->number];
    for (size_t i = 0; i < l->n_aids; i++)
        if (l->aid[i].setup == s->number)
            s->aid = &l->aid[i];
}

bool lesson_setup_make(const struct lesson *l, int64_t setup, struct lesson_setup *s, struct err *err)
{
    size_t n = l->n_passes + 1, m = l->n_bursts + 1;
    double *all = calloc(PASS_LISTS * n + 2 * m, sizeof *all);
    *s = (struct lesson_setup){.number = setup};
    if (all == NULL)
        return err_nomem(err);
    struct lists lists = {.exposure = all + PASS_LISTS * n, .fps = all + PASS_LISTS * n + m};
    for (int i = 0; i < PASS_LISTS; i++)
        lists.pass[i] = all + (size_t)i * n;
    collect(l, s, &lists);
    note_scale(l, s);
    find_plane(l, s, &s->plane);
    s->speed = lesson_middle_of(lists.pass[SPEED], lists.n[SPEED]);
    s->rate = lesson_middle_of(lists.pass[RATE], lists.n[RATE]);
    s->growth = lesson_middle_of(lists.pass[GROWTH], lists.n[GROWTH]);
    s->sharp = lesson_middle_of(lists.pass[SHARP], lists.n[SHARP]);
    s->entered = lesson_middle_of(lists.pass[ENTERED], lists.n[ENTERED]);
    s->missed_s = lesson_middle_of(lists.pass[MISSED], lists.n[MISSED]);
    s->exposure_s = median_of(lists.exposure, lists.n_bursts);
    s->fps = median_of(lists.fps, lists.n_bursts);
    free(all);
    return s->bursts + s->singles > 0 || err_set(err, ERR_USAGE, "there is no set-up %d", (int)setup);
}

static int64_t last_setup(const struct lesson *l)
{
    int64_t last = 0;
    for (size_t i = 0; i < l->n_bursts; i++)
        last = l->burst[i].setup > last ? l->burst[i].setup : last;
    return last;
}

static bool has_setup(const struct lesson *l, int64_t setup)
{
    for (size_t i = 0; i < l->n_bursts; i++)
        if (l->burst[i].setup == setup)
            return true;
    return false;
}

bool lesson_each_setup(const struct lesson *l, const struct report_lesson_options *options,
                       lesson_visit *visit, void *context, struct err *err)
{
    int64_t only = options->setup;
    if (only > 0 && !has_setup(l, only))
        return err_set(err, ERR_USAGE, "there is no set-up '%d'", (int)only);
    for (int64_t i = only > 0 ? only : 0; i <= (only > 0 ? only : last_setup(l)); i++) {
        struct lesson_setup setup;
        struct lesson_zone zone;
        if (has_setup(l, i) &&
            (!lesson_setup_make(l, i, &setup, err) || !lesson_zone_make(l, &setup, options, &zone, err) ||
             !visit(context, l, &setup, &zone, err)))
            return false;
    }
    return true;
}
