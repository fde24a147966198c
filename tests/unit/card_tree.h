/* card_tree.h - folders to copy from and to, for the tests of the card module. */
#ifndef CHAFFINCH_TESTS_CARD_TREE_H
#define CHAFFINCH_TESTS_CARD_TREE_H

#include <check.h>
#include <errno.h>
#include <fcntl.h>
#include <ftw.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "chaffinch/card.h"

enum { TREE_PATH = 512, TREE_TIME = 1714548614 }; /* an even second: FAT could hold it */

static char tree_top[TREE_PATH]; /* a fresh folder for each test */

static inline void tree_setup(void)
{
    /* Memory where there is some: the tests sync often. */
    (void)snprintf(tree_top, sizeof tree_top, "%s/chaffinch-card-XXXXXX",
                   access("/dev/shm", W_OK) == 0 ? "/dev/shm" : "/tmp");
    ck_assert_ptr_nonnull(mkdtemp(tree_top));
    ck_assert_int_eq(chdir(tree_top), 0);
}

static inline int tree_remove_one(const char *path, const struct stat *st, int flag, struct FTW *ftw)
{
    (void)st, (void)flag, (void)ftw;
    return remove(path);
}

static inline void tree_remove(const char *path)
{
    (void)nftw(path, tree_remove_one, 16, FTW_DEPTH | FTW_PHYS);
}

static inline void tree_teardown(void)
{
    ck_assert_int_eq(chdir("/"), 0);
    tree_remove(tree_top);
}

static inline void tree_folders(const char *path)
{
    char part[TREE_PATH];
    for (const char *slash = strchr(path, '/'); slash != NULL; slash = strchr(slash + 1, '/')) {
        (void)snprintf(part, sizeof part, "%.*s", (int)(slash - path), path);
        if (part[0] != '\0')
            (void)mkdir(part, 0777);
    }
}

/* A file of `size` bytes that depend on `seed`, with the time TREE_TIME + seconds. */
static inline void tree_file(const char *path, size_t size, unsigned seed, long seconds)
{
    tree_folders(path);
    int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC, 0666);
    ck_assert_int_ge(fd, 0);
    unsigned char *bytes = malloc(size > 0 ? size : 1);
    ck_assert_ptr_nonnull(bytes);
    for (size_t i = 0; i < size; i++) {
        seed = seed * 1664525U + 1013904223U;
        bytes[i] = (unsigned char)(seed >> 24);
    }
    ck_assert_int_eq(write(fd, bytes, size), (ssize_t)size);
    free(bytes);
    const struct timespec times[2] = {{.tv_sec = TREE_TIME + seconds}, {.tv_sec = TREE_TIME + seconds}};
    ck_assert_int_eq(futimens(fd, times), 0);
    ck_assert_int_eq(close(fd), 0);
}

static inline bool tree_there(const char *path)
{
    struct stat st;
    return lstat(path, &st) == 0;
}

/* Same bytes and same time. */
static inline bool tree_same(const char *a, const char *b)
{
    struct stat sa, sb;
    if (stat(a, &sa) != 0 || stat(b, &sb) != 0 || sa.st_size != sb.st_size ||
        sa.st_mtim.tv_sec != sb.st_mtim.tv_sec || sa.st_mtim.tv_nsec != sb.st_mtim.tv_nsec)
        return false;
    FILE *f = fopen(a, "rb"), *g = fopen(b, "rb");
    ck_assert(f != NULL && g != NULL);
    int c, d;
    do {
        c = getc(f);
        d = getc(g);
    } while (c == d && c != EOF);
    (void)fclose(f);
    (void)fclose(g);
    return c == d;
}

struct tree_list {
    char *name[256];
    size_t n;
};

static struct tree_list tree_found;
static size_t tree_skip;

static inline int tree_note(const char *path, const struct stat *st, int flag, struct FTW *ftw)
{
    (void)st, (void)ftw;
    if (flag != FTW_D && strncmp(path + tree_skip, ".chaffinch/", 11) != 0) {
        ck_assert_uint_lt(tree_found.n, 256);
        tree_found.name[tree_found.n++] = strdup(path + tree_skip);
    }
    return 0;
}

/* How many files lie below `path`, `.chaffinch` not counted. */
static inline size_t tree_count(const char *path)
{
    tree_found.n = 0;
    tree_skip = strlen(path) + 1;
    ck_assert_int_eq(nftw(path, tree_note, 16, FTW_PHYS), 0);
    for (size_t i = 0; i < tree_found.n; i++)
        free(tree_found.name[i]);
    return tree_found.n;
}

/* --- a copy in one call --- */

struct tree_run {
    const struct files *fs; /* NULL = the system's */
    const char *cards[3];
    size_t n_cards;
    struct card_options options;
    struct catalogue *catalogue;
    struct card_report report; /* of the last run */
    struct err err;
    int status;
};

#define TREE_RUN(...)                                                                                        \
    {                                                                                                        \
        .cards = {__VA_ARGS__}, .n_cards = sizeof(const char *[]){__VA_ARGS__} / sizeof(const char *),       \
        .report = CARD_REPORT_INIT                                                                           \
    }

/* Copies the cards into "session". The report stays for the caller until the next call. */
static inline int tree_copy(struct tree_run *run)
{
    const struct files *fs = run->fs != NULL ? run->fs : files_system();
    struct root root = ROOT_INIT;
    card_report_release(&run->report);
    run->err = (struct err)ERR_INIT;
    struct card_set *set = card_open(fs, run->cards, run->n_cards, "session", run->options.second, &run->err);
    bool ok = set != NULL && root_open(&root, fs, "session", true, true, &run->err) &&
              root_lock(&root, &run->err) &&
              card_copy(set, &root, run->catalogue, &run->options, &run->report, &run->err);
    run->status = card_exit_status(&run->report, ok ? NULL : &run->err);
    root_close(&root);
    card_close(set);
    return run->status;
}

static inline const char *tree_verdict(const struct tree_run *run)
{
    static char line[512];
    struct str s = STR_INIT;
    card_verdict(&run->report, &s);
    (void)snprintf(line, sizeof line, "%s", s.bytes);
    str_release(&s);
    return line;
}

#endif
