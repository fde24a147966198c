#include "target.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>

struct identity {
    dev_t device;
    ino_t inode;
};

static bool identify(const struct files *fs, int fd, const char *shown, struct identity *id, struct err *err)
{
    struct stat st;
    if (fs->fstat(fs->context, fd, &st) != 0)
        return err_sys(err, "look at", shown);
    *id = (struct identity){st.st_dev, st.st_ino};
    return true;
}

static bool same(const struct identity *a, const struct identity *b)
{
    return a->device == b->device && a->inode == b->inode;
}

/* Climbs from the folder `fd` to the top of the file system and looks for `wanted` on the way. */
static bool lies_in(const struct files *fs, int fd, const char *shown, const struct identity *wanted,
                    bool *inside, struct err *err)
{
    struct identity at = {0}, above = {0};
    int climbed = files_open(fs, fd, ".", O_RDONLY | O_DIRECTORY, 0, shown, err);
    bool ok = climbed >= 0 && identify(fs, climbed, shown, &at, err);
    *inside = false;
    while (ok && !(*inside = same(&at, wanted))) {
        int next = files_open(fs, climbed, "..", O_RDONLY | O_DIRECTORY, 0, shown, err);
        files_drop(fs, climbed);
        climbed = next;
        ok = climbed >= 0 && identify(fs, climbed, shown, &above, err);
        if (!ok || same(&above, &at))
            break;
        at = above;
    }
    files_drop(fs, climbed);
    return ok;
}

static int open_named(const struct files *fs, const char *path)
{
    return fs->openat(fs->context, AT_FDCWD, path, O_RDONLY | O_DIRECTORY | O_CLOEXEC, 0);
}

/* The folder, or where it is to be made: place is its parent then, and prefix its name. */
static bool find_place(const struct files *fs, const char *to, char **place, char **prefix, int *fd,
                       struct err *err)
{
    char safe[400];
    *fd = open_named(fs, to);
    *place = strdup(to);
    *prefix = strdup("");
    if (*place == NULL || *prefix == NULL)
        return err_nomem(err);
    if (*fd >= 0)
        return true;
    if (errno != ENOENT)
        return err_sys(err, "open the folder", to);
    char *slash = strrchr(*place, '/');
    if (slash == NULL)
        return err_set(err, ERR_USAGE, "'%s' is not an absolute path", err_escape(safe, sizeof safe, to));
    free(*prefix);
    *prefix = strdup(slash + 1);
    if (*prefix == NULL)
        return err_nomem(err);
    slash[slash == *place ? 1 : 0] = '\0';
    *fd = open_named(fs, *place);
    return *fd >= 0 || err_set(err, ERR_USAGE, "the folder '%s' does not exist: make it first",
                               err_escape(safe, sizeof safe, *place));
}

/* *ours: it is the session's own rejects folder. */
static bool check_overlap(struct plan *plan, int fd, const char *prefix, const char *to, bool *ours,
                          struct err *err)
{
    const struct files *fs = plan->root->fs;
    struct identity session, there, rejects = {0};
    bool inside, around = false;
    char safe[400];
    *ours = false;
    if (!identify(fs, plan->root->fd, plan->root->path, &session, err) ||
        !identify(fs, fd, to, &there, err) || !lies_in(fs, fd, to, &session, &inside, err) ||
        (*prefix == '\0' && !lies_in(fs, plan->root->fd, plan->root->path, &there, &around, err)))
        return false;
    if (!inside && !around)
        return true;
    int own = files_open_folder(fs, plan->root->fd, ROOT_REJECTS, false, NULL);
    if (own >= 0)
        *ours = identify(fs, own, ROOT_REJECTS, &rejects, err) && *prefix == '\0' && same(&there, &rejects);
    else
        *ours = same(&there, &session) && strcmp(prefix, ROOT_REJECTS) == 0;
    files_drop(fs, own);
    return *ours || err_set(err, ERR_REFUSED,
                            "'%s' overlaps the session, where measure would find the frames again: choose a "
                            "folder outside of it",
                            err_escape(safe, sizeof safe, to));
}

bool target_open(struct plan *plan, const char *to, uint32_t *place, char **prefix, struct err *err)
{
    const struct files *fs = plan->root->fs;
    char *path = NULL;
    int fd = -1;
    bool ours = to == NULL;
    bool ok = ours || (find_place(fs, to, &path, prefix, &fd, err) &&
                       check_overlap(plan, fd, *prefix, to, &ours, err));
    files_drop(fs, fd);
    if (ok && ours) {
        free(*prefix);
        *prefix = strdup(ROOT_REJECTS);
        *place = 0;
        ok = *prefix != NULL || err_nomem(err);
    } else if (ok) {
        *place = plan_place(plan, path, err);
        ok = *place != RUN_NONE;
    }
    free(path);
    return ok;
}
