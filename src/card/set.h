/* set.h - the cards of a run: what card_open() found, for the files of this module. */
#ifndef CHAFFINCH_CARD_SET_H
#define CHAFFINCH_CARD_SET_H

#include <stdatomic.h>

#include "chaffinch/card.h"
#include "disk.h"

struct card_file {
    char *path;   /* below the card */
    char *family; /* names_family(path) */
    uint64_t size;
    int64_t mtime_ns;
    bool read_only; /* protected in the camera */
};

struct card {
    char *shown; /* as the user named it */
    char id[DISK_ID_SIZE];
    int fd;
    dev_t device;
    ino_t inode;
    struct card_file *file; /* sorted by family, then path */
    size_t n, room;
    struct card_report seen; /* only its trouble: what the walk could not take */
    unsigned failures;       /* read failures in a row */
};

struct card_set {
    const struct files *fs;
    struct files view; /* all calls on cards go through it */
    struct card *card;
    size_t n;
    /* How many files the copy run is done with, from the first of the first card on. Counted up behind the
       placing of each family, and looked at from another thread. */
    atomic_size_t settled;
};

/* Adds one line of trouble; `card` (NULL = none) is put before the path. */
bool report_trouble(struct card_report *report, const char *card, const char *path, const char *message,
                    struct err *err);

/* --- overlap.c --- */

/* The folder itself and all folders above it. */
struct lineage {
    struct {
        dev_t device;
        ino_t inode;
    } * folder;
    size_t n, room;
    bool exists; /* folder[0] is the folder itself; else it is the one that it will be made in */
};

/* ERR_NOMEM only: what cannot be looked at ends the list. `follow` a folder named by the user. */
bool lineage_of(const struct files *fs, const char *path, struct lineage *lineage, struct err *err);
void lineage_release(struct lineage *lineage);
bool lineage_holds(const struct lineage *lineage, dev_t device, ino_t inode);
/* True when one of the two lies within the other (or they are the same). */
bool lineage_overlap(const struct lineage *a, const struct lineage *b);

/* True where a card of the set is a folder of this file system, of a kind that cards have: formatting the
   card takes everything else on it along. */
bool card_set_shares(const struct card_set *set, const struct disk *disk);

#endif
