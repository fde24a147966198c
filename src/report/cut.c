/* Lossless crops of the kept frames: where they lie is crop_plan.c's, the coefficients are copied in workers.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/report.h"
#include "copies.h"
#include "crop_plan.h"
#include "text.h"

struct cut_frame {
    char *picture, *name; /* picture NULL = no JPEG */
    struct crop_box box;
    bool possible;
    double blur_px;
};

struct cutting {
    struct session *s;
    const struct report_crop_options *options;
    struct report_cropped *cropped;
    report_crop_line *line;
    void *context;
    struct copies copies;
    struct catalogue_items items;
    int64_t *setup; /* of each burst */
    size_t n_setups;
    struct catalogue_area *area;
    size_t n_areas;
    struct cut_frame *frame;
    size_t n, room;
    struct session_errand *errand;
    size_t *of; /* frame of each errand */
    size_t n_errands;
};

/* ---- gathering ----------------------------------------------------------------------------------------- */

static void *grow(void *array, size_t n, size_t *room, size_t size, struct err *err)
{
    if (n < *room)
        return array;
    *room = *room * 2 + 64;
    void *grown = realloc(array, *room * size);
    if (grown == NULL)
        err_nomem(err);
    return grown;
}

static bool note_setup(void *context, const struct catalogue_burst *burst, struct err *err)
{
    struct cutting *c = context;
    size_t room = c->n_setups;
    void *grown = grow(c->setup, (size_t)burst->number, &room, sizeof c->setup[0], err);
    if (grown == NULL)
        return false;
    c->setup = grown;
    for (; c->n_setups < room; c->n_setups++)
        c->setup[c->n_setups] = 0;
    c->setup[burst->number] = burst->setup;
    return true;
}

static bool note_area(void *context, const struct catalogue_area *area, struct err *err)
{
    struct cutting *c = context;
    if (!area->keep_out)
        return true;
    void *grown = realloc(c->area, (c->n_areas + 1) * sizeof c->area[0]);
    if (grown == NULL)
        return err_nomem(err);
    c->area = grown;
    c->area[c->n_areas++] = *area;
    return true;
}

/* Slope of the subject's centre over time, least squares over its pass; nothing where it hardly moves. */
static void find_velocity(const struct catalogue_items *items, const struct catalogue_item *of,
                          double velocity[2])
{
    double n = 0, t = 0, p[2] = {0, 0}, tt = 0, tp[2] = {0, 0};
    velocity[0] = velocity[1] = 0;
    for (size_t i = 0; i < items->n; i++) {
        const struct catalogue_item *item = &items->item[i];
        if (item->pass != of->pass)
            continue;
        double at = (double)(item->time_ns - of->time_ns) / 1e9;
        const double centre[2] = {item->x_px + item->w_px / 2.0, item->y_px + item->h_px / 2.0};
        n++;
        t += at;
        tt += at * at;
        for (int k = 0; k < 2; k++) {
            p[k] += centre[k];
            tp[k] += at * centre[k];
        }
    }
    double spread = n * tt - t * t;
    if (n < 3 || spread <= 0)
        return;
    double lasts = 2 * sqrt(3 * spread) / n; /* of evenly spaced frames */
    for (int k = 0; k < 2; k++)
        velocity[k] = (n * tp[k] - t * p[k]) / spread;
    if (hypot(velocity[0], velocity[1]) * lasts < 0.5 * (of->w_px + of->h_px) / 2)
        velocity[0] = velocity[1] = 0;
}

static bool plan_frame(struct cutting *c, const struct catalogue_row *row, struct cut_frame *frame,
                       struct err *err)
{
    const struct catalogue_item *item = &row->item;
    const uint32_t picture[2] = {row->frame.width_px, row->frame.height_px};
    struct crop_box *keep_out = calloc(c->n_areas + 1, sizeof keep_out[0]);
    struct crop_wish wish = {.picture = {picture[0], picture[1]},
                             .subject = {{item->x_px, item->y_px}, {item->w_px, item->h_px}},
                             .turned = row->frame.orientation >= 5,
                             .aspect = c->options->aspect,
                             .fill = c->options->fill,
                             .keep_out = keep_out};
    if (keep_out == NULL)
        return err_nomem(err);
    int64_t setup = (size_t)row->frame.burst < c->n_setups ? c->setup[row->frame.burst] : 0;
    for (size_t i = 0; i < c->n_areas; i++) {
        const struct catalogue_area *a = &c->area[i];
        if (a->setup != setup)
            continue;
        keep_out[wish.n_keep_out++] =
            (struct crop_box){{(uint32_t)(a->x * picture[0]), (uint32_t)(a->y * picture[1])},
                              {(uint32_t)ceil(a->w * picture[0]) + 1, (uint32_t)ceil(a->h * picture[1]) + 1}};
    }
    bool ok = catalogue_items_load(&c->items, c->s->catalogue, row->frame.burst, err);
    if (ok) {
        find_velocity(&c->items, item, wish.velocity);
        frame->possible = crop_plan(&wish, &frame->box);
    }
    free(keep_out);
    return ok;
}

static bool take_file(void *context, const struct catalogue_file *file, struct err *err)
{
    struct cut_frame *frame = context;
    if (frame->picture != NULL || file->missing || strcmp(file->kind, "jpeg") != 0)
        return true;
    frame->picture = strdup(file->path);
    return frame->picture != NULL || err_nomem(err);
}

static bool take_row(void *context, const struct catalogue_row *row, struct err *err)
{
    struct cutting *c = context;
    bool seen = row->decision != CATALOGUE_UNDECIDED || row->accepted;
    if (strcmp(row->outcome, "keep") != 0 || row->path == NULL)
        return true;
    if (!seen && !c->options->unseen) {
        c->cropped->unseen++;
        return true;
    }
    void *grown = grow(c->frame, c->n, &c->room, sizeof c->frame[0], err);
    if (grown == NULL)
        return false;
    c->frame = grown;
    struct cut_frame *frame = &c->frame[c->n++];
    *frame = (struct cut_frame){.name = strdup(row->path), .blur_px = row->item.blur_px};
    if (frame->name == NULL)
        return err_nomem(err);
    if (!text_has_subject(row))
        return true;
    if (!text_blur_known(&row->item))
        frame->blur_px = NAN;
    return plan_frame(c, row, frame, err) &&
           catalogue_each_file(c->s->catalogue, row->frame.id, take_file, frame, err);
}

/* ---- making -------------------------------------------------------------------------------------------- */

static bool say(struct cutting *c, struct str *text, struct err *err)
{
    bool ok = str_ok(text, err) && c->line(c->context, text->bytes, err);
    str_release(text);
    return ok;
}

static bool say_impossible(struct cutting *c, const struct cut_frame *frame, struct err *err)
{
    struct str text = STR_INIT;
    c->cropped->impossible++;
    text_append_name(&text, frame->name);
    str_printf(&text, ": no such crop: %s",
               frame->picture == NULL ? "there is no subject, or no JPEG"
                                      : "too near to an edge or to an area that is kept out");
    return say(c, &text, err);
}

static bool say_written(struct cutting *c, const struct cut_frame *frame, const char *path, struct err *err)
{
    struct str text = STR_INIT;
    uint32_t w = frame->box.size[0], h = frame->box.size[1];
    text_append_name(&text, path);
    str_printf(&text, ": %u x %u px at %u,%u", w, h, frame->box.at[0], frame->box.at[1]);
    if (!isnan(frame->blur_px))
        str_printf(&text, ", good to %u px", rank_good_to_px(frame->blur_px, w > h ? w : h));
    return say(c, &text, err);
}

static bool take_made(void *context, size_t index, const struct session_made *made, struct err *err)
{
    struct cutting *c = context;
    const struct cut_frame *frame = &c->frame[c->of[index]];
    struct err trouble = ERR_INIT;
    char safe[400], *path = NULL;
    bool there = false;
    const char *leaf = text_leaf(frame->picture), *dot = strrchr(leaf, '.');
    char *stem = str_make(err, "%.*s-crop", (int)(dot != NULL ? dot - leaf : (ptrdiff_t)strlen(leaf)), leaf);
    if (stem == NULL)
        return false;
    bool ok = made->bytes != NULL ? copies_write(&c->copies, stem, dot != NULL ? dot : ".jpg", made->bytes,
                                                 made->size, &there, &path, &trouble)
                                  : err_set(&trouble, ERR_FILE, "%s", made->cause);
    free(stem);
    if (!ok) {
        if (trouble.code == ERR_NO_SPACE || trouble.code == ERR_NOMEM) {
            if (err != NULL)
                *err = trouble;
            return false;
        }
        c->cropped->failed++;
        log_line(c->s->log, "no crop of '%s': %s", err_escape(safe, sizeof safe, frame->name),
                 trouble.message);
        return true;
    }
    c->cropped->written += !there;
    c->cropped->there += there;
    ok = say_written(c, frame, path, err);
    free(path);
    return ok;
}

static bool cut_all(struct cutting *c, struct worker_pool *workers, struct err *err)
{
    c->errand = calloc(c->n + 1, sizeof c->errand[0]);
    c->of = calloc(c->n + 1, sizeof c->of[0]);
    if (c->errand == NULL || c->of == NULL)
        return err_nomem(err);
    for (size_t i = 0; i < c->n; i++) {
        const struct cut_frame *frame = &c->frame[i];
        if (frame->picture == NULL || !frame->possible) {
            if (!say_impossible(c, frame, err))
                return false;
            continue;
        }
        c->of[c->n_errands] = i;
        c->errand[c->n_errands++] = (struct session_errand){
            .kind = SESSION_CUT,
            .picture = frame->picture,
            .without_place = c->options->without_place,
            .box = {frame->box.at[0], frame->box.at[1], frame->box.size[0], frame->box.size[1]}};
    }
    return session_errands(c->s, workers, c->errand, c->n_errands, take_made, c, err);
}

bool report_cut(struct session *s, struct worker_pool *workers, const struct report_crop_options *options,
                report_crop_line *line, void *context, struct report_cropped *cropped, struct err *err)
{
    struct cutting c = {.s = s, .options = options, .cropped = cropped, .line = line, .context = context};
    const struct catalogue_filter keep = {.outcome = "keep"};
    *cropped = (struct report_cropped){0};
    bool ok = copies_open(&c.copies, s, options->folder, "crops", err) &&
              catalogue_each_burst(s->catalogue, note_setup, &c, err) &&
              catalogue_each_area(s->catalogue, note_area, &c, err) &&
              catalogue_each_row(s->catalogue, &keep, take_row, &c, err) && cut_all(&c, workers, err);
    for (size_t i = 0; i < c.n; i++) {
        free(c.frame[i].picture);
        free(c.frame[i].name);
    }
    free(c.frame);
    free(c.setup);
    free(c.area);
    free(c.errand);
    free(c.of);
    catalogue_items_release(&c.items);
    copies_close(&c.copies);
    return ok;
}
