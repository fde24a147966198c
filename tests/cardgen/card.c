#include "card.h"
#include "fileout.h"
#include "outfile.h"
#include "rng.h"
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>

#define DATE "2026:05:16"
#define MAX_ITEMS 1024

static bool listed(const char *only, const char *name)
{
    size_t n = strlen(name);
    for (const char *p = only; p && *p; p = strchr(p, ',') ? strchr(p, ',') + 1 : NULL)
        if (strncmp(p, name, n) == 0 && (p[n] == ',' || p[n] == 0))
            return true;
    return !only;
}

static bool known(const struct card_plan *plan, const char *only)
{
    for (const char *p = only; p && *p; p = strchr(p, ',') ? strchr(p, ',') + 1 : NULL) {
        size_t n = strcspn(p, ",");
        bool found = false;
        for (int b = 0; b < plan->bursts; b++)
            found = found || (strlen(plan->burst[b].name) == n && strncmp(plan->burst[b].name, p, n) == 0);
        if (!found) {
            fprintf(stderr, "cardgen: no burst '%.*s': see --help for the names\n", (int)n, p);
            return false;
        }
    }
    return true;
}

static void add_item(struct card_plan *plan, struct card_item item)
{
    if (plan->count < MAX_ITEMS)
        plan->item[plan->count++] = item;
}

static void add_burst(struct card_plan *plan, int b, bool made)
{
    const struct burst_script *s = &plan->burst[b];
    for (int f = 0; f < s->frames; f++) {
        struct rng r = rng_from(rng_name(s->name), (uint64_t)f); /* a shutter is a little uneven */
        double time = s->start_s + (double)f / (double)s->fps + (double)rng_range(&r, -0.0003f, 0.0003f);
        add_item(plan, (struct card_item){CARD_FRAME, b, f, 0, 0, time, made, {{{0}}}});
    }
}

/* Numbers run up to 9999 in the middle of the burst "rollover"; the next one is 0001 in a new folder. */
static void number_items(struct card_plan *plan)
{
    int last_old = 0;
    for (int i = 0; i < plan->count; i++)
        if (plan->item[i].burst >= 0 && strcmp(plan->burst[plan->item[i].burst].name, "rollover") == 0 &&
            plan->item[i].frame <= 18)
            last_old = i;
    for (int i = 0; i < plan->count; i++) {
        plan->item[i].folder = i <= last_old ? 100 : 101;
        plan->item[i].number = i <= last_old ? 9999 - (last_old - i) : i - last_old;
    }
}

bool card_plan_make(struct card_plan *plan, const struct card_options *o)
{
    *plan = (struct card_plan){0};
    plan->burst = script_bursts(&plan->bursts);
    if (!known(plan, o->only))
        return false;
    void *mem =
        mmap(NULL, MAX_ITEMS * sizeof *plan->item, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    if (mem == MAP_FAILED) {
        perror("cardgen: mmap");
        return false;
    }
    plan->item = mem;
    for (int b = 0; b < plan->bursts; b++) {
        const struct burst_script *s = &plan->burst[b];
        double after = s->start_s + s->frames / (double)s->fps + 9.0;
        add_burst(plan, b, listed(o->only, s->name));
        if (strcmp(s->name, "hover") == 0) /* the battery was changed: the camera left an empty file */
            add_item(plan, (struct card_item){CARD_ZERO, -1, 0, 0, 0, after, !o->only, {{{0}}}});
        if (strcmp(s->name, "lone") == 0)
            add_item(plan, (struct card_item){CARD_HEIF, -1, 0, 0, 0, after, !o->only, {{{0}}}});
    }
    number_items(plan);
    return true;
}

void card_plan_free(struct card_plan *plan)
{
    if (plan->item)
        munmap(plan->item, MAX_ITEMS * sizeof *plan->item);
    *plan = (struct card_plan){0};
}

static void item_path(const struct card_item *i, const char *prefix, const char *ext, char *path, size_t room)
{
    snprintf(path, room, "DCIM/%dEXMPL/%sDEMO%04d.%s", i->folder, prefix, i->number, ext);
}

static struct exif_facts facts_of(const struct burst_script *b, const struct card_item *i, int w, int h)
{
    struct lens l = script_lens(b->setup, w);
    struct exif_facts f = {
        .offset = "+02:00", .exposure_s = l.exposure_s, .fnumber = l.fnumber, .focal_mm = l.focal_mm};
    unsigned s = (unsigned)i->time_s, micro = (unsigned)((i->time_s - s) * 1e6);
    snprintf(f.date_time, sizeof f.date_time, DATE " %02u:%02u:%02u", s / 3600 % 24, s / 60 % 60, s % 60);
    if (b->sub_sec_digits == 2)
        snprintf(f.sub_sec, sizeof f.sub_sec, "%02u", micro / 10000 % 100);
    else
        snprintf(f.sub_sec, sizeof f.sub_sec, "%03u", micro / 1000 % 1000);
    f.iso = b->setup->iso;
    f.orientation = b->orientation;
    f.rating = i->frame == b->rated_frame ? 3 : 0;
    f.image_w = (uint32_t)w;
    f.image_h = (uint32_t)h;
    return f;
}

static bool write_raw(const struct card_options *o, const struct card_item *i, const struct exif_facts *f,
                      struct painter *painter, const uint8_t *rgb)
{
    struct bytes preview = {0}, dng = {0};
    char path[64];
    int pw = (o->w + 1) / 2, ph = (o->h + 1) / 2;
    uint8_t *half = canvas_alloc((size_t)pw * (size_t)ph, 3);
    rgb_shrink(rgb, o->w, o->h, half, pw, ph);
    jpeg_write(&preview, half, pw, ph, (struct jpeg_weight){85, false}, NULL);
    free(half);
    dng_write(&dng, f, painter_raw(painter), &preview, pw, ph);
    item_path(i, "", "DNG", path, sizeof path);
    bool ok = outfile_put(o->out, path, dng.data, dng.size, i->time_s, false);
    bytes_free(&preview);
    bytes_free(&dng);
    return ok;
}

static bool write_frame(const struct card_options *o, const struct burst_script *b, struct card_item *i,
                        struct painter *painter)
{
    struct bytes exif = {0}, jpeg = {0};
    char path[64];
    const uint8_t *rgb = painter_frame(painter, b, i->frame, &i->truth);
    struct exif_facts f = facts_of(b, i, o->w, o->h);
    exif_block(&exif, &f, rgb, o->w, o->h);
    jpeg_write(&jpeg, rgb, o->w, o->h, o->weight, &exif);
    if (i->frame == b->truncated_frame) /* the card was pulled out too early */
        jpeg.size = jpeg.size * 2 / 5;
    item_path(i, "", "JPG", path, sizeof path);
    bool ok = outfile_put(o->out, path, jpeg.data, jpeg.size, i->time_s, i->frame == b->protected_frame);
    if (ok && b->raw)
        ok = write_raw(o, i, &f, painter, rgb);
    bytes_free(&exif);
    bytes_free(&jpeg);
    return ok;
}

bool card_write_items(struct card_plan *plan, const struct card_options *o, struct painter *painter,
                      int first, int last)
{
    for (int i = first; i < last; i++) {
        struct card_item *q = &plan->item[i];
        if (q->kind == CARD_FRAME && q->made && !write_frame(o, &plan->burst[q->burst], q, painter))
            return false;
    }
    return true;
}

static bool write_strays(const struct card_plan *plan, const struct card_options *o)
{
    char path[64];
    for (int n = 0; n < plan->count; n++) {
        const struct card_item *i = &plan->item[n];
        const struct burst_script *b = i->burst >= 0 ? &plan->burst[i->burst] : NULL;
        bool ok = true;
        if (!i->made)
            continue;
        if (i->kind == CARD_ZERO) {
            item_path(i, "", "JPG", path, sizeof path);
            ok = outfile_put(o->out, path, "", 0, i->time_s, false);
        } else if (i->kind == CARD_HEIF) {
            item_path(i, "", "HIF", path, sizeof path);
            ok = outfile_heif(o->out, path, i->time_s, o->seed);
        } else if (i->frame == b->sidecar_frame) {
            item_path(i, "", "XMP", path, sizeof path);
            ok = outfile_sidecar(o->out, path, i->time_s);
        } else if (i->frame == b->apple_frame) {
            item_path(i, "._", "JPG", path, sizeof path);
            ok = outfile_apple_double(o->out, path, i->time_s);
        }
        if (!ok)
            return false;
    }
    return o->only || outfile_clip(o->out, "PRIVATE/CLIPS/C0001.MP4",
                                   plan->burst[plan->bursts - 1].start_s + 60, o->seed);
}

const char card_truth_format[] =
    "truth.csv has one row for each picture number of the card, in the order of capture. Its columns:\n"
    "  path        of the JPEG (or of what stands for it), relative to the card\n"
    "  burst       name of the burst, or 'single' for a single frame; 'stray' for files that hold no "
    "picture\n"
    "  scene       what the burst or single frame shows: the name that --only takes\n"
    "  setup       number of the camera position\n"
    "  index       of the frame in its burst, from 0\n"
    "  kind        flight, rest, empty, truncated, zero or heif\n"
    "  mark        protected, rated or nothing: what the photographer marked in the camera\n"
    "  raw         path of the raw beside the JPEG, or nothing\n"
    "then for the first bird, and again with a 2 behind each name for the second one:\n"
    "  pass        number of its pass in the burst, from 1; 0 where it is not in the picture, and then all "
    "else is empty\n"
    "  x y w h     box of its outline without blur, clipped to the picture, px of the stored (unrotated) "
    "picture\n"
    "  blur        Gaussian-equivalent radius in px: sqrt(base^2 + disc^2/16 + line^2/24). base = sqrt(1/3) "
    "px "
    "(pixel\n"
    "              aperture, lens, demosaicing). A disc of diameter d has the deviation d/4 on each axis; a "
    "line of\n"
    "              length n has n/sqrt(12) along it and none across: the variances of both axes are "
    "averaged\n"
    "  plane       mm from the plane of focus, positive = beyond it\n"
    "  line        length of the motion during the exposure, px (of the body; wing tips move faster)\n"
    "  visible     share of it (blurred) that is inside the picture and not behind reeds or timber, 0..1\n"
    "  complete    1 = wholly inside the picture and not hidden\n"
    "  cut         1 = the edge of the picture cuts it\n"
    "  hidden      1 = more than a fifth of what is inside the picture is behind something\n"
    "  landed      1 = at rest\n";

static void csv_bird(FILE *f, const struct picture_bird *t, int pass, const char *end)
{
    if (!t->present) {
        fprintf(f, "0,,,,,,,,,,,,%s", end);
        return;
    }
    fprintf(f, "%d,%.1f,%.1f,%.1f,%.1f,%.3f,%.1f,%.2f,%.3f,%d,%d,%d,%d%s", pass, (double)t->x, (double)t->y,
            (double)t->w, (double)t->h, (double)t->blur_px, (double)t->plane_mm, (double)t->line_px,
            (double)t->visible, !t->cut && !t->hidden, t->cut, t->hidden, t->landed, end);
}

static const char *kind_of(const struct card_item *i, const struct burst_script *b)
{
    if (i->kind != CARD_FRAME)
        return i->kind == CARD_ZERO ? "zero" : "heif";
    if (i->frame == b->truncated_frame)
        return "truncated";
    const struct picture_bird *t = i->truth.bird;
    return !t[0].present && !t[1].present ? "empty" : t[0].landed || t[1].landed ? "rest" : "flight";
}

static void csv_row(FILE *f, const struct card_plan *plan, const struct card_item *i)
{
    const struct burst_script *b = i->burst >= 0 ? &plan->burst[i->burst] : NULL;
    char path[64], raw[64] = "";
    item_path(i, "", i->kind == CARD_HEIF ? "HIF" : "JPG", path, sizeof path);
    if (b && b->raw)
        item_path(i, "", "DNG", raw, sizeof raw);
    const char *mark = b && i->frame == b->protected_frame ? "protected"
                       : b && i->frame == b->rated_frame   ? "rated"
                                                           : "";
    const char *burst = !b ? "stray" : b->frames == 1 ? "single" : b->name;
    fprintf(f, "%s,%s,%s,%d,%d,%s,%s,%s,", path, burst, b ? b->name : "", b ? b->setup->number : 0, i->frame,
            kind_of(i, b), mark, raw);
    csv_bird(f, &i->truth.bird[0], 1, ",");
    csv_bird(f, &i->truth.bird[1], 2, "\n");
}

static bool write_truth(const struct card_plan *plan, const struct card_options *o)
{
    static const char columns[] =
        "path,burst,scene,setup,index,kind,mark,raw,"
        "pass,x,y,w,h,blur,plane,line,visible,complete,cut,hidden,landed,"
        "pass2,x2,y2,w2,h2,blur2,plane2,line2,visible2,complete2,cut2,hidden2,landed2\n";
    char path[4096];
    snprintf(path, sizeof path, "%s/truth.csv", o->out);
    FILE *f = fopen(path, "w");
    if (!f) {
        perror(path);
        return false;
    }
    fputs(columns, f);
    for (int i = 0; i < plan->count; i++)
        if (plan->item[i].made)
            csv_row(f, plan, &plan->item[i]);
    if (fclose(f)) {
        perror(path);
        return false;
    }
    snprintf(path, sizeof path, "%s/truth-format.txt", o->out);
    f = fopen(path, "w");
    bool ok = f && fputs(card_truth_format, f) >= 0;
    if (f && fclose(f))
        ok = false;
    if (!ok)
        perror(path);
    return ok;
}

bool card_write_rest(const struct card_plan *plan, const struct card_options *o)
{
    return write_strays(plan, o) && write_truth(plan, o);
}
