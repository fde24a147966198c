/*
 * snapshot.h - what the catalogue says, in memory: frames with their outcomes, and their files.
 *
 * Planning asks for files by path and by frame many times over; the snapshot is read once, and the catalogue
 * is closed again before anything moves.
 */
#ifndef CHAFFINCH_APPLY_SNAPSHOT_H
#define CHAFFINCH_APPLY_SNAPSHOT_H

#include "chaffinch/catalogue.h"
#include "keep.h"

struct snapshot_file {
    int64_t id, frame;
    const char *path, *home; /* home NULL = not moved */
    bool picture, missing, has_fingerprint;
    uint64_t size;
    struct hash_digest fingerprint;
};

struct snapshot_frame {
    int64_t id, burst;
    const char *label; /* its main picture */
    bool reject;       /* outcome */
    bool ranked;       /* has a proposal */
    bool seen;         /* a person decided it, or accepted its burst */
};

/* What the copy recorded: the digest of a whole file that need not be read again. */
struct snapshot_copy {
    const char *path;
    uint64_t size;
    int64_t mtime_ns;
    struct hash_digest digest;
};

struct snapshot {
    struct snapshot_frame *frames; /* in order of burst and position */
    size_t n_frames, room_frames;
    struct snapshot_frame **by_id; /* in order of id */
    struct snapshot_file *files;   /* in order of path */
    size_t n_files, room_files;
    struct snapshot_file **by_frame; /* in order of frame, then path */
    struct snapshot_copy *copies;    /* in order of path */
    size_t n_copies, room_copies;
    struct keep text;
};

bool snapshot_load(struct catalogue *c, struct snapshot *snapshot, struct err *err);
/* Opens the catalogue for it, and closes it again. */
bool snapshot_read(const struct root *root, struct snapshot *snapshot, struct err *err);
void snapshot_release(struct snapshot *snapshot);

const struct snapshot_file *snapshot_find(const struct snapshot *snapshot, const char *path);
const struct snapshot_frame *snapshot_frame(const struct snapshot *snapshot, int64_t id);
const struct snapshot_copy *snapshot_copy(const struct snapshot *snapshot, const char *path);
/* The files of a frame; *n of them. */
struct snapshot_file *const *snapshot_files(const struct snapshot *snapshot, int64_t frame, size_t *n);

#endif
