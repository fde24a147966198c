#include "tree.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <ftw.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "chaffinch/err.h"
#include "chaffinch/files.h"
#include "chaffinch/str.h"

void tree_die(const char *what, const char *name)
{
    char safe[600];
    fprintf(stderr, "torture: %s '%s': %s\n", what, err_escape(safe, sizeof safe, name), strerror(errno));
    exit(1);
}

char *tree_path(const char *dir, const char *name)
{
    char *all = str_make(NULL, "%s/%s", dir, name);
    if (all == NULL)
        tree_die("no memory for", name);
    return all;
}

static uint8_t *read_all(const char *path, uint64_t size)
{
    uint8_t *bytes = malloc(size + 1);
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NOFOLLOW);
    uint64_t got = 0;
    if (fd < 0 || bytes == NULL)
        tree_die("cannot open", path);
    for (ssize_t n; got < size && (n = read(fd, bytes + got, size - got)) > 0;)
        got += (uint64_t)n;
    if (got != size)
        tree_die("cannot read", path);
    (void)close(fd);
    return bytes;
}

static void digest_of(struct tree_entry *e, const char *all)
{
    char target[4096];
    if (S_ISREG(e->mode)) {
        uint8_t *bytes = read_all(all, e->size);
        e->digest = hash_of(bytes, e->size);
        free(bytes);
    } else if (S_ISLNK(e->mode)) {
        ssize_t n = readlink(all, target, sizeof target);
        e->digest = hash_of(target, n > 0 ? (size_t)n : 0);
    }
}

static void add(struct tree *tree, const char *path, const char *all)
{
    struct stat st;
    if (lstat(all, &st) != 0)
        tree_die("cannot look at", all);
    if (tree->n == tree->room) {
        tree->room = tree->room > 0 ? tree->room * 2 : 32;
        tree->entry = realloc(tree->entry, tree->room * sizeof *tree->entry);
        if (tree->entry == NULL)
            tree_die("no memory for", path);
    }
    struct tree_entry *e = &tree->entry[tree->n++];
    *e = (struct tree_entry){.path = strdup(path),
                             .mode = st.st_mode,
                             .size = S_ISREG(st.st_mode) ? (uint64_t)st.st_size : 0,
                             .mtime_ns = files_time_ns(&st.st_mtim)};
    digest_of(e, all);
}

static void read_folder(struct tree *tree, const char *dir, const char *below, bool ours)
{
    DIR *d = opendir(dir);
    if (d == NULL && errno == ENOENT && *below == '\0')
        return;
    if (d == NULL)
        tree_die("cannot list", dir);
    for (struct dirent *e; (e = readdir(d)) != NULL;) {
        bool top = *below == '\0';
        if (strcmp(e->d_name, ".") == 0 || strcmp(e->d_name, "..") == 0 ||
            (top && !ours && strcmp(e->d_name, ".chaffinch") == 0))
            continue;
        char *all = tree_path(dir, e->d_name);
        char *path = top ? strdup(e->d_name) : tree_path(below, e->d_name);
        add(tree, path, all);
        if (S_ISDIR(tree->entry[tree->n - 1].mode))
            read_folder(tree, all, path, ours);
        free(path);
        free(all);
    }
    (void)closedir(d);
}

static int by_path(const void *a, const void *b)
{
    const struct tree_entry *x = a, *y = b;
    return strcmp(x->path, y->path);
}

void tree_read(struct tree *tree, const char *dir, bool ours)
{
    *tree = (struct tree){.n = 0};
    read_folder(tree, dir, "", ours);
    if (tree->n > 0)
        qsort(tree->entry, tree->n, sizeof *tree->entry, by_path);
}

void tree_release(struct tree *tree)
{
    for (size_t i = 0; i < tree->n; i++)
        free(tree->entry[i].path);
    free(tree->entry);
    *tree = (struct tree){.n = 0};
}

const struct tree_entry *tree_find(const struct tree *tree, const char *path)
{
    const struct tree_entry key = {.path = (char *)(uintptr_t)path};
    return tree->n > 0 ? bsearch(&key, tree->entry, tree->n, sizeof *tree->entry, by_path) : NULL;
}

static bool differ(const char *what, const char *how, const char *path)
{
    char safe[600];
    fprintf(stderr, "  %s: %s: '%s'\n", what, how, err_escape(safe, sizeof safe, path));
    return false;
}

bool tree_same(const struct tree *a, const struct tree *b, bool folder_times, const char *what)
{
    for (size_t i = 0; i < b->n; i++)
        if (tree_find(a, b->entry[i].path) == NULL)
            return differ(what, "something new is there", b->entry[i].path);
    for (size_t i = 0; i < a->n; i++) {
        const struct tree_entry *x = &a->entry[i], *y = tree_find(b, x->path);
        if (y == NULL)
            return differ(what, "is gone", x->path);
        if (x->mode != y->mode)
            return differ(what, "its mode changed", x->path);
        if (x->size != y->size || !hash_equal(&x->digest, &y->digest))
            return differ(what, "its bytes changed", x->path);
        if (x->mtime_ns != y->mtime_ns && (folder_times || !S_ISDIR(x->mode)))
            return differ(what, "its time changed", x->path);
    }
    return true;
}

/* ---- making and removing ------------------------------------------------------------------------------- */

static int remove_one(const char *path, const struct stat *st, int kind, struct FTW *where)
{
    (void)st, (void)kind, (void)where;
    return remove(path);
}

void tree_remove(const char *dir)
{
    (void)nftw(dir, remove_one, 16, FTW_DEPTH | FTW_PHYS);
}

static void set_time(const char *path, const struct stat *st)
{
    const struct timespec times[2] = {st->st_atim, st->st_mtim};
    if (utimensat(AT_FDCWD, path, times, AT_SYMLINK_NOFOLLOW) != 0)
        tree_die("cannot set the time of", path);
}

void tree_write(const char *path, const void *bytes, size_t size)
{
    int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0644);
    if (fd < 0 || write(fd, bytes, size) != (ssize_t)size || close(fd) != 0)
        tree_die("cannot write", path);
}

static void copy_one(const char *from, const char *to, const struct stat *st)
{
    char target[4096];
    if (S_ISREG(st->st_mode)) {
        uint8_t *bytes = read_all(from, (uint64_t)st->st_size);
        tree_write(to, bytes, (size_t)st->st_size);
        free(bytes);
        (void)chmod(to, st->st_mode & 07777);
    } else if (S_ISLNK(st->st_mode)) {
        ssize_t n = readlink(from, target, sizeof target - 1);
        target[n > 0 ? n : 0] = '\0';
        if (symlink(target, to) != 0)
            tree_die("cannot link", to);
    }
}

static void copy_folder(const char *from, const char *to)
{
    struct stat st;
    DIR *d = opendir(from);
    if (d == NULL || mkdir(to, 0755) != 0)
        tree_die("cannot copy", from);
    for (struct dirent *e; (e = readdir(d)) != NULL;) {
        if (strcmp(e->d_name, ".") == 0 || strcmp(e->d_name, "..") == 0)
            continue;
        char *source = tree_path(from, e->d_name), *target = tree_path(to, e->d_name);
        if (lstat(source, &st) != 0)
            tree_die("cannot look at", source);
        if (S_ISDIR(st.st_mode))
            copy_folder(source, target);
        else {
            copy_one(source, target, &st);
            set_time(target, &st);
        }
        free(source);
        free(target);
    }
    (void)closedir(d);
    if (stat(from, &st) == 0)
        set_time(to, &st);
}

void tree_copy(const char *from, const char *to)
{
    tree_remove(to);
    if (access(from, F_OK) == 0)
        copy_folder(from, to);
}

char *tree_scratch(const char *name)
{
    const char *tmp = getenv("TMPDIR") != NULL ? getenv("TMPDIR") : "/tmp";
    char *dir =
        str_make(NULL, "%s/chaffinch-%s-XXXXXX", access("/dev/shm", W_OK) == 0 ? "/dev/shm" : tmp, name);
    if (dir == NULL || mkdtemp(dir) == NULL)
        tree_die("cannot make a folder for", name);
    return dir;
}
