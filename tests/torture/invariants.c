#include "invariants.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/catalogue.h"
#include "chaffinch/files.h"

static bool wrong(const char *what, const char *path)
{
    char safe[600];
    fprintf(stderr, "  invariant: %s: '%s'\n", what, err_escape(safe, sizeof safe, path));
    return false;
}

static bool same_time(const struct invariants *w, int64_t a, int64_t b)
{
    int64_t apart = a > b ? a - b : b - a;
    return w->grain_ns > 0 ? apart <= w->grain_ns : apart == 0;
}

/* 1 = the original stands there whole, 0 = nothing does (or our reservation), -1 = something else. */
static int stands(const struct invariants *w, const struct tree_entry *original,
                  const struct tree_entry *there)
{
    if (there == NULL)
        return 0;
    bool same = S_ISREG(there->mode) && there->size == original->size &&
                hash_equal(&there->digest, &original->digest);
    if (same && same_time(w, there->mtime_ns, original->mtime_ns))
        return 1;
    if (w->reserved && S_ISREG(there->mode) && there->size == 0)
        return 0;
    return -1;
}

static bool judge(const struct invariants *w, const struct tree_entry *original, int home, int away)
{
    bool reject = scene_is_reject(original->path);
    int n = (home == 1) + (away == 1);
    if (home < 0 || away < 0)
        return wrong("not the original's bytes or time", original->path);
    if (w->state == STATE_COPYING)
        return away == 0 || wrong("is among the rejects", original->path);
    if (!reject || w->state == STATE_HOME || w->state == STATE_SWAPPING)
        return (home == 1 && away == 0) || wrong("is not at home", original->path);
    switch (w->state) {
    case STATE_MOVED:
        return (home == 0 && away == 1) || wrong("is not among the rejects", original->path);
    case STATE_DELETED:
        return n == 0 || wrong("is not deleted", original->path);
    case STATE_GOING:
        return home == 0 || wrong("came home instead of going", original->path);
    default:
        return n == 1 || (n == 2 && w->two) || wrong(n == 0 ? "IS LOST" : "is there twice", original->path);
    }
}

static bool is_sidecar(const char *path)
{
    size_t n = strlen(path);
    return n > 4 && strcmp(path + n - 4, ".xmp") == 0;
}

/* The old bytes of a sidecar stand at home, or are kept by exactly one run that swapped another in. */
static bool check_sidecar(const struct invariants *w, const struct tree_entry *o, const struct tree *now,
                          const struct tree *kept)
{
    const struct tree_entry *home = tree_find(now, o->path);
    size_t size = strlen(o->path);
    int n = home != NULL && stands(w, o, home) == 1;
    for (size_t i = 0; i < kept->n; i++) {
        const char *slash = strchr(kept->entry[i].path, '/'); /* behind the number of the run */
        n += slash != NULL && strlen(slash + 1) == size && strcmp(slash + 1, o->path) == 0 &&
             stands(w, o, &kept->entry[i]) == 1;
    }
    return n == 1 || wrong(n == 0 ? "the old sidecar IS LOST" : "the old sidecar is there twice", o->path);
}

static bool check_originals(const struct invariants *w, const struct tree *now, const struct tree *far)
{
    bool ok = true;
    for (size_t i = 0; i < w->scene->originals.n; i++) {
        const struct tree_entry *o = &w->scene->originals.entry[i];
        if (!S_ISREG(o->mode))
            continue;
        if (w->state == STATE_SWAPPING && is_sidecar(o->path)) {
            ok = check_sidecar(w, o, now, far) && ok;
            continue;
        }
        char *near = tree_path("rejects", o->path);
        const struct tree_entry *away = w->away != NULL ? tree_find(far, o->path) : tree_find(now, near);
        ok = judge(w, o, stands(w, o, tree_find(now, o->path)), stands(w, o, away)) && ok;
        free(near);
    }
    return ok;
}

/* Anything that is not an original under one of its names, a folder of it, or a copy under way. */
static bool check_strangers(const struct invariants *w, const struct tree *now, bool far)
{
    bool ok = true;
    for (size_t i = 0; i < now->n; i++) {
        const char *path = now->entry[i].path;
        bool away = far || (w->away == NULL && strncmp(path, "rejects/", 8) == 0);
        const struct tree_entry *o = tree_find(&w->scene->originals, away && !far ? path + 8 : path);
        const char *slash = strrchr(path, '/');
        bool part = w->two && strncmp(slash != NULL ? slash + 1 : path, ".chaffinch-", 11) == 0;
        bool folder = S_ISDIR(now->entry[i].mode);
        if (w->state == STATE_SWAPPING && scene_is_new_sidecar(path))
            continue;
        if (folder && !far && w->away == NULL && strcmp(path, "rejects") == 0 &&
            !(w->state == STATE_HOME && w->folder_times))
            continue;
        if (folder && away && w->state == STATE_HOME && w->folder_times)
            ok = wrong("a folder of ours is left", path);
        else if (o == NULL && !part)
            ok = wrong("something else is there", path);
        else if (o != NULL && S_ISDIR(o->mode) != folder)
            ok = wrong("is of another kind", path);
        else if (o != NULL && folder && !away && w->folder_times && o->mtime_ns != now->entry[i].mtime_ns)
            ok = wrong("the folder's time changed", path);
    }
    return ok;
}

bool invariants_hold(const struct invariants *w)
{
    struct tree card, now, far = {.n = 0};
    tree_read(&card, w->scene->card, true);
    tree_read(&now, w->root, false);
    char *kept = tree_path(w->root, ".chaffinch/replaced");
    if (w->away != NULL || w->state == STATE_SWAPPING)
        tree_read(&far, w->away != NULL ? w->away : kept, true);
    free(kept);
    bool ok = tree_same(&w->scene->card_tree, &card, true, "invariant: the card");
    ok = check_originals(w, &now, &far) && ok;
    ok = check_strangers(w, &now, false) && (w->away == NULL || check_strangers(w, &far, true)) && ok;
    tree_release(&far);
    tree_release(&card);
    tree_release(&now);
    return ok;
}

bool invariants_made(const char *folder, const struct tree *right, bool all)
{
    struct tree now;
    bool ok = true;
    size_t whole = 0;
    tree_read(&now, folder, false);
    for (size_t i = 0; i < now.n; i++) {
        const struct tree_entry *e = &now.entry[i], *r = tree_find(right, e->path);
        whole += r != NULL;
        if (r == NULL && !all && strncmp(e->path, ".chaffinch-", 11) == 0)
            continue; /* a part, under a name of ours */
        if (r == NULL)
            ok = wrong("something else was made", e->path);
        else if (e->mode != r->mode || e->size != r->size || !hash_equal(&e->digest, &r->digest))
            ok = wrong("was made, but not whole", e->path);
    }
    if (all && whole != right->n)
        ok = wrong("not all was made in", folder);
    tree_release(&now);
    return ok;
}

/* ---- the catalogue ------------------------------------------------------------------------------------- */

struct compared {
    const struct tree *now;
    bool ok;
};

static bool compare_file(void *context, const struct catalogue_file *file, struct err *err)
{
    struct compared *c = context;
    const struct tree_entry *there = tree_find(c->now, file->path);
    (void)err;
    if (file->missing && there != NULL)
        c->ok = wrong("the catalogue takes it for gone", file->path);
    else if (!file->missing && file->path[0] != '/' && (there == NULL || there->size != file->size))
        c->ok = wrong("the catalogue has it, the disk not", file->path);
    return true;
}

bool invariants_catalogue(const char *session)
{
    struct err err = ERR_INIT;
    struct root root = ROOT_INIT;
    struct tree now;
    struct compared compared = {.now = &now, .ok = true};
    tree_read(&now, session, false);
    struct catalogue *c = root_open(&root, files_system(), session, false, false, &err)
                              ? catalogue_open(&root, CATALOGUE_READ, &err)
                              : NULL;
    bool ok = c != NULL && catalogue_check(c, NULL, &err) &&
              catalogue_each_file(c, 0, compare_file, &compared, &err);
    if (!ok)
        fprintf(stderr, "  invariant: the catalogue: %s\n", err.message);
    catalogue_close(c);
    if (root.fs != NULL)
        root_close(&root);
    tree_release(&now);
    return ok && compared.ok;
}
