#include "tap_sqlite.h"

#include <errno.h>
#include <fcntl.h>
#include <sqlite3.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static bool fails(const struct tap_event *event)
{
    int answer = tap_before(event);
    if (answer <= 0)
        return false;
    errno = answer;
    return true;
}

/* ---- the calls of the unix VFS ------------------------------------------------------------------------- */

static int sq_open(const char *path, int flags, int mode)
{
    const struct tap_event e = {.call = (flags & O_CREAT) != 0 ? TAP_CREATE : TAP_OPEN,
                                .sqlite = true,
                                .fd = AT_FDCWD,
                                .name = path,
                                .flags = (unsigned)flags};
    if (fails(&e))
        return -1;
    int fd = open(path, flags | O_CLOEXEC, (mode_t)mode);
    tap_after(&e, fd);
    return fd;
}

static int sq_close(int fd)
{
    const struct tap_event e = {.call = TAP_CLOSE, .sqlite = true, .fd = fd};
    int answer = tap_before(&e);
    int result = close(fd);
    if (answer <= 0)
        return result;
    errno = answer;
    return -1;
}

static int sq_access(const char *path, int mode)
{
    const struct tap_event e = {.call = TAP_STAT, .sqlite = true, .fd = AT_FDCWD, .name = path};
    return fails(&e) ? -1 : access(path, mode);
}

static int sq_stat(const char *path, struct stat *st)
{
    const struct tap_event e = {.call = TAP_STAT, .sqlite = true, .fd = AT_FDCWD, .name = path};
    return fails(&e) ? -1 : stat(path, st);
}

static int sq_fstat(int fd, struct stat *st)
{
    const struct tap_event e = {.call = TAP_STAT, .sqlite = true, .fd = fd};
    return fails(&e) ? -1 : fstat(fd, st);
}

static ssize_t sq_pread(int fd, void *bytes, size_t size, off_t offset)
{
    const struct tap_event e = {.call = TAP_READ, .sqlite = true, .fd = fd, .size = size, .offset = offset};
    int answer = tap_before(&e);
    if (answer > 0) {
        errno = answer;
        return -1;
    }
    return pread(fd, bytes, answer == TAP_SHORT && size > 1 ? 1 + size / 3 : size, offset);
}

static ssize_t sq_pwrite(int fd, const void *bytes, size_t size, off_t offset)
{
    struct tap_event e = {
        .call = TAP_WRITE, .sqlite = true, .fd = fd, .bytes = bytes, .size = size, .offset = offset};
    int answer = tap_before(&e);
    e.size = answer == EINTR                   ? 0
             : answer > 0                      ? size / 3
             : answer == TAP_SHORT && size > 1 ? 1 + size / 3
                                               : size;
    ssize_t n = pwrite(fd, bytes, e.size, offset);
    tap_after(&e, n);
    if (answer <= 0)
        return n;
    errno = answer;
    return -1;
}

static int sq_ftruncate(int fd, off_t size)
{
    const struct tap_event e = {.call = TAP_TRUNCATE, .sqlite = true, .fd = fd, .offset = size};
    if (fails(&e))
        return -1;
    int result = ftruncate(fd, size);
    tap_after(&e, result);
    return result;
}

/* Only locks are asked for with a third argument that is a pointer. */
static int sq_fcntl(int fd, int command, ...)
{
    va_list arguments;
    va_start(arguments, command);
    void *third = va_arg(arguments, void *);
    va_end(arguments);
    const struct tap_event e = {.call = TAP_LOCK, .sqlite = true, .fd = fd};
    return fails(&e) ? -1 : fcntl(fd, command, third);
}

static int sq_unlink(const char *path)
{
    const struct tap_event e = {.call = TAP_UNLINK, .sqlite = true, .fd = AT_FDCWD, .name = path};
    if (fails(&e))
        return -1;
    int result = unlink(path);
    tap_after(&e, result);
    return result;
}

/* SQLite opens a folder for nothing but to sync it. */
static int sq_open_directory(const char *path, int *fd)
{
    char folder[4096];
    size_t n = strlen(path);
    if (n >= sizeof folder)
        return SQLITE_CANTOPEN;
    memcpy(folder, path, n + 1);
    while (n > 0 && folder[n] != '/')
        n--;
    folder[n > 0 ? n : 1] = '\0';
    *fd = open(n > 0 || path[0] == '/' ? folder : ".", O_RDONLY | O_CLOEXEC);
    const struct tap_event e = {.call = TAP_SYNC, .sqlite = true, .fd = *fd};
    if (*fd >= 0 && fails(&e)) {
        (void)close(*fd);
        *fd = -1;
    }
    if (*fd < 0)
        return SQLITE_CANTOPEN;
    tap_after(&e, 0);
    return SQLITE_OK;
}

/* ---- the VFS before it --------------------------------------------------------------------------------- */

struct shim {
    sqlite3_file base;
    char path[1024]; /* SQLite does not tell descriptors: the path stands for them */
    sqlite3_file *real;
};

static sqlite3_file *under(sqlite3_file *file)
{
    return ((struct shim *)file)->real;
}

static int shim_close(sqlite3_file *file)
{
    return under(file)->pMethods->xClose(under(file));
}

static int shim_read(sqlite3_file *file, void *bytes, int size, sqlite3_int64 offset)
{
    return under(file)->pMethods->xRead(under(file), bytes, size, offset);
}

static int shim_write(sqlite3_file *file, const void *bytes, int size, sqlite3_int64 offset)
{
    return under(file)->pMethods->xWrite(under(file), bytes, size, offset);
}

static int shim_truncate(sqlite3_file *file, sqlite3_int64 size)
{
    return under(file)->pMethods->xTruncate(under(file), size);
}

static int shim_sync(sqlite3_file *file, int flags)
{
    const struct tap_event e = {
        .call = TAP_SYNC, .sqlite = true, .fd = AT_FDCWD, .name = ((struct shim *)file)->path};
    if (fails(&e))
        return SQLITE_IOERR_FSYNC;
    tap_after(&e, 0);
    return under(file)->pMethods->xSync(under(file), flags);
}

static int shim_size(sqlite3_file *file, sqlite3_int64 *size)
{
    return under(file)->pMethods->xFileSize(under(file), size);
}

static int shim_lock(sqlite3_file *file, int level)
{
    return under(file)->pMethods->xLock(under(file), level);
}

static int shim_unlock(sqlite3_file *file, int level)
{
    return under(file)->pMethods->xUnlock(under(file), level);
}

static int shim_reserved(sqlite3_file *file, int *held)
{
    return under(file)->pMethods->xCheckReservedLock(under(file), held);
}

static int shim_control(sqlite3_file *file, int op, void *argument)
{
    return under(file)->pMethods->xFileControl(under(file), op, argument);
}

static int shim_sector(sqlite3_file *file)
{
    return under(file)->pMethods->xSectorSize(under(file));
}

static int shim_traits(sqlite3_file *file)
{
    return under(file)->pMethods->xDeviceCharacteristics(under(file));
}

static const sqlite3_io_methods shim_methods = {.iVersion = 1,
                                                .xClose = shim_close,
                                                .xRead = shim_read,
                                                .xWrite = shim_write,
                                                .xTruncate = shim_truncate,
                                                .xSync = shim_sync,
                                                .xFileSize = shim_size,
                                                .xLock = shim_lock,
                                                .xUnlock = shim_unlock,
                                                .xCheckReservedLock = shim_reserved,
                                                .xFileControl = shim_control,
                                                .xSectorSize = shim_sector,
                                                .xDeviceCharacteristics = shim_traits};

static int shim_open(sqlite3_vfs *vfs, const char *name, sqlite3_file *file, int flags, int *out)
{
    struct shim *s = (struct shim *)file;
    sqlite3_vfs *unix_vfs = vfs->pAppData;
    memset(s, 0, sizeof *s);
    s->real = (sqlite3_file *)(s + 1);
    if (name != NULL)
        (void)strncpy(s->path, name, sizeof s->path - 1);
    int result = unix_vfs->xOpen(unix_vfs, name, s->real, flags, out);
    s->base.pMethods = s->real->pMethods != NULL ? &shim_methods : NULL;
    return result;
}

static void replace(sqlite3_vfs *vfs, const char *name, sqlite3_syscall_ptr call)
{
    if (vfs->xSetSystemCall(vfs, name, call) != SQLITE_OK)
        abort();
}

#define CALL(function) ((sqlite3_syscall_ptr)(void (*)(void))(function))

void tap_sqlite_install(void)
{
    static sqlite3_vfs shim;
    if (shim.zName != NULL)
        return;
    sqlite3_vfs *vfs = sqlite3_vfs_find("unix");
    if (vfs == NULL)
        abort();
    replace(vfs, "open", CALL(sq_open));
    replace(vfs, "close", CALL(sq_close));
    replace(vfs, "access", CALL(sq_access));
    replace(vfs, "stat", CALL(sq_stat));
    replace(vfs, "fstat", CALL(sq_fstat));
    replace(vfs, "pread", CALL(sq_pread));
    replace(vfs, "pread64", CALL(sq_pread));
    replace(vfs, "pwrite", CALL(sq_pwrite));
    replace(vfs, "pwrite64", CALL(sq_pwrite));
    replace(vfs, "ftruncate", CALL(sq_ftruncate));
    replace(vfs, "fcntl", CALL(sq_fcntl));
    replace(vfs, "unlink", CALL(sq_unlink));
    replace(vfs, "openDirectory", CALL(sq_open_directory));
    shim = *vfs;
    shim.zName = "torture";
    shim.pNext = NULL;
    shim.pAppData = vfs;
    shim.szOsFile = (int)sizeof(struct shim) + vfs->szOsFile;
    shim.xOpen = shim_open;
    if (sqlite3_vfs_register(&shim, 1) != SQLITE_OK)
        abort();
}
