/* copies.h - new files in a folder of the user: never over another file, verified after writing. */
#ifndef CHAFFINCH_REPORT_COPIES_H
#define CHAFFINCH_REPORT_COPIES_H

#include <stdbool.h>
#include <stddef.h>

#include "chaffinch/err.h"
#include "chaffinch/session.h"

struct copies {
    const struct files *fs;
    char *folder; /* as it is opened */
};
/* Opens `folder`, made where it is missing (its parent is not), or `.chaffinch/NAME` where it is NULL.
   ERR_REFUSED when it lies within the session: measure would take the copies for frames. */
bool copies_open(struct copies *copies, const struct session *s, const char *folder, const char *name,
                 struct err *err);
void copies_close(struct copies *copies);
/* Writes STEM ENDING, or STEM-2 ENDING and so on where that name is taken by something else. *there = the
   same bytes lay there already, and nothing was written. The file is synced and read back from the disk.
   *path (malloc) is where it lies. */
bool copies_write(const struct copies *copies, const char *stem, const char *ending, const void *bytes,
                  size_t size, bool *there, char **path, struct err *err);

#endif
