#include "copies.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/hash.h"
#include "chaffinch/publish.h"

enum { SUFFIX_MAX = 99, BUFFER_BYTES = 1 << 20 };

static bool within(const char *folder, const char *session)
{
    size_t n = strlen(session);
    return strncmp(folder, session, n) == 0 && (folder[n] == '/' || folder[n] == '\0');
}

/* What lies in a session is measured, except below `.chaffinch/`. */
static bool outside(const char *folder, const struct session *s, struct err *err)
{
    char *real = realpath(folder, NULL), *session = realpath(s->root.path, NULL);
    char *state = session != NULL ? str_make(NULL, "%s/" ROOT_STATE, session) : NULL;
    bool ok = real != NULL && state != NULL && (!within(real, session) || within(real, state));
    char safe[400];
    if (real == NULL || state == NULL)
        err_sys(err, "open", folder);
    else if (!ok)
        err_set(err, ERR_REFUSED,
                "'%s' lies within the session, where copies would be taken for frames: choose another folder",
                err_escape(safe, sizeof safe, folder));
    free(real);
    free(session);
    free(state);
    return ok;
}

bool copies_open(struct copies *copies, const struct session *s, const char *folder, const char *name,
                 struct err *err)
{
    const struct files *fs = s->root.fs;
    *copies = (struct copies){.fs = fs};
    copies->folder = folder != NULL ? str_make(err, "%s", folder)
                                    : str_make(err, "%s/" ROOT_STATE "/%s", s->root.path, name);
    if (copies->folder == NULL)
        return false;
    if (publish_user_folder(fs, copies->folder, err) && outside(copies->folder, s, err))
        return true;
    copies_close(copies);
    return false;
}

void copies_close(struct copies *copies)
{
    free(copies->folder);
    copies->folder = NULL;
}

/* True if the file holds just these bytes. From the disk, not from the cache, where `cold`. */
static bool holds(const struct files *fs, const char *path, const void *bytes, size_t size, bool cold)
{
    struct stat st;
    struct err err = ERR_INIT;
    char *buffer = malloc(BUFFER_BYTES);
    int fd = buffer != NULL ? files_open_regular(fs, AT_FDCWD, path, &st, path, &err) : -1;
    bool same = fd >= 0 && (uint64_t)st.st_size == size;
    size_t at = 0, got = BUFFER_BYTES;
    if (fd >= 0 && cold)
        (void)fs->fadvise(fs->context, fd, 0, 0, POSIX_FADV_DONTNEED);
    while (same && got == BUFFER_BYTES) {
        same = files_read_full(fs, fd, buffer, BUFFER_BYTES, &got, path, &err) && got <= size - at &&
               memcmp(buffer, (const char *)bytes + at, got) == 0;
        at += got;
    }
    files_drop(fs, fd);
    free(buffer);
    return same && at == size;
}

bool copies_write(const struct copies *copies, const char *stem, const char *ending, const void *bytes,
                  size_t size, bool *there, char **path, struct err *err)
{
    char safe[400];
    *there = false;
    for (int i = 1; i <= SUFFIX_MAX; i++) {
        struct err trouble = ERR_INIT;
        char suffix[8] = "";
        if (i > 1)
            (void)snprintf(suffix, sizeof suffix, "-%d", i);
        *path = str_make(err, "%s/%s%s%s", copies->folder, stem, suffix, ending);
        if (*path == NULL)
            return false;
        if (publish_user_file(copies->fs, *path, bytes, size, &trouble)) {
            if (holds(copies->fs, *path, bytes, size, true))
                return true;
            err_set(err, ERR_FILE, "'%s' does not read back as it was written: do not rely on it",
                    err_escape(safe, sizeof safe, *path));
            break;
        }
        if (trouble.code != ERR_EXISTS) {
            if (err != NULL)
                *err = trouble;
            break;
        }
        *there = holds(copies->fs, *path, bytes, size, false);
        if (*there && publish_user_settle(copies->fs, *path, err))
            return true;
        if (*there)
            break;
        free(*path);
        *path = NULL;
    }
    *there = false;
    if (*path == NULL)
        err_set(err, ERR_EXISTS, "all names up to '%s-%d%s' are taken", err_escape(safe, sizeof safe, stem),
                SUFFIX_MAX, ending);
    free(*path);
    *path = NULL;
    return false;
}
