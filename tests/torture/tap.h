/*
 * tap.h - a tap on every file call of a whole program: those of the table (struct files) and those of SQLite.
 *
 * The programs under test are linked into the test binary with files_system() wrapped by the linker, so they
 * get the table below without knowing it. SQLite's own calls are replaced through xSetSystemCall of its unix
 * VFS; its fsync, which is not in that list, through a thin VFS around it.
 *
 * One hook sees each call before it is made and may fail it, shorten it, stop the program there, or let it
 * pass; another sees what came of it. Without hooks the calls pass.
 *
 * State lies in one shared page, so that the parent of a run reads what the run counted.
 */
#ifndef TESTS_TORTURE_TAP_H
#define TESTS_TORTURE_TAP_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/types.h>
#include <time.h>

enum tap_call {
    TAP_OPEN,
    TAP_CREATE,
    TAP_CLOSE,
    TAP_READ,
    TAP_WRITE,
    TAP_SYNC,
    TAP_STAT,
    TAP_SPACE,
    TAP_TIMES,
    TAP_MODE,
    TAP_ADVISE,
    TAP_MKDIR,
    TAP_LOCK,
    TAP_LIST,
    TAP_RENAME,
    TAP_LINK,
    TAP_UNLINK,
    TAP_TRUNCATE,
    TAP_CALLS
};

struct tap_event {
    enum tap_call call;
    bool sqlite;
    int fd; /* the file; or the folder that `name` is in */
    const char *name;
    int to_dir; /* rename and link */
    const char *to_name;
    unsigned flags;
    const void *bytes; /* what is written */
    size_t size;
    off_t offset; /* -1 = where the descriptor stands */
    const struct timespec *times;
};

/* What the first hook may answer besides an errno. */
enum { TAP_PASS = 0, TAP_SHORT = -1 };

struct tap_hooks {
    int (*before)(const struct tap_event *event);              /* TAP_PASS, TAP_SHORT or an errno */
    void (*after)(const struct tap_event *event, long result); /* only where the call was made */
    const char *(*rename_name)(int dir, const char *name,
                               char *room); /* another spelling of a name; NULL = none */
};

/* To be called in the process that runs the program, before anything opens a catalogue. NULL = pass all. */
void tap_install(const struct tap_hooks *hooks);

/* Plays a disk of its own below the folder `dir` (absolute, NULL = none): no rename or link leads into it or
   out of it. To be called in the process that runs the program. */
void tap_split(const char *dir);

/* The path that a call is about, from /proc. */
void tap_path(const struct tap_event *event, char *out, size_t room);

const char *tap_call_name(enum tap_call call);

#endif
