#include "view.h"

#include <errno.h>
#include <fcntl.h>

static const struct files *real_of(void *context)
{
    return context;
}

static int refuse(void)
{
    errno = EROFS;
    return -1;
}

/* Only the owner (and root) may ask for O_NOATIME; anybody else reads all the same. */
static int view_openat(void *context, int dir, const char *name, int flags, mode_t mode)
{
    const struct files *real = real_of(context);
    if ((flags & O_ACCMODE) != O_RDONLY || (flags & (O_CREAT | O_APPEND)) != 0)
        return refuse();
    int fd = real->openat(real->context, dir, name, flags | O_NOATIME, mode);
    if (fd < 0 && errno == EPERM)
        fd = real->openat(real->context, dir, name, flags, mode);
    return fd;
}

static int view_close(void *context, int fd)
{
    return real_of(context)->close(real_of(context)->context, fd);
}

static ssize_t view_read(void *context, int fd, void *bytes, size_t size)
{
    return real_of(context)->read(real_of(context)->context, fd, bytes, size);
}

static ssize_t view_pread(void *context, int fd, void *bytes, size_t size, off_t offset)
{
    return real_of(context)->pread(real_of(context)->context, fd, bytes, size, offset);
}

static int view_fstat(void *context, int fd, struct stat *st)
{
    return real_of(context)->fstat(real_of(context)->context, fd, st);
}

static int view_fstatat(void *context, int dir, const char *name, struct stat *st, int flags)
{
    return real_of(context)->fstatat(real_of(context)->context, dir, name, st, flags);
}

static int view_fstatvfs(void *context, int fd, struct statvfs *st)
{
    return real_of(context)->fstatvfs(real_of(context)->context, fd, st);
}

static int view_fadvise(void *context, int fd, off_t offset, off_t size, int advice)
{
    return real_of(context)->fadvise(real_of(context)->context, fd, offset, size, advice);
}

static DIR *view_fdopendir(void *context, int fd)
{
    return real_of(context)->fdopendir(real_of(context)->context, fd);
}

static struct dirent *view_readdir(void *context, DIR *dir)
{
    return real_of(context)->readdir(real_of(context)->context, dir);
}

static int view_closedir(void *context, DIR *dir)
{
    return real_of(context)->closedir(real_of(context)->context, dir);
}

static ssize_t refuse_write(void *context, int fd, const void *bytes, size_t size)
{
    (void)context, (void)fd, (void)bytes, (void)size;
    return refuse();
}

static int refuse_descriptor(void *context, int fd)
{
    (void)context, (void)fd;
    return refuse();
}

static int refuse_times(void *context, int fd, const struct timespec times[2])
{
    (void)context, (void)fd, (void)times;
    return refuse();
}

static int refuse_mode(void *context, int fd, mode_t mode)
{
    (void)context, (void)fd, (void)mode;
    return refuse();
}

static int refuse_folder(void *context, int dir, const char *name, mode_t mode)
{
    (void)context, (void)dir, (void)name, (void)mode;
    return refuse();
}

static int refuse_move(void *context, int dir, const char *name, int to_dir, const char *to_name,
                       unsigned flags)
{
    (void)context, (void)dir, (void)name, (void)to_dir, (void)to_name, (void)flags;
    return refuse();
}

static int refuse_second_name(void *context, int dir, const char *name, int to_dir, const char *to_name)
{
    (void)context, (void)dir, (void)name, (void)to_dir, (void)to_name;
    return refuse();
}

static int refuse_removal(void *context, int dir, const char *name, int flags)
{
    (void)context, (void)dir, (void)name, (void)flags;
    return refuse();
}

void view_init(struct files *view, const struct files *real)
{
    *view = (struct files){
        .context = (void *)(uintptr_t)real,
        .openat = view_openat,
        .close = view_close,
        .read = view_read,
        .pread = view_pread,
        .write = refuse_write,
        .fsync = refuse_descriptor,
        .fstat = view_fstat,
        .fstatat = view_fstatat,
        .fstatvfs = view_fstatvfs,
        .futimens = refuse_times,
        .fchmod = refuse_mode,
        .fadvise = view_fadvise,
        .mkdirat = refuse_folder,
        .lock = refuse_descriptor,
        .fdopendir = view_fdopendir,
        .readdir = view_readdir,
        .closedir = view_closedir,
        .renameat2 = refuse_move,
        .linkat = refuse_second_name,
        .unlinkat = refuse_removal,
    };
}
