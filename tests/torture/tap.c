#include "tap.h"

#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "chaffinch/files.h"
#include "tap_sqlite.h"

static struct tap_hooks hooks;

const struct files *__real_files_system(void);
const struct files *__wrap_files_system(void);

static const struct files *real(void)
{
    return __real_files_system();
}

const char *tap_call_name(enum tap_call call)
{
    static const char *const names[TAP_CALLS] = {
        [TAP_OPEN] = "open",     [TAP_CREATE] = "create",    [TAP_CLOSE] = "close",   [TAP_READ] = "read",
        [TAP_WRITE] = "write",   [TAP_SYNC] = "sync",        [TAP_STAT] = "stat",     [TAP_SPACE] = "space",
        [TAP_TIMES] = "times",   [TAP_MODE] = "mode",        [TAP_ADVISE] = "advise", [TAP_MKDIR] = "mkdir",
        [TAP_LOCK] = "lock",     [TAP_LIST] = "list",        [TAP_RENAME] = "rename", [TAP_LINK] = "link",
        [TAP_UNLINK] = "unlink", [TAP_TRUNCATE] = "truncate"};
    return names[call];
}

void tap_path(const struct tap_event *event, char *out, size_t room)
{
    char link[64];
    int saved = errno;
    size_t used = 0;
    if (event->fd >= 0 && (event->name == NULL || event->name[0] != '/')) {
        (void)snprintf(link, sizeof link, "/proc/self/fd/%d", event->fd);
        ssize_t n = readlink(link, out, room - 1);
        used = n > 0 ? (size_t)n : 0;
    }
    (void)snprintf(out + used, room - used, "%s%s", used > 0 && event->name != NULL ? "/" : "",
                   event->name != NULL ? event->name : "");
    errno = saved;
}

int tap_before(const struct tap_event *event)
{
    return hooks.before != NULL ? hooks.before(event) : TAP_PASS;
}

void tap_after(const struct tap_event *event, long result)
{
    int saved = errno;
    if (hooks.after != NULL)
        hooks.after(event, result);
    errno = saved;
}

/* True when the call is to fail; errno is set. */
static bool fails(const struct tap_event *event)
{
    int answer = tap_before(event);
    if (answer <= 0)
        return false;
    errno = answer;
    return true;
}

static const char *other_disk;

void tap_split(const char *dir)
{
    other_disk = dir;
}

static bool on_other_disk(int fd, const char *name)
{
    char path[4096];
    const struct tap_event e = {.fd = fd, .name = name};
    size_t n = strlen(other_disk);
    tap_path(&e, path, sizeof path);
    return strncmp(path, other_disk, n) == 0 && path[n] == '/';
}

static bool crosses(const struct tap_event *e)
{
    if (other_disk == NULL || on_other_disk(e->fd, e->name) == on_other_disk(e->to_dir, e->to_name))
        return false;
    errno = EXDEV;
    return true;
}

static const char *spelled(int dir, const char *name, char room[256])
{
    const char *other = hooks.rename_name != NULL ? hooks.rename_name(dir, name, room) : NULL;
    return other != NULL ? other : name;
}

static int tap_openat(void *c, int dir, const char *name, int flags, mode_t mode)
{
    char room[256];
    const struct tap_event e = {.call = (flags & O_CREAT) != 0 ? TAP_CREATE : TAP_OPEN,
                                .fd = dir,
                                .name = spelled(dir, name, room),
                                .flags = (unsigned)flags};
    (void)c;
    if (fails(&e))
        return -1;
    int fd = real()->openat(NULL, dir, e.name, flags, mode);
    tap_after(&e, fd);
    return fd;
}

/* The descriptor is gone whatever close reports. */
static int tap_close(void *c, int fd)
{
    const struct tap_event e = {.call = TAP_CLOSE, .fd = fd};
    (void)c;
    int answer = tap_before(&e);
    int result = real()->close(NULL, fd);
    tap_after(&e, result);
    if (answer <= 0)
        return result;
    errno = answer;
    return -1;
}

static size_t shortened(int answer, size_t size)
{
    return answer == TAP_SHORT && size > 1 ? 1 + size / 3 : size;
}

static ssize_t tap_read(void *c, int fd, void *bytes, size_t size)
{
    const struct tap_event e = {.call = TAP_READ, .fd = fd, .size = size, .offset = -1};
    (void)c;
    int answer = tap_before(&e);
    if (answer > 0) {
        errno = answer;
        return -1;
    }
    return real()->read(NULL, fd, bytes, shortened(answer, size));
}

static ssize_t tap_pread(void *c, int fd, void *bytes, size_t size, off_t offset)
{
    const struct tap_event e = {.call = TAP_READ, .fd = fd, .size = size, .offset = offset};
    (void)c;
    int answer = tap_before(&e);
    if (answer > 0) {
        errno = answer;
        return -1;
    }
    return real()->pread(NULL, fd, bytes, shortened(answer, size), offset);
}

/* A third of the bytes arrive before a fault, as on a disk that fills up; none before an interruption. */
static ssize_t tap_write(void *c, int fd, const void *bytes, size_t size)
{
    struct tap_event e = {.call = TAP_WRITE, .fd = fd, .bytes = bytes, .size = size, .offset = -1};
    (void)c;
    int answer = tap_before(&e);
    e.size = answer == EINTR ? 0 : answer > 0 ? size / 3 : shortened(answer, size);
    ssize_t n = real()->write(NULL, fd, bytes, e.size);
    tap_after(&e, n);
    if (answer <= 0)
        return n;
    errno = answer;
    return -1;
}

static int tap_fsync(void *c, int fd)
{
    const struct tap_event e = {.call = TAP_SYNC, .fd = fd};
    (void)c;
    if (fails(&e))
        return -1;
    /* Nothing here is really cut off from power: a sync costs time and proves nothing. */
    tap_after(&e, 0);
    return 0;
}

static int tap_fstat(void *c, int fd, struct stat *st)
{
    const struct tap_event e = {.call = TAP_STAT, .fd = fd};
    (void)c;
    return fails(&e) ? -1 : real()->fstat(NULL, fd, st);
}

static int tap_fstatat(void *c, int dir, const char *name, struct stat *st, int flags)
{
    char room[256];
    const struct tap_event e = {.call = TAP_STAT, .fd = dir, .name = spelled(dir, name, room)};
    (void)c;
    return fails(&e) ? -1 : real()->fstatat(NULL, dir, e.name, st, flags);
}

static int tap_fstatvfs(void *c, int fd, struct statvfs *st)
{
    const struct tap_event e = {.call = TAP_SPACE, .fd = fd};
    (void)c;
    return fails(&e) ? -1 : real()->fstatvfs(NULL, fd, st);
}

static int tap_futimens(void *c, int fd, const struct timespec times[2])
{
    const struct tap_event e = {.call = TAP_TIMES, .fd = fd, .times = times};
    (void)c;
    if (fails(&e))
        return -1;
    int result = real()->futimens(NULL, fd, times);
    tap_after(&e, result);
    return result;
}

static int tap_fchmod(void *c, int fd, mode_t mode)
{
    const struct tap_event e = {.call = TAP_MODE, .fd = fd};
    (void)c;
    return fails(&e) ? -1 : real()->fchmod(NULL, fd, mode);
}

static int tap_fadvise(void *c, int fd, off_t offset, off_t size, int advice)
{
    const struct tap_event e = {.call = TAP_ADVISE, .fd = fd};
    (void)c;
    return fails(&e) ? errno : real()->fadvise(NULL, fd, offset, size, advice);
}

static int tap_mkdirat(void *c, int dir, const char *name, mode_t mode)
{
    char room[256];
    const struct tap_event e = {.call = TAP_MKDIR, .fd = dir, .name = spelled(dir, name, room)};
    (void)c;
    if (fails(&e))
        return -1;
    int result = real()->mkdirat(NULL, dir, e.name, mode);
    tap_after(&e, result);
    return result;
}

static int tap_lock(void *c, int fd)
{
    const struct tap_event e = {.call = TAP_LOCK, .fd = fd};
    (void)c;
    return fails(&e) ? -1 : real()->lock(NULL, fd);
}

static DIR *tap_fdopendir(void *c, int fd)
{
    const struct tap_event e = {.call = TAP_LIST, .fd = fd};
    (void)c;
    return fails(&e) ? NULL : real()->fdopendir(NULL, fd);
}

static struct dirent *tap_readdir(void *c, DIR *dir)
{
    const struct tap_event e = {.call = TAP_LIST, .fd = dirfd(dir)};
    (void)c;
    return fails(&e) ? NULL : real()->readdir(NULL, dir);
}

static int tap_closedir(void *c, DIR *dir)
{
    const struct tap_event e = {.call = TAP_CLOSE, .fd = dirfd(dir)};
    (void)c;
    int answer = tap_before(&e);
    int result = real()->closedir(NULL, dir);
    if (answer <= 0)
        return result;
    errno = answer;
    return -1;
}

static int tap_renameat2(void *c, int dir, const char *name, int to_dir, const char *to_name, unsigned flags)
{
    char room[256], to_room[256];
    const struct tap_event e = {.call = TAP_RENAME,
                                .fd = dir,
                                .name = spelled(dir, name, room),
                                .to_dir = to_dir,
                                .to_name = spelled(to_dir, to_name, to_room),
                                .flags = flags};
    (void)c;
    if (crosses(&e) || fails(&e))
        return -1;
    int result = real()->renameat2(NULL, dir, e.name, to_dir, e.to_name, flags);
    tap_after(&e, result);
    return result;
}

static int tap_linkat(void *c, int dir, const char *name, int to_dir, const char *to_name)
{
    const struct tap_event e = {
        .call = TAP_LINK, .fd = dir, .name = name, .to_dir = to_dir, .to_name = to_name};
    (void)c;
    if (crosses(&e) || fails(&e))
        return -1;
    int result = real()->linkat(NULL, dir, name, to_dir, to_name);
    tap_after(&e, result);
    return result;
}

static int tap_unlinkat(void *c, int dir, const char *name, int flags)
{
    char room[256];
    const struct tap_event e = {
        .call = TAP_UNLINK, .fd = dir, .name = spelled(dir, name, room), .flags = (unsigned)flags};
    (void)c;
    if (fails(&e))
        return -1;
    int result = real()->unlinkat(NULL, dir, e.name, flags);
    tap_after(&e, result);
    return result;
}

const struct files *__wrap_files_system(void)
{
    static const struct files table = {.openat = tap_openat,
                                       .close = tap_close,
                                       .read = tap_read,
                                       .pread = tap_pread,
                                       .write = tap_write,
                                       .fsync = tap_fsync,
                                       .fstat = tap_fstat,
                                       .fstatat = tap_fstatat,
                                       .fstatvfs = tap_fstatvfs,
                                       .futimens = tap_futimens,
                                       .fchmod = tap_fchmod,
                                       .fadvise = tap_fadvise,
                                       .mkdirat = tap_mkdirat,
                                       .lock = tap_lock,
                                       .fdopendir = tap_fdopendir,
                                       .readdir = tap_readdir,
                                       .closedir = tap_closedir,
                                       .renameat2 = tap_renameat2,
                                       .linkat = tap_linkat,
                                       .unlinkat = tap_unlinkat};
    return &table;
}

void tap_install(const struct tap_hooks *wanted)
{
    hooks = wanted != NULL ? *wanted : (struct tap_hooks){.before = NULL};
    tap_sqlite_install();
}

/* Pauses are left out: a card that is tried again need not be waited for here. */
int __real_nanosleep(const struct timespec *pause, struct timespec *left);
int __wrap_nanosleep(const struct timespec *pause, struct timespec *left);

int __wrap_nanosleep(const struct timespec *pause, struct timespec *left)
{
    const struct timespec none = {0};
    (void)pause;
    return __real_nanosleep(&none, left);
}
