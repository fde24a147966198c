#include "disk.h"

#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/sysmacros.h>

/* Reads a small file of /proc or /sys, NUL-terminated. */
static bool read_small(const struct files *fs, const char *path, char *out, size_t room)
{
    struct err ignored = ERR_INIT;
    size_t got = 0;
    int fd = files_open(fs, AT_FDCWD, path, O_RDONLY, 0, path, &ignored);
    if (fd < 0)
        return false;
    bool ok = files_read_full(fs, fd, out, room - 1, &got, path, &ignored);
    files_drop(fs, fd);
    out[ok ? got : 0] = '\0';
    return ok;
}

/* The line of mountinfo for one mount: "ID PARENT MAJ:MIN ROOT POINT OPTIONS [TAGS] - TYPE SOURCE ...". */
static bool mount_line(const struct files *fs, const char *id, char *line, size_t room)
{
    enum { TABLE_SIZE = 1 << 20 };
    bool found = false;
    size_t n = strlen(id);
    char *table = malloc(TABLE_SIZE);
    if (table == NULL || !read_small(fs, "/proc/self/mountinfo", table, TABLE_SIZE))
        goto out;
    for (char *at = table; *at != '\0' && !found;) {
        char *end = strchrnul(at, '\n');
        if (strncmp(at, id, n) == 0 && at[n] == ' ' && (size_t)(end - at) < room) {
            memcpy(line, at, (size_t)(end - at));
            line[end - at] = '\0';
            found = true;
        }
        at = *end == '\n' ? end + 1 : end;
    }
out:
    free(table);
    return found;
}

/* Type and source of the mount that the descriptor lies on. */
static bool mount_of(const struct files *fs, int fd, char type[64], char source[256])
{
    char path[64], text[1024], line[4096], id[24];
    (void)snprintf(path, sizeof path, "/proc/self/fdinfo/%d", fd);
    if (!read_small(fs, path, text, sizeof text))
        return false;
    const char *at = strstr(text, "mnt_id:");
    if (at == NULL || sscanf(at, "mnt_id: %23s", id) != 1 || !mount_line(fs, id, line, sizeof line))
        return false;
    const char *tail = strstr(line, " - ");
    return tail != NULL && sscanf(tail, " - %63s %255s", type, source) == 2;
}

/* Reads "MAJ:MIN" from a file of /sys. */
static bool read_device(const struct files *fs, const char *path, unsigned *major, unsigned *minor)
{
    char text[64];
    return read_small(fs, path, text, sizeof text) && sscanf(text, "%u:%u", major, minor) == 2;
}

/* A mapped device (encryption, logical volume) that rests on one other device: that one. On several (RAID)
   it stands for itself. */
static bool only_slave(const struct files *fs, unsigned *major, unsigned *minor)
{
    struct err ignored = ERR_INIT;
    char path[400], name[256] = "";
    int n = 0;
    (void)snprintf(path, sizeof path, "/sys/dev/block/%u:%u/slaves", *major, *minor);
    int fd = files_open(fs, AT_FDCWD, path, O_RDONLY | O_DIRECTORY, 0, path, &ignored);
    DIR *dir = fd >= 0 ? fs->fdopendir(fs->context, fd) : NULL;
    if (dir == NULL) {
        files_drop(fs, fd);
        return false;
    }
    for (struct dirent *entry; (entry = fs->readdir(fs->context, dir)) != NULL;) {
        if (entry->d_name[0] == '.')
            continue;
        (void)snprintf(name, sizeof name, "%s", entry->d_name);
        n++;
    }
    (void)fs->closedir(fs->context, dir);
    (void)snprintf(path, sizeof path, "/sys/dev/block/%u:%u/slaves/%s/dev", *major, *minor, name);
    return n == 1 && read_device(fs, path, major, minor);
}

/* From a partition to its disk: /sys/dev/block/8:1 is a link into .../sda/sda1, so ".." is the disk. */
static void whole_disk(const struct files *fs, dev_t device, struct disk *disk)
{
    enum { LAYERS = 8 };
    char path[96], text[64];
    unsigned major = major(device), minor = minor(device);
    for (int i = 0; i < LAYERS && only_slave(fs, &major, &minor); i++)
        continue;
    (void)snprintf(path, sizeof path, "/sys/dev/block/%u:%u/partition", major, minor);
    if (read_small(fs, path, text, sizeof text)) {
        (void)snprintf(path, sizeof path, "/sys/dev/block/%u:%u/../dev", major, minor);
        (void)read_device(fs, path, &major, &minor);
    }
    (void)snprintf(disk->id, sizeof disk->id, "disk %u:%u", major, minor);
}

void disk_of(const struct files *fs, int fd, struct disk *disk)
{
    struct stat st, device;
    char type[64] = "", source[256] = "";
    *disk = (struct disk){.id = "unknown"};
    if (fs->fstat(fs->context, fd, &st) != 0)
        return;
    bool known = mount_of(fs, fd, type, source);
    disk->device = st.st_dev;
    disk->of_cards = known && (strcmp(type, "vfat") == 0 || strcmp(type, "exfat") == 0 ||
                               strcmp(type, "msdos") == 0 || strcmp(type, "fuseblk") == 0);
    disk->memory = known && (strcmp(type, "tmpfs") == 0 || strcmp(type, "ramfs") == 0);
    if (major(st.st_dev) != 0)
        whole_disk(fs, st.st_dev, disk);
    else if (known && source[0] == '/' && fs->fstatat(fs->context, AT_FDCWD, source, &device, 0) == 0 &&
             S_ISBLK(device.st_mode))
        whole_disk(fs, device.st_rdev, disk);
    else
        (void)snprintf(disk->id, sizeof disk->id, "mount %u:%u", major(st.st_dev), minor(st.st_dev));
}

/* The name in /dev/disk/by-uuid whose device is `device`. */
static bool uuid_of(const struct files *fs, dev_t device, char *out, size_t room)
{
    struct err ignored = ERR_INIT;
    bool found = false;
    int fd = files_open(fs, AT_FDCWD, "/dev/disk/by-uuid", O_RDONLY | O_DIRECTORY, 0, "by-uuid", &ignored);
    if (fd < 0)
        return false;
    DIR *dir = fs->fdopendir(fs->context, fd);
    if (dir == NULL) {
        files_drop(fs, fd);
        return false;
    }
    for (struct dirent *entry; !found && (entry = fs->readdir(fs->context, dir)) != NULL;) {
        struct stat st;
        if (fs->fstatat(fs->context, fd, entry->d_name, &st, 0) == 0 && S_ISBLK(st.st_mode) &&
            st.st_rdev == device && strlen(entry->d_name) < room) {
            memcpy(out, entry->d_name, strlen(entry->d_name) + 1);
            found = true;
        }
    }
    (void)fs->closedir(fs->context, dir);
    return found;
}

void disk_volume(const struct files *fs, int fd, char id[DISK_ID_SIZE])
{
    struct stat st;
    char uuid[DISK_ID_SIZE - 32];
    id[0] = '\0';
    if (fs->fstat(fs->context, fd, &st) != 0)
        return;
    if (uuid_of(fs, st.st_dev, uuid, sizeof uuid))
        (void)snprintf(id, DISK_ID_SIZE, "uuid %s:%llu", uuid, (unsigned long long)st.st_ino);
    else
        (void)snprintf(id, DISK_ID_SIZE, "folder %llu:%llu", (unsigned long long)st.st_dev,
                       (unsigned long long)st.st_ino);
}
