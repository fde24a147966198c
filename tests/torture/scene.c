#include "scene.h"

#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "chaffinch/catalogue.h"
#include "chaffinch/str.h"

#include "../ref/maker.h"

const char *const scene_rejects[3] = {"DCIM/100DEMOS/_DSC0001.JPG", "DCIM/100DEMOS/odd\nname 3.JPG",
                                      "DCIM/101DEMOS/_DSC0006.JPG"};

const char *const scene_frames[SCENE_FRAMES] = {
    "DCIM/100DEMOS/_DSC0001.JPG",      "DCIM/100DEMOS/_DSC0002.JPG", "DCIM/100DEMOS/odd\nname 3.JPG",
    "DCIM/100DEMOS/-dash\xff\xfe.JPG", "DCIM/100DEMOS/_DSC0005.JPG", "DCIM/101DEMOS/_DSC0006.JPG",
    "DCIM/101DEMOS/_DSC0007.JPG"};
static const char *const kept[2] = {"DCIM/100DEMOS/_DSC0002.JPG", "DCIM/100DEMOS/_DSC0005.JPG"};

enum what { JPEG, RAW, TEXT };

struct file {
    const char *path;
    enum what what;
    int ms; /* time of exposure within the minute */
    bool reject;
};

static const struct file files[] = {
    {"DCIM/100DEMOS/_DSC0001.JPG", JPEG, 1000, true},
    {"DCIM/100DEMOS/_DSC0001.DNG", RAW, 1000, true},
    {"DCIM/100DEMOS/_DSC0001.xmp", TEXT, 0, true},
    {"DCIM/100DEMOS/_DSC0002.JPG", JPEG, 1050, false},
    {"DCIM/100DEMOS/odd\nname 3.JPG", JPEG, 1100, true},
    {"DCIM/100DEMOS/-dash\xff\xfe.JPG", JPEG, 1150, false},
    {"DCIM/100DEMOS/_DSC0005.JPG", JPEG, 1200, false},
    {"DCIM/100DEMOS/_DSC0005.WAV", TEXT, 0, false},
    {"DCIM/101DEMOS/_DSC0006.JPG", JPEG, 30000, true},
    {"DCIM/101DEMOS/_DSC0006.JPG.xmp", TEXT, 0, true},
    {"DCIM/101DEMOS/_DSC0007.JPG", JPEG, 30050, false},
    {"MISC/note.txt", TEXT, 0, false},
    {"PRIVATE/clip.MOV", TEXT, 0, false},
};
enum { FILES = sizeof files / sizeof files[0] };

bool scene_is_new_sidecar(const char *path)
{
    return strcmp(path, "DCIM/100DEMOS/odd\nname 3.xmp") == 0;
}

bool scene_is_reject(const char *path)
{
    for (int i = 0; i < FILES; i++)
        if (strcmp(files[i].path, path) == 0)
            return files[i].reject;
    return false;
}

static bool is_sidecar(const char *path)
{
    size_t n = strlen(path);
    return n > 4 && strcmp(path + n - 4, ".xmp") == 0;
}

/* Namespaces of ISO 16684-1. */
static const char sidecar_text[] =
    "<x:xmpmeta xmlns:x='adobe:ns:meta/'><rdf:RDF xmlns:rdf='http://www.w3.org/1999/02/22-rdf-syntax-ns#'>"
    "<rdf:Description rdf:about='' xmlns:xmp='http://ns.adobe.com/xap/1.0/' xmp:Label='sluice %d'/>"
    "</rdf:RDF></x:xmpmeta>\n";

static uint8_t *content(int index, size_t *size)
{
    const struct file *f = &files[index];
    if (f->what == JPEG)
        return scene_jpeg(96, 72, (uint32_t)index, f->ms, size);
    if (f->what == RAW) {
        const struct make_dng how = {.width_px = 32, .height_px = 24, .seed = (uint32_t)index};
        struct bytes dng = make_dng(&how);
        *size = dng.size;
        return dng.at;
    }
    if (is_sidecar(f->path)) {
        uint8_t *packet = (uint8_t *)str_make(NULL, sidecar_text, index);
        *size = packet != NULL ? strlen((char *)packet) : 0;
        return packet;
    }
    uint8_t *text = calloc(1, 3000);
    if (text == NULL)
        tree_die("no memory for", f->path);
    *size = (size_t)snprintf((char *)text, 3000, "file %d of the card, %s\n", index, f->path);
    if (index == FILES - 1)
        *size = 2999; /* the clip */
    return text;
}

static void make_parents(const char *path)
{
    char *copy = strdup(path);
    for (char *p = copy + 1; (p = strchr(p, '/')) != NULL; *p++ = '/') {
        *p = '\0';
        (void)mkdir(copy, 0755);
    }
    free(copy);
}

static void set_time(const char *path, int index)
{
    const struct timespec t = {.tv_sec = 1777613400 + index * 61, .tv_nsec = 120000000 + index};
    const struct timespec times[2] = {t, t};
    if (utimensat(AT_FDCWD, path, times, 0) != 0)
        tree_die("cannot set the time of", path);
}

static void make_card(const struct scene *s)
{
    static const char *const folders[] = {"DCIM/100DEMOS", "DCIM/101DEMOS", "DCIM", "MISC", "PRIVATE", "."};
    for (int i = 0; i < FILES; i++) {
        size_t size;
        char *path = tree_path(s->card, files[i].path);
        uint8_t *bytes = content(i, &size);
        make_parents(path);
        tree_write(path, bytes, size);
        set_time(path, i);
        free(bytes);
        free(path);
    }
    for (int i = 0; i < (int)(sizeof folders / sizeof folders[0]); i++) {
        char *path = tree_path(s->card, folders[i]);
        set_time(path, 100 + i);
        free(path);
    }
}

static void keep_stage(struct scene *s, enum stage stage)
{
    const struct program_run list = {.engine = true,
                                     .args = {"list", s->session, "--frames", "--format", "csv"}};
    tree_copy(s->session, s->stage[stage]);
    if (stage >= STAGE_MEASURED && (s->list[stage] = program_text(&list)) == NULL)
        exit(1);
}

/* ---- the catalogue, from within -------------------------------------------------------------------------
 */

static struct catalogue *open_catalogue(const struct scene *s, struct root *root)
{
    struct err err = ERR_INIT;
    struct catalogue *c = root_open(root, files_system(), s->session, false, false, &err)
                              ? catalogue_open(root, CATALOGUE_WRITE, &err)
                              : NULL;
    if (c == NULL)
        tree_die("cannot open the catalogue:", err.message);
    return c;
}

static void find_rejects(struct scene *s)
{
    struct err err = ERR_INIT;
    struct root root = ROOT_INIT;
    struct catalogue *c = open_catalogue(s, &root);
    for (int i = 0; i < 3; i++)
        if (!catalogue_find_path(c, scene_rejects[i], &s->reject[i], &err))
            tree_die("cannot find", scene_rejects[i]);
    catalogue_close(c);
    root_close(&root);
}

/* A subject of 24 x 16 px in the middle of each kept frame. */
static void put_subjects(const struct scene *s)
{
    struct err err = ERR_INIT;
    struct root root = ROOT_INIT;
    struct catalogue *c = open_catalogue(s, &root);
    struct catalogue_item items[2];
    bool ok = true;
    for (uint32_t i = 0; ok && i < 2; i++) {
        items[i] = (struct catalogue_item){.pass = 1,
                                           .time_ns = i * INT64_C(1000000),
                                           .x_px = 36,
                                           .y_px = 28,
                                           .w_px = 24,
                                           .h_px = 16,
                                           .score = 2.0 - i,
                                           .blur_px = .8,
                                           .blur_low_px = .7,
                                           .blur_high_px = .9,
                                           .p_sharp = 1};
        ok = catalogue_find_path(c, kept[i], &items[i].frame, &err);
        const struct catalogue_choice choice = {
            .frame = items[i].frame, .pass = 1, .rank = i + 1, .proposal = "keep", .reason = "sharpest"};
        ok = ok && catalogue_put_choice(c, &choice, &err);
    }
    if (!ok || !catalogue_put_items(c, 1, items, 2, &err))
        tree_die("cannot put subjects:", err.message);
    catalogue_close(c);
    root_close(&root);
}

/* ---- stages ---------------------------------------------------------------------------------------------
 */

/* What goes into a folder outside of the session, when nothing disturbs it. */
static void make_outside(struct scene *s, const struct program_run *run, struct tree *right)
{
    if (!program_expect(run, 0))
        exit(1);
    tree_read(right, s->made, false);
    if (right->n != 2)
        tree_die("not two new files in", s->made);
    tree_remove(s->made);
}

static void make_kept(struct scene *s)
{
    const struct program_run keep = {.engine = true,
                                     .args = {"decide", s->session, "keep", kept[0], kept[1]}};
    const struct program_run deliver = {
        .engine = true, .args = {"hand-on", s->session, "--deliver", s->made, "--label", "pond"}};
    const struct program_run crop = {.engine = true, .args = {"crop", s->session, "--to", s->made}};
    const struct program_run glance = {.engine = true, .args = {"glance", s->card}};
    scene_reset(s, STAGE_DECIDED);
    put_subjects(s);
    if (!program_expect(&keep, 0))
        exit(1);
    keep_stage(s, STAGE_KEPT);
    make_outside(s, &deliver, &s->delivered);
    make_outside(s, &crop, &s->cropped);
    if ((s->glance = program_text(&glance)) == NULL)
        exit(1);
}

static void make_stages(struct scene *s)
{
    const struct program_run steps[] = {
        {.engine = true, .args = {"copy", s->card, s->session, "--one-is-enough"}},
        {.engine = true, .args = {"measure", s->session, "--jobs", "1"}},
        {.engine = true, .args = {"rank", s->session}},
        {.engine = true,
         .args = {"decide", s->session, "reject", scene_rejects[0], scene_rejects[1], scene_rejects[2]}},
        {.args = {s->session, "--move"}},
        {.args = {s->session, "--move", "--to", s->away}},
        {.engine = true, .args = {"hand-on", s->session, "--mark-rejects"}},
        {.args = {s->session, "--sidecars"}},
    };
    for (int i = 0; i < (int)(sizeof steps / sizeof steps[0]); i++) {
        enum stage stage = (enum stage)(STAGE_COPIED + i);
        if (stage == STAGE_AWAY || stage == STAGE_HANDED)
            scene_reset(s, STAGE_DECIDED);
        if (!program_expect(&steps[i], 0))
            exit(1);
        keep_stage(s, stage);
        if (stage == STAGE_AWAY)
            tree_copy(s->away, s->away_kept);
        if (stage == STAGE_MEASURED)
            find_rejects(s);
    }
    make_kept(s);
}

void scene_make(struct scene *s, const char *name)
{
    static const char *const names[STAGES] = {"nothing", "copied",     "measured", "ranked",  "decided",
                                              "moved",   "moved-away", "handed",   "swapped", "kept"};
    *s = (struct scene){.work = tree_scratch(name)};
    s->card = tree_path(s->work, "card");
    s->session = tree_path(s->work, "session");
    s->second = tree_path(s->work, "second");
    s->sheet = tree_path(s->work, "sheet.html");
    s->away = tree_path(s->work, "away");
    s->made = tree_path(s->work, "made");
    s->away_kept = tree_path(s->work, "away-kept");
    for (int i = 0; i < STAGES; i++)
        s->stage[i] = tree_path(s->work, names[i]);
    make_card(s);
    make_stages(s);
    tree_read(&s->card_tree, s->card, true);
    tree_read(&s->originals, s->stage[STAGE_COPIED], false);
}

void scene_reset(const struct scene *s, enum stage stage)
{
    tree_remove(s->second);
    tree_remove(s->sheet);
    tree_remove(s->away);
    tree_remove(s->made);
    if (stage == STAGE_AWAY)
        tree_copy(s->away_kept, s->away);
    tree_copy(s->stage[stage], s->session);
}

void scene_free(struct scene *s)
{
    tree_remove(s->work);
    tree_release(&s->card_tree);
    tree_release(&s->originals);
    tree_release(&s->delivered);
    tree_release(&s->cropped);
    free(s->glance);
    for (int i = 0; i < STAGES; i++) {
        free(s->stage[i]);
        free(s->list[i]);
    }
    free(s->work);
    free(s->card);
    free(s->session);
    free(s->second);
    free(s->sheet);
    free(s->away);
    free(s->away_kept);
    free(s->made);
}
