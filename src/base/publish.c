/*
 * The engine's only calls that change names of files. What they may touch: files below `.chaffinch/` (our
 * own), and a free name that a finished temp is given. Nothing of the user's is ever replaced, moved or
 * removed here.
 */
#include "chaffinch/publish.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "chaffinch/str.h"
#include "naming.h"

#define RESERVED "reserved"

int naming_renameat2(void *context, int dir, const char *name, int to_dir, const char *to_name,
                     unsigned flags)
{
    (void)context;
    return renameat2(dir, name, to_dir, to_name, flags);
}

int naming_linkat(void *context, int dir, const char *name, int to_dir, const char *to_name)
{
    (void)context;
    return linkat(dir, name, to_dir, to_name, 0);
}

int naming_unlinkat(void *context, int dir, const char *name, int flags)
{
    (void)context;
    return unlinkat(dir, name, flags);
}

bool publish_drop(const struct root *root, const char *name, struct err *err)
{
    const struct files *fs = root->fs;
    const char *leaf;
    struct err trouble = ERR_INIT;
    int dir = files_parent(fs, root->state, name, false, &leaf, &trouble);
    bool ok = dir >= 0 && (fs->unlinkat(fs->context, dir, leaf, 0) == 0 || errno == ENOENT ||
                           err_sys(&trouble, "remove", name));
    files_drop(fs, dir);
    if (ok || trouble.code == ERR_NOT_FOUND)
        return true;
    if (err != NULL)
        *err = trouble;
    return false;
}

int publish_temp(const struct root *root, const char *name, struct err *err)
{
    const struct files *fs = root->fs;
    const char *leaf;
    int dir = files_parent(fs, root->state, name, true, &leaf, err);
    if (dir < 0)
        return -1;
    struct err trouble = ERR_INIT;
    int fd = files_open(fs, dir, leaf, O_RDWR | O_CREAT | O_EXCL, 0666, name, &trouble);
    if (fd < 0 && trouble.code == ERR_EXISTS && fs->unlinkat(fs->context, dir, leaf, 0) == 0) {
        trouble = (struct err)ERR_INIT;
        fd = files_open(fs, dir, leaf, O_RDWR | O_CREAT | O_EXCL, 0666, name, &trouble);
    }
    if (fd < 0 && err != NULL)
        *err = trouble;
    files_drop(fs, dir);
    return fd;
}

/* True where the answer means "this file system cannot do that", so the next way is tried. */
static bool unsupported(int number)
{
    return number == EINVAL || number == ENOSYS || number == EOPNOTSUPP || number == EPERM ||
           number == EMLINK;
}

/* The file that we made, and nobody has written to it. */
static bool still_ours(const struct files *fs, int dir, const char *name, const struct stat *made)
{
    struct stat now;
    return fs->fstatat(fs->context, dir, name, &now, AT_SYMLINK_NOFOLLOW) == 0 &&
           now.st_ino == made->st_ino && now.st_dev == made->st_dev && now.st_size == 0;
}

static bool is_empty_file(const struct files *fs, int dir, const char *name)
{
    struct stat now;
    return fs->fstatat(fs->context, dir, name, &now, AT_SYMLINK_NOFOLLOW) == 0 && S_ISREG(now.st_mode) &&
           now.st_size == 0;
}

/* Takes the empty file back; what somebody put in its place is left, an empty file too. made = NULL: it could
   not be looked at when it was made. */
static void unreserve(const struct root *root, int dir, const char *name, const struct stat *made)
{
    const struct files *fs = root->fs;
    int saved = errno;
    if (made != NULL ? still_ours(fs, dir, name, made) : is_empty_file(fs, dir, name))
        (void)fs->unlinkat(fs->context, dir, name, 0);
    (void)publish_drop(root, RESERVED, NULL);
    errno = saved;
}

/* The last way: a name that only we can have made, noted before it exists. */
static bool publish_by_reservation(const struct root *root, int from_dir, const char *from, int to_dir,
                                   const char *to_name, const char *shown, struct err *err)
{
    const struct files *fs = root->fs;
    struct stat st;
    /* A name that is taken is never noted: an empty file of the user's would look like our reservation. */
    if (fs->fstatat(fs->context, to_dir, to_name, &st, AT_SYMLINK_NOFOLLOW) == 0) {
        errno = EEXIST;
        return err_sys(err, "publish", shown);
    }
    if (!publish_replace(root, RESERVED, shown, strlen(shown), err))
        return false;
    int fd = files_open(fs, to_dir, to_name, O_WRONLY | O_CREAT | O_EXCL, 0666, shown, err);
    if (fd < 0) {
        (void)publish_drop(root, RESERVED, NULL);
        return false;
    }
    struct stat made;
    bool known = fs->fstat(fs->context, fd, &made) == 0,
         ours = known && still_ours(fs, to_dir, to_name, &made);
    files_drop(fs, fd);
    if (!ours) {
        unreserve(root, to_dir, to_name, known ? &made : NULL);
        errno = EEXIST;
        return err_sys(err, "publish", shown);
    }
    if (fs->renameat2(fs->context, from_dir, from, to_dir, to_name, 0) != 0) {
        err_sys(err, "publish", shown);
        unreserve(root, to_dir, to_name, &made);
        return false;
    }
    return files_sync(fs, to_dir, shown, err) && publish_drop(root, RESERVED, err);
}

/* Gives what has a name another one that is free; what has that name stays. *no_way = this file system knows
   none of the two calls that can. */
static bool give_free_name(const struct files *fs, int dir, const char *name, int to_dir, const char *to_name,
                           const char *shown, bool *no_way, struct err *err)
{
    *no_way = false;
    if (fs->renameat2(fs->context, dir, name, to_dir, to_name, RENAME_NOREPLACE) == 0)
        return true;
    if (!unsupported(errno))
        return err_sys(err, "publish", shown);
    if (fs->linkat(fs->context, dir, name, to_dir, to_name) == 0)
        return fs->unlinkat(fs->context, dir, name, 0) == 0 || err_sys(err, "remove the temp of", shown);
    *no_way = unsupported(errno);
    return err_sys(err, "publish", shown);
}

bool publish_new(const struct root *root, const char *temp, int to_dir, const char *to_name,
                 const char *shown, struct err *err)
{
    const char *leaf;
    struct err trouble = ERR_INIT;
    bool no_way;
    int dir = files_parent(root->fs, root->state, temp, false, &leaf, err);
    if (dir < 0)
        return false;
    bool ok = give_free_name(root->fs, dir, leaf, to_dir, to_name, shown, &no_way, &trouble);
    if (!ok && no_way)
        ok = publish_by_reservation(root, dir, leaf, to_dir, to_name, shown, err);
    else if (!ok && err != NULL)
        *err = trouble;
    files_drop(root->fs, dir);
    return ok;
}

static bool write_temp(const struct root *root, const char *temp, const void *bytes, size_t size,
                       struct err *err)
{
    const struct files *fs = root->fs;
    int fd = publish_temp(root, temp, err);
    if (fd < 0)
        return false;
    bool ok = files_write_full(fs, fd, bytes, size, temp, err) && files_sync(fs, fd, temp, err);
    if (!ok) {
        files_drop(fs, fd);
        (void)publish_drop(root, temp, NULL);
        return false;
    }
    return files_close(fs, fd, temp, err);
}

bool publish_replace(const struct root *root, const char *name, const void *bytes, size_t size,
                     struct err *err)
{
    const struct files *fs = root->fs;
    const char *leaf;
    bool ok = false;
    char *temp = str_make(err, "%s.new", name);
    if (temp == NULL || !write_temp(root, temp, bytes, size, err)) {
        free(temp);
        return false;
    }
    int dir = files_parent(fs, root->state, name, false, &leaf, err);
    if (dir < 0)
        goto out;
    const char *temp_leaf = temp + (leaf - name);
    ok = fs->renameat2(fs->context, dir, temp_leaf, dir, leaf, 0) == 0 || err_sys(err, "publish", name);
    ok = ok && files_sync(fs, dir, name, err);
out:
    files_drop(fs, dir);
    free(temp);
    return ok;
}

/* Removes the reserved name if it is still the empty file that we made. */
static bool take_back(const struct root *root, const char *path, struct err *err)
{
    const struct files *fs = root->fs;
    const char *leaf;
    struct stat st;
    struct err trouble = ERR_INIT;
    int dir = files_parent(fs, root->fd, path, false, &leaf, &trouble);
    if (dir < 0)
        return true;
    bool ok = true;
    if (fs->fstatat(fs->context, dir, leaf, &st, AT_SYMLINK_NOFOLLOW) == 0 && S_ISREG(st.st_mode) &&
        st.st_size == 0)
        ok = fs->unlinkat(fs->context, dir, leaf, 0) == 0 || err_sys(err, "remove the reservation", path);
    ok = ok && files_sync(fs, dir, path, err);
    files_drop(fs, dir);
    return ok;
}

bool publish_recover(const struct root *root, struct err *err)
{
    char *path = NULL;
    size_t size = 0;
    struct err trouble = ERR_INIT;
    if (!files_read_all(root->fs, root->state, RESERVED, 65536, &path, &size, &trouble)) {
        if (trouble.code == ERR_NOT_FOUND)
            return true;
        if (err != NULL)
            *err = trouble;
        return false;
    }
    bool ok = take_back(root, path, err) && publish_drop(root, RESERVED, err);
    free(path);
    return ok;
}

static bool user_name_taken(const char *path, struct err *err)
{
    char safe[400];
    return err_set(err, ERR_EXISTS, "'%s' exists and is not replaced: choose another name",
                   err_escape(safe, sizeof safe, path));
}

bool publish_user_check(const struct files *fs, const char *path, struct err *err)
{
    struct stat st;
    return fs->fstatat(fs->context, AT_FDCWD, path, &st, AT_SYMLINK_NOFOLLOW) != 0 ||
           user_name_taken(path, err);
}

/* The folder that `path` is in. Behind the "/." a folder may be a symbolic link: the user named it. */
static int open_folder_of(const struct files *fs, const char *path, const char **leaf, struct err *err)
{
    const char *slash = strrchr(path, '/');
    char *folder = slash != NULL ? str_make(err, "%.*s/.", (int)(slash - path), path) : str_make(err, ".");
    int fd = folder != NULL ? fs->openat(fs->context, AT_FDCWD, folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC, 0)
                            : -1;
    if (folder != NULL && fd < 0)
        err_sys(err, "create", path);
    free(folder);
    *leaf = slash != NULL ? slash + 1 : path;
    return fd;
}

/* Created anew, written and synced; what was begun is taken away again where that fails. */
static bool write_new(const struct files *fs, int dir, const char *name, const char *shown, const void *bytes,
                      size_t size, struct err *err)
{
    int fd = files_open(fs, dir, name, O_WRONLY | O_CREAT | O_EXCL, 0666, shown, err);
    if (fd < 0)
        return false;
    bool ok = files_write_full(fs, fd, bytes, size, shown, err) && files_sync(fs, fd, shown, err);
    if (!ok)
        files_drop(fs, fd);
    else
        ok = files_close(fs, fd, shown, err);
    if (!ok)
        (void)fs->unlinkat(fs->context, dir, name, 0);
    return ok;
}

/* A name of ours, which a run that died may have left. */
static bool write_beside(const struct files *fs, int dir, const char *temp, const char *shown,
                         const void *bytes, size_t size, struct err *err)
{
    struct err trouble = ERR_INIT;
    bool ok = write_new(fs, dir, temp, shown, bytes, size, &trouble);
    if (!ok && trouble.code == ERR_EXISTS && fs->unlinkat(fs->context, dir, temp, 0) == 0) {
        trouble = (struct err)ERR_INIT;
        ok = write_new(fs, dir, temp, shown, bytes, size, &trouble);
    }
    if (!ok && err != NULL)
        *err = trouble;
    return ok;
}

static bool publish_beside(const struct files *fs, int dir, const char *leaf, const char *path,
                           const void *bytes, size_t size, struct err *err)
{
    char temp[256];
    bool no_way;
    (void)snprintf(temp, sizeof temp, ".chaffinch-%.200s", leaf);
    if (!write_beside(fs, dir, temp, path, bytes, size, err))
        return false;
    if (give_free_name(fs, dir, temp, dir, leaf, path, &no_way, err))
        return true;
    (void)fs->unlinkat(fs->context, dir, temp, 0);
    if (!no_way)
        return false;
    if (err != NULL)
        *err = (struct err)ERR_INIT;
    return write_new(fs, dir, leaf, path, bytes, size, err);
}

bool publish_user_file(const struct files *fs, const char *path, const void *bytes, size_t size,
                       struct err *err)
{
    struct err trouble = ERR_INIT;
    const char *leaf;
    if (!publish_user_check(fs, path, err))
        return false;
    int dir = open_folder_of(fs, path, &leaf, err);
    if (dir < 0)
        return false;
    bool ok =
        publish_beside(fs, dir, leaf, path, bytes, size, &trouble) && files_sync(fs, dir, path, &trouble);
    if (trouble.code == ERR_EXISTS)
        (void)user_name_taken(path, &trouble);
    if (!ok && err != NULL)
        *err = trouble;
    files_drop(fs, dir);
    return ok;
}

bool publish_user_settle(const struct files *fs, const char *path, struct err *err)
{
    const char *leaf;
    int dir = open_folder_of(fs, path, &leaf, err);
    bool ok = dir >= 0 && files_sync(fs, dir, path, err);
    files_drop(fs, dir);
    return ok;
}

bool publish_user_folder(const struct files *fs, const char *path, struct err *err)
{
    const char *leaf;
    bool made = fs->mkdirat(fs->context, AT_FDCWD, path, 0777) == 0;
    if (!made && errno != EEXIST)
        return err_sys(err, "make the folder", path);
    /* Also where it was there: a run that died may have made it, and the folder above never knew. */
    int above = open_folder_of(fs, path, &leaf, made ? err : NULL);
    bool ok = above >= 0 ? files_sync(fs, above, path, err) : !made;
    files_drop(fs, above);
    return ok;
}
