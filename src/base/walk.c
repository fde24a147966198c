/* Walking a tree in byte order of names, without following links. */
#include "chaffinch/files.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/str.h"

enum { WALK_DEPTH = 64 };

struct names {
    char **name;
    size_t n, room;
};

static int by_bytes(const void *a, const void *b)
{
    return strcmp(*(char *const *)a, *(char *const *)b);
}

static void names_release(struct names *names)
{
    for (size_t i = 0; i < names->n; i++)
        free(names->name[i]);
    free(names->name);
    *names = (struct names){0};
}

static bool names_add(struct names *names, const char *name, struct err *err)
{
    if (names->n == names->room) {
        size_t room = names->room > 0 ? names->room * 2 : 64;
        char **grown = realloc(names->name, room * sizeof *grown);
        if (grown == NULL)
            return err_nomem(err);
        names->name = grown;
        names->room = room;
    }
    char *copy = strdup(name);
    if (copy == NULL)
        return err_nomem(err);
    names->name[names->n++] = copy;
    return true;
}

/* All names of the folder `fd`, sorted. The descriptor stays the caller's. */
static bool list_folder(const struct files *fs, int fd, const char *shown, struct names *names,
                        struct err *err)
{
    bool ok = false;
    DIR *dir = NULL;
    int copy = files_open(fs, fd, ".", O_RDONLY | O_DIRECTORY, 0, shown, err);
    if (copy < 0)
        return false;
    dir = fs->fdopendir(fs->context, copy);
    if (dir == NULL) {
        err_sys(err, "read the folder", shown);
        files_drop(fs, copy);
        return false;
    }
    for (;;) {
        errno = 0;
        struct dirent *entry = fs->readdir(fs->context, dir);
        if (entry == NULL && errno != 0) {
            err_sys(err, "read the folder", shown);
            goto out;
        }
        if (entry == NULL)
            break;
        if (strcmp(entry->d_name, ".") != 0 && strcmp(entry->d_name, "..") != 0 &&
            !names_add(names, entry->d_name, err))
            goto out;
    }
    if (names->n > 0)
        qsort(names->name, names->n, sizeof *names->name, by_bytes);
    ok = true;
out:
    (void)fs->closedir(fs->context, dir);
    return ok;
}

static bool note_trouble(const struct files_walk *walk, const char *path, struct err *trouble,
                         struct err *err)
{
    if (walk->trouble != NULL && trouble->code != ERR_NOMEM) {
        walk->trouble(walk->context, path, trouble);
        return true;
    }
    if (err != NULL)
        *err = *trouble;
    return false;
}

static bool walk_folder(const struct files *fs, int fd, struct str *path, const struct files_walk *walk,
                        int depth, struct err *err);

static bool walk_name(const struct files *fs, int fd, const char *name, struct str *path,
                      const struct files_walk *walk, int depth, struct err *err)
{
    struct stat st;
    struct err trouble = ERR_INIT;
    bool descend = true;
    if (fs->fstatat(fs->context, fd, name, &st, AT_SYMLINK_NOFOLLOW) != 0) {
        err_sys(&trouble, "look at", path->bytes);
        return note_trouble(walk, path->bytes, &trouble, err);
    }
    if (!walk->visit(walk->context, path->bytes, &st, &descend, err))
        return false;
    if (!S_ISDIR(st.st_mode) || !descend)
        return true;
    if (depth == WALK_DEPTH) {
        char safe[400];
        err_set(&trouble, ERR_FILE, "'%s' is nested too deeply", err_escape(safe, sizeof safe, path->bytes));
        return note_trouble(walk, path->bytes, &trouble, err);
    }
    int next = files_open(fs, fd, name, O_RDONLY | O_DIRECTORY, 0, path->bytes, &trouble);
    if (next < 0)
        return note_trouble(walk, path->bytes, &trouble, err);
    bool ok = walk_folder(fs, next, path, walk, depth + 1, err);
    files_drop(fs, next);
    return ok;
}

static bool walk_folder(const struct files *fs, int fd, struct str *path, const struct files_walk *walk,
                        int depth, struct err *err)
{
    struct names names = {0};
    struct err trouble = ERR_INIT;
    size_t base = path->size;
    bool ok = true;
    if (!list_folder(fs, fd, path->size > 0 ? path->bytes : ".", &names, &trouble)) {
        names_release(&names);
        return note_trouble(walk, path->size > 0 ? path->bytes : ".", &trouble, err);
    }
    for (size_t i = 0; ok && i < names.n; i++) {
        if (base > 0)
            str_append_char(path, '/');
        str_append(path, names.name[i]);
        ok = str_ok(path, err) && walk_name(fs, fd, names.name[i], path, walk, depth, err);
        if (path->bytes != NULL) {
            path->size = base;
            path->bytes[base] = '\0';
        }
    }
    names_release(&names);
    return ok;
}

bool files_walk_tree(const struct files *fs, int root, const struct files_walk *walk, struct err *err)
{
    struct str path = STR_INIT;
    bool ok = walk_folder(fs, root, &path, walk, 0, err);
    str_release(&path);
    return ok;
}
