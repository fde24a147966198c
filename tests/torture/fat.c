#include "fat.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>
#include <unistd.h>

#include "fault.h"

static bool strict;

void fat_be_strict(bool wanted)
{
    strict = wanted;
}

/* exFAT specification, 7.7.3: U+0000 to U+001F and these; FUSE refuses what is not UTF-8 too. */
static bool is_forbidden(const char *name)
{
    for (const unsigned char *p = (const unsigned char *)name; *p != 0; p++)
        if (*p < 0x20 || *p >= 0xfe || strchr("\\:*?\"<>|", *p) != NULL)
            return true;
    return false;
}

static int fat_before(const struct tap_event *e)
{
    if (e->call == TAP_RENAME && e->flags != 0)
        return EINVAL;
    if (e->call == TAP_LINK)
        return EPERM;
    if (strict && !e->sqlite && (e->call == TAP_CREATE || e->call == TAP_MKDIR) && is_forbidden(e->name))
        return EINVAL;
    if (strict && e->call == TAP_RENAME && is_forbidden(e->to_name))
        return EINVAL;
    return TAP_PASS;
}

static void fat_after(const struct tap_event *e, long result)
{
    if (e->call != TAP_TIMES || result != 0)
        return;
    struct timespec coarse[2] = {e->times[0], e->times[1]};
    for (int i = 0; i < 2; i++)
        if (coarse[i].tv_nsec != UTIME_OMIT && coarse[i].tv_nsec != UTIME_NOW)
            coarse[i] = (struct timespec){.tv_sec = coarse[i].tv_sec / 2 * 2};
    (void)futimens(e->fd, coarse);
}

/* The spelling that is there, if there is one that differs by case only. */
static const char *fat_spelling(int dir, const char *name, char *room)
{
    struct stat st;
    const char *found = NULL;
    int saved = errno;
    if (strchr(name, '/') != NULL || fstatat(dir, name, &st, AT_SYMLINK_NOFOLLOW) == 0)
        return NULL;
    int fd = openat(dir, ".", O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    DIR *d = fd >= 0 ? fdopendir(fd) : NULL;
    for (struct dirent *e; d != NULL && found == NULL && (e = readdir(d)) != NULL;)
        if (strcasecmp(e->d_name, name) == 0 && strlen(e->d_name) < 256) {
            memcpy(room, e->d_name, strlen(e->d_name) + 1);
            found = room;
        }
    if (d != NULL)
        (void)closedir(d);
    errno = saved;
    return found;
}

static int fat_fault_before(const struct tap_event *e)
{
    int answer = fault_hooks.before(e);
    return answer != TAP_PASS ? answer : fat_before(e);
}

const struct tap_hooks fat_hooks = {.before = fat_before, .after = fat_after, .rename_name = fat_spelling};
const struct tap_hooks fat_fault_hooks = {
    .before = fat_fault_before, .after = fat_after, .rename_name = fat_spelling};
