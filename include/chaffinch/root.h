/*
 * root.h - a session folder that is open: its descriptor, its `.chaffinch/` folder and its lock.
 *
 * Calling sequence: root_open(); root_lock() where the command changes something; ...; root_close().
 * Ownership: struct root owns its descriptors and its path; root_close() releases them and the lock.
 */
#ifndef CHAFFINCH_ROOT_H
#define CHAFFINCH_ROOT_H

#include <stdbool.h>

#include "chaffinch/err.h"
#include "chaffinch/files.h"

#define ROOT_STATE ".chaffinch"
#define ROOT_REJECTS "rejects"

struct root {
    const struct files *fs;
    char *path; /* as the user gave it, without trailing slashes */
    int fd;     /* the session folder */
    int state;  /* .chaffinch/, -1 where there is none (and it was not to be made) */
    int lock;   /* -1 = not held */
};

#define ROOT_INIT                                                                                            \
    {                                                                                                        \
        .fd = -1, .state = -1, .lock = -1                                                                    \
    }

/* Opens the folder. create_state makes `.chaffinch/` where it is missing; create_folder makes the session
   folder itself (one level). ERR_NOT_FOUND, ERR_USAGE ("'x' is not a folder"), ERR_IO. */
bool root_open(struct root *root, const struct files *fs, const char *path, bool create_folder,
               bool create_state, struct err *err);
void root_close(struct root *root);
/* Takes `.chaffinch/lock`. ERR_REFUSED when another run holds it. */
bool root_lock(struct root *root, struct err *err);
/* True when `path` is never walked as pictures: `.chaffinch` or `rejects` at the top. */
bool root_is_ours(const char *path);

#endif
