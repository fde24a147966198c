/*
 * files.h - every file call goes through one table, handed down in a context, so that tests can replace it.
 *
 * Purpose: `struct files` is the table; files_system() is the real one. The calls behave as their POSIX
 * namesakes (-1 and errno). The calls that change names or sizes of files (renameat2, linkat, unlinkat) are
 * in the table too, but only src/base/publish.c and src/apply may use them; scripts/check-danger holds them
 * to it.
 *
 * The helpers below the table return bool and fill struct err. Paths within a session or a card are relative
 * and are walked folder by folder with O_NOFOLLOW: a symbolic link on the way is refused, so nothing ever
 * leads out of the tree.
 */
#ifndef CHAFFINCH_FILES_H
#define CHAFFINCH_FILES_H

#include <dirent.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <sys/types.h>
#include <time.h>

#include "chaffinch/err.h"

struct files {
    void *context; /* of the tests; NULL in the real table */
    int (*openat)(void *context, int dir, const char *name, int flags, mode_t mode);
    int (*close)(void *context, int fd);
    ssize_t (*read)(void *context, int fd, void *bytes, size_t size);
    ssize_t (*pread)(void *context, int fd, void *bytes, size_t size, off_t offset);
    ssize_t (*write)(void *context, int fd, const void *bytes, size_t size);
    int (*fsync)(void *context, int fd);
    int (*fstat)(void *context, int fd, struct stat *st);
    int (*fstatat)(void *context, int dir, const char *name, struct stat *st, int flags);
    int (*fstatvfs)(void *context, int fd, struct statvfs *st);
    int (*futimens)(void *context, int fd, const struct timespec times[2]);
    int (*fchmod)(void *context, int fd, mode_t mode);
    int (*fadvise)(void *context, int fd, off_t offset, off_t size,
                   int advice); /* an errno, as posix_fadvise */
    int (*mkdirat)(void *context, int dir, const char *name, mode_t mode);
    int (*lock)(void *context, int fd); /* exclusive, without waiting: flock(LOCK_EX | LOCK_NB) */
    DIR *(*fdopendir)(void *context, int fd);
    struct dirent *(*readdir)(void *context, DIR *dir);
    int (*closedir)(void *context, DIR *dir);
    /* Only for publish.c and src/apply. */
    int (*renameat2)(void *context, int dir, const char *name, int to_dir, const char *to_name,
                     unsigned flags);
    int (*linkat)(void *context, int dir, const char *name, int to_dir, const char *to_name);
    int (*unlinkat)(void *context, int dir, const char *name, int flags);
};

/* The real system calls. Static storage, read-only. */
const struct files *files_system(void);

/* --- helpers: `shown` is the name that messages use --- */

/* Opens one name in `dir` without following a symbolic link. -1 with err. Always O_CLOEXEC | O_NOFOLLOW. */
int files_open(const struct files *fs, int dir, const char *name, int flags, mode_t mode, const char *shown,
               struct err *err);
/* Opens a regular file for reading: refuses FIFOs, devices, folders and links with ERR_FILE ("'x' is not a
   regular file"). Fills *st if not NULL. */
int files_open_regular(const struct files *fs, int dir, const char *name, struct stat *st, const char *shown,
                       struct err *err);
/* Walks the folders of `path` (relative, "/"-separated, no "..") below `dir`. *leaf points at the last
   component within `path`. Missing folders are made (and their parents synced) if `create`. The returned
   descriptor must be closed with files_close. -1 with err; ERR_REFUSED for "..", absolute paths and links. */
int files_parent(const struct files *fs, int dir, const char *path, bool create, const char **leaf,
                 struct err *err);
/* The folder `path` itself ("" or "." = dir, a new descriptor). */
int files_open_folder(const struct files *fs, int dir, const char *path, bool create, struct err *err);
/* Opens a regular file below `dir` by its path, for reading. */
int files_open_path(const struct files *fs, int dir, const char *path, struct stat *st, struct err *err);

bool files_read_full(
    const struct files *fs, int fd, void *bytes, size_t size, size_t *got, const char *shown,
    struct err *err); /* EINTR and short reads handled; *got < size only at the end of the file */
bool files_write_full(const struct files *fs, int fd, const void *bytes, size_t size, const char *shown,
                      struct err *err);
bool files_sync(const struct files *fs, int fd, const char *shown, struct err *err);
/* Closes and reports what close reports; fd < 0 is accepted. Use files_drop where nothing was written. */
bool files_close(const struct files *fs, int fd, const char *shown, struct err *err);
void files_drop(const struct files *fs, int fd);
/* Whole file into memory (malloc, NUL after the end, caller frees), at most `limit` bytes (else ERR_FORMAT).
 */
bool files_read_all(const struct files *fs, int dir, const char *path, size_t limit, char **bytes,
                    size_t *size, struct err *err);

/* Walks a tree depth first in byte order of names. `visit` gets the path below the root and its stat (links
   not followed); returning false stops the walk with its error. Folders are visited before their content;
   *descend = false skips it. A folder that cannot be read is told to `trouble` (may be NULL: then it is an
   error) and the walk goes on. */
struct files_walk {
    void *context;
    bool (*visit)(void *context, const char *path, const struct stat *st, bool *descend, struct err *err);
    void (*trouble)(void *context, const char *path, const struct err *err);
};
bool files_walk_tree(const struct files *fs, int root, const struct files_walk *walk, struct err *err);

/* ns since 1970 of a timespec. */
int64_t files_time_ns(const struct timespec *t);

#endif
