/*
 * disk.h - which disk a folder lies on.
 *
 * Two partitions of one disk are one disk, and so are two subvolumes of one file system: the descriptor's
 * mount (/proc/self/fdinfo, /proc/self/mountinfo) leads to the block device, and /sys/dev/block from a
 * partition to its disk. Where there is no block device (network, memory, overlay) st_dev stands for the
 * disk.
 */
#ifndef CHAFFINCH_CARD_DISK_H
#define CHAFFINCH_CARD_DISK_H

#include <stdbool.h>

#include "chaffinch/files.h"

enum { DISK_ID_SIZE = 96 };

struct disk {
    char id[DISK_ID_SIZE]; /* the disk, as long as it stays plugged in: "disk 8:16", "mount 0:45" */
    bool memory;           /* tmpfs: gone when the computer is switched off */
    bool of_cards;         /* a file system that cards are formatted with: FAT, exFAT (also by FUSE) */
    dev_t device;          /* the file system */
};

/* Never fails: what cannot be found out falls back to st_dev. `fd` = an open folder. */
void disk_of(const struct files *fs, int fd, struct disk *disk);

/* A name for a folder that survives unplugging: "uuid 1A2B-3C4D:INODE" where udev knows its file system, else
   "folder DEVICE:INODE". Never fails: "" where the folder cannot be looked at. */
void disk_volume(const struct files *fs, int fd, char id[DISK_ID_SIZE]);

#endif
