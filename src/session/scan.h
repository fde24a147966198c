/*
 * scan.h - the walk of a session: which files are there, which belong together, which are new.
 */
#ifndef CHAFFINCH_SESSION_SCAN_H
#define CHAFFINCH_SESSION_SCAN_H

#include "chaffinch/frame.h"
#include "chaffinch/session.h"

/* One regular file below the session. */
struct scan_file {
    char *path;
    uint64_t size;
    int64_t mtime_ns;
    bool read_only; /* no write bit: the camera's protection mark on FAT */
    enum frame_file_kind kind;
    int64_t known_frame; /* of the catalogue row with this path, size and time; 0 = none */
    bool known;          /* the catalogue has a row of this path, size and time */
};

/* Files of one frame: file[first .. first + n), pictures first, best first. */
struct scan_frame {
    size_t first, n;
    size_t n_pictures;
    bool unchanged; /* the catalogue knows exactly these files as one frame */
    int64_t id;     /* of that frame */
};

struct scan {
    struct scan_file *file;
    size_t n_files, room_files;
    struct scan_frame *frame;
    size_t n_frames, room_frames;
    uint64_t links;  /* symbolic links that were left alone */
    uint64_t failed; /* folders and files that could not be looked at */
    uint64_t others; /* files that belong to no picture */
    bool partial;    /* there are more frames than these: none of the others is missing */
};

/* Walks the session (never `.chaffinch/` and `rejects/`), groups files into frames and marks those that the
 * catalogue knows unchanged. */
bool scan_session(struct session *s, struct scan *scan, struct err *err);
void scan_release(struct scan *scan);
/* Drops the frames to which a file may belong that is still to be copied. */
void scan_leave_out(struct scan *scan, const struct card_coming *coming);

/* Peeks at the frames that are new or changed (in workers) and writes them to the catalogue; frames that are
 * gone are marked missing. */
bool scan_store(struct session *s, struct worker_pool *workers, struct scan *scan,
                struct session_measured *totals, struct err *err);

#endif
