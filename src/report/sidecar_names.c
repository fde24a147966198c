/*
 * Two practices of naming an XMP sidecar: the picture's name with .xmp instead of its extension, and .xmp
 * behind the whole name. Where a raw and a JPEG lie side by side the first is one sidecar for both.
 */
#include "hand_on.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>

static bool add(struct sidecars *s, char *path, const struct stat *st, struct err *err)
{
    if (path == NULL)
        return err_nomem(err);
    s->sidecar[s->n++] = (struct sidecar){
        .path = path, .exists = st != NULL, .read_only = st != NULL && (st->st_mode & 0222) == 0};
    return true;
}

static bool is_there(const struct sidecars *s, const char *path)
{
    for (size_t i = 0; i < s->n; i++)
        if (strcmp(s->sidecar[i].path, path) == 0)
            return true;
    return false;
}

/* Where the file system knows no case, IMG.xmp and IMG.XMP are one file. */
static bool is_same_file(const struct root *root, const struct sidecars *s, const struct stat *st)
{
    const struct files *fs = root->fs;
    struct stat other;
    for (size_t i = 0; i < s->n; i++)
        if (fs->fstatat(fs->context, root->fd, s->sidecar[i].path, &other, AT_SYMLINK_NOFOLLOW) == 0 &&
            other.st_ino == st->st_ino && other.st_dev == st->st_dev)
            return true;
    return false;
}

static char *sidecar_path(const char *picture, bool whole_name, const char *ending, struct err *err)
{
    const char *slash = strrchr(picture, '/'), *dot = strrchr(picture, '.');
    if (dot == NULL || (slash != NULL && dot < slash))
        dot = picture + strlen(picture);
    int n = (int)(whole_name ? strlen(picture) : (size_t)(dot - picture));
    return str_make(err, "%.*s%s", n, picture, ending);
}

static bool look_for(const struct root *root, const char *picture, bool whole_name, struct sidecars *s,
                     struct err *err)
{
    static const char *const endings[] = {".xmp", ".XMP"};
    const struct files *fs = root->fs;
    for (int i = 0; i < 2; i++) {
        struct stat st;
        char *path = sidecar_path(picture, whole_name, endings[i], err);
        if (path == NULL)
            return false;
        bool there = fs->fstatat(fs->context, root->fd, path, &st, AT_SYMLINK_NOFOLLOW) == 0;
        /* One that cannot be looked at may be there: no second one is made beside it. */
        if (!there && errno != ENOENT && errno != ENAMETOOLONG) {
            err_sys(err, "look at", path);
            free(path);
            return false;
        }
        if (!there || S_ISDIR(st.st_mode) || is_there(s, path) || is_same_file(root, s, &st))
            free(path);
        else if (!add(s, path, &st, err))
            return false;
    }
    return true;
}

bool sidecars_find(const struct root *root, const struct hand_on_item *item,
                   enum report_sidecar_name practice, struct sidecars *s, struct err *err)
{
    const char *const picture[] = {item->jpeg, item->raw};
    const char *main_picture = item->raw != NULL ? item->raw : item->jpeg;
    *s = (struct sidecars){.n = 0};
    bool ok = true;
    for (int i = 0; ok && i < 2; i++)
        ok = picture[i] == NULL ||
             (look_for(root, picture[i], false, s, err) && look_for(root, picture[i], true, s, err));
    if (ok && s->n == 0)
        ok = add(s, sidecar_path(main_picture, practice == REPORT_SIDECAR_WHOLE, ".xmp", err), NULL, err);
    if (!ok)
        sidecars_release(s);
    return ok;
}

void sidecars_release(struct sidecars *s)
{
    for (size_t i = 0; i < s->n; i++)
        free(s->sidecar[i].path);
    s->n = 0;
}
