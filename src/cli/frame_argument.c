#include "frame_argument.h"

#include <stdlib.h>
#include <string.h>

#include "chaffinch/str.h"

/* The path without "." parts and doubled slashes; malloc'ed. ".." stays: it is for the system to resolve. */
static char *tidy(const char *path, struct err *err)
{
    char *out = malloc(strlen(path) + 2), *end = out;
    if (out == NULL) {
        err_nomem(err);
        return NULL;
    }
    if (*path == '/')
        *end++ = '/';
    while (*path != '\0') {
        size_t n = strcspn(path, "/");
        if (n > 0 && !(n == 1 && path[0] == '.')) {
            if (end != out && end[-1] != '/')
                *end++ = '/';
            memcpy(end, path, n);
            end += n;
        }
        path += n + (path[n] == '/');
    }
    *end = '\0';
    return out;
}

/* The path below the session that `word` leads to from the current folder; NULL where it leads elsewhere. The
   file itself may be gone, its folder must be there. */
static char *below_session(const struct root *root, const char *word)
{
    char *path = strdup(word), *top = realpath(root->path, NULL), *folder = NULL, *found = NULL;
    char *slash = path != NULL ? strrchr(path, '/') : NULL;
    const char *leaf = slash != NULL ? slash + 1 : path;
    if (path == NULL || top == NULL)
        goto out;
    if (slash == path)
        folder = strdup("/");
    else {
        if (slash != NULL)
            *slash = '\0';
        folder = realpath(slash != NULL ? path : ".", NULL);
    }
    size_t n = strlen(top);
    if (folder == NULL || strncmp(folder, top, n) != 0 || (folder[n] != '/' && folder[n] != '\0'))
        goto out;
    found = folder[n] == '\0' ? strdup(leaf) : str_make(NULL, "%s/%s", folder + n + 1, leaf);
out:
    free(path);
    free(top);
    free(folder);
    return found;
}

bool frame_argument_find(struct catalogue *c, const struct root *root, const char *word, int64_t *frame,
                         struct err *err)
{
    char safe[400];
    char *path = tidy(word, err), *below = NULL;
    *frame = 0;
    bool ok = path != NULL && catalogue_find_path(c, path, frame, err);
    if (ok && *frame == 0) {
        below = below_session(root, word);
        ok = below == NULL || catalogue_find_path(c, below, frame, err);
    }
    free(path);
    free(below);
    if (ok && *frame == 0)
        return err_set(err, ERR_USAGE,
                       "there is no frame '%s': name a file as 'chaffinch list --frames' prints it",
                       err_escape(safe, sizeof safe, word));
    return ok;
}
