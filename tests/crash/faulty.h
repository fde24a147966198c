/*
 * faulty.h - a table of file calls that plays four kinds of file system, fails the call it is told to, and
 * writes down what happened.
 */
#ifndef CHAFFINCH_TESTS_FAULTY_H
#define CHAFFINCH_TESTS_FAULTY_H

#include "apply_session.h"

enum disk { PLAIN, LINKS, RESERVES, CROSSES };
enum fault { ONCE_EIO, ONCE_ENOSPC, ONCE_EACCES, DEAD, STOPPED, FAULTS, DONE_EIO = FAULTS, DONE_AGAIN };

struct faulty {
    struct files table;
    enum disk disk;
    enum fault fault;
    long calls, fail_at; /* fail_at 0 = never */
    ino_t renumbered;    /* added to every inode number */
    volatile int stop;
    long renames[64]; /* which calls were renames */
    int n_renames;
    const char *intrude; /* somebody else takes the name that this rename is to give, just before it; once */
    struct str *events;  /* what happened, a line each; NULL = not wanted */
};

static inline void faulty_path(int dir, const char *name, char *out, size_t room)
{
    char link[64];
    (void)snprintf(link, sizeof link, "/proc/self/fd/%d", dir);
    ssize_t n = readlink(link, out, room - 1);
    size_t used = n > 0 ? (size_t)n : 0;
    (void)snprintf(out + used, room - used, "%s%s", *name != '\0' ? "/" : "", name);
}

/* "CALL PATH"; the names of folders come from /proc. */
static inline void note(struct faulty *f, const char *call, int dir, const char *name)
{
    char path[4096];
    int saved = errno;
    if (f->events != NULL) {
        faulty_path(dir, name, path, sizeof path);
        str_printf(f->events, "%s %s\n", call, path);
    }
    errno = saved;
}

static inline bool trip(struct faulty *f)
{
    static const int number[] = {
        [ONCE_EIO] = EIO, [ONCE_ENOSPC] = ENOSPC, [ONCE_EACCES] = EACCES, [DEAD] = EIO};
    if (f->fault >= DONE_EIO)
        return false;
    f->calls++;
    if (f->fail_at == 0 || (f->fault == DEAD ? f->calls < f->fail_at : f->calls != f->fail_at))
        return false;
    if (f->fault == STOPPED) {
        f->stop = 1;
        return false;
    }
    errno = number[f->fault];
    return true;
}

/* What a network file system does when an answer is lost: the call happened and is reported as failed (BUGS
   of rename(2)): with an I/O error, or with `again`, which is what the same call finds when it is sent once
   more. */
static inline int tell(struct faulty *f, int result, int again)
{
    if (f->fault < DONE_EIO || result != 0 || ++f->calls != f->fail_at)
        return result;
    errno = f->fault == DONE_EIO ? EIO : again;
    return -1;
}

static inline int f_openat(void *c, int dir, const char *name, int flags, mode_t mode)
{
    return trip(c) ? -1 : files_system()->openat(NULL, dir, name, flags, mode);
}

/* close and closedir give the descriptor back whatever they report. */
static inline int f_close(void *c, int fd)
{
    bool fails = trip(c);
    int result = files_system()->close(NULL, fd);
    return fails ? -1 : result;
}

static inline ssize_t f_read(void *c, int fd, void *bytes, size_t size)
{
    note(c, "read", fd, "");
    return trip(c) ? -1 : files_system()->read(NULL, fd, bytes, size);
}

static inline ssize_t f_pread(void *c, int fd, void *bytes, size_t size, off_t offset)
{
    return trip(c) ? -1 : files_system()->pread(NULL, fd, bytes, size, offset);
}

/* Half of the bytes arrive before the fault. */
static inline ssize_t f_write(void *c, int fd, const void *bytes, size_t size)
{
    note(c, "write", fd, "");
    if (!trip(c))
        return files_system()->write(NULL, fd, bytes, size);
    int number = errno;
    (void)files_system()->write(NULL, fd, bytes, size / 2);
    errno = number;
    return -1;
}

static inline int f_fsync(void *c, int fd)
{
    note(c, "sync", fd, "");
    return trip(c) ? -1 : files_system()->fsync(NULL, fd);
}

static inline int f_fstat(void *c, int fd, struct stat *st)
{
    struct faulty *f = c;
    int result = trip(f) ? -1 : files_system()->fstat(NULL, fd, st);
    if (result == 0)
        st->st_ino += f->renumbered;
    return result;
}

static inline int f_fstatat(void *c, int dir, const char *name, struct stat *st, int flags)
{
    struct faulty *f = c;
    int result = trip(f) ? -1 : files_system()->fstatat(NULL, dir, name, st, flags);
    if (result == 0)
        st->st_ino += f->renumbered;
    return result;
}

static inline int f_fstatvfs(void *c, int fd, struct statvfs *st)
{
    return trip(c) ? -1 : files_system()->fstatvfs(NULL, fd, st);
}

static inline int f_futimens(void *c, int fd, const struct timespec times[2])
{
    return trip(c) ? -1 : files_system()->futimens(NULL, fd, times);
}

static inline int f_fchmod(void *c, int fd, mode_t mode)
{
    return trip(c) ? -1 : files_system()->fchmod(NULL, fd, mode);
}

static inline int f_fadvise(void *c, int fd, off_t offset, off_t size, int advice)
{
    return trip(c) ? errno : files_system()->fadvise(NULL, fd, offset, size, advice);
}

static inline int f_mkdirat(void *c, int dir, const char *name, mode_t mode)
{
    return trip(c) ? -1 : files_system()->mkdirat(NULL, dir, name, mode);
}

static inline int f_lock(void *c, int fd)
{
    return trip(c) ? -1 : files_system()->lock(NULL, fd);
}

static inline DIR *f_fdopendir(void *c, int fd)
{
    return trip(c) ? NULL : files_system()->fdopendir(NULL, fd);
}

static inline struct dirent *f_readdir(void *c, DIR *dir)
{
    return trip(c) ? NULL : files_system()->readdir(NULL, dir);
}

static inline int f_closedir(void *c, DIR *dir)
{
    bool fails = trip(c);
    int result = files_system()->closedir(NULL, dir);
    return fails ? -1 : result;
}

static inline bool other_folder(int a, int b)
{
    struct stat x, y;
    return fstat(a, &x) == 0 && fstat(b, &y) == 0 && x.st_ino != y.st_ino;
}

static inline int f_renameat2(void *c, int dir, const char *name, int to_dir, const char *to_name,
                              unsigned flags)
{
    struct faulty *f = c;
    note(f, "rename", dir, name);
    note(f, "to", to_dir, to_name);
    if (trip(f))
        return -1;
    if (f->intrude != NULL && strcmp(f->intrude, to_name) == 0) {
        int fd = openat(to_dir, to_name, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0644);
        f->intrude = NULL;
        if (fd < 0 || write(fd, "not ours", 8) != 8 || close(fd) != 0)
            abort();
    }
    if (f->n_renames < (int)(sizeof f->renames / sizeof f->renames[0]))
        f->renames[f->n_renames++] = f->calls;
    if (f->disk == CROSSES && other_folder(dir, to_dir)) {
        errno = EXDEV;
        return -1;
    }
    if ((f->disk == LINKS || f->disk == RESERVES) && flags != 0) {
        errno = EINVAL;
        return -1;
    }
    return tell(f, files_system()->renameat2(NULL, dir, name, to_dir, to_name, flags), ENOENT);
}

static inline int f_linkat(void *c, int dir, const char *name, int to_dir, const char *to_name)
{
    struct faulty *f = c;
    if (trip(f))
        return -1;
    if (f->disk == RESERVES) {
        errno = EPERM;
        return -1;
    }
    return tell(f, files_system()->linkat(NULL, dir, name, to_dir, to_name), EEXIST);
}

static inline int f_unlinkat(void *c, int dir, const char *name, int flags)
{
    note(c, "unlink", dir, name);
    return trip(c) ? -1 : tell(c, files_system()->unlinkat(NULL, dir, name, flags), ENOENT);
}

static inline void faulty_init(struct faulty *f, enum disk disk)
{
    *f = (struct faulty){.disk = disk,
                         .table = {.openat = f_openat,
                                   .close = f_close,
                                   .read = f_read,
                                   .pread = f_pread,
                                   .write = f_write,
                                   .fsync = f_fsync,
                                   .fstat = f_fstat,
                                   .fstatat = f_fstatat,
                                   .fstatvfs = f_fstatvfs,
                                   .futimens = f_futimens,
                                   .fchmod = f_fchmod,
                                   .fadvise = f_fadvise,
                                   .mkdirat = f_mkdirat,
                                   .lock = f_lock,
                                   .fdopendir = f_fdopendir,
                                   .readdir = f_readdir,
                                   .closedir = f_closedir,
                                   .renameat2 = f_renameat2,
                                   .linkat = f_linkat,
                                   .unlinkat = f_unlinkat}};
    f->table.context = f;
}

#endif
