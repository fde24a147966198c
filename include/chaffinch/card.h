/*
 * card.h - from a card to a session folder, verified; and later the proof that it still is.
 *
 * Purpose: copy every regular file of one or more cards into a session (and, if wanted, into a second folder
 * in the same read), prove each copy by reading it back past the page cache, and say honestly whether the
 * card may be formatted. A card is only ever read: all calls on it go through a view that refuses whatever
 * could change it.
 *
 * Calling sequence:
 *     struct card_set *set = card_open(fs, cards, n, "session", second, &err);     nothing is written yet
 *     root_open(&root, fs, "session", true, true, &err); root_lock(&root, &err); catalogue_open(...)
 *     struct card_report report = CARD_REPORT_INIT;
 *     ok = card_copy(set, &root, catalogue, &options, &report, &err);
 *     card_verdict(&report, &text);  card_exit_status(&report, ok ? NULL : &err);
 *     card_report_release(&report);  card_close(set);
 *
 * What is kept, all below `.chaffinch/`: `manifest.txt` (the truth: one line a file, as `xxhsum -H128` prints
 * it; `xxhsum -c .chaffinch/manifest.txt` checks it from the session folder), `manifest.nul` (the same for
 * names with newline, CR or backslash, each record ended by NUL), `copies.log` (where each file came from),
 * and `incoming/N` for files on their way, which the next run clears. SQLite holds an index of it.
 *
 * Names: a file keeps its path below the card. Where the session holds other content under a name, all files
 * of that frame (same folder, same base name up to the first dot, ASCII case folded) get the same numbered
 * suffix: DSC_0001-2.JPG, DSC_0001-2.NEF. Files from two cards become one frame only if they share their
 * bytes or same_exposure says so; without an answer from it, only if the times of their pictures lie within 4
 * s (FAT counts in steps of 2 s, and a raw is written after its JPEG).
 *
 * Errors: see the functions. A card that fails ends no run: what could not be read is in the report.
 * Ownership: card_set and card_report own what they hold; options, log and catalogue stay the caller's.
 * Not thread-safe; card_copy runs one thread of its own for verifying, which is gone when it returns.
 */
#ifndef CHAFFINCH_CARD_H
#define CHAFFINCH_CARD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chaffinch/catalogue.h"
#include "chaffinch/err.h"
#include "chaffinch/files.h"
#include "chaffinch/log.h"
#include "chaffinch/root.h"
#include "chaffinch/str.h"

/* --- the cards ------------------------------------------------------------- */

struct card_set;

/* Opens and walks the cards. Nothing is written, not even access times where the system allows that.
   `session` and `second` (NULL = none) need not exist yet. ERR_USAGE: a card is not a folder, is given twice,
   or there is no regular file on any of them. ERR_REFUSED: the session or the second folder lies in a card or
   the reverse, or the two in one another. */
struct card_set *card_open(const struct files *fs, const char *const *cards, size_t n, const char *session,
                           const char *second, struct err *err);
void card_close(struct card_set *set); /* NULL is accepted */
/* Regular files found, and their bytes. */
uint64_t card_count_files(const struct card_set *set);
uint64_t card_count_bytes(const struct card_set *set);

/* --- what a run found ------------------------------------------------------ */

enum card_kind { CARD_PICTURE, CARD_CLIP, CARD_OTHER, CARD_KINDS };
enum card_kind card_kind_of_name(const char *path);

struct card_trouble {
    char *path; /* as a person finds it: card and path below it */
    char *message;
};

struct card_report {
    uint64_t verified[CARD_KINDS]; /* files that lie verified in the session, by kind */
    uint32_t disks;                /* on how many different disks all of them lie */
    uint64_t copied, copied_bytes; /* in this run */
    uint64_t present;              /* were there already */
    uint64_t mirrored;             /* the same bytes as another card's file: stored once */
    uint64_t moved;                /* lie where apply moved them (part of `verified`) */
    uint64_t deleted;              /* deleted by an apply run: neither verified nor missing */
    bool card_seen;                /* a card was compared: without one nothing is said about formatting it */
    bool one_is_enough;
    bool on_card;       /* a folder that was copied to lies on the file system of a card */
    bool second_failed; /* the second folder gave up on the way */
    bool interrupted;
    /* check only */
    uint64_t missing, changed;
    /* Everything that is not copied, or not as it was copied; each with its reason. */
    struct card_trouble *trouble;
    size_t n_trouble, room_trouble;
};

#define CARD_REPORT_INIT                                                                                     \
    {                                                                                                        \
        .disks = 1                                                                                           \
    }

void card_report_release(struct card_report *report);
/* One line without newline: "3,212 pictures, 14 clips, 2 other files verified on 1 disk: keep the card until
   a second copy exists". */
void card_verdict(const struct card_report *report, struct str *out);
/* The exit status of a run: that of the error if there is one (NULL = none), 4 if the second folder failed or
   the run was interrupted, 1 if anything is in trouble, else 0. */
int card_exit_status(const struct card_report *report, const struct err *err);

/* --- copying --------------------------------------------------------------- */

enum card_same { CARD_SAME_UNKNOWN, CARD_SAME_YES, CARD_SAME_NO };
/* Do two pictures show the same exposure: do number, body and time agree? Both are open for reading at their
   start and stay the caller's. */
typedef enum card_same card_same_exposure(void *context, int fd_a, const char *path_a, int fd_b,
                                          const char *path_b);

struct card_options {
    const char *second; /* folder of the second copy, as given to card_open; NULL = none */
    const char *label;  /* what a person calls the card; NULL = none */
    bool one_is_enough;
    bool measures; /* the session is measured next: its cells have to find room too, or nothing is copied */
    const volatile int *stop; /* not 0: end soon; NULL = never */
    struct log *log;          /* NULL = silent */
    card_same_exposure *same_exposure;
    void *same_context;
    uint32_t retry_pause_ms; /* before a failing card is tried again */
    bool no_thread;          /* verify in line: for systems and tests without threads */
};

#define CARD_OPTIONS_INIT                                                                                    \
    {                                                                                                        \
        .retry_pause_ms = 200                                                                                \
    }

/* Copies into `session`, which must be locked. `catalogue` (NULL = none) tells what apply moved or deleted
   and gets the index. True when the run came to its end, also with trouble in the report; false with
   ERR_NO_SPACE (before the first byte where it can be foreseen), ERR_IO (the session cannot be written),
   ERR_INTERRUPTED, ERR_DAMAGED (a manifest), ERR_REFUSED (the second folder is locked), ERR_NOMEM. Whatever
   was published by then is whole, verified and listed, or is found again by the next run. */
bool card_copy(struct card_set *set, struct root *session, struct catalogue *catalogue,
               const struct card_options *options, struct card_report *report, struct err *err);

/* The same in three steps, so that something else can be done meanwhile: begin and end use the catalogue and
   belong to the thread that owns it; go, which takes the time, touches neither the catalogue nor the workers
   (but for same_exposure) and may run in a thread of its own. Begin gives NULL where card_copy fails before
   the first byte. End follows go, also where that failed; it frees. Where go failed it has nothing to add. */
struct card_copying;
struct card_copying *card_copy_begin(struct card_set *set, struct root *session, struct catalogue *catalogue,
                                     const struct card_options *options, struct card_report *report,
                                     struct err *err);
bool card_copy_go(struct card_copying *copying, struct err *err);
bool card_copy_end(struct card_copying *copying, struct catalogue *catalogue, struct err *err);

/* What a run that is under way has still to bring. Files are copied in the order of their names; what tells
   which of them belong together is when they were written. May be asked while card_copy_go runs. */
struct card_coming {
    int64_t *mtime_ns; /* [n], sorted */
    size_t n;
    uint64_t bytes;
};
bool card_coming_list(struct card_set *set, struct card_coming *coming, struct err *err);
/* True when a file is still to come that was written within that time of the other one. */
bool card_coming_near(const struct card_coming *coming, int64_t mtime_ns, int64_t within_ns);
void card_coming_release(struct card_coming *coming);

/* --- checking -------------------------------------------------------------- */

/* Called for each file that is not as it was copied: "changed", "missing", "moved", "deleted", "not copied".
   `detail` = where a moved file lies now, or the reason; "" if there is nothing to say. */
typedef void card_finding(void *context, const char *what, const char *path, const char *detail);

/* Reads every file of the manifest again and compares it; then every file of the cards of `set` (NULL = no
   card). Works on a session that cannot be written. ERR_USAGE where nothing was copied. Uses one_is_enough,
   stop and log of the options. */
bool card_check(struct root *session, struct catalogue *catalogue, struct card_set *set,
                const struct card_options *options, card_finding *finding, void *context,
                struct card_report *report, struct err *err);

#endif
