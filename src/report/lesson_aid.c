/*
 * What tells the scale of a set-up: a focus aid of known length in one of its frames; the sensor, by the
 * Exif of one of its frames.
 */
#include "lesson.h"

#include <fcntl.h>
#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/field.h"
#include "sheet.h"

struct place {
    bool there;
    int64_t burst;
    uint32_t width_px, height_px; /* stored */
    int orientation;
    char *copy; /* of its path; NULL = all its files are gone */
};

static bool take_frame(void *context, const struct catalogue_row *row, struct err *err)
{
    struct place *p = context;
    p->there = true;
    p->burst = row->frame.burst;
    p->width_px = row->frame.width_px;
    p->height_px = row->frame.height_px;
    p->orientation = row->frame.orientation;
    if (row->path != NULL && p->copy == NULL)
        p->copy = strdup(row->path);
    return row->path == NULL || p->copy != NULL || err_nomem(err);
}

/* The caller frees place->copy. */
static bool find_place(struct catalogue *c, int64_t frame, struct place *place, struct err *err)
{
    const struct catalogue_filter one = {.frame = frame, .with_missing = true};
    *place = (struct place){.there = false};
    return catalogue_each_row(c, &one, take_frame, place, err);
}

static int64_t setup_of(const struct lesson *l, int64_t burst)
{
    for (size_t i = 0; i < l->n_bursts; i++)
        if (l->burst[i].number == burst)
            return l->burst[i].setup;
    return 0;
}

/* ---- focus aids ---------------------------------------------------------------------------------------- */

static bool lies_within(const struct report_scale *s, const struct place *p, struct err *err)
{
    for (int i = 0; i < 2; i++)
        if (s->end_px[i][0] < 0 || s->end_px[i][1] < 0 || s->end_px[i][0] >= p->width_px ||
            s->end_px[i][1] >= p->height_px)
            return err_set(err, ERR_USAGE,
                           "the end '%g,%g' of the focus aid does not lie within the picture of %" PRIu32
                           " x %" PRIu32 " px",
                           s->end_px[i][0], s->end_px[i][1], p->width_px, p->height_px);
    return true;
}

static bool make_aid(const struct lesson *l, const struct report_scale *s, const struct place *p,
                     struct lesson_aid *aid, struct err *err)
{
    const double end_error_px = 1; /* each end is seen to a px */
    double dx = s->end_px[1][0] - s->end_px[0][0], dy = s->end_px[1][1] - s->end_px[0][1];
    double px = hypot(dx, dy);
    const struct sheet_box middle = {(uint32_t)((s->end_px[0][0] + s->end_px[1][0]) / 2),
                                     (uint32_t)((s->end_px[0][1] + s->end_px[1][1]) / 2), 1, 1};
    struct sheet_box upright = sheet_upright(middle, p->width_px, p->height_px, p->orientation);
    *aid = (struct lesson_aid){.setup = setup_of(l, p->burst),
                               .mm_per_px = s->mm / px,
                               .error = M_SQRT2 * end_error_px / px,
                               .x = upright.x,
                               .y = upright.y,
                               .name = s->name};
    if (px < 10)
        return err_set(err, ERR_USAGE, "a focus aid of '%.0f px' is too short to tell a scale", px);
    return aid->setup > 0 ||
           err_set(err, ERR_USAGE, "the set-up of the frame with the focus aid is not known: rank first");
}

bool lesson_add_aids(struct lesson *l, struct catalogue *c, const struct report_lesson_options *options,
                     struct err *err)
{
    l->aid = calloc(options->n_scales + 1, sizeof *l->aid);
    if (l->aid == NULL)
        return err_nomem(err);
    for (size_t i = 0; i < options->n_scales; i++) {
        const struct report_scale *s = &options->scale[i];
        struct lesson_aid *aid = &l->aid[l->n_aids];
        struct place place;
        bool ok = find_place(c, s->frame, &place, err) &&
                  (place.there || err_set(err, ERR_USAGE, "there is no such frame")) &&
                  lies_within(s, &place, err) && make_aid(l, s, &place, aid, err);
        free(place.copy);
        for (size_t k = 0; ok && k < l->n_aids; k++)
            ok = l->aid[k].setup != aid->setup ||
                 err_set(err, ERR_USAGE, "two focus aids for set-up %" PRId64 ": one is enough", aid->setup);
        if (!ok)
            return false;
        l->n_aids++;
    }
    return true;
}

/* ---- sensors ------------------------------------------------------------------------------------------- */

/* A frame whose file cannot be read now only leaves the sensor unknown. */
static struct report_sensor sensor_of(struct session *s, struct worker_pool *workers, const char *path)
{
    struct frame_meta meta;
    struct field_sensor sensor;
    struct err none = ERR_INIT;
    int fd = path[0] == '/' ? files_open_regular(s->root.fs, s->root.fd, path, NULL, path, &none)
                            : files_open_path(s->root.fs, s->root.fd, path, NULL, &none);
    bool ok = fd >= 0 && session_peek(workers, fd, path, &meta, &none) &&
              field_sensor_of_crop(meta.focal_mm, meta.focal_35mm, meta.width_px, meta.height_px, &sensor);
    files_drop(s->root.fs, fd);
    return ok ? (struct report_sensor){sensor.width_mm, sensor.coc_mm} : (struct report_sensor){0, 0};
}

bool lesson_add_sensors(struct lesson *l, struct session *s, struct worker_pool *workers, struct err *err)
{
    int64_t last = 0;
    for (size_t i = 0; i < l->n_bursts; i++)
        last = l->burst[i].setup > last ? l->burst[i].setup : last;
    l->n_sensors = (size_t)last + 1;
    l->sensor = calloc(l->n_sensors, sizeof *l->sensor);
    bool *asked = calloc(l->n_sensors, sizeof *asked), ok = true;
    if (l->sensor == NULL || asked == NULL)
        ok = err_nomem(err);
    for (size_t i = 0; ok && i < l->n_bursts; i++) {
        struct place place;
        size_t setup = (size_t)l->burst[i].setup;
        if (asked[setup])
            continue;
        asked[setup] = true;
        ok = find_place(s->catalogue, l->burst[i].any_frame, &place, err);
        if (ok && place.copy != NULL)
            l->sensor[setup] = sensor_of(s, workers, place.copy);
        free(place.copy);
    }
    free(asked);
    return ok;
}
