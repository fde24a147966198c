/* The real system calls. Those that change names are wrapped in publish.c, the only file that may name them.
 */
#include "chaffinch/files.h"

#include <errno.h>
#include <fcntl.h>
#include <sys/file.h>
#include <unistd.h>

#include "naming.h"

static int system_openat(void *context, int dir, const char *name, int flags, mode_t mode)
{
    (void)context;
    return openat(dir, name, flags, mode);
}

static int system_close(void *context, int fd)
{
    (void)context;
    return close(fd);
}

static ssize_t system_read(void *context, int fd, void *bytes, size_t size)
{
    (void)context;
    return read(fd, bytes, size);
}

static ssize_t system_pread(void *context, int fd, void *bytes, size_t size, off_t offset)
{
    (void)context;
    return pread(fd, bytes, size, offset);
}

static ssize_t system_write(void *context, int fd, const void *bytes, size_t size)
{
    (void)context;
    return write(fd, bytes, size);
}

static int system_fsync(void *context, int fd)
{
    (void)context;
    return fsync(fd);
}

static int system_fstat(void *context, int fd, struct stat *st)
{
    (void)context;
    return fstat(fd, st);
}

static int system_fstatat(void *context, int dir, const char *name, struct stat *st, int flags)
{
    (void)context;
    return fstatat(dir, name, st, flags);
}

static int system_fstatvfs(void *context, int fd, struct statvfs *st)
{
    (void)context;
    return fstatvfs(fd, st);
}

static int system_futimens(void *context, int fd, const struct timespec times[2])
{
    (void)context;
    return futimens(fd, times);
}

static int system_fchmod(void *context, int fd, mode_t mode)
{
    (void)context;
    return fchmod(fd, mode);
}

static int system_fadvise(void *context, int fd, off_t offset, off_t size, int advice)
{
    (void)context;
    return posix_fadvise(fd, offset, size, advice);
}

static int system_mkdirat(void *context, int dir, const char *name, mode_t mode)
{
    (void)context;
    return mkdirat(dir, name, mode);
}

static int system_lock(void *context, int fd)
{
    (void)context;
    return flock(fd, LOCK_EX | LOCK_NB);
}

static DIR *system_fdopendir(void *context, int fd)
{
    (void)context;
    return fdopendir(fd);
}

static struct dirent *system_readdir(void *context, DIR *dir)
{
    (void)context;
    return readdir(dir);
}

static int system_closedir(void *context, DIR *dir)
{
    (void)context;
    return closedir(dir);
}

const struct files *files_system(void)
{
    static const struct files table = {
        .openat = system_openat,
        .close = system_close,
        .read = system_read,
        .pread = system_pread,
        .write = system_write,
        .fsync = system_fsync,
        .fstat = system_fstat,
        .fstatat = system_fstatat,
        .fstatvfs = system_fstatvfs,
        .futimens = system_futimens,
        .fchmod = system_fchmod,
        .fadvise = system_fadvise,
        .mkdirat = system_mkdirat,
        .lock = system_lock,
        .fdopendir = system_fdopendir,
        .readdir = system_readdir,
        .closedir = system_closedir,
        .renameat2 = naming_renameat2,
        .linkat = naming_linkat,
        .unlinkat = naming_unlinkat,
    };
    return &table;
}
