/* Is one folder inside another? Asked by device and inode on the way up, so links and mounts do not matter.
 */
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>

#include "set.h"

static int open_place(const struct files *fs, int dir, const char *path)
{
    return fs->openat(fs->context, dir, path, O_PATH | O_DIRECTORY | O_CLOEXEC, 0);
}

static bool add_folder(struct lineage *lineage, const struct stat *st, struct err *err)
{
    if (lineage->n == lineage->room) {
        size_t room = lineage->room > 0 ? lineage->room * 2 : 16;
        void *grown = realloc(lineage->folder, room * sizeof *lineage->folder);
        if (grown == NULL)
            return err_nomem(err);
        lineage->folder = grown;
        lineage->room = room;
    }
    lineage->folder[lineage->n].device = st->st_dev;
    lineage->folder[lineage->n++].inode = st->st_ino;
    return true;
}

/* Follows ".." to the top, where a folder is its own parent. Takes over fd. */
static bool climb(const struct files *fs, int fd, struct lineage *lineage, struct err *err)
{
    bool ok = true;
    while (fd >= 0) {
        struct stat st;
        if (fs->fstat(fs->context, fd, &st) != 0)
            break;
        if (lineage->n > 0 && lineage->folder[lineage->n - 1].device == st.st_dev &&
            lineage->folder[lineage->n - 1].inode == st.st_ino)
            break;
        ok = add_folder(lineage, &st, err);
        if (!ok)
            break;
        int up = open_place(fs, fd, "..");
        files_drop(fs, fd);
        fd = up;
    }
    files_drop(fs, fd);
    return ok;
}

/* "a/b" -> "a", "b" -> "."; trailing slashes do not count. */
static char *parent_path(const char *path, struct err *err)
{
    size_t n = strlen(path);
    while (n > 1 && path[n - 1] == '/')
        n--;
    while (n > 0 && path[n - 1] != '/')
        n--;
    char *parent = n > 0 ? strndup(path, n) : strdup(".");
    if (parent == NULL)
        err_nomem(err);
    return parent;
}

bool lineage_of(const struct files *fs, const char *path, struct lineage *lineage, struct err *err)
{
    *lineage = (struct lineage){.exists = true};
    int fd = open_place(fs, AT_FDCWD, path);
    if (fd < 0 && errno == ENOENT) {
        lineage->exists = false;
        char *parent = parent_path(path, err);
        if (parent == NULL)
            return false;
        fd = open_place(fs, AT_FDCWD, parent);
        free(parent);
    }
    if (fd < 0)
        lineage->exists = false;
    if (climb(fs, fd, lineage, err))
        return true;
    lineage_release(lineage);
    return false;
}

void lineage_release(struct lineage *lineage)
{
    free(lineage->folder);
    *lineage = (struct lineage){0};
}

bool lineage_holds(const struct lineage *lineage, dev_t device, ino_t inode)
{
    for (size_t i = 0; i < lineage->n; i++)
        if (lineage->folder[i].device == device && lineage->folder[i].inode == inode)
            return true;
    return false;
}

bool lineage_overlap(const struct lineage *a, const struct lineage *b)
{
    return (b->exists && b->n > 0 && lineage_holds(a, b->folder[0].device, b->folder[0].inode)) ||
           (a->exists && a->n > 0 && lineage_holds(b, a->folder[0].device, a->folder[0].inode));
}
