/*
 * tree.h - what lies in a folder: every name, kind, size, time and hash of content, to be compared byte for
 * byte.
 *
 * Failures to read end the program with a message (tests only). tree_release frees.
 */
#ifndef TESTS_TORTURE_TREE_H
#define TESTS_TORTURE_TREE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/stat.h>

#include "chaffinch/hash.h"

struct tree_entry {
    char *path; /* below the folder; raw bytes */
    mode_t mode;
    uint64_t size;
    int64_t mtime_ns;
    struct hash_digest digest; /* of regular files; of the target of a link */
};

struct tree {
    struct tree_entry *entry; /* in byte order of paths */
    size_t n, room;
};

/* Reads `dir`. Top-level `.chaffinch` is left out unless `ours`. A missing folder is an empty tree. */
void tree_read(struct tree *tree, const char *dir, bool ours);
void tree_release(struct tree *tree);
const struct tree_entry *tree_find(const struct tree *tree, const char *path);
/* Same names, kinds, modes, bytes and times; times of folders only if asked. Prints the first difference. */
bool tree_same(const struct tree *a, const struct tree *b, bool folder_times, const char *what);

/* Copies a folder with times and modes; what stands at `to` is removed first. */
void tree_copy(const char *from, const char *to);
void tree_remove(const char *dir);
/* Path of `name` below `dir`, malloc'ed. */
char *tree_path(const char *dir, const char *name);
/* A new folder in memory (or in $TMPDIR where that is not to be had), malloc'ed. */
char *tree_scratch(const char *name);
void tree_write(const char *path, const void *bytes, size_t size);

/* Prints and ends the program: for what a test itself cannot do. */
_Noreturn void tree_die(const char *what, const char *name);

#endif
