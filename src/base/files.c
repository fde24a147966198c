#include "chaffinch/files.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/str.h"

enum { PATH_COMPONENT = 256 };

int64_t files_time_ns(const struct timespec *t)
{
    return (int64_t)t->tv_sec * 1000000000 + t->tv_nsec;
}

int files_open(const struct files *fs, int dir, const char *name, int flags, mode_t mode, const char *shown,
               struct err *err)
{
    int fd;
    do
        fd = fs->openat(fs->context, dir, name, flags | O_CLOEXEC | O_NOFOLLOW, mode);
    while (fd < 0 && errno == EINTR);
    if (fd < 0 && errno == ELOOP) {
        char safe[400];
        err_set(err, ERR_FILE, "'%s' is a symbolic link and is left alone",
                err_escape(safe, sizeof safe, shown));
    } else if (fd < 0)
        err_sys(err, (flags & O_CREAT) != 0 ? "create" : "open", shown);
    return fd;
}

int files_open_regular(const struct files *fs, int dir, const char *name, struct stat *st, const char *shown,
                       struct err *err)
{
    struct stat own;
    char safe[400];
    /* O_NONBLOCK: a FIFO must not hold the batch up. */
    int fd = files_open(fs, dir, name, O_RDONLY | O_NONBLOCK | O_NOCTTY, 0, shown, err);
    if (fd < 0)
        return -1;
    if (fs->fstat(fs->context, fd, &own) != 0) {
        err_sys(err, "look at", shown);
        files_drop(fs, fd);
        return -1;
    }
    if (!S_ISREG(own.st_mode)) {
        err_set(err, ERR_FILE, "'%s' is not a regular file", err_escape(safe, sizeof safe, shown));
        files_drop(fs, fd);
        return -1;
    }
    if (st != NULL)
        *st = own;
    return fd;
}

/* Copies the next component of *path to `part` and moves *path behind it. False at the end or on a bad
 * component. */
static bool next_part(const char **path, char part[PATH_COMPONENT], bool *bad)
{
    const char *p = *path;
    while (*p == '/')
        p++;
    size_t n = strcspn(p, "/");
    *bad = n >= PATH_COMPONENT || (n == 2 && memcmp(p, "..", 2) == 0);
    if (n == 0 || *bad)
        return false;
    memcpy(part, p, n);
    part[n] = '\0';
    *path = p + n;
    return true;
}

static bool make_folder(const struct files *fs, int dir, const char *part, const char *shown, struct err *err)
{
    if (fs->mkdirat(fs->context, dir, part, 0777) == 0)
        return files_sync(fs, dir, shown, err);
    return errno == EEXIST ? true : err_sys(err, "make the folder", shown);
}

/* Opens `part` in *dir and puts it in the place of *dir (closing the old one unless it is `root`). */
static bool step_into(const struct files *fs, int root, int *dir, const char *part, bool create,
                      const char *shown, struct err *err)
{
    struct err first = ERR_INIT;
    int next = files_open(fs, *dir, part, O_RDONLY | O_DIRECTORY, 0, shown, &first);
    if (next < 0 && first.code == ERR_NOT_FOUND && create) {
        if (!make_folder(fs, *dir, part, shown, err))
            return false;
        next = files_open(fs, *dir, part, O_RDONLY | O_DIRECTORY, 0, shown, &first);
    }
    if (next < 0) {
        char safe[400];
        if (first.sys == ENOTDIR)
            err_set(&first, ERR_FILE, "'%s' leads through something that is not a folder",
                    err_escape(safe, sizeof safe, shown));
        if (err != NULL)
            *err = first;
        return false;
    }
    if (*dir != root)
        files_drop(fs, *dir);
    *dir = next;
    return true;
}

/* `shown` stands in messages where `path` names nothing. */
static int open_folder(const struct files *fs, int dir, const char *path, bool create, const char *shown,
                       struct err *err)
{
    char part[PATH_COMPONENT];
    char safe[400];
    bool bad = *path == '/';
    int at = dir;
    const char *rest = path;
    while (!bad && next_part(&rest, part, &bad)) {
        if (strcmp(part, ".") != 0 && !step_into(fs, dir, &at, part, create, path, err))
            goto out;
    }
    if (bad) {
        err_set(err, ERR_REFUSED, "the path '%s' leads out of the folder",
                err_escape(safe, sizeof safe, path));
        goto out;
    }
    return at != dir ? at : files_open(fs, dir, ".", O_RDONLY | O_DIRECTORY, 0, shown, err);
out:
    if (at != dir)
        files_drop(fs, at);
    return -1;
}

int files_open_folder(const struct files *fs, int dir, const char *path, bool create, struct err *err)
{
    return open_folder(fs, dir, path, create, path, err);
}

int files_parent(const struct files *fs, int dir, const char *path, bool create, const char **leaf,
                 struct err *err)
{
    const char *slash = strrchr(path, '/');
    char safe[400];
    *leaf = slash != NULL ? slash + 1 : path;
    if (**leaf == '\0' || strcmp(*leaf, ".") == 0 || strcmp(*leaf, "..") == 0 || *path == '/') {
        err_set(err, ERR_REFUSED, "'%s' is not the name of a file below the folder",
                err_escape(safe, sizeof safe, path));
        return -1;
    }
    char *folder = str_make(err, "%.*s", slash != NULL ? (int)(slash - path) : 0, path);
    if (folder == NULL)
        return -1;
    int fd = open_folder(fs, dir, folder, create, *folder != '\0' ? folder : path, err);
    free(folder);
    return fd;
}

int files_open_path(const struct files *fs, int dir, const char *path, struct stat *st, struct err *err)
{
    const char *leaf;
    int parent = files_parent(fs, dir, path, false, &leaf, err);
    if (parent < 0)
        return -1;
    int fd = files_open_regular(fs, parent, leaf, st, path, err);
    files_drop(fs, parent);
    return fd;
}

bool files_read_full(const struct files *fs, int fd, void *bytes, size_t size, size_t *got, const char *shown,
                     struct err *err)
{
    *got = 0;
    while (*got < size) {
        ssize_t n = fs->read(fs->context, fd, (char *)bytes + *got, size - *got);
        if (n < 0 && errno == EINTR)
            continue;
        if (n < 0)
            return err_sys(err, "read", shown);
        if (n == 0)
            break;
        *got += (size_t)n;
    }
    return true;
}

bool files_write_full(const struct files *fs, int fd, const void *bytes, size_t size, const char *shown,
                      struct err *err)
{
    for (size_t done = 0; done < size;) {
        ssize_t n = fs->write(fs->context, fd, (const char *)bytes + done, size - done);
        if (n < 0 && errno == EINTR)
            continue;
        if (n <= 0) {
            if (n == 0)
                errno = EIO;
            return err_sys(err, "write", shown);
        }
        done += (size_t)n;
    }
    return true;
}

bool files_sync(const struct files *fs, int fd, const char *shown, struct err *err)
{
    int result;
    /* Only EINTR is tried again: after any other failure the kernel may have dropped the data, so the caller
       makes the file anew. */
    do
        result = fs->fsync(fs->context, fd);
    while (result != 0 && errno == EINTR);
    return result == 0 ? true : err_sys(err, "sync", shown);
}

bool files_close(const struct files *fs, int fd, const char *shown, struct err *err)
{
    if (fd < 0)
        return true;
    /* Linux closes the descriptor even on EINTR; a second close could hit another file. */
    if (fs->close(fs->context, fd) != 0 && errno != EINTR)
        return err_sys(err, "close", shown);
    return true;
}

void files_drop(const struct files *fs, int fd)
{
    int saved = errno;
    if (fd >= 0)
        (void)fs->close(fs->context, fd);
    errno = saved;
}

bool files_read_all(const struct files *fs, int dir, const char *path, size_t limit, char **bytes,
                    size_t *size, struct err *err)
{
    struct stat st;
    bool ok = false;
    char *all = NULL;
    int fd = files_open_path(fs, dir, path, &st, err);
    if (fd < 0)
        return false;
    if ((uint64_t)st.st_size > limit) {
        char safe[400];
        err_set(err, ERR_FORMAT, "'%s' is too large to be read", err_escape(safe, sizeof safe, path));
        goto out;
    }
    all = malloc((size_t)st.st_size + 1);
    if (all == NULL) {
        err_nomem(err);
        goto out;
    }
    ok = files_read_full(fs, fd, all, (size_t)st.st_size, size, path, err);
out:
    files_drop(fs, fd);
    if (!ok) {
        free(all);
        return false;
    }
    all[*size] = '\0';
    *bytes = all;
    return true;
}
