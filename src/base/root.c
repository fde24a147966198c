#include "chaffinch/root.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>

static char *trimmed(const char *path, struct err *err)
{
    size_t n = strlen(path);
    while (n > 1 && path[n - 1] == '/')
        n--;
    char *copy = strndup(path, n);
    if (copy == NULL)
        err_nomem(err);
    return copy;
}

/* The session folder itself may be reached through a link: the user named it. */
static int open_top(const struct files *fs, const char *path)
{
    return fs->openat(fs->context, AT_FDCWD, path, O_RDONLY | O_DIRECTORY | O_CLOEXEC, 0);
}

/* A session that was just made is gone after a power cut unless the folder above knows it. An earlier run may
   have made it and died before that, so this is done each time; only where nothing was made may it be
   refused. */
static bool sync_above(const struct root *root, bool made, struct err *err)
{
    struct err trouble = ERR_INIT;
    int above = files_open(root->fs, root->fd, "..", O_RDONLY | O_DIRECTORY, 0, root->path, &trouble);
    bool ok = above >= 0 ? files_sync(root->fs, above, root->path, &trouble) : !made && trouble.sys == EACCES;
    files_drop(root->fs, above);
    if (!ok && err != NULL)
        *err = trouble;
    return ok;
}

bool root_open(struct root *root, const struct files *fs, const char *path, bool create_folder,
               bool create_state, struct err *err)
{
    bool made = false;
    *root = (struct root)ROOT_INIT;
    root->fs = fs;
    root->path = trimmed(path, err);
    if (root->path == NULL)
        return false;
    root->fd = open_top(fs, root->path);
    if (root->fd < 0 && errno == ENOENT && create_folder) {
        if (fs->mkdirat(fs->context, AT_FDCWD, root->path, 0777) != 0 && errno != EEXIST) {
            err_sys(err, "make the folder", root->path);
            goto fail;
        }
        made = true;
        root->fd = open_top(fs, root->path);
    }
    if (root->fd < 0) {
        int number = errno;
        err_sys(err, "open the folder", root->path);
        if (err != NULL && (number == ENOTDIR || number == ENOENT))
            err->code = ERR_USAGE;
        goto fail;
    }
    if (create_folder && !sync_above(root, made, err))
        goto fail;
    struct err state = ERR_INIT;
    root->state = files_open_folder(fs, root->fd, ROOT_STATE, create_state, &state);
    if (root->state < 0 && (create_state || state.code != ERR_NOT_FOUND)) {
        if (err != NULL)
            *err = state;
        goto fail;
    }
    return true;
fail:
    root_close(root);
    return false;
}

void root_close(struct root *root)
{
    if (root->fs != NULL) {
        files_drop(root->fs, root->lock);
        files_drop(root->fs, root->state);
        files_drop(root->fs, root->fd);
    }
    free(root->path);
    *root = (struct root)ROOT_INIT;
}

bool root_lock(struct root *root, struct err *err)
{
    root->lock = files_open(root->fs, root->state, "lock", O_RDWR | O_CREAT, 0666, ROOT_STATE "/lock", err);
    if (root->lock < 0)
        return false;
    int result;
    do
        result = root->fs->lock(root->fs->context, root->lock);
    while (result != 0 && errno == EINTR);
    if (result == 0)
        return true;
    char safe[400];
    if (errno == EWOULDBLOCK)
        err_set(err, ERR_REFUSED,
                "another chaffinch run is at work on '%s': wait for it to end and try again",
                err_escape(safe, sizeof safe, root->path));
    else
        err_sys(err, "lock", ROOT_STATE "/lock");
    files_drop(root->fs, root->lock);
    root->lock = -1;
    return false;
}

bool root_is_ours(const char *path)
{
    size_t n = strcspn(path, "/");
    return (n == strlen(ROOT_STATE) && memcmp(path, ROOT_STATE, n) == 0) ||
           (n == strlen(ROOT_REJECTS) && memcmp(path, ROOT_REJECTS, n) == 0);
}
