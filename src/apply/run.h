/*
 * run.h - one run of apply in memory: what is to be moved or deleted, and how far that has come.
 *
 * The same structure is filled by planning and by reading a log back, so that a resumed run and a fresh one
 * are carried out by the same code. Files name their folders by index: folders are opened, synced and given
 * their times once each.
 *
 * Ownership: a run owns its arrays and all text in it; text handed in is copied.
 */
#ifndef CHAFFINCH_APPLY_RUN_H
#define CHAFFINCH_APPLY_RUN_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chaffinch/err.h"
#include "chaffinch/files.h"
#include "chaffinch/hash.h"
#include "chaffinch/root.h"
#include "keep.h"

#define RUN_NONE UINT32_MAX

enum { RUN_BATCH_FRAMES = 64 };

enum run_kind { RUN_MOVE = 1, RUN_UNDO, RUN_DELETE, RUN_SIDECARS };
const char *run_kind_name(enum run_kind kind);
bool run_kind_parse(const char *name, enum run_kind *kind);

/* Where a file of the plan lies. The letters are those of the log. */
enum run_where { WHERE_SOURCE = 'S', WHERE_TARGET = 'T', WHERE_GONE = 'G' };

/* A folder that paths are relative to. Place 0 is the session; its path is not stored, since a session can be
   carried to another disk. */
struct run_place {
    const char *path; /* absolute; "" for place 0 */
    int fd;           /* -1 = not open */
    uint64_t device;  /* while open */
};

struct run_folder {
    uint32_t place;
    const char *path;  /* below the place, "" = the place itself */
    bool made;         /* was missing when the run was planned: ours */
    int64_t before_ns; /* mtime when the run was planned */
    bool restores;     /* its mtime is set to restore_ns when the run is done */
    int64_t restore_ns;
    bool has_after;
    int64_t after_ns; /* mtime when the run was done */
    int fd;           /* -1 = not open */
    bool dirty;       /* names in it changed since it was synced */
};

struct run_file {
    uint32_t frame;
    bool picture;
    uint32_t from_folder, to_folder; /* to_folder = RUN_NONE: it is deleted */
    const char *from_name, *to_name; /* leaf names */
    /* what was seen when the run was planned */
    uint64_t size;
    int64_t mtime_ns;
    int64_t restore_ns;    /* the mtime a copy on another disk gets */
    uint32_t device_place; /* index of the place on whose device it lies, RUN_NONE = `device` tells */
    uint64_t device;       /* device numbers may change when a computer starts again, places do not */
    uint64_t inode;
    struct hash_digest digest; /* of the whole file */
    /* progress */
    enum run_where where;
    bool reserved;      /* an empty file of ours may hold the target's name */
    bool copied;        /* a verified copy on another disk may have the target's name */
    int64_t copied_ns;  /* mtime of that copy as the other disk keeps it */
    int from_fd, to_fd; /* folders, while its frame is worked on; -1 = missing */
    int stand;          /* enum look_stand, while its frame is worked on */
};

enum run_state { FRAME_PENDING, FRAME_DONE, FRAME_LEFT };

struct run_frame {
    const char *label; /* path of its main picture when the run was planned */
    int64_t burst;     /* for the plan on screen, not logged */
    uint32_t batch;
    size_t first, n; /* files */
    enum run_state state;
    bool removing;     /* copies are published, sources are being removed: only forwards from here */
    const char *cause; /* of FRAME_LEFT */
};

struct run {
    uint32_t number;
    enum run_kind kind;
    uint32_t undoes; /* RUN_UNDO: the number of the run it takes back */
    int64_t time_s;  /* UTC */
    uint32_t batches, batches_done;
    uint64_t count; /* RUN_DELETE: files the person confirmed; RUN_UNDO: frames left when it was planned */
    uint64_t left;  /* of the end record: frames that still lie where this run found them */
    bool ended;
    struct run_place *places;
    size_t n_places, room_places;
    struct run_folder *folders;
    size_t n_folders, room_folders;
    struct run_frame *frames;
    size_t n_frames, room_frames;
    struct run_file *files;
    size_t n_files, room_files;
    struct keep text;
};

/* True for a file that comes from `.chaffinch/` or goes there: merged sidecars and those they replace. */
bool run_is_swap(const struct run *run, const struct run_file *file);

void run_init(struct run *run, enum run_kind kind);
void run_release(struct run *run);
/* A copy of `text` that lives as long as the run. NULL with ERR_NOMEM. */
const char *run_keep(struct run *run, const char *text, struct err *err);

/* These add an item and return its index, RUN_NONE with ERR_NOMEM. A place or folder that is there already is
   returned. */
uint32_t run_add_place(struct run *run, const char *path, struct err *err);
uint32_t run_add_folder(struct run *run, uint32_t place, const char *path, struct err *err);
uint32_t run_find_folder(const struct run *run, uint32_t place, const char *path); /* RUN_NONE if none */
/* What messages call it: the top of a place has no path of its own. */
const char *run_folder_shown(const struct run *run, uint32_t place, const char *path);
struct run_frame *run_add_frame(struct run *run, const char *label, struct err *err);
/* To the last frame. Names are copied. */
bool run_add_file(struct run *run, const struct run_file *file, struct err *err);
/* Takes the last frame and its files away again. */
void run_drop_frame(struct run *run);
/* Deals the frames out to batches. */
void run_set_batches(struct run *run);

/* Opens the places (place 0 is root->fd itself). A place that is gone is ERR_NOT_FOUND with advice. */
bool run_open_places(struct run *run, const struct root *root, struct err *err);
void run_close(struct run *run, const struct files *fs); /* places and folders */
/* Opens a folder of the run; -1 with ERR_NOT_FOUND when it is missing and not to be made. The descriptor
   stays the run's. */
int run_open_folder(struct run *run, const struct files *fs, uint32_t folder, bool create, struct err *err);
/* The path of a name as people and the catalogue see it: below the session, else absolute. Caller frees. */
char *run_shown(const struct run *run, uint32_t folder, const char *name, struct err *err);
/* The same of a path below a place. */
char *run_shown_below(const struct run *run, uint32_t place, const char *path, struct err *err);
/* The device on which the plan saw the file, as it is numbered now. */
uint64_t run_device(const struct run *run, const struct run_file *file);

/* malloc'ed "FOLDER/NAME", or NAME where the folder is "". */
char *run_join(const char *folder, const char *name, struct err *err);

#endif
