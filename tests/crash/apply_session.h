/*
 * apply_session.h - a small session that tests of apply make, break and check byte for byte.
 *
 * Scenario: swallows skim a mill pond, camera on the sluice. Six frames in two folders, four of them rejects:
 * raw + JPEG + sidecar, names with a newline, a leading dash and bytes that are not UTF-8, a sound, a sidecar
 * that no catalogue knows yet, and files that belong to no frame.
 *
 * Every file has bytes of its own, made from its index, and a time of its own with odd nanoseconds; so a file
 * can be told by its content wherever it lies. Functions return false after printing what is wrong.
 */
#ifndef CHAFFINCH_TESTS_APPLY_SESSION_H
#define CHAFFINCH_TESTS_APPLY_SESSION_H

#include <errno.h>
#include <fcntl.h>
#include <ftw.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "chaffinch/catalogue.h"
#include "chaffinch/files.h"
#include "chaffinch/hash.h"
#include "chaffinch/root.h"
#include "chaffinch/str.h"

enum { SESSION_FRAMES = 6, SESSION_MAX_BYTES = 100000 };

struct session_file {
    int frame; /* 0 = of no frame */
    const char *path;
    const char *kind; /* NULL = not in the catalogue */
    size_t size;
};

/* Sizes on both sides of the 64 KiB that a fingerprint covers, and none at all. */
static const struct session_file session_files[] = {
    {1, "DCIM/100DEMOS/_DSC0001.JPG", "jpeg", 4097},
    {1, "DCIM/100DEMOS/_DSC0001.NEF", "raw", 70001},
    {1, "DCIM/100DEMOS/_DSC0001.xmp", "sidecar", 313},
    {1, "DCIM/100DEMOS/_dsc0001.NEF.xmp", NULL, 211}, /* written after measuring */
    {2, "DCIM/100DEMOS/odd\nname 2.JPG", "jpeg", 1},
    {2, "DCIM/100DEMOS/odd\nname 2.JPG.xmp", "sidecar", 0},
    {3, "DCIM/100DEMOS/_DSC0003.JPG", "jpeg", 5003},
    {3, "DCIM/100DEMOS/_DSC0003.NEF", "raw", 9001},
    {4, "DCIM/100DEMOS/-dash\xff\xfe.JPG", "jpeg", 3001},
    {4, "DCIM/100DEMOS/-dash\xff\xfe.dng", "raw", 65537},
    {4, "DCIM/100DEMOS/-dash\xff\xfe.WAV", "sound", 1500},
    {5, "DCIM/100DEMOS/_DSC0005.JPG", "jpeg", 2222},
    {6, "DCIM/101DEMOS/_DSC0006.JPG", "jpeg", 4444},
    {6, "DCIM/101DEMOS/_DSC0006.NEF", "raw", 6666},
    {6, "DCIM/101DEMOS/_DSC0006.NEF.xmp", "sidecar", 99},
    {0, "DCIM/100DEMOS/MVI_0009.MOV", NULL, 3333},
    {0, "DCIM/100DEMOS/._DSC0001.JPG", NULL, 77},
    {0, "notes.txt", NULL, 12},
};
enum { SESSION_FILES = sizeof session_files / sizeof session_files[0] };

static const char *const session_folders[] = {"DCIM/100DEMOS", "DCIM/101DEMOS", "DCIM", "."};
enum { SESSION_FOLDERS = sizeof session_folders / sizeof session_folders[0] };

/* Frames 1, 2, 4 and 6 are rejects: 1 by a person, the others proposed. */
static inline bool session_is_reject(int frame)
{
    return frame == 1 || frame == 2 || frame == 4 || frame == 6;
}

static inline int session_reject_files(void)
{
    int n = 0;
    for (int i = 0; i < SESSION_FILES; i++)
        n += session_is_reject(session_files[i].frame);
    return n;
}

static inline bool session_wrong(const char *what, const char *name)
{
    char safe[600];
    fprintf(stderr, "  %s: '%s' (%s)\n", what, err_escape(safe, sizeof safe, name), strerror(errno));
    return false;
}

/* Bytes that tell the file: a small generator seeded with its index. */
static inline void session_bytes(int index, unsigned char *out, size_t size)
{
    uint32_t x = 2463534242u + (uint32_t)index * 977u; /* xorshift32: Marsaglia 2003 */
    for (size_t i = 0; i < size; i++) {
        x ^= x << 13;
        x ^= x >> 17;
        x ^= x << 5;
        out[i] = (unsigned char)(x >> 11);
    }
}

static inline struct timespec session_time(int index)
{
    return (struct timespec){.tv_sec = 1777000000 + index * 61, .tv_nsec = 123456789 + index};
}

static inline char *session_path(const char *dir, const char *path)
{
    char *all = str_make(NULL, "%s/%s", dir, path);
    if (all == NULL)
        abort();
    return all;
}

static inline bool session_set_time(const char *dir, const char *path, int index)
{
    struct timespec times[2] = {session_time(index), session_time(index)};
    char *all = session_path(dir, path);
    bool ok = utimensat(AT_FDCWD, all, times, AT_SYMLINK_NOFOLLOW) == 0 || session_wrong("no time", all);
    free(all);
    return ok;
}

/* ---- making it ----------------------------------------------------------------------------------------- */

static inline bool session_write(const char *dir, const char *path, const void *bytes, size_t size)
{
    char *all = session_path(dir, path);
    int fd = open(all, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0644);
    bool ok = fd >= 0 && write(fd, bytes, size) == (ssize_t)size && close(fd) == 0;
    ok = ok || session_wrong("cannot write", all);
    free(all);
    return ok;
}

static inline bool session_make_files(const char *dir)
{
    static unsigned char bytes[SESSION_MAX_BYTES];
    (void)mkdir(dir, 0755);
    for (int i = SESSION_FOLDERS; i-- > 0;) {
        char *all = session_path(dir, session_folders[i]);
        (void)mkdir(all, 0755);
        free(all);
    }
    for (int i = 0; i < SESSION_FILES; i++) {
        session_bytes(i, bytes, session_files[i].size);
        if (!session_write(dir, session_files[i].path, bytes, session_files[i].size) ||
            !session_set_time(dir, session_files[i].path, i))
            return false;
    }
    return true;
}

static inline bool session_age_folders(const char *dir)
{
    bool ok = true;
    for (int i = 0; i < SESSION_FOLDERS; i++)
        ok = session_set_time(dir, session_folders[i], 500 + i) && ok;
    return ok;
}

static inline bool session_put_frame(struct catalogue *c, int frame, struct err *err)
{
    static unsigned char bytes[SESSION_MAX_BYTES];
    struct catalogue_file rows[8];
    size_t n = 0;
    int64_t id;
    char identity[64];
    (void)snprintf(identity, sizeof identity, "Example Demo-1 %032d", frame);
    const struct catalogue_frame f = {.identity = identity,
                                      .body = "Example Demo-1",
                                      .folder = frame == 6 ? "DCIM/101DEMOS" : "DCIM/100DEMOS",
                                      .name = "demo",
                                      .prefix = "_DSC",
                                      .number = frame,
                                      .folder_number = 100,
                                      .maker = "Example",
                                      .model = "Demo-1",
                                      .serial = "",
                                      .lens = "",
                                      .orientation = 1};
    if (!catalogue_put_frame(c, &f, &id, err))
        return false;
    for (int i = 0; i < SESSION_FILES; i++) {
        const struct session_file *file = &session_files[i];
        if (file->frame != frame || file->kind == NULL)
            continue;
        struct timespec t = session_time(i);
        session_bytes(i, bytes, file->size);
        rows[n++] = (struct catalogue_file){
            .path = file->path,
            .kind = file->kind,
            .size = file->size,
            .mtime_ns = files_time_ns(&t),
            .has_fingerprint = strcmp(file->kind, "jpeg") == 0 || strcmp(file->kind, "raw") == 0,
            .fingerprint =
                hash_fingerprint(file->size, bytes,
                                 file->size < HASH_FINGERPRINT_BYTES ? file->size : HASH_FINGERPRINT_BYTES)};
    }
    const struct catalogue_choice choice = {.frame = id,
                                            .proposal = frame != 1 && session_is_reject(frame) ? "reject"
                                                        : frame == 5                           ? "none"
                                                                                               : "keep",
                                            .reason = "soft"};
    return catalogue_put_files(c, id, rows, n, err) &&
           catalogue_set_place(c, id, frame < 4 ? 1 : 2, (uint32_t)frame, 0, err) &&
           catalogue_put_choice(c, &choice, err);
}

/* Frame 1 is rejected by a person; burst 2 (frames 4 to 6) is accepted; frame 2 was seen by nobody. */
static inline bool session_decide(struct catalogue *c, struct err *err)
{
    int64_t frame;
    return catalogue_find_path(c, session_files[0].path, &frame, err) &&
           catalogue_decide(c, &frame, 1, CATALOGUE_REJECT, "demo", err) &&
           catalogue_accept(c, 2, true, "demo", err);
}

static inline bool session_make_catalogue(const char *dir, bool ranked)
{
    struct err err = ERR_INIT;
    struct root root;
    const struct catalogue_burst bursts[] = {
        {.number = 1, .body = "Example Demo-1", .n_frames = 3, .mode = "", .stamp = ""},
        {.number = 2, .body = "Example Demo-1", .n_frames = 3, .mode = "", .stamp = ""}};
    struct catalogue *c = NULL;
    bool ok = root_open(&root, files_system(), dir, false, true, &err) &&
              (c = catalogue_open(&root, CATALOGUE_WRITE, &err)) != NULL && catalogue_begin(c, &err) &&
              catalogue_put_bursts(c, bursts, 2, &err);
    for (int frame = 1; ok && ranked && frame <= SESSION_FRAMES; frame++)
        ok = session_put_frame(c, frame, &err);
    ok = ok && catalogue_commit(c, &err) && (!ranked || session_decide(c, &err));
    catalogue_close(c);
    root_close(&root);
    if (!ok)
        fprintf(stderr, "  cannot make the catalogue: %s\n", err.message);
    return ok;
}

static inline bool session_make(const char *dir)
{
    return session_make_files(dir) && session_make_catalogue(dir, true) && session_age_folders(dir);
}

/* ---- checking it --------------------------------------------------------------------------------------- */

/* What may be true of the rejects. */
enum session_state {
    SESSION_HOME,    /* all at home; times of folders as they were; no rejects folder */
    SESSION_MOVED,   /* all moved */
    SESSION_DELETED, /* all gone */
    SESSION_BETWEEN, /* each at exactly one of its names (two while `two` is allowed) */
    SESSION_GOING    /* each at its moved name or gone */
};

struct session_look {
    const char *dir;
    const char *rejects; /* absolute or below dir: what stands before the sub-path */
    enum session_state state;
    bool two;      /* a copy to another disk, or link and unlink, may be unfinished */
    bool reserved; /* its other name may be held by an empty file */
};

/* 1 = there with the right bytes, 0 = not there, -1 = something else has that name. */
static inline int session_has(const char *path, int index, bool reserved, bool check_time)
{
    static unsigned char want[SESSION_MAX_BYTES], have[SESSION_MAX_BYTES + 1];
    struct stat st;
    if (lstat(path, &st) != 0)
        return errno == ENOENT || errno == ENOTDIR ? 0 : -1;
    struct timespec t = session_time(index);
    if (reserved && st.st_size == 0 &&
        (session_files[index].size > 0 || files_time_ns(&st.st_mtim) != files_time_ns(&t)))
        return 0;
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NOFOLLOW);
    if (fd < 0)
        return -1;
    ssize_t n = read(fd, have, sizeof have);
    (void)close(fd);
    session_bytes(index, want, session_files[index].size);
    bool same = n == (ssize_t)session_files[index].size && memcmp(want, have, (size_t)n) == 0;
    if (same && check_time && files_time_ns(&st.st_mtim) != files_time_ns(&t)) {
        errno = 0;
        session_wrong("its time changed", path);
        return -1;
    }
    return same ? 1 : -1;
}

static inline bool session_check_file(const struct session_look *look, int index)
{
    bool reject = session_is_reject(session_files[index].frame);
    char *home = session_path(look->dir, session_files[index].path);
    char *moved = *look->rejects == '/'
                      ? session_path(look->rejects, session_files[index].path)
                      : str_make(NULL, "%s/%s/%s", look->dir, look->rejects, session_files[index].path);
    int at_home = session_has(home, index, look->reserved, true);
    int at_rejects = session_has(moved, index, look->reserved, true);
    int n = (at_home == 1) + (at_rejects == 1);
    bool ok = n >= 1 && at_home >= 0 && at_rejects >= 0;
    if (!reject || look->state == SESSION_HOME)
        ok = ok && at_home == 1 && at_rejects == 0;
    else if (look->state == SESSION_MOVED)
        ok = ok && at_home == 0 && at_rejects == 1;
    else if (look->state == SESSION_DELETED)
        ok = at_home == 0 && at_rejects == 0;
    else if (look->state == SESSION_GOING)
        ok = at_home == 0 && at_rejects >= 0;
    else
        ok = ok && (n == 1 || look->two);
    if (!ok) {
        errno = 0;
        fprintf(stderr, "  home %d, rejects %d, state %d\n", at_home, at_rejects, (int)look->state);
        session_wrong("not where it should be", session_files[index].path);
    }
    free(home);
    free(moved);
    return ok;
}

static inline bool session_check_folders(const char *dir)
{
    bool ok = true;
    for (int i = 0; i < SESSION_FOLDERS; i++) {
        struct stat st;
        struct timespec want = session_time(500 + i);
        char *all = session_path(dir, session_folders[i]);
        errno = 0;
        if (lstat(all, &st) != 0 || files_time_ns(&st.st_mtim) != files_time_ns(&want))
            ok = session_wrong("the folder's time changed", all);
        free(all);
    }
    return ok;
}

struct session_count {
    int files, folders;
    bool parts; /* copies on their way may lie about */
};

static inline bool session_count_one(void *context, const char *path, const struct stat *st, bool *descend,
                                     struct err *err)
{
    struct session_count *count = context;
    const char *leaf = strrchr(path, '/');
    leaf = leaf != NULL ? leaf + 1 : path;
    (void)err;
    if (S_ISDIR(st->st_mode)) {
        *descend = strcmp(path, ROOT_STATE) != 0;
        count->folders += *descend;
    } else if (!(count->parts && strncmp(leaf, ".chaffinch-", 11) == 0))
        count->files++;
    return true;
}

/* How many files (and folders) lie below `dir`, without .chaffinch. */
static inline struct session_count session_count_files(const char *dir, bool parts)
{
    struct session_count count = {.parts = parts};
    const struct files_walk walk = {.context = &count, .visit = session_count_one};
    int fd = open(dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd >= 0) {
        (void)files_walk_tree(files_system(), fd, &walk, NULL);
        (void)close(fd);
    }
    return count;
}

static inline bool session_check(const struct session_look *look)
{
    bool ok = true;
    for (int i = 0; i < SESSION_FILES; i++)
        ok = session_check_file(look, i) && ok;
    bool outside = *look->rejects == '/';
    struct session_count in = session_count_files(look->dir, look->two);
    struct session_count out = {0};
    if (outside)
        out = session_count_files(look->rejects, look->two);
    int all = in.files + out.files;
    errno = 0;
    if (look->state == SESSION_HOME) {
        ok = session_check_folders(look->dir) && ok;
        if (in.folders != SESSION_FOLDERS - 1 || out.folders > 0 ||
            (outside && access(look->rejects, F_OK) == 0))
            ok = session_wrong("a folder of ours is left", look->rejects);
    }
    if (look->state == SESSION_DELETED && all != SESSION_FILES - session_reject_files())
        ok = session_wrong("another file is there, or missing", look->dir);
    if (look->state < SESSION_DELETED && all != SESSION_FILES)
        ok = session_wrong("another file is there, or missing", look->dir);
    if (look->state == SESSION_BETWEEN &&
        (all < SESSION_FILES || (!look->two && !look->reserved && all != SESSION_FILES)))
        ok = session_wrong("another file is there, or missing", look->dir);
    return ok;
}

static inline int session_remove_one(const char *path, const struct stat *st, int kind, struct FTW *where)
{
    (void)st;
    (void)kind;
    (void)where;
    return remove(path);
}

/* Takes a tree away that a test made. */
static inline void session_remove(const char *dir)
{
    (void)nftw(dir, session_remove_one, 16, FTW_DEPTH | FTW_PHYS);
}

static inline bool session_copy_state(const char *from, const char *to, const char *name)
{
    static char bytes[1 << 20];
    char *source = str_make(NULL, "%s/" ROOT_STATE "/%s", from, name);
    char *target = str_make(NULL, ROOT_STATE "/%s", name);
    FILE *in = source != NULL ? fopen(source, "rb") : NULL;
    size_t size = in != NULL ? fread(bytes, 1, sizeof bytes, in) : 0;
    bool ok = size > 0 && size < sizeof bytes && target != NULL && session_write(to, target, bytes, size);
    if (in != NULL)
        (void)fclose(in);
    free(source);
    free(target);
    return ok;
}

/* As session_make, with the catalogue copied from a session that was made before. */
static inline bool session_make_like(const char *fresh, const char *dir)
{
    session_remove(dir);
    if (!session_make_files(dir))
        return false;
    char *state = session_path(dir, ROOT_STATE);
    bool ok = mkdir(state, 0755) == 0 && session_copy_state(fresh, dir, "catalogue.db") &&
              session_copy_state(fresh, dir, "decisions.log") && session_age_folders(dir);
    free(state);
    return ok;
}

#endif
