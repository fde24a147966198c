#include "chaffinch/session.h"

#include <fcntl.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/frame.h"
#include "chaffinch/publish.h"

/* A camera card in its reader: a file system of its own with DCIM at its top, and never worked on before.
   Nothing may be written to it, so it must be copied first. */
static bool looks_like_card(const struct root *root)
{
    struct stat top, above, dcim;
    const struct files *fs = root->fs;
    return root->state < 0 && fs->fstat(fs->context, root->fd, &top) == 0 &&
           fs->fstatat(fs->context, root->fd, "..", &above, 0) == 0 && top.st_dev != above.st_dev &&
           fs->fstatat(fs->context, root->fd, "DCIM", &dcim, AT_SYMLINK_NOFOLLOW) == 0 &&
           S_ISDIR(dcim.st_mode);
}

/* A folder that cannot be read may hold some. */
static void pass_over(void *context, const char *path, const struct err *err)
{
    bool *found = context;
    (void)path;
    (void)err;
    *found = true;
}

/* Any name of a picture will do. */
static bool find_picture(void *context, const char *path, const struct stat *st, bool *descend,
                         struct err *err)
{
    bool *found = context;
    const char *slash = strrchr(path, '/');
    (void)err;
    *descend = !*found && !root_is_ours(path);
    *found = *found || (S_ISREG(st->st_mode) &&
                        frame_kind_is_picture(frame_kind_of_name(slash != NULL ? slash + 1 : path)));
    return !*found; /* the walk can stop */
}

/* Nothing is written to a folder that holds no picture: it was named by mistake. */
static bool has_pictures(const struct root *root, struct err *err)
{
    bool found = root->state >= 0;
    char safe[400], word[400];
    const struct files_walk walk = {.context = &found, .visit = find_picture, .trouble = pass_over};
    if (!found)
        (void)files_walk_tree(root->fs, root->fd, &walk, NULL);
    return found ||
           err_set(err, ERR_USAGE,
                   "no pictures in '%s': name the folder that holds them, or copy a card first with "
                   "'chaffinch copy CARD %s'",
                   err_escape(safe, sizeof safe, root->path), err_word(word, sizeof word, root->path));
}

static bool open_root(struct session *s, const struct files *fs, const char *path, enum session_access access,
                      struct err *err)
{
    if (!root_open(&s->root, fs, path, access == SESSION_CREATE, false, err))
        return false;
    if (access == SESSION_READ)
        return true;
    if (looks_like_card(&s->root))
        return err_set(err, ERR_REFUSED,
                       "'%s' is a camera card, and nothing is ever written to a card: copy it first with "
                       "'chaffinch copy %s SESSION'",
                       path, path);
    if (access == SESSION_WRITE && !has_pictures(&s->root, err))
        return false;
    root_close(&s->root);
    return root_open(&s->root, fs, path, false, true, err) && root_lock(&s->root, err) &&
           publish_recover(&s->root, err);
}

struct session *session_open(const struct files *fs, const char *path, enum session_access access,
                             struct log *log, const volatile int *stop, struct err *err)
{
    struct session *s = calloc(1, sizeof *s);
    if (s == NULL) {
        err_nomem(err);
        return NULL;
    }
    s->log = log;
    s->stop = stop;
    if (!open_root(s, fs, path, access, err))
        goto fail;
    s->catalogue = catalogue_open(&s->root, access == SESSION_READ ? CATALOGUE_READ : CATALOGUE_WRITE, err);
    if (s->catalogue == NULL)
        goto fail;
    return s;
fail:
    session_close(s);
    return NULL;
}

void session_close(struct session *s)
{
    if (s == NULL)
        return;
    catalogue_close(s->catalogue);
    if (s->root.fs != NULL)
        root_close(&s->root);
    free(s);
}
