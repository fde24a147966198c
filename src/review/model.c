#include "model.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/frame.h"
#include "chaffinch/rank.h"
#include "json.h"

/* ---- facts ---------------------------------------------------------------- */

/* FNV-1a, 64 bits (Fowler, Noll, Vo: draft-eastlake-fnv). */
static void mix(uint64_t *facts, const void *bytes, size_t size)
{
    const unsigned char *p = bytes;
    for (size_t i = 0; i < size; i++)
        *facts = (*facts ^ p[i]) * UINT64_C(1099511628211);
}

static void mix_text(uint64_t *facts, const char *text)
{
    mix(facts, text, strlen(text) + 1);
}

static void mix_int(uint64_t *facts, int64_t value)
{
    mix(facts, &value, sizeof value);
}

static void mix_row(uint64_t *facts, const struct catalogue_row *r)
{
    mix_int(facts, r->frame.id);
    mix_text(facts, r->frame.state);
    mix_text(facts, r->frame.cause);
    mix_text(facts, r->choice.proposal);
    mix_text(facts, r->choice.reason);
    mix_text(facts, r->path != NULL ? r->path : "");
    mix_int(facts, r->choice.pass);
    mix_int(facts, r->choice.rank);
    mix_int(facts, r->decision);
    mix_int(facts, r->accepted | r->shortlist << 1 | r->recalled << 2 | r->decided_in_camera << 3);
    mix_int(facts, r->n_items);
    if (r->has_item) {
        mix(facts, &r->item.score, sizeof r->item.score);
        mix_int(facts, (int64_t)r->item.x_px << 32 | r->item.y_px);
    }
}

/* ---- one burst ------------------------------------------------------------ */

static bool is(const char *a, const char *b)
{
    return strcmp(a, b) == 0;
}

static void count_in_pass(struct model_pass *p, const struct catalogue_row *r)
{
    bool keep = is(r->outcome, "keep"), reject = is(r->outcome, "reject");
    p->frames++;
    p->keep += keep;
    p->reject += reject;
    p->eyes += !keep && !reject;
    p->decided += r->decision != CATALOGUE_UNDECIDED || r->accepted;
    p->by_person += (r->decision != CATALOGUE_UNDECIDED && !r->decided_in_camera) || r->accepted;
    if (r->choice.rank != 1)
        return;
    bool known = r->has_item && (r->item.flags & RANK_F_NO_BLUR) == 0 && isfinite(r->item.blur_px);
    uint32_t edge = r->frame.width_px > r->frame.height_px ? r->frame.width_px : r->frame.height_px;
    p->best = r->frame.id;
    p->best_blur_px = known ? r->item.blur_px : (double)NAN;
    p->best_good_to_px = known ? rank_good_to_px(r->item.blur_px, edge) : 0;
}

static void count_time(struct model_burst *b, const struct catalogue_frame *f)
{
    if (!f->has_time)
        return;
    if (!b->has_time) {
        b->has_time = true;
        b->start_ns = b->end_ns = f->time_ns;
        b->subsec_digits = f->subsec_digits;
    }
    b->start_ns = f->time_ns < b->start_ns ? f->time_ns : b->start_ns;
    b->end_ns = f->time_ns > b->end_ns ? f->time_ns : b->end_ns;
}

static void count_row(struct model_burst *b, const struct catalogue_row *r)
{
    b->frames++;
    b->eyes += is(r->outcome, "none");
    b->unreadable += is(r->frame.state, "unreadable");
    b->fresh += is(r->frame.state, "new");
    b->accepted += r->accepted;
    b->recalled = b->recalled || r->recalled;
    count_time(b, &r->frame);
    if (b->picture == 0 || b->frames - 1 <= b->expected / 2) {
        b->picture = r->frame.id;
        b->orientation = r->frame.orientation > 0 ? r->frame.orientation : 1;
    }
    if (r->choice.pass > 0 && r->choice.pass <= b->n_passes)
        count_in_pass(&b->pass[r->choice.pass - 1], r);
    mix_row(&b->facts, r);
}

/* How high a pass stands in the line of hours: 1 where the best frame is sharp to the pixel (a blur of .6 px,
   about what a good lens leaves). */
static double sharpness(double blur_px)
{
    return blur_px > .6 ? .6 / blur_px : blur_px >= 0 ? 1 : (double)NAN;
}

/* Marks made in the camera complete what a person began, but begin nothing. */
static const char *judged(const struct model_pass *p)
{
    return p->frames > 0 && p->decided == p->frames ? "yes" : p->by_person > 0 ? "part" : "no";
}

static void write_pass(struct str *s, const struct model_burst *b, uint32_t i)
{
    const struct model_pass *p = &b->pass[i];
    str_printf(s, "%s{\"pass\":%" PRIu32, i > 0 ? "," : "", i + 1);
    json_add_int(s, "best", p->best);
    json_add_number(s, "blur_px", p->best > 0 ? p->best_blur_px : (double)NAN, 3);
    json_add_int(s, "good_to_px", p->best_good_to_px);
    json_add_number(s, "sharpness", p->best > 0 ? sharpness(p->best_blur_px) : (double)NAN, 3);
    json_add_int(s, "keep", p->keep);
    json_add_int(s, "reject", p->reject);
    json_add_int(s, "eyes", p->eyes);
    json_add_int(s, "decided", p->decided);
    json_add_int(s, "frames", p->frames);
    json_add_text(s, "judged", judged(p));
    str_append_char(s, '}');
}

static void write_time(struct str *s, const struct model_burst *b)
{
    enum { DAY_S = 86400 };
    char text[48] = "";
    if (b->has_time)
        frame_time_format(b->start_ns, b->subsec_digits, false, 0, text);
    int64_t of_day_ns = b->start_ns % ((int64_t)DAY_S * 1000000000);
    json_add_text(s, "start", text);
    json_add_number(s, "clock_s", b->has_time ? (double)of_day_ns / 1e9 : (double)NAN, 3);
    json_add_number(s, "duration_s", (double)(b->end_ns - b->start_ns) / 1e9, 3);
}

/* Nothing crosses and nothing rests: for the wall of empties, from which a person may recall it. */
static bool is_empty(const struct model_burst *b)
{
    enum { FRAMES_MIN = 5 }; /* fewer are never judged */
    return b->ranked && !b->recalled && b->n_passes == 0 && b->frames >= FRAMES_MIN && b->unreadable == 0 &&
           (is(b->mode, "moving") || is(b->mode, "unknown"));
}

static bool write_json(struct model_burst *b, struct err *err)
{
    struct str s = STR_INIT;
    str_printf(&s, "\"frames\":%" PRIu32, b->frames);
    json_add_int(&s, "burst", b->number);
    json_add_int(&s, "setup", b->setup);
    write_time(&s, b);
    json_add_text(&s, "mode", b->mode);
    json_add_bool(&s, "perch", b->perch);
    json_add_bool(&s, "nothing_sharp", b->nothing_sharp);
    json_add_bool(&s, "ranked", b->ranked);
    json_add_int(&s, "eyes", b->eyes);
    json_add_bool(&s, "empty", is_empty(b));
    json_add_bool(&s, "accepted", b->frames > 0 && b->accepted == b->frames);
    json_add_bool(&s, "recalled", b->recalled);
    json_add_int(&s, "unreadable", b->unreadable);
    json_add_int(&s, "picture", b->picture);
    json_add_int(&s, "orientation", b->orientation);
    json_key(&s, "passes");
    str_append_char(&s, '[');
    for (uint32_t i = 0; i < b->n_passes; i++)
        write_pass(&s, b, i);
    str_append_char(&s, ']');
    free(b->json);
    b->json = str_take(&s, err);
    return b->json != NULL;
}

static void release_burst(struct model_burst *b)
{
    free(b->pass);
    free(b->json);
    *b = (struct model_burst){0};
}

/* A burst with nothing counted yet. */
static bool start_burst(struct model_burst *b, const struct catalogue_burst *row, struct err *err)
{
    *b = (struct model_burst){.number = row->number,
                              .setup = row->setup,
                              .perch = row->perch,
                              .nothing_sharp = row->nothing_sharp,
                              .ranked = row->mode[0] != '\0',
                              .expected = row->n_frames,
                              .facts = UINT64_C(14695981039346656037)};
    (void)snprintf(b->mode, sizeof b->mode, "%s", row->mode);
    b->pass = calloc(row->n_passes > 0 ? row->n_passes : 1, sizeof *b->pass);
    if (b->pass == NULL)
        return err_nomem(err);
    b->n_passes = row->n_passes;
    mix_int(&b->facts, row->setup << 8 | row->perch << 1 | row->nothing_sharp);
    mix_text(&b->facts, row->stamp);
    return true;
}

/* ---- the session ---------------------------------------------------------- */

static int by_number(const void *key, const void *element)
{
    int64_t number = *(const int64_t *)key, other = ((const struct model_burst *)element)->number;
    return (number > other) - (number < other);
}

static struct model_burst *find(const struct model *m, int64_t number)
{
    return m->n == 0 ? NULL : bsearch(&number, m->burst, m->n, sizeof *m->burst, by_number);
}

const struct model_burst *model_find(const struct model *m, int64_t burst)
{
    return find(m, burst);
}

static bool add_burst(void *context, const struct catalogue_burst *row, struct err *err)
{
    struct model *m = context;
    if (m->n == m->room) {
        size_t room = m->room > 0 ? m->room * 2 : 64;
        struct model_burst *grown = realloc(m->burst, room * sizeof *grown);
        if (grown == NULL)
            return err_nomem(err);
        m->burst = grown;
        m->room = room;
    }
    if (!start_burst(&m->burst[m->n], row, err))
        return false;
    m->n++;
    return true;
}

static bool add_row(void *context, const struct catalogue_row *row, struct err *err)
{
    struct model *m = context;
    struct model_burst *b = find(m, row->frame.burst);
    (void)err;
    m->total++;
    m->fresh += is(row->frame.state, "new");
    if (b != NULL)
        count_row(b, row);
    return true;
}

static bool read_all(struct model *m, struct err *err)
{
    const struct catalogue_filter every = {.burst = 0};
    bool ok = catalogue_data_version(m->catalogue, &m->data_version, err) &&
              catalogue_each_burst(m->catalogue, add_burst, m, err) &&
              catalogue_each_row(m->catalogue, &every, add_row, m, err);
    for (size_t i = 0; ok && i < m->n; i++)
        ok = write_json(&m->burst[i], err);
    return ok;
}

void model_release(struct model *m)
{
    for (size_t i = 0; i < m->n; i++)
        release_burst(&m->burst[i]);
    free(m->burst);
    *m = (struct model){0};
}

bool model_load(struct model *m, struct catalogue *c, struct err *err)
{
    *m = (struct model){.catalogue = c, .version = 1};
    if (!read_all(m, err)) {
        model_release(m);
        return false;
    }
    for (size_t i = 0; i < m->n; i++)
        m->burst[i].changed = 1;
    return true;
}

/* Takes the place of the old model; what differs is of the next version. */
static bool take_over(struct model *m, struct model *fresh)
{
    bool changed = fresh->n != m->n || fresh->total != m->total || fresh->fresh != m->fresh;
    fresh->version = m->version + 1;
    for (size_t i = 0; i < fresh->n; i++) {
        const struct model_burst *old = find(m, fresh->burst[i].number);
        bool same = old != NULL && old->facts == fresh->burst[i].facts;
        fresh->burst[i].changed = same ? old->changed : fresh->version;
        changed = changed || !same;
    }
    if (!changed)
        fresh->version--;
    model_release(m);
    *m = *fresh;
    return changed;
}

bool model_look(struct model *m, bool *changed, struct err *err)
{
    struct model fresh = {.catalogue = m->catalogue};
    int64_t data_version;
    *changed = false;
    if (!catalogue_data_version(m->catalogue, &data_version, err))
        return false;
    if (data_version == m->data_version)
        return true;
    if (!read_all(&fresh, err)) {
        model_release(&fresh);
        return false;
    }
    *changed = take_over(m, &fresh);
    return true;
}

struct one {
    struct model_burst *old, fresh;
    bool found;
};

static bool start_one(void *context, const struct catalogue_burst *row, struct err *err)
{
    struct one *one = context;
    if (one->found || row->number != one->old->number)
        return true;
    one->found = true;
    return start_burst(&one->fresh, row, err);
}

static bool count_one(void *context, const struct catalogue_row *row, struct err *err)
{
    struct one *one = context;
    (void)err;
    count_row(&one->fresh, row);
    return true;
}

bool model_touch(struct model *m, int64_t burst, struct err *err)
{
    struct one one = {.old = find(m, burst)};
    const struct catalogue_filter of_burst = {.burst = burst};
    m->version++;
    if (one.old == NULL)
        return true;
    bool ok = catalogue_each_burst(m->catalogue, start_one, &one, err) &&
              (!one.found || catalogue_each_row(m->catalogue, &of_burst, count_one, &one, err)) &&
              (!one.found || write_json(&one.fresh, err));
    if (!ok || !one.found) {
        release_burst(&one.fresh);
        return ok;
    }
    one.fresh.changed = m->version;
    release_burst(one.old);
    *one.old = one.fresh;
    return true;
}
