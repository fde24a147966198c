/*
 * scene.h - a small card and the session that comes of it, at each stage of a night's work.
 *
 * Scenario: swallows skim a mill pond to drink, camera on the sluice. Seven frames in two folders, with a
 * raw, a sidecar, a sound, a clip and a note; names with a newline, a leading dash and bytes that are not
 * UTF-8. Three frames are decided as rejects; at STAGE_KEPT two others are decided keep besides, with a
 * subject to be cut out (the pictures are too small to have one found).
 */
#ifndef TESTS_TORTURE_SCENE_H
#define TESTS_TORTURE_SCENE_H

#include "picture.h"
#include "program.h"
#include "tree.h"

enum stage {
    STAGE_NOTHING,
    STAGE_COPIED,
    STAGE_MEASURED,
    STAGE_RANKED,
    STAGE_DECIDED,
    STAGE_MOVED,
    STAGE_AWAY,
    STAGE_HANDED,
    STAGE_SWAPPED,
    STAGE_KEPT,
    STAGES
};

struct scene {
    char *work, *card, *session, *second, *sheet, *away, *made;
    char *stage[STAGES];
    char *away_kept;                /* what lies in `away` at STAGE_AWAY */
    struct tree card_tree;          /* as it must stay */
    struct tree originals;          /* the session's files, as copied */
    struct tree delivered, cropped; /* what an undisturbed hand-on --deliver, crop --to leaves in `made` */
    char *glance;                   /* what an undisturbed glance prints */
    int64_t reject[3];              /* numbers of the frames of scene_rejects */
    char *list[STAGES];             /* what `list --frames --format csv` prints then; NULL before measuring */
};

/* The files of the frames that are rejects. */
enum { SCENE_REJECT_FILES = 6 };
bool scene_is_reject(const char *path);
/* A sidecar that hand-on makes where there is none (rejects are rated in these tests). */
bool scene_is_new_sidecar(const char *path);
/* One file of each reject, to be named to `decide`. */
extern const char *const scene_rejects[3];
/* One file of each frame. */
enum { SCENE_FRAMES = 7 };
extern const char *const scene_frames[SCENE_FRAMES];

void scene_make(struct scene *s, const char *name);
/* Puts the session back as it was at that stage. */
void scene_reset(const struct scene *s, enum stage stage);
void scene_free(struct scene *s);

#endif
