/*
 * catalogue.h - what is known of a session: SQLite in `.chaffinch/catalogue.db`, every line of SQL behind
 * these calls.
 *
 * Rows of frames, bursts and decisions are for ever; a missing file keeps its row, marked missing. Decisions
 * are appended to the text log
 * `.chaffinch/decisions.log` and synced before SQLite commits, so a lost catalogue is rebuilt with them.
 *
 * Calling sequence:
 *     struct catalogue *c = catalogue_open(&root, CATALOGUE_WRITE, &err);
 *     catalogue_begin(c, &err); ... catalogue_commit(c, &err);      long work in batches
 *     catalogue_close(c);
 *
 * Errors: ERR_DAMAGED (not ours, damaged), ERR_REFUSED (made by a newer version), ERR_USAGE (CATALOGUE_READ
 * and none is there: "not measured yet: type 'chaffinch measure SESSION' first"), ERR_IO, ERR_NOMEM.
 * A catalogue is not carried over a fork (SQLite's locks belong to the process), and is one thread's.
 * Ownership: strings in rows handed to callbacks are valid during the call only.
 * All enums are stored as text tokens, times as ns, so that the sqlite3 shell reads the tables.
 */
#ifndef CHAFFINCH_CATALOGUE_H
#define CHAFFINCH_CATALOGUE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chaffinch/err.h"
#include "chaffinch/hash.h"
#include "chaffinch/root.h"

enum catalogue_access { CATALOGUE_READ, CATALOGUE_WRITE };

struct catalogue;
/* CATALOGUE_WRITE makes the catalogue where there is none, migrates an older schema, and takes over what
   decisions.log holds beyond it: the last word of a run that was killed, or everything where the catalogue is
   new (catalogue_put_frame attaches it as frames come back). CATALOGUE_READ works on a read-only disk; where
   a killed writer left something to roll back it does that first, or says that it cannot (ERR_IO). */
struct catalogue *catalogue_open(const struct root *root, enum catalogue_access access, struct err *err);
void catalogue_close(struct catalogue *c); /* rolls back what is open; NULL is accepted */
bool catalogue_begin(struct catalogue *c, struct err *err);
bool catalogue_commit(struct catalogue *c, struct err *err);
void catalogue_rollback(struct catalogue *c);
/* Integrity: SQLite's own check, the foreign keys, the checksums of decisions.log. ERR_DAMAGED. *torn (NULL =
   not asked) = the log holds what a crash left of decisions that were never saved. */
bool catalogue_check(struct catalogue *c, bool *torn, struct err *err);
/* Small named values ("gap_ns", "session_label"): *value is malloc'ed, NULL where there is none. */
bool catalogue_get_setting(struct catalogue *c, const char *key, char **value, struct err *err);
bool catalogue_set_setting(struct catalogue *c, const char *key, const char *value, struct err *err);

/* ---- files ---------------------------------------------------------------- */

/* File kinds as stored: "jpeg" "raw" "heif" "container" "sidecar" "sound" "thumb" "companion". */
struct catalogue_file {
    int64_t id, frame; /* frame = 0: belongs to no picture and is not kept here */
    const char *path; /* where it lies now, relative to the session (raw bytes); absolute when moved out of it
                         by --to */
    const char *home; /* where it lay before apply moved it; NULL = not moved */
    const char *kind;
    uint64_t size;
    int64_t mtime_ns;
    bool has_fingerprint; /* pictures only */
    struct hash_digest fingerprint;
    bool missing;
};

/* ---- frames --------------------------------------------------------------- */

enum catalogue_decision { CATALOGUE_UNDECIDED = 0, CATALOGUE_KEEP = 1, CATALOGUE_REJECT = 2 };

/* Identity, metadata and state of one frame. Text never NULL ("" = unknown) in rows that come out. */
struct catalogue_frame {
    int64_t id;
    const char *identity; /* body key, a space, fingerprint of its first picture in hex */
    const char *body;     /* serial, else maker + model + folder run */
    const char *folder;   /* below the session */
    const char *name;     /* base name without extension */
    const char *prefix;
    int number, folder_number; /* -1 = none */
    const char *maker, *model, *serial, *lens;
    bool has_time;
    int64_t time_ns; /* civil */
    int subsec_digits;
    bool has_offset;
    int offset_min;
    double exposure_s, f_number, focal_mm, iso, focus_m;
    int orientation;
    uint32_t width_px, height_px;
    int rating;        /* made in the camera */
    bool is_protected; /* made in the camera: read-only attribute */
    uint32_t sequence, burst_group;
    bool missing;
    /* state of measuring */
    const char *state;     /* "new", "measured", "unreadable", "format", "not-scored" */
    const char *cause;     /* why unreadable; or a warning ("the raw beside the JPEG cannot be read: ...") */
    const char *judged_on; /* "full", "preview", "half", "" */
    uint32_t judged_width_px, judged_height_px;
    double decoded; /* share of the picture that was decoded, 0..1; the rest holds no subject */
    int64_t pack, pack_offset, pack_size; /* cells: `.chaffinch/cells/PACK.cells`; pack 0 = none */
    /* place */
    int64_t burst; /* number from 1 in time order, 0 = not grouped yet */
    uint32_t position;
    int64_t estimated_ns;
};

/* Adds the frame (state "new") or updates the metadata of the row of the same identity, whose state, place,
   choice and decisions stay. *id is set. A decision of that identity that waits in the text log is attached.
 */
bool catalogue_put_frame(struct catalogue *c, const struct catalogue_frame *frame, int64_t *id,
                         struct err *err);
/* Sets the files of a frame: exactly these n; rows of files no longer there are removed unless they were
   moved by apply. A file that stays keeps its id. */
bool catalogue_put_files(struct catalogue *c, int64_t frame, const struct catalogue_file *files, size_t n,
                         struct err *err);
bool catalogue_set_missing(struct catalogue *c, int64_t frame, bool missing, struct err *err);
bool catalogue_set_state(struct catalogue *c, int64_t frame, const char *state, const char *cause,
                         struct err *err);
bool catalogue_set_measured(struct catalogue *c, int64_t frame, const char *judged_on, uint32_t width_px,
                            uint32_t height_px, int64_t pack, int64_t pack_offset, int64_t pack_size,
                            struct err *err);
/* Share of the picture that was decoded; 1 where nothing was said. */
bool catalogue_set_decoded(struct catalogue *c, int64_t frame, double share, struct err *err);
/* Size of the stored full picture, where decoding knows better than Exif. */
bool catalogue_set_size(struct catalogue *c, int64_t frame, uint32_t width_px, uint32_t height_px,
                        struct err *err);
bool catalogue_set_place(struct catalogue *c, int64_t frame, int64_t burst, uint32_t position,
                         int64_t estimated_ns, struct err *err);

/* ---- bursts, passes, subjects --------------------------------------------- */

struct catalogue_burst {
    int64_t number; /* from 1 in time order */
    const char *body;
    int64_t setup; /* from 1; 0 = not known yet */
    int64_t start_ns;
    bool has_time;
    uint32_t n_frames, n_passes;
    const char *mode; /* "moving", "in-place", "unknown", "" = not ranked yet */
    bool perch;
    bool nothing_sharp;
    const char *stamp; /* what the ranking was made from (a hash); ranking is skipped when it is unchanged */
};
/* Replaces the list of bursts; numbers of frames are set by catalogue_set_place. What ranking found follows a
   burst of the same body, start and number of frames to its new number; any other burst starts unranked. Its
   stamp tells whether the frames are the same too: compare it before believing the rest. Items and choices
   belong to frames and stay until the burst is ranked. */
bool catalogue_put_bursts(struct catalogue *c, const struct catalogue_burst *bursts, size_t n,
                          struct err *err);
bool catalogue_set_burst_ranked(struct catalogue *c, const struct catalogue_burst *burst, struct err *err);

enum { CATALOGUE_PARTS = 14 };

/* One subject in one frame: the summary that choosing reads. Fields as struct rank_item (rank.h). */
struct catalogue_item {
    int64_t frame;
    uint32_t pass;
    int64_t time_ns;
    uint32_t x_px, y_px, w_px, h_px;
    uint32_t flags;
    double score;
    double blur_px, blur_low_px, blur_high_px; /* NaN = not known */
    double p_sharp;
    double laplacian_variance, tenengrad;
    double area_cells;
    uint8_t outline[16];
    double part[CATALOGUE_PARTS]; /* NaN = not known, as in items of earlier versions */
};
/* Replaces all items of a burst. */
bool catalogue_put_items(struct catalogue *c, int64_t burst, const struct catalogue_item *items, size_t n,
                         struct err *err);
typedef bool catalogue_item_visit(void *context, const struct catalogue_item *item, struct err *err);
/* In order of frame position, then pass. */
bool catalogue_each_item(struct catalogue *c, int64_t burst, catalogue_item_visit *visit, void *context,
                         struct err *err);
/* The same of one burst at once, kept until another is asked for. Zero it first; the caller releases it. */
struct catalogue_items {
    int64_t burst; /* whose they are; 0 = none read yet */
    struct catalogue_item *item;
    size_t n, room;
};
bool catalogue_items_load(struct catalogue_items *items, struct catalogue *c, int64_t burst, struct err *err);
void catalogue_items_release(struct catalogue_items *items);
/* Also those of frames whose files are gone. */
bool catalogue_each_item_ever(struct catalogue *c, int64_t burst, catalogue_item_visit *visit, void *context,
                              struct err *err);

/* The engine's choice for one frame. Never touches decisions. */
struct catalogue_choice {
    int64_t frame;
    uint32_t pass;        /* of the subject that stands for the frame, 0 = none */
    uint32_t rank;        /* 0 = none */
    const char *proposal; /* "keep", "reject", "none" */
    const char *reason;   /* token */
};
bool catalogue_put_choice(struct catalogue *c, const struct catalogue_choice *choice, struct err *err);

/* ---- decisions ------------------------------------------------------------ */

/* A person's decision: appended to decisions.log and synced, then stored with its history. `who` = login name
   or "camera". CATALOGUE_UNDECIDED clears. Many frames in one call: one sync, one transaction. Not to be
   called inside catalogue_begin. When it fails after the log was synced (ERR_IO, ERR_NO_SPACE from SQLite),
   the decision stands in the log and counts from the next catalogue_open on. */
bool catalogue_decide(struct catalogue *c, const int64_t *frames, size_t n, enum catalogue_decision decision,
                      const char *who, struct err *err);
/* A person accepted (or took back) the proposals of a burst: those frames may be deleted without --unseen.
   Logged likewise, a record a frame with the proposal that was agreed with: a frame that joins the burst
   later, or whose proposal changes, is not accepted. */
bool catalogue_accept(struct catalogue *c, int64_t burst, bool accepted, const char *who, struct err *err);
/* The same for some frames only, as one act. */
bool catalogue_accept_frames(struct catalogue *c, const int64_t *frames, size_t n, bool accepted,
                             const char *who, struct err *err);
/* A frame goes on the shortlist, the person's second round, or leaves it. Logged likewise. */
bool catalogue_shortlist(struct catalogue *c, int64_t frame, bool on, const char *who, struct err *err);
/* A person wants a burst looked at in full although nothing was found in it, or no longer. It hangs on
   frames: a burst is recalled while one of its frames is. Logged likewise. */
bool catalogue_recall(struct catalogue *c, int64_t burst, bool on, const char *who, struct err *err);
/* Marks made in the camera, derived from rating and is_protected: they count as decision keep where no person
 * decided. */

struct catalogue_decided {
    enum catalogue_decision decision;
    const char *who;
    int64_t at_ns; /* UTC */
    bool undone;   /* taken back since, by catalogue_undo */
};
typedef bool catalogue_history_visit(void *context, const struct catalogue_decided *decided, struct err *err);
bool catalogue_history(struct catalogue *c, int64_t frame, catalogue_history_visit *visit, void *context,
                       struct err *err);

/* ---- areas ---------------------------------------------------------------- */

/* A part of the picture that a person drew for a set-up: to be ignored when subjects are looked for (moving
   grass), or to be kept out of crops (a feeder). It hangs on a frame of the set-up: where set-ups are
   numbered anew it goes to the one that this frame is in. */
struct catalogue_area {
    int64_t id, setup;
    bool keep_out;     /* else: ignore */
    double x, y, w, h; /* shares of the stored picture, 0 to 1 */
};
/* Logged as decisions are. ERR_USAGE: no such set-up, outside of the picture, no such area. */
bool catalogue_add_area(struct catalogue *c, const struct catalogue_area *area, const char *who, int64_t *id,
                        struct err *err);
bool catalogue_remove_area(struct catalogue *c, int64_t id, const char *who, struct err *err);
typedef bool catalogue_area_visit(void *context, const struct catalogue_area *area, struct err *err);
/* In order of set-up, then as they were drawn. */
bool catalogue_each_area(struct catalogue *c, catalogue_area_visit *visit, void *context, struct err *err);

/* ---- taking back ---------------------------------------------------------- */

/* One call of catalogue_decide, _accept, _shortlist, _recall, _add_area or _remove_area is one act. */
struct catalogue_act {
    char word[16]; /* the word of the act's last record, as chaffinch-catalogue(5) has it; "" = no act is left
                    */
    size_t n;      /* frames */
    int64_t at_ns; /* when it was done (UTC) */
    int64_t undo_ns; /* when it was taken back: the name of this undo */
};
/* Takes back the last act of `who` that was not taken back yet; what the records before it said holds again.
   Any number of times, also after a restart. Logged likewise. Taking back is no act: it cannot be taken back.
 */
bool catalogue_undo(struct catalogue *c, const char *who, struct catalogue_act *undone, struct err *err);
/* The frames it concerned. */
typedef bool catalogue_frame_visit(void *context, int64_t frame, struct err *err);
bool catalogue_each_undone(struct catalogue *c, const struct catalogue_act *undone,
                           catalogue_frame_visit *visit, void *context, struct err *err);

/* ---- reading -------------------------------------------------------------- */

/* A frame with everything that list, explain, sheet and apply need. */
struct catalogue_row {
    struct catalogue_frame frame;
    struct catalogue_choice choice;   /* proposal "" = not ranked yet */
    enum catalogue_decision decision; /* a person's or the camera's; UNDECIDED if none */
    bool decided_in_camera;
    bool accepted;       /* a person accepted this proposal of this frame */
    bool shortlist;      /* in the person's second round */
    bool recalled;       /* its burst is to be looked at in full */
    const char *outcome; /* "keep", "reject", "none" */
    const char *path; /* the JPEG if there is one, else the raw, else the first picture: where it lies now */
    bool has_item;
    struct catalogue_item item; /* of choice.pass */
    uint32_t n_items;           /* subjects in this frame */
};

struct catalogue_filter {
    int64_t burst;       /* 0 = all */
    int64_t frame;       /* 0 = all */
    const char *outcome; /* NULL = all */
    bool with_missing;   /* rows of frames whose files are gone */
};

/* Visitors may read through the same catalogue, but not write. */
typedef bool catalogue_row_visit(void *context, const struct catalogue_row *row, struct err *err);
/* In order of burst, position. */
bool catalogue_each_row(struct catalogue *c, const struct catalogue_filter *filter,
                        catalogue_row_visit *visit, void *context, struct err *err);
typedef bool catalogue_file_visit(void *context, const struct catalogue_file *file, struct err *err);
/* Files of one frame (frame > 0) or of all frames in order of path (frame = 0). */
bool catalogue_each_file(struct catalogue *c, int64_t frame, catalogue_file_visit *visit, void *context,
                         struct err *err);
typedef bool catalogue_burst_visit(void *context, const struct catalogue_burst *burst, struct err *err);
bool catalogue_each_burst(struct catalogue *c, catalogue_burst_visit *visit, void *context, struct err *err);

/* The frame that owns a file path (as list prints it, or any file of the frame; where it lies now or its
 * home). *frame = 0: unknown. */
bool catalogue_find_path(struct catalogue *c, const char *path, int64_t *frame, struct err *err);

/* A number that differs from the last one if another process wrote meanwhile (SQLite's data_version). */
bool catalogue_data_version(struct catalogue *c, int64_t *version, struct err *err);

/* What chaffinch-apply --move would do now: frames whose outcome is reject and that lie in the session, with
   all their files; and frames in its rejects whose outcome is not reject any more, which come back. */
struct catalogue_moves {
    uint64_t frames, files, bytes;
    uint64_t back_frames, back_files, back_bytes;
};
bool catalogue_count_moves(struct catalogue *c, struct catalogue_moves *moves, struct err *err);

struct catalogue_counts {
    uint64_t frames, missing, bursts, passes, setups;
    uint64_t kept, rejected, none; /* outcomes */
    uint64_t unreadable, format, decided;
};
bool catalogue_count(struct catalogue *c, struct catalogue_counts *counts, struct err *err);

/* ---- moves made by apply -------------------------------------------------- */

/* `path` is where the file lies now (relative or absolute), home where it came from; home NULL = it is back
 * home. */
bool catalogue_set_file_path(struct catalogue *c, int64_t file, const char *path, const char *home,
                             struct err *err);
bool catalogue_forget_file(struct catalogue *c, int64_t file,
                           struct err *err); /* deleted: the row is marked missing */

/* ---- copies --------------------------------------------------------------- */

/* The index of the text manifest: one row a copied file. */
struct catalogue_copy {
    const char *path;      /* below the session, as it was published */
    const char *card_path; /* below the card */
    const char *card;      /* label or id of the card */
    uint64_t size;
    int64_t mtime_ns;
    struct hash_digest digest; /* XXH3-128 of the whole file */
    const char *second;        /* device id of the second verified copy, "" = none */
};
bool catalogue_put_copy(struct catalogue *c, const struct catalogue_copy *copy, struct err *err);
typedef bool catalogue_copy_visit(void *context, const struct catalogue_copy *copy, struct err *err);
bool catalogue_each_copy(struct catalogue *c, catalogue_copy_visit *visit, void *context, struct err *err);

#endif
