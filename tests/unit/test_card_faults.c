/*
 * Copying when the system fails: every call in turn, in every way, and what a bad card, a bad disk or an
 * impatient person can do. The law: the card is never touched, nothing that was there is ever replaced,
 * whatever has a name in the session is whole, and the next run completes.
 */
#include "card_tree.h"

#include <stdatomic.h>
#include <sys/wait.h>

#include "../../src/card/manifest.h"
#include "chaffinch/hash.h"

enum fault_kind { FAULT_NONE, FAULT_EIO, FAULT_NO_SPACE, FAULT_EINTR, FAULT_SHORT, FAULT_STOP, FAULT_KILL };

enum { KILLED = 77 };

/* A table of calls that fails the call number `at` (and all after it, if `lasting`). */
struct fault {
    struct files table;
    atomic_int calls;
    int at;
    bool lasting;
    enum fault_kind kind;
    volatile int stop;     /* set by FAULT_STOP */
    atomic_int flips;      /* writes of 1,000 bytes and more that store one bit wrongly */
    const char *gone;      /* names that can no longer be opened or read */
    atomic_int gone_after; /* opens of such a name that still succeed */
    uint64_t free_bytes;   /* 0 = ask the system */
    ino_t cut_file;        /* ends in the middle when it is read */
    ino_t full_folder;     /* new files in it find the disk full ... */
    atomic_int full_after; /* ... after so many */
    atomic_int bad_syncs;  /* file syncs that fail */
    atomic_int synced_bad; /* descriptor whose sync failed last, +1 */
    atomic_int retried;    /* syncs of a descriptor whose sync had failed */
};

static struct fault *fault_of(void *context)
{
    return context;
}

static bool interruptible(const char *call)
{
    static const char *const calls[] = {"openat", "read", "write", "pread", "fsync", "lock"};
    for (size_t i = 0; i < sizeof calls / sizeof calls[0]; i++)
        if (strcmp(call, calls[i]) == 0)
            return true;
    return false;
}

/* True when this call is to fail; errno is set. */
static bool fails(void *context, const char *call)
{
    struct fault *f = fault_of(context);
    int n = atomic_fetch_add(&f->calls, 1) + 1;
    if (f->at == 0 || (f->lasting ? n < f->at : n != f->at))
        return false;
    switch (f->kind) {
    case FAULT_EIO:
        errno = EIO;
        return true;
    case FAULT_NO_SPACE:
        errno = ENOSPC;
        return strcmp(call, "write") == 0 || strcmp(call, "mkdirat") == 0 || strcmp(call, "fsync") == 0 ||
               strcmp(call, "renameat2") == 0;
    case FAULT_EINTR:
        errno = EINTR;
        return interruptible(call);
    case FAULT_STOP:
        __atomic_store_n(&f->stop, 1, __ATOMIC_RELAXED); /* in whichever thread the call is */
        return false;
    case FAULT_KILL:
        _exit(KILLED);
    default:
        return false;
    }
}

static size_t shortened(void *context, size_t size)
{
    return fault_of(context)->kind == FAULT_SHORT && size > 1 ? 1 + size / 3 : size;
}

static const struct files *real(void)
{
    return files_system();
}

static int fault_openat(void *c, int dir, const char *name, int flags, mode_t mode)
{
    struct fault *f = fault_of(c);
    if (fails(c, "openat"))
        return -1;
    if (f->gone != NULL && strstr(name, f->gone) != NULL && atomic_fetch_sub(&f->gone_after, 1) <= 0) {
        errno = EIO;
        return -1;
    }
    struct stat st;
    if (f->full_folder != 0 && (flags & O_CREAT) != 0 && real()->fstat(NULL, dir, &st) == 0 &&
        st.st_ino == f->full_folder && atomic_fetch_sub(&f->full_after, 1) <= 0) {
        errno = ENOSPC;
        return -1;
    }
    return real()->openat(NULL, dir, name, flags, mode);
}

static int fault_close(void *c, int fd)
{
    int result = real()->close(NULL, fd);
    return fails(c, "close") ? -1 : result;
}

static ssize_t fault_read(void *c, int fd, void *bytes, size_t size)
{
    struct fault *f = fault_of(c);
    struct stat st;
    if (fails(c, "read"))
        return -1;
    if (f->cut_file != 0 && real()->fstat(NULL, fd, &st) == 0 && st.st_ino == f->cut_file &&
        lseek(fd, 0, SEEK_CUR) >= st.st_size / 2)
        return 0;
    if (f->cut_file != 0 && size > 100)
        size = 100;
    return real()->read(NULL, fd, bytes, shortened(c, size));
}

static ssize_t fault_pread(void *c, int fd, void *bytes, size_t size, off_t offset)
{
    return fails(c, "pread") ? -1 : real()->pread(NULL, fd, bytes, shortened(c, size), offset);
}

static ssize_t fault_write(void *c, int fd, const void *bytes, size_t size)
{
    struct fault *f = fault_of(c);
    if (fails(c, "write"))
        return -1;
    size = shortened(c, size);
    if (size < 1000 || atomic_load(&f->flips) <= 0)
        return real()->write(NULL, fd, bytes, size);
    (void)atomic_fetch_sub(&f->flips, 1);
    unsigned char *wrong = malloc(size);
    ck_assert_ptr_nonnull(wrong);
    memcpy(wrong, bytes, size);
    wrong[size / 2] ^= 0x10;
    ssize_t n = real()->write(NULL, fd, wrong, size);
    free(wrong);
    return n;
}

static int fault_fsync(void *c, int fd)
{
    struct fault *f = fault_of(c);
    struct stat st;
    if (fails(c, "fsync"))
        return -1;
    if (atomic_load(&f->bad_syncs) > 0 && real()->fstat(NULL, fd, &st) == 0 && S_ISREG(st.st_mode)) {
        if (atomic_load(&f->synced_bad) == (int)st.st_ino)
            (void)atomic_fetch_add(&f->retried, 1);
        atomic_store(&f->synced_bad, (int)st.st_ino);
        (void)atomic_fetch_sub(&f->bad_syncs, 1);
        errno = EIO;
        return -1;
    }
    return real()->fsync(NULL, fd);
}

static int fault_fstat(void *c, int fd, struct stat *st)
{
    return fails(c, "fstat") ? -1 : real()->fstat(NULL, fd, st);
}

static int fault_fstatat(void *c, int dir, const char *name, struct stat *st, int flags)
{
    return fails(c, "fstatat") ? -1 : real()->fstatat(NULL, dir, name, st, flags);
}

static int fault_fstatvfs(void *c, int fd, struct statvfs *st)
{
    int result = fails(c, "fstatvfs") ? -1 : real()->fstatvfs(NULL, fd, st);
    if (fault_of(c)->free_bytes > 0)
        st->f_bavail = fault_of(c)->free_bytes / st->f_frsize;
    return result;
}

static int fault_futimens(void *c, int fd, const struct timespec times[2])
{
    return fails(c, "futimens") ? -1 : real()->futimens(NULL, fd, times);
}

static int fault_fchmod(void *c, int fd, mode_t mode)
{
    return fails(c, "fchmod") ? -1 : real()->fchmod(NULL, fd, mode);
}

static int fault_fadvise(void *c, int fd, off_t offset, off_t size, int advice)
{
    return fails(c, "fadvise") ? errno : real()->fadvise(NULL, fd, offset, size, advice);
}

static int fault_mkdirat(void *c, int dir, const char *name, mode_t mode)
{
    return fails(c, "mkdirat") ? -1 : real()->mkdirat(NULL, dir, name, mode);
}

static int fault_lock(void *c, int fd)
{
    return fails(c, "lock") ? -1 : real()->lock(NULL, fd);
}

static DIR *fault_fdopendir(void *c, int fd)
{
    return fails(c, "fdopendir") ? NULL : real()->fdopendir(NULL, fd);
}

static struct dirent *fault_readdir(void *c, DIR *dir)
{
    return fails(c, "readdir") ? NULL : real()->readdir(NULL, dir);
}

static int fault_closedir(void *c, DIR *dir)
{
    int result = real()->closedir(NULL, dir);
    return fails(c, "closedir") ? -1 : result;
}

static int fault_renameat2(void *c, int dir, const char *name, int to, const char *to_name, unsigned flags)
{
    return fails(c, "renameat2") ? -1 : real()->renameat2(NULL, dir, name, to, to_name, flags);
}

static int fault_linkat(void *c, int dir, const char *name, int to, const char *to_name)
{
    return fails(c, "linkat") ? -1 : real()->linkat(NULL, dir, name, to, to_name);
}

static int fault_unlinkat(void *c, int dir, const char *name, int flags)
{
    return fails(c, "unlinkat") ? -1 : real()->unlinkat(NULL, dir, name, flags);
}

static void fault_init(struct fault *f)
{
    memset(f, 0, sizeof *f);
    f->table = (struct files){.context = f,
                              .openat = fault_openat,
                              .close = fault_close,
                              .read = fault_read,
                              .pread = fault_pread,
                              .write = fault_write,
                              .fsync = fault_fsync,
                              .fstat = fault_fstat,
                              .fstatat = fault_fstatat,
                              .fstatvfs = fault_fstatvfs,
                              .futimens = fault_futimens,
                              .fchmod = fault_fchmod,
                              .fadvise = fault_fadvise,
                              .mkdirat = fault_mkdirat,
                              .lock = fault_lock,
                              .fdopendir = fault_fdopendir,
                              .readdir = fault_readdir,
                              .closedir = fault_closedir,
                              .renameat2 = fault_renameat2,
                              .linkat = fault_linkat,
                              .unlinkat = fault_unlinkat};
}

/* --- the scene: three files, the last of which meets the user's own of the same name --- */

static const char *const names[3] = {"D/DSC_0001.JPG", "D/DSC_0001.NEF", "D/DSC_0002.JPG"};
static const char *const lands[3] = {"session/D/DSC_0001.JPG", "session/D/DSC_0001.NEF",
                                     "session/D/DSC_0002-2.JPG"};

static void make_scene(const char *folder)
{
    char path[TREE_PATH];
    for (unsigned i = 0; i < 3; i++) {
        (void)snprintf(path, sizeof path, "%s/%s", folder, names[i]);
        tree_file(path, 2000 + 300 * i, i + 1, 10 * (long)i);
    }
}

static void make_session(void)
{
    tree_remove("session");
    tree_remove("second");
    tree_file("session/D/DSC_0002.JPG", 2600, 77, 0);
}

/* The law, after whatever happened. */
static void expect_nothing_lost(int n)
{
    char a[TREE_PATH], b[TREE_PATH];
    for (int i = 0; i < 3; i++) {
        (void)snprintf(a, sizeof a, "card/%s", names[i]);
        (void)snprintf(b, sizeof b, "original/%s", names[i]);
        ck_assert_msg(tree_same(a, b), "call %d: the card was touched: %s", n, names[i]);
        ck_assert_msg(!tree_there(lands[i]) || tree_same(lands[i], b), "call %d: '%s' is not whole", n,
                      lands[i]);
    }
    ck_assert_msg(tree_same("session/D/DSC_0002.JPG", "users.JPG"), "call %d: the user's file was replaced",
                  n);
    ck_assert_uint_eq(tree_count("card"), 3);
    ck_assert_msg(tree_count("session") <= 4, "call %d: more files than there can be", n);
}

static void expect_complete(int n)
{
    char b[TREE_PATH];
    expect_nothing_lost(n);
    for (int i = 0; i < 3; i++) {
        (void)snprintf(b, sizeof b, "original/%s", names[i]);
        ck_assert_msg(tree_same(lands[i], b), "call %d: '%s' is missing", n, lands[i]);
    }
    ck_assert_uint_eq(tree_count("session/.chaffinch/incoming"), 0);
}

static void make_all(void)
{
    make_scene("card");
    make_scene("original");
    tree_file("users.JPG", 2600, 77, 0);
}

/* The copy in a process of its own, which dies at the chosen call. True when it came to its end. */
static bool copy_and_die(struct tree_run *run)
{
    int how;
    pid_t child = fork();
    ck_assert_int_ge(child, 0);
    if (child == 0)
        _exit(tree_copy(run));
    ck_assert_int_eq(waitpid(child, &how, 0), child);
    ck_assert(WIFEXITED(how) && (WEXITSTATUS(how) == 0 || WEXITSTATUS(how) == KILLED));
    return WEXITSTATUS(how) == 0;
}

/* Fails call 1, 2, 3 ... until a run goes through untouched; returns how many calls that were. */
static int sweep(enum fault_kind kind, bool lasting, bool second, bool threaded, int stride)
{
    static struct fault f;
    int n = 1;
    for (;; n += stride) {
        struct tree_run run = TREE_RUN("card");
        run.options.no_thread = !threaded;
        run.options.second = second ? "second" : NULL;
        run.options.stop = &f.stop;
        make_session();
        fault_init(&f);
        f.kind = kind;
        f.at = n;
        f.lasting = lasting;
        run.fs = &f.table;
        bool survived = kind != FAULT_KILL || copy_and_die(&run);
        int status = kind == FAULT_KILL ? (survived ? 0 : 4) : tree_copy(&run);
        bool untouched = kind == FAULT_KILL ? survived : atomic_load(&f.calls) < n;
        expect_nothing_lost(n);
        if (status == 0)
            expect_complete(n);
        if (kind == FAULT_SHORT || untouched)
            ck_assert_int_eq(status, 0);
        f.at = 0;
        f.stop = 0;
        f.kind = FAULT_NONE;
        status = tree_copy(&run);
        ck_assert_msg(status == 0, "call %d: the next run ends with %d: %s", n, status, run.err.message);
        expect_complete(n);
        ck_assert_uint_eq(run.report.verified[CARD_PICTURE], 3);
        if (second)
            ck_assert(tree_same("second/D/DSC_0001.NEF", "original/D/DSC_0001.NEF"));
        card_report_release(&run.report);
        if (untouched || kind == FAULT_SHORT)
            return n;
    }
}

START_TEST(every_call_may_fail_once)
{
    make_all();
    ck_assert_int_gt(sweep(FAULT_EIO, false, false, false, 1), 100);
    ck_assert_int_gt(sweep(FAULT_EINTR, false, false, false, 1), 100);
}
END_TEST

START_TEST(every_call_may_be_the_last_that_works)
{
    make_all();
    ck_assert_int_gt(sweep(FAULT_EIO, true, false, false, 1), 100);
}
END_TEST

START_TEST(the_disk_may_fill_up_at_any_call)
{
    make_all();
    ck_assert_int_gt(sweep(FAULT_NO_SPACE, true, false, false, 1), 100);
}
END_TEST

START_TEST(a_person_may_stop_at_any_call)
{
    make_all();
    ck_assert_int_gt(sweep(FAULT_STOP, false, false, false, 1), 100);
    ck_assert_int_gt(sweep(FAULT_STOP, false, false, true, 7), 100);
}
END_TEST

START_TEST(a_run_may_die_at_any_call)
{
    make_all();
    ck_assert_int_gt(sweep(FAULT_KILL, false, false, false, 1), 100);
    ck_assert_int_gt(sweep(FAULT_KILL, false, true, true, 5), 100);
}
END_TEST

START_TEST(faults_with_a_second_copy_and_a_thread)
{
    make_all();
    ck_assert_int_gt(sweep(FAULT_EIO, false, true, true, 3), 100);
    ck_assert_int_gt(sweep(FAULT_NO_SPACE, true, true, true, 3), 100);
}
END_TEST

START_TEST(short_reads_and_writes_change_nothing)
{
    make_all();
    (void)sweep(FAULT_SHORT, false, true, false, 1);
}
END_TEST

/* --- a disk that lies --- */

static bool listed_right(void *context, const char *path, const struct hash_digest *digest, struct err *err)
{
    struct hash_digest found;
    char *bytes, whole[TREE_PATH];
    size_t size;
    (void)snprintf(whole, sizeof whole, "session/%s", path);
    if (!files_read_all(files_system(), AT_FDCWD, whole, 1 << 24, &bytes, &size, err))
        return false;
    found = hash_of(bytes, size);
    free(bytes);
    ck_assert(hash_equal(&found, digest));
    ++*(int *)context;
    return true;
}

static int count_listed(void)
{
    struct root root = ROOT_INIT;
    bool present;
    int n = 0;
    ck_assert(root_open(&root, files_system(), "session", false, false, NULL));
    ck_assert(manifest_read(&root, listed_right, &n, &present, NULL));
    root_close(&root);
    return n;
}

START_TEST(a_flipped_bit_is_found_and_the_file_copied_again)
{
    static struct fault f;
    for (int threaded = 0; threaded < 2; threaded++) {
        struct tree_run run = TREE_RUN("card");
        make_all();
        make_session();
        fault_init(&f);
        f.flips = 2;
        run.fs = &f.table;
        run.options.no_thread = threaded == 0;
        ck_assert_int_eq(tree_copy(&run), 0);
        ck_assert_int_eq(atomic_load(&f.flips), 0);
        expect_complete(0);
        ck_assert_int_eq(count_listed(), 3);
        card_report_release(&run.report);
    }
}
END_TEST

START_TEST(a_disk_that_always_flips_bits_gets_nothing_published)
{
    static struct fault f;
    struct tree_run run = TREE_RUN("card");
    make_all();
    make_session();
    fault_init(&f);
    f.flips = 1000000;
    run.fs = &f.table;
    ck_assert_int_eq(tree_copy(&run), 1);
    ck_assert_uint_eq(run.report.n_trouble, 3);
    ck_assert_uint_eq(tree_count("session"), 1);
    ck_assert_ptr_nonnull(strstr(run.report.trouble[0].message, "differs"));
    ck_assert_ptr_nonnull(strstr(tree_verdict(&run), "keep the card"));
    f.flips = 0;
    ck_assert_int_eq(tree_copy(&run), 0);
    expect_complete(0);
    card_report_release(&run.report);
}
END_TEST

START_TEST(a_failed_sync_is_never_tried_again)
{
    static struct fault f;
    struct tree_run run = TREE_RUN("card");
    make_all();
    make_session();
    ck_assert_int_eq(tree_copy(&run), 0); /* the logs exist now: only temps are synced first */
    ck_assert_int_eq(unlink(lands[0]), 0);
    fault_init(&f);
    f.bad_syncs = 2;
    run.fs = &f.table;
    ck_assert_int_eq(tree_copy(&run), 0);
    ck_assert_int_eq(atomic_load(&f.bad_syncs), 0);
    ck_assert_int_eq(atomic_load(&f.retried), 0);
    expect_complete(0);
    card_report_release(&run.report);
}
END_TEST

/* --- a card that goes away --- */

START_TEST(what_a_failing_card_cannot_give_is_named_and_the_rest_goes_on)
{
    static struct fault f;
    struct tree_run run = TREE_RUN("card");
    make_all();
    make_session();
    fault_init(&f);
    f.gone = "DSC_0001.NEF";
    run.fs = &f.table;
    ck_assert_int_eq(tree_copy(&run), 1);
    ck_assert_uint_eq(run.report.n_trouble, 1);
    ck_assert_str_eq(run.report.trouble[0].path, "card/D/DSC_0001.NEF");
    ck_assert_uint_eq(run.report.copied, 2);
    ck_assert(tree_same("session/D/DSC_0001.JPG", "original/D/DSC_0001.JPG"));
    ck_assert_ptr_nonnull(strstr(tree_verdict(&run), "1 file is not: keep the card"));
    /* a contact that is shaky only now and then */
    tree_remove("session");
    make_session();
    fault_init(&f);
    f.at = 200;
    f.kind = FAULT_EIO;
    (void)tree_copy(&run);
    fault_init(&f);
    ck_assert_int_eq(tree_copy(&run), 0);
    expect_complete(0);
    card_report_release(&run.report);
}
END_TEST

START_TEST(a_file_that_ends_early_is_not_published)
{
    static struct fault f;
    struct tree_run run = TREE_RUN("card");
    struct stat st;
    make_all();
    make_session();
    ck_assert_int_eq(stat("card/D/DSC_0001.JPG", &st), 0);
    fault_init(&f);
    f.cut_file = st.st_ino;
    run.fs = &f.table;
    ck_assert_int_eq(tree_copy(&run), 1);
    ck_assert_uint_eq(run.report.n_trouble, 1);
    ck_assert_ptr_nonnull(strstr(run.report.trouble[0].message, "ends after 1000 of 2000 bytes"));
    ck_assert(!tree_there(lands[0]));
    ck_assert_uint_eq(tree_count("session"), 3);
    card_report_release(&run.report);
}
END_TEST

START_TEST(what_a_dead_run_left_is_cleared_and_mended)
{
    struct tree_run run = TREE_RUN("card");
    make_all();
    make_session();
    tree_file("session/.chaffinch/incoming/99", 100, 1, 0);
    FILE *torn = fopen("session/.chaffinch/manifest.txt", "wb");
    ck_assert_ptr_nonnull(torn);
    (void)fputs("00112233", torn);
    (void)fclose(torn);
    ck_assert_int_eq(tree_copy(&run), 0);
    expect_complete(0);
    ck_assert_int_eq(count_listed(), 3);
    card_report_release(&run.report);
}
END_TEST

START_TEST(a_second_disk_that_fills_up_does_not_stop_the_first)
{
    static struct fault f;
    struct tree_run run = TREE_RUN("card");
    struct stat st;
    make_all();
    make_session();
    tree_folders("second/.chaffinch/incoming/x");
    ck_assert_int_eq(stat("second/.chaffinch/incoming", &st), 0);
    fault_init(&f);
    f.full_folder = st.st_ino;
    f.full_after = 1;
    run.fs = &f.table;
    run.options.second = "second";
    ck_assert_int_eq(tree_copy(&run), 4);
    ck_assert(run.report.second_failed);
    ck_assert_uint_eq(run.report.copied, 3);
    ck_assert_uint_eq(run.report.disks, 1);
    expect_complete(0);
    ck_assert_ptr_nonnull(strstr(tree_verdict(&run), "keep the card"));
    f.full_folder = 0;
    ck_assert_int_eq(tree_copy(&run), 0);
    ck_assert_uint_eq(run.report.copied, 0);
    ck_assert(tree_same("second/D/DSC_0001.NEF", "original/D/DSC_0001.NEF"));
    ck_assert_uint_eq(tree_count("second"), 3);
    card_report_release(&run.report);
}
END_TEST

/* --- space --- */

START_TEST(a_full_target_is_seen_before_the_first_byte)
{
    static struct fault f;
    struct tree_run run = TREE_RUN("card");
    make_all();
    make_session();
    tree_file("card/big.MP4", 5 << 20, 5, 0);
    fault_init(&f);
    f.free_bytes = 4 << 20;
    run.fs = &f.table;
    ck_assert_int_eq(tree_copy(&run), 4);
    ck_assert_int_eq(run.err.code, ERR_NO_SPACE);
    ck_assert_ptr_nonnull(strstr(run.err.message, "MB missing"));
    ck_assert_uint_eq(tree_count("session"), 1);
    f.free_bytes = 9 << 20;
    ck_assert_int_eq(tree_copy(&run), 0);
    f.free_bytes = 4 << 20; /* nothing is left to copy */
    ck_assert_int_eq(tree_copy(&run), 0);
    card_report_release(&run.report);
}
END_TEST

/* A picture of 4 MB: cells of 400 x 300 at 9 bytes and a row of 2 KB, 1,082,048 bytes, and a sound beside it
   adds none. */
START_TEST(the_cells_of_a_night_must_find_room_too)
{
    static struct fault f;
    struct tree_run run = TREE_RUN("card");
    make_session();
    tree_file("card/D/DSC_0001.JPG", 4 << 20, 5, 0);
    tree_file("card/D/DSC_0001.WAV", 4096, 6, 0);
    fault_init(&f);
    f.free_bytes = (7 << 20) - (512 << 10);
    run.fs = &f.table;
    run.options.measures = true;
    ck_assert_int_eq(tree_copy(&run), 4);
    ck_assert_int_eq(run.err.code, ERR_NO_SPACE);
    ck_assert_msg(strstr(run.err.message, "measuring needs about 1.1 MB") != NULL, "%s", run.err.message);
    ck_assert_uint_eq(tree_count("session"), 1);
    /* Who only copies is told, and copies. */
    run.options.measures = false;
    ck_assert_int_eq(tree_copy(&run), 0);
    ck_assert_uint_eq(run.report.copied, 2);
    /* Nothing is left to copy, so nothing is left to measure that this run brought. */
    run.options.measures = true;
    ck_assert_int_eq(tree_copy(&run), 0);
    tree_file("card/D/DSC_0002.JPG", 1600, 7, 0); /* 100 cells and a row: 2,948 bytes */
    f.free_bytes = (2 << 20) + (8 << 10);
    ck_assert_int_eq(tree_copy(&run), 4);
    ck_assert_msg(strstr(run.err.message, "measuring needs about 2.9 kB") != NULL, "%s", run.err.message);
    f.free_bytes += 4 << 10;
    ck_assert_int_eq(tree_copy(&run), 0);
    card_report_release(&run.report);
}
END_TEST

static Suite *faults_suite(void)
{
    Suite *suite = suite_create("card faults");
    TCase *c = tcase_create("faults");
    tcase_add_checked_fixture(c, tree_setup, tree_teardown);
    tcase_set_timeout(c, 120);
    tcase_add_test(c, the_cells_of_a_night_must_find_room_too);
    tcase_add_test(c, every_call_may_fail_once);
    tcase_add_test(c, every_call_may_be_the_last_that_works);
    tcase_add_test(c, the_disk_may_fill_up_at_any_call);
    tcase_add_test(c, a_person_may_stop_at_any_call);
    tcase_add_test(c, a_run_may_die_at_any_call);
    tcase_add_test(c, faults_with_a_second_copy_and_a_thread);
    tcase_add_test(c, short_reads_and_writes_change_nothing);
    tcase_add_test(c, a_flipped_bit_is_found_and_the_file_copied_again);
    tcase_add_test(c, a_disk_that_always_flips_bits_gets_nothing_published);
    tcase_add_test(c, a_failed_sync_is_never_tried_again);
    tcase_add_test(c, what_a_failing_card_cannot_give_is_named_and_the_rest_goes_on);
    tcase_add_test(c, a_file_that_ends_early_is_not_published);
    tcase_add_test(c, what_a_dead_run_left_is_cleared_and_mended);
    tcase_add_test(c, a_second_disk_that_fills_up_does_not_stop_the_first);
    tcase_add_test(c, a_full_target_is_seen_before_the_first_byte);
    suite_add_tcase(suite, c);
    return suite;
}

int main(void)
{
    SRunner *runner = srunner_create(faults_suite());
    srunner_run_all(runner, CK_ENV);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
