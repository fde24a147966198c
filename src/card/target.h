/*
 * target.h - a folder that is copied to: the session, or the folder of the second copy.
 *
 * It knows what the manifest lists, where each file came from (`copies.log`), what lies on the disk now, and
 * what apply moved or deleted. New files are noted as they are published and made permanent in batches:
 * target_commit() syncs the folders, then the manifest, then copies.log. A file that was published but not
 * committed when the run died is recognised by its content in the next one.
 */
#ifndef CHAFFINCH_CARD_TARGET_H
#define CHAFFINCH_CARD_TARGET_H

#include "chaffinch/catalogue.h"
#include "chaffinch/log.h"
#include "chaffinch/root.h"
#include "chaffinch/textlog.h"
#include "disk.h"
#include "manifest.h"
#include "map.h"
#include "readback.h"

#define TARGET_COPIES "copies.log"
#define TARGET_INCOMING "incoming"

enum target_flag {
    TARGET_LISTED = 1 << 0,  /* in the manifest: `digest` is valid */
    TARGET_ON_DISK = 1 << 1, /* a regular file lies there: `size` and `mtime_ns` are valid */
    TARGET_TAKEN = 1 << 2,   /* something else has the name */
    TARGET_MOVED = 1 << 3,   /* apply moved it to `moved_to` */
    TARGET_COUNTED = 1 << 4, /* stands for a file of a card of this run */
    TARGET_SECOND = 1 << 5,  /* a second verified copy lies on another disk */
    TARGET_INTACT = 1 << 6,  /* its content was compared in this run */
    TARGET_CHANGED = 1 << 7  /* ... and differs */
};

struct target_file {
    char *path;
    char *moved_to; /* NULL = not moved; absolute when moved out of the session */
    bool deleted;   /* moved, and deleted by apply */
    struct hash_digest digest;
    uint64_t size;
    int64_t mtime_ns;
    unsigned flags;
    uint64_t copied_size; /* from copies.log, where `from_log` */
    int64_t copied_mtime_ns;
    bool from_log;
    unsigned run_card;      /* 1.. = stands for a file of that card in this run, 0 = of none */
    const char *run_family; /* ... and of that family; the card's */
};

/* One line of copies.log: this file of that card is that file here. */
struct target_record {
    size_t file;
    char *card_path, *card_id, *label;
    uint64_t size;
    int64_t mtime_ns;
    struct hash_digest fingerprint;
    uint32_t suffix;
    char *second; /* disk of the second verified copy, "" = none */
};

struct target {
    struct root *root; /* the caller's */
    struct log *log;   /* the caller's */
    struct disk disk;
    struct target_file *file;
    size_t n, room;
    struct target_record *record;
    size_t n_records, room_records;
    struct map by_path, by_family, by_card_path;
    struct readback readback;
    struct manifest_lines lines;
    struct textlog *copies;
    struct map touched; /* folders that wait for their sync */
    size_t pending;     /* files that wait for target_commit */
    bool listed;        /* there is a manifest */
    bool failed;        /* gave up on the way (second copy only) */
};

#define TARGET_NONE SIZE_MAX

/* What is known from the manifest, copies.log and the catalogue (NULL = none). Reads only. */
bool target_load(struct target *t, struct root *root, struct catalogue *catalogue, struct log *log,
                 struct err *err);
/* Before copying, with the lock held: clears what a dead run left, mends torn logs, and walks the folder. */
bool target_recover(struct root *root, struct err *err);
bool target_scan(struct target *t, struct err *err);
void target_release(struct target *t);

size_t target_find(const struct target *t, const char *path); /* TARGET_NONE = not known */
/* The file that is to lie under `path`; made where it is not known. */
bool target_file_of(struct target *t, const char *path, size_t *file, struct err *err);

enum target_state {
    TARGET_STATE_INTACT,
    TARGET_STATE_MOVED,   /* and there, as it was copied */
    TARGET_STATE_DELETED, /* moved by apply, and gone since: by --delete-rejects, or by hand */
    TARGET_STATE_AWAY,    /* moved by apply to a folder outside that does not have it now: the disk is not
                             connected, or somebody took the file */
    TARGET_STATE_LOST,
    TARGET_STATE_CHANGED
};
/* How a listed file fares: by size and mtime where these are as copied, else by its content. False only with
   ERR_IO or ERR_NOMEM. */
bool target_state(struct target *t, size_t file, enum target_state *state, struct err *err);
/* Moved out of the session and not deleted by apply: when it is not there, nobody knows how it fares. */
bool target_may_be_away(const struct target_file *file);
/* Reads the file at `path` (below the folder, or absolute) and tells whether it has these bytes. */
bool target_same_content(struct target *t, const char *path, const struct hash_digest *digest, bool *same,
                         struct err *err);

/* Notes a file that was published or found to be there already; listed with the next commit. */
bool target_note(struct target *t, size_t file, const struct hash_digest *digest, struct err *err);
/* Notes a line of copies.log. */
bool target_note_record(struct target *t, const struct target_record *record, struct err *err);
bool target_touch(struct target *t, const char *path, struct err *err); /* its folder waits for a sync */
bool target_commit(struct target *t, struct err *err);
/* Puts rows that the catalogue's index of copies lacks. */
bool target_index(struct target *t, struct catalogue *catalogue, struct err *err);

#endif
