/*
 * Which disk a folder lies on: /proc, /sys and /dev are played by a folder, laid out as proc(5) and the
 * kernel's Documentation/ABI/testing/sysfs-block and sysfs-dev describe them.
 */
#include <check.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/sysmacros.h>
#include <unistd.h>

#include "../../src/card/disk.h"

static char top[64];
static struct files table;
static int folder;         /* the one that is asked about */
static dev_t device;       /* the device number that it says it has */
static bool deaf;          /* folders cannot be listed */
static const char *mapped; /* this path is a block device, 253:0 */

static const char *played(const char *path, char room[512])
{
    if (strncmp(path, "/proc/", 6) != 0 && strncmp(path, "/sys/", 5) != 0 && strncmp(path, "/dev/", 5) != 0)
        return path;
    (void)snprintf(room, 512, "%s%s", top, path);
    return room;
}

static int play_openat(void *context, int dir, const char *path, int flags, mode_t mode)
{
    char room[512];
    (void)context;
    return files_system()->openat(NULL, dir, played(path, room), flags, mode);
}

static int play_fstat(void *context, int fd, struct stat *st)
{
    (void)context;
    if (fd < 0)
        return files_system()->fstat(NULL, fd, st);
    int result = files_system()->fstat(NULL, fd, st);
    if (fd == folder && result == 0)
        st->st_dev = device;
    return result;
}

static int play_fstatat(void *context, int dir, const char *name, struct stat *st, int flags)
{
    (void)context;
    unsigned minor_number = 0;
    if (mapped != NULL && strcmp(name, mapped) == 0) {
        *st = (struct stat){.st_mode = S_IFBLK | 0600, .st_rdev = makedev(253, 0)};
        return 0;
    }
    int result = files_system()->fstatat(NULL, dir, name, st, flags);
    /* A file of by-uuid is played as the device 8:N that its name ends in. */
    const char *dash = strrchr(name, '-');
    if (result == 0 && dash != NULL && sscanf(dash, "-8.%u", &minor_number) == 1) {
        st->st_mode = S_IFBLK | 0600;
        st->st_rdev = makedev(8, minor_number);
    }
    return result;
}

static DIR *play_fdopendir(void *context, int fd)
{
    (void)context;
    if (!deaf)
        return files_system()->fdopendir(NULL, fd);
    errno = ENOMEM;
    return NULL;
}

static void run(const char *format, ...)
{
    char command[1024];
    va_list list;
    va_start(list, format);
    (void)vsnprintf(command, sizeof command, format, list);
    va_end(list);
    ck_assert_int_eq(system(command), 0);
}

/* The mount table has one line for the folder's mount, between two others. */
static void mounted(const char *id, const char *type, const char *source)
{
    run("printf 'pos:\\t0\\nflags:\\t0100000\\nmnt_id:\\t%s\\n' >%s/proc/self/fdinfo/%d", id, top, folder);
    run("printf '2%s 1 0:1 / /x rw - tmpfs none rw\\n%s 1 8:1 / /media rw,relatime shared:1 - %s %s rw\\n"
        "99 1 0:2 / /y rw - proc proc rw' >%s/proc/self/mountinfo",
        id, id, type, source, top);
}

static void setup(void)
{
    table = *files_system();
    table.openat = play_openat;
    table.fstat = play_fstat;
    table.fstatat = play_fstatat;
    table.fdopendir = play_fdopendir;
    strcpy(top, "/tmp/chaffinch-disk-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(top));
    run("cd %s && mkdir -p proc/self/fdinfo sys/dev/block dev/disk/by-uuid sys/devices/sda/sda1/slaves media",
        top);
    /* sda, its first partition, and an encrypted volume on that. */
    run("cd %s/sys && echo 8:0 >devices/sda/dev && echo 8:1 >devices/sda/sda1/dev && echo 1 "
        ">devices/sda/sda1/partition && ln -s ../../devices/sda/sda1 dev/block/8:1 && ln -s "
        "../../devices/sda "
        "dev/block/8:0 && mkdir -p devices/dm-0/slaves && ln -s ../../sda/sda1 devices/dm-0/slaves/sda1 && "
        "ln -s "
        "../../devices/dm-0 dev/block/253:0",
        top);
    char media[80];
    (void)snprintf(media, sizeof media, "%s/media", top);
    folder = open(media, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    ck_assert_int_ge(folder, 0);
    device = makedev(8, 1);
    deaf = false;
    mapped = NULL;
}

static void teardown(void)
{
    (void)close(folder);
    run("rm -rf '%s'", top);
}

START_TEST(a_partition_leads_to_its_disk)
{
    struct disk disk;
    mounted("31", "exfat", "/dev/sda1");
    disk_of(&table, folder, &disk);
    ck_assert_str_eq(disk.id, "disk 8:0");
    ck_assert(disk.of_cards && !disk.memory);
    ck_assert(disk.device == makedev(8, 1));
    device = makedev(8, 0); /* a disk without partitions */
    disk_of(&table, folder, &disk);
    ck_assert_str_eq(disk.id, "disk 8:0");
}
END_TEST

START_TEST(an_encrypted_volume_leads_to_the_disk_below)
{
    struct disk disk;
    mounted("7", "ext4", "/dev/mapper/pond");
    device = makedev(253, 0);
    disk_of(&table, folder, &disk);
    ck_assert_str_eq(disk.id, "disk 8:0");
    ck_assert(!disk.of_cards);
    /* btrfs gives each subvolume a device number of its own: the source of the mount tells. */
    device = makedev(0, 55);
    mapped = "/dev/mapper/pond";
    disk_of(&table, folder, &disk);
    ck_assert_str_eq(disk.id, "disk 8:0");
    /* On two disks it stands for itself; so it does where folders cannot be listed. */
    run("ln -s ../../sda %s/sys/devices/dm-0/slaves/sdb", top);
    disk_of(&table, folder, &disk);
    ck_assert_str_eq(disk.id, "disk 253:0");
    run("rm %s/sys/devices/dm-0/slaves/sdb", top);
    deaf = true;
    disk_of(&table, folder, &disk);
    ck_assert_str_eq(disk.id, "disk 253:0");
}
END_TEST

START_TEST(what_has_no_disk_is_told_by_its_device_number)
{
    static const struct {
        const char *type, *source;
        bool memory, of_cards;
    } mounts[] = {{"tmpfs", "none", true, false},
                  {"nfs4", "pond:/pictures", false, false},
                  {"overlay", "/nowhere", false, false},
                  {"fuseblk", "//x", false, true}};
    struct disk disk;
    device = makedev(0, 45);
    for (size_t i = 0; i < sizeof mounts / sizeof mounts[0]; i++) {
        mounted("31", mounts[i].type, mounts[i].source);
        disk_of(&table, folder, &disk);
        ck_assert_str_eq(disk.id, "mount 0:45");
        ck_assert(disk.memory == mounts[i].memory && disk.of_cards == mounts[i].of_cards);
    }
    /* Without /proc nothing is known of the file system. */
    run("printf 'mnt_id:\\t8\\n' >%s/proc/self/fdinfo/%d", top, folder);
    disk_of(&table, folder, &disk);
    ck_assert(strcmp(disk.id, "mount 0:45") == 0 && !disk.memory && !disk.of_cards);
    run("echo nothing >%s/proc/self/fdinfo/%d", top, folder);
    disk_of(&table, folder, &disk);
    ck_assert(strcmp(disk.id, "mount 0:45") == 0);
    run("rm %s/proc/self/fdinfo/%d", top, folder);
    disk_of(&table, folder, &disk);
    ck_assert(strcmp(disk.id, "mount 0:45") == 0);
    disk_of(&table, -1, &disk);
    ck_assert_str_eq(disk.id, "unknown");
}
END_TEST

START_TEST(a_volume_keeps_its_name_when_it_is_plugged_in_again)
{
    char id[DISK_ID_SIZE], wanted[DISK_ID_SIZE];
    struct stat st;
    ck_assert_int_eq(fstat(folder, &st), 0);
    run("cd %s/dev/disk/by-uuid && touch 1A2B-3C4D-8.2 9E8F-8.1", top);
    disk_volume(&table, folder, id);
    (void)snprintf(wanted, sizeof wanted, "uuid 9E8F-8.1:%llu", (unsigned long long)st.st_ino);
    ck_assert_str_eq(id, wanted);
    /* Nobody knows its file system, or udev is not there. */
    (void)snprintf(wanted, sizeof wanted, "folder %llu:%llu", (unsigned long long)makedev(8, 1),
                   (unsigned long long)st.st_ino);
    deaf = true;
    disk_volume(&table, folder, id);
    ck_assert_str_eq(id, wanted);
    deaf = false;
    run("rm %s/dev/disk/by-uuid/9*", top);
    disk_volume(&table, folder, id);
    ck_assert_str_eq(id, wanted);
    run("rm -r %s/dev/disk", top);
    disk_volume(&table, folder, id);
    ck_assert_str_eq(id, wanted);
    disk_volume(&table, -1, id);
    ck_assert_str_eq(id, "");
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("disk");
    TCase *tc = tcase_create("disk");
    tcase_add_checked_fixture(tc, setup, teardown);
    tcase_add_test(tc, a_partition_leads_to_its_disk);
    tcase_add_test(tc, an_encrypted_volume_leads_to_the_disk_below);
    tcase_add_test(tc, what_has_no_disk_is_told_by_its_device_number);
    tcase_add_test(tc, a_volume_keeps_its_name_when_it_is_plugged_in_again);
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
