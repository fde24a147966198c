/*
 * Every file call of apply fails in turn, in five ways, on four kinds of file system; after each fault every
 * picture's bytes must be where they may be, the next run must complete, and an undo must give all back.
 *
 * The file systems are played by the table of system calls: one as it is; one without RENAME_NOREPLACE; one
 * without hard links besides (FAT, exFAT); one where no rename leaves its folder, as between two disks.
 *
 * By default some of the calls fail (one in 53 to one in 113, different ones for each way); with
 * CHAFFINCH_LONG=1 all of them.
 */
#include <check.h>

#include "../crash/apply_session.h"
#include "chaffinch/apply.h"

enum disk { PLAIN, LINKS, RESERVES, CROSSES };
enum fault { ONCE_EIO, ONCE_ENOSPC, ONCE_EACCES, DEAD, STOPPED, FAULTS };

struct faulty {
    struct files table;
    enum disk disk;
    enum fault fault;
    long calls, fail_at; /* fail_at 0 = never */
    volatile int stop;
};

static bool trip(struct faulty *f)
{
    static const int number[] = {
        [ONCE_EIO] = EIO, [ONCE_ENOSPC] = ENOSPC, [ONCE_EACCES] = EACCES, [DEAD] = EIO};
    f->calls++;
    if (f->fail_at == 0 || (f->fault == DEAD ? f->calls < f->fail_at : f->calls != f->fail_at))
        return false;
    if (f->fault == STOPPED) {
        f->stop = 1;
        return false;
    }
    errno = number[f->fault];
    return true;
}

/* ---- the table ----------------------------------------------------------------------------------------- */

static int f_openat(void *c, int dir, const char *name, int flags, mode_t mode)
{
    return trip(c) ? -1 : files_system()->openat(NULL, dir, name, flags, mode);
}

/* close and closedir give the descriptor back whatever they report. */
static int f_close(void *c, int fd)
{
    bool fails = trip(c);
    int result = files_system()->close(NULL, fd);
    return fails ? -1 : result;
}

static ssize_t f_read(void *c, int fd, void *bytes, size_t size)
{
    return trip(c) ? -1 : files_system()->read(NULL, fd, bytes, size);
}

static ssize_t f_pread(void *c, int fd, void *bytes, size_t size, off_t offset)
{
    return trip(c) ? -1 : files_system()->pread(NULL, fd, bytes, size, offset);
}

/* Half of the bytes arrive before the fault. */
static ssize_t f_write(void *c, int fd, const void *bytes, size_t size)
{
    if (!trip(c))
        return files_system()->write(NULL, fd, bytes, size);
    int number = errno;
    (void)files_system()->write(NULL, fd, bytes, size / 2);
    errno = number;
    return -1;
}

static int f_fsync(void *c, int fd)
{
    return trip(c) ? -1 : files_system()->fsync(NULL, fd);
}

static int f_fstat(void *c, int fd, struct stat *st)
{
    return trip(c) ? -1 : files_system()->fstat(NULL, fd, st);
}

static int f_fstatat(void *c, int dir, const char *name, struct stat *st, int flags)
{
    return trip(c) ? -1 : files_system()->fstatat(NULL, dir, name, st, flags);
}

static int f_fstatvfs(void *c, int fd, struct statvfs *st)
{
    return trip(c) ? -1 : files_system()->fstatvfs(NULL, fd, st);
}

static int f_futimens(void *c, int fd, const struct timespec times[2])
{
    return trip(c) ? -1 : files_system()->futimens(NULL, fd, times);
}

static int f_fchmod(void *c, int fd, mode_t mode)
{
    return trip(c) ? -1 : files_system()->fchmod(NULL, fd, mode);
}

static int f_fadvise(void *c, int fd, off_t offset, off_t size, int advice)
{
    return trip(c) ? errno : files_system()->fadvise(NULL, fd, offset, size, advice);
}

static int f_mkdirat(void *c, int dir, const char *name, mode_t mode)
{
    return trip(c) ? -1 : files_system()->mkdirat(NULL, dir, name, mode);
}

static int f_lock(void *c, int fd)
{
    return trip(c) ? -1 : files_system()->lock(NULL, fd);
}

static DIR *f_fdopendir(void *c, int fd)
{
    return trip(c) ? NULL : files_system()->fdopendir(NULL, fd);
}

static struct dirent *f_readdir(void *c, DIR *dir)
{
    return trip(c) ? NULL : files_system()->readdir(NULL, dir);
}

static int f_closedir(void *c, DIR *dir)
{
    bool fails = trip(c);
    int result = files_system()->closedir(NULL, dir);
    return fails ? -1 : result;
}

static bool other_folder(int a, int b)
{
    struct stat x, y;
    return fstat(a, &x) == 0 && fstat(b, &y) == 0 && x.st_ino != y.st_ino;
}

static int f_renameat2(void *c, int dir, const char *name, int to_dir, const char *to_name, unsigned flags)
{
    struct faulty *f = c;
    if (trip(f))
        return -1;
    if (f->disk == CROSSES && other_folder(dir, to_dir)) {
        errno = EXDEV;
        return -1;
    }
    if ((f->disk == LINKS || f->disk == RESERVES) && flags != 0) {
        errno = EINVAL;
        return -1;
    }
    return files_system()->renameat2(NULL, dir, name, to_dir, to_name, flags);
}

static int f_linkat(void *c, int dir, const char *name, int to_dir, const char *to_name)
{
    struct faulty *f = c;
    if (trip(f))
        return -1;
    if (f->disk == RESERVES) {
        errno = EPERM;
        return -1;
    }
    return files_system()->linkat(NULL, dir, name, to_dir, to_name);
}

static int f_unlinkat(void *c, int dir, const char *name, int flags)
{
    return trip(c) ? -1 : files_system()->unlinkat(NULL, dir, name, flags);
}

static void faulty_init(struct faulty *f, enum disk disk)
{
    *f = (struct faulty){.disk = disk,
                         .table = {.openat = f_openat,
                                   .close = f_close,
                                   .read = f_read,
                                   .pread = f_pread,
                                   .write = f_write,
                                   .fsync = f_fsync,
                                   .fstat = f_fstat,
                                   .fstatat = f_fstatat,
                                   .fstatvfs = f_fstatvfs,
                                   .futimens = f_futimens,
                                   .fchmod = f_fchmod,
                                   .fadvise = f_fadvise,
                                   .mkdirat = f_mkdirat,
                                   .lock = f_lock,
                                   .fdopendir = f_fdopendir,
                                   .readdir = f_readdir,
                                   .closedir = f_closedir,
                                   .renameat2 = f_renameat2,
                                   .linkat = f_linkat,
                                   .unlinkat = f_unlinkat}};
    f->table.context = f;
}

/* ---- one fault ----------------------------------------------------------------------------------------- */

enum operation { MOVE, UNDO, DELETE };

struct scene {
    char *fresh, *session;
    enum disk disk;
};

static bool perform(struct faulty *f, const char *session, enum operation operation, uint64_t *left,
                    struct err *err)
{
    struct apply_result result = {.run = 0};
    const struct apply_options options = {
        .action = operation == DELETE ? APPLY_DELETE : APPLY_MOVE, .unseen = true, .confirm = 12};
    f->calls = 0;
    f->stop = 0;
    struct apply *a = apply_open(&f->table, session, APPLY_ACT, NULL, &f->stop, err);
    bool ok = a != NULL && (operation == MOVE   ? apply_move(a, &options, &result, err)
                            : operation == UNDO ? apply_undo(a, &result, err)
                                                : apply_delete(a, &options, &result, err));
    apply_close(a);
    *left = result.left_frames;
    return ok;
}

/* Without faults; `left` must be none. */
static bool perform_clean(const struct scene *s, enum operation operation)
{
    struct faulty f;
    struct err err = ERR_INIT;
    uint64_t left;
    faulty_init(&f, s->disk);
    bool ok = perform(&f, s->session, operation, &left, &err);
    if (!ok)
        fprintf(stderr, "  the clean run failed: %s\n", err.message);
    else if (left > 0)
        fprintf(stderr, "  the clean run left %d frames\n", (int)left);
    return ok && left == 0;
}

/* How many files the plan would delete now. */
static uint64_t planned(const struct scene *s)
{
    struct err err = ERR_INIT;
    const struct apply_options options = {.action = APPLY_DELETE, .unseen = true};
    struct apply *a = apply_open(files_system(), s->session, APPLY_LOOK, NULL, NULL, &err);
    uint64_t n = UINT64_MAX;
    if (a != NULL && apply_plan(a, &options, &err))
        n = apply_plan_totals(a)->delete_files;
    apply_close(a);
    return n;
}

static bool check_state(const struct scene *s, enum session_state state)
{
    bool between = state == SESSION_BETWEEN;
    const struct session_look look = {s->session, "rejects", state,
                                      between && (s->disk == LINKS || s->disk == CROSSES),
                                      between && s->disk == RESERVES};
    return session_check(&look);
}

/* After a fault in a deletion: what is left is planned anew and deleted. */
static bool delete_rest(const struct scene *s)
{
    struct err err = ERR_INIT;
    struct apply_result result;
    struct apply_options options = {.action = APPLY_DELETE, .unseen = true, .confirm = planned(s)};
    struct apply *a = apply_open(files_system(), s->session, APPLY_ACT, NULL, NULL, &err);
    bool ok = a != NULL && apply_delete(a, &options, &result, &err) && result.left_frames == 0;
    apply_close(a);
    if (!ok)
        fprintf(stderr, "  the rest cannot be deleted: %s\n", err.message);
    return ok;
}

static bool afterwards(const struct scene *s, enum operation operation)
{
    if (operation == MOVE)
        return check_state(s, SESSION_BETWEEN) && perform_clean(s, MOVE) && check_state(s, SESSION_MOVED) &&
               perform_clean(s, UNDO) && perform_clean(s, UNDO) && check_state(s, SESSION_HOME);
    if (operation == UNDO)
        return check_state(s, SESSION_BETWEEN) && perform_clean(s, UNDO) && check_state(s, SESSION_HOME);
    return check_state(s, SESSION_GOING) && delete_rest(s) && check_state(s, SESSION_DELETED);
}

/* Fails every `step`-th call, beginning with `first`, until a run gets through. Returns how many faults. */
static long torture(const struct scene *s, enum operation operation, enum fault fault, long first, long step)
{
    struct faulty f;
    for (long n = first, faults = 0;; n += step, faults++) {
        struct err err = ERR_INIT;
        uint64_t left;
        faulty_init(&f, s->disk);
        ck_assert(session_make_like(s->fresh, s->session));
        ck_assert(operation == MOVE || perform_clean(s, MOVE));
        f.fault = fault;
        f.fail_at = n;
        (void)perform(&f, s->session, operation, &left, &err);
        if (f.calls < n)
            return faults;
        if (!afterwards(s, operation))
            ck_abort_msg("operation %d, disk %d, fault %d at call %ld (%s)", (int)operation, (int)s->disk,
                         (int)fault, n, err.message);
    }
}

static void torture_all(enum disk disk, long step)
{
    static const char *const disks[] = {"plain", "links", "reserves", "crosses"};
    char *work =
        str_make(NULL, "%s/chaffinch-faults-XXXXXX", access("/dev/shm", W_OK) == 0 ? "/dev/shm" : "/tmp");
    ck_assert(work != NULL && mkdtemp(work) != NULL);
    struct scene s = {session_path(work, "fresh"), session_path(work, "session"), disk};
    ck_assert(session_make(s.fresh));
    long faults = 0;
    bool all = getenv("CHAFFINCH_LONG") != NULL;
    for (int operation = MOVE; operation <= DELETE; operation++)
        for (int fault = 0; fault < FAULTS; fault++)
            faults += torture(&s, (enum operation)operation, (enum fault)fault,
                              all ? 1 : 1 + fault * step / FAULTS, all ? 1 : step);
    ck_assert_int_gt(faults, 0);
    printf("faults: %s: %ld calls failed, %s\n", disks[disk], faults,
           all ? "every call there is" : "a sample (all: CHAFFINCH_LONG=1)");
    session_remove(work);
    free(s.fresh);
    free(s.session);
    free(work);
}

START_TEST(plain)
{
    torture_all(PLAIN, 53);
}
END_TEST

START_TEST(without_noreplace)
{
    torture_all(LINKS, 89);
}
END_TEST

START_TEST(without_links)
{
    torture_all(RESERVES, 97);
}
END_TEST

START_TEST(between_disks)
{
    torture_all(CROSSES, 113);
}
END_TEST

static void add(Suite *suite, const char *name, const TTest *test)
{
    TCase *one = tcase_create(name);
    tcase_set_timeout(one, 3600);
    tcase_add_test(one, test);
    suite_add_tcase(suite, one);
}

int main(void)
{
    Suite *suite = suite_create("apply faults");
    add(suite, "plain", plain);
    add(suite, "links", without_noreplace);
    add(suite, "reserves", without_links);
    add(suite, "crosses", between_disks);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed != 0;
}
