/*
 * Swapping sidecars in: every file call fails in turn, in five ways and on three kinds of file system, and
 * answers get lost; after each fault the bytes of the old sidecar lie under exactly one of its two names and
 * those of the merged one too, the next run completes, and undo gives all back, times included.
 *
 * By default some of the calls fail, different ones for each way; with CHAFFINCH_LONG=1 all of them. A fault
 * after which every call fails (DEAD) leaves the disk as a kill does.
 */
#include <check.h>

#include "../crash/faulty.h"
#include "chaffinch/apply.h"
#include "chaffinch/textlog.h"

enum { SWAPS = 3, RUNS_MAX = 4 };
/* Indices into session_files: known to the catalogue, written after measuring, of another folder. */
static const int swapped[SWAPS] = {2, 3, 14};
enum operation { SWAP, UNDO };

static char *fresh, *session;

static char *merged_text(int i)
{
    return str_make(NULL, "<merged %d>", i);
}

static char *outgoing(int i)
{
    return str_make(NULL, "%s/.chaffinch/outgoing/%d.xmp", session, i);
}

/* As chaffinch hand-on leaves it. */
static bool prepare(bool whole)
{
    struct err err = ERR_INIT;
    struct root root;
    bool ok =
        session_make_like(fresh, session) && root_open(&root, files_system(), session, false, true, &err);
    char *folder = session_path(session, ".chaffinch/outgoing");
    ok = ok && mkdir(folder, 0755) == 0;
    for (int i = 0; ok && i < SWAPS; i++) {
        static unsigned char bytes[SESSION_MAX_BYTES];
        const struct session_file *file = &session_files[swapped[i]];
        char before[HASH_TEXT_SIZE], after[HASH_TEXT_SIZE], *text = merged_text(i);
        char *name = str_make(NULL, "outgoing/%d.xmp", i), *inside = str_make(NULL, ".chaffinch/%s", name);
        session_bytes(swapped[i], bytes, file->size);
        struct hash_digest old = hash_of(bytes, file->size), now = hash_of(text, strlen(text));
        const char *const fields[] = {"sidecar", file->path, name, hash_text(&old, before),
                                      hash_text(&now, after)};
        ok = session_write(session, inside, text, strlen(text)) &&
             textlog_append(&root, "outgoing.log", fields, 5, &err);
        free(text);
        free(name);
        free(inside);
    }
    const char *const end[] = {"end", "3"};
    ok = ok && (!whole || textlog_append(&root, "outgoing.log", end, 2, &err));
    free(folder);
    root_close(&root);
    return ok;
}

/* True if the file holds the merged text. A name that is held by an empty file of ours counts as free. */
static bool holds_merged(const char *path, int i)
{
    char have[64] = "", *want = merged_text(i);
    int fd = open(path, O_RDONLY | O_CLOEXEC);
    ssize_t n = fd >= 0 ? read(fd, have, sizeof have - 1) : 0;
    bool same = n == (ssize_t)strlen(want) && memcmp(have, want, (size_t)n) == 0;
    if (fd >= 0)
        (void)close(fd);
    free(want);
    return same;
}

struct where {
    int old_home, old_kept, new_home, new_out;
};

static struct where look(int i)
{
    struct where w = {0};
    const struct session_file *file = &session_files[swapped[i]];
    char *home = session_path(session, file->path), *out = outgoing(i);
    w.new_home = holds_merged(home, i);
    w.new_out = holds_merged(out, i);
    w.old_home = !w.new_home && session_has(home, swapped[i], true, true) == 1;
    for (int run = 1; run <= RUNS_MAX; run++) {
        char *kept = str_make(NULL, "%s/.chaffinch/replaced/%04d/%s", session, run, file->path);
        w.old_kept += session_has(kept, swapped[i], true, true) == 1;
        free(kept);
    }
    free(home);
    free(out);
    return w;
}

/* state: 0 = as before, 1 = swapped, 2 = in between. */
static bool check_all(int state, bool two)
{
    bool ok = true;
    for (int i = 0; i < SESSION_FILES; i++) {
        int swap = -1;
        for (int k = 0; k < SWAPS; k++)
            swap = swapped[k] == i ? k : swap;
        char *home = session_path(session, session_files[i].path);
        if (swap < 0 && session_has(home, i, false, true) != 1)
            ok = session_wrong("another file changed", home);
        struct where w = swap >= 0 ? look(swap) : (struct where){0};
        bool one = two ? w.old_home + w.old_kept >= 1 && w.new_home + w.new_out >= 1
                       : w.old_home + w.old_kept == 1 && w.new_home + w.new_out == 1;
        bool right = state == 2   ? one
                     : state == 1 ? one && w.old_kept == 1 && w.new_home
                                  : one && w.old_home && w.new_out;
        if (swap >= 0 && !right) {
            fprintf(stderr, "  old: home %d, kept %d; merged: home %d, outgoing %d; state %d\n", w.old_home,
                    w.old_kept, w.new_home, w.new_out, state);
            ok = session_wrong("not where it should be", home);
        }
        free(home);
    }
    return ok;
}

static bool perform(struct faulty *f, enum operation operation, struct apply_result *result, struct err *err)
{
    f->calls = 0;
    f->stop = 0;
    struct apply *a = apply_open(&f->table, session, APPLY_ACT, NULL, &f->stop, err);
    bool ok = a != NULL && (operation == SWAP ? apply_sidecars(a, result, err) : apply_undo(a, result, err));
    apply_close(a);
    return ok;
}

static bool clean(enum disk disk, ino_t renumbered, enum operation operation, struct apply_result *result)
{
    struct faulty f;
    struct err err = ERR_INIT;
    faulty_init(&f, disk);
    f.renumbered = renumbered;
    if (perform(&f, operation, result, &err) && result->left_frames == 0)
        return true;
    fprintf(stderr, "  the clean run: %s, %d left\n", err.message, (int)result->left_frames);
    return false;
}

/* What was left by the fault was a run of its own, so there may be several to take back. */
static bool take_all_back(enum disk disk, ino_t renumbered)
{
    struct apply_result result = {.undone = 1};
    for (int i = 0; i < RUNS_MAX && result.undone > 0; i++)
        if (!clean(disk, renumbered, UNDO, &result))
            return false;
    return check_all(0, false) && session_check_folders(session);
}

static bool one_fault(enum disk disk, enum fault fault, enum operation killed, long at, long *calls)
{
    struct faulty f;
    struct err err = ERR_INIT;
    struct apply_result result = {.run = 0};
    if (!prepare(true) || (killed == UNDO && !clean(disk, 0, SWAP, &result)))
        return false;
    faulty_init(&f, disk);
    f.fault = fault;
    f.fail_at = at;
    (void)perform(&f, killed, &result, &err);
    *calls = f.calls;
    ino_t renumbered = fault == DEAD ? 97 : 0;
    return check_all(2, disk != PLAIN || fault >= DONE_EIO) &&
           (killed == UNDO || (clean(disk, renumbered, SWAP, &result) && check_all(1, false))) &&
           take_all_back(disk, renumbered);
}

static void all_faults(enum disk disk, enum fault first, enum fault last)
{
    static int salt;
    bool every = getenv("CHAFFINCH_LONG") != NULL;
    for (int fault = (int)first; fault <= (int)last; fault++)
        for (int killed = SWAP; killed <= UNDO; killed++) {
            long calls = 0, at = 1 + (every ? 0 : salt++ * 7 % 29);
            do {
                at += calls > 0 ? (every ? 1 : 29) : 0;
                ck_assert_msg(one_fault(disk, (enum fault)fault, (enum operation)killed, at, &calls),
                              "disk %d, fault %d, %s, call %ld", (int)disk, fault,
                              killed == SWAP ? "swap" : "undo", at);
            } while (calls >= at); /* else it ran through untouched */
            ck_assert(calls > 40);
        }
}

static void set_up(void)
{
    const char *tmp = access("/dev/shm", W_OK) == 0 ? "/dev/shm" : "/tmp";
    char *work = str_make(NULL, "%s/chaffinch-sidecars-%ld", tmp, (long)getpid());
    ck_assert(mkdir(work, 0755) == 0);
    fresh = session_path(work, "fresh");
    session = session_path(work, "session");
    ck_assert(session_make(fresh));
    free(work);
}

static void tear_down(void)
{
    *strrchr(fresh, '/') = '\0';
    session_remove(fresh);
    free(fresh);
    free(session);
}

START_TEST(swaps_and_takes_back)
{
    struct apply_result result;
    ck_assert(prepare(true) && clean(PLAIN, 0, SWAP, &result));
    ck_assert_int_eq((int)result.swapped, SWAPS);
    ck_assert(check_all(1, false));
    ck_assert(clean(PLAIN, 0, SWAP, &result)); /* again: nothing waits */
    ck_assert_int_eq((int)result.run, 0);
    ck_assert(take_all_back(PLAIN, 0));
}
END_TEST

/* A sidecar that was written to after it was merged stays, and so does one that was written to after the swap
   when it is taken back. */
START_TEST(later_work_stays)
{
    struct faulty f;
    struct err err = ERR_INIT;
    struct apply_result result;
    const char *path = session_files[swapped[1]].path;
    ck_assert(prepare(true) && session_write(session, path, "later", 5));
    faulty_init(&f, PLAIN);
    ck_assert(perform(&f, SWAP, &result, &err));
    ck_assert_int_eq((int)result.left_frames, 1);
    ck_assert_int_eq((int)result.swapped, SWAPS - 1);
    ck_assert(prepare(true) && clean(PLAIN, 0, SWAP, &result) && session_write(session, path, "later", 5));
    ck_assert(perform(&f, UNDO, &result, &err));
    ck_assert_int_eq((int)result.left_frames, 1);
    struct where w = look(1);
    ck_assert(w.old_kept == 1 && !w.old_home && !w.new_home && !w.new_out);
}
END_TEST

START_TEST(half_a_list_is_refused)
{
    struct faulty f;
    struct err err = ERR_INIT;
    struct apply_result result;
    ck_assert(prepare(false));
    faulty_init(&f, PLAIN);
    ck_assert(!perform(&f, SWAP, &result, &err));
    ck_assert_int_eq(err.code, ERR_USAGE);
    ck_assert(check_all(0, false));
}
END_TEST

START_TEST(faults)
{
    all_faults((enum disk)_i, ONCE_EIO, STOPPED);
}
END_TEST

START_TEST(answers_get_lost)
{
    bool every = getenv("CHAFFINCH_LONG") != NULL;
    for (int killed = SWAP; killed <= UNDO; killed++)
        for (long at = 1, calls = 1; calls >= at; at += every ? 1 : 7)
            ck_assert_msg(one_fault((enum disk)_i, DONE_EIO, (enum operation)killed, at, &calls), "call %ld",
                          at);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("sidecars");
    TCase *one = tcase_create("swap");
    tcase_set_timeout(one, 3600);
    tcase_add_checked_fixture(one, set_up, tear_down);
    tcase_add_test(one, swaps_and_takes_back);
    tcase_add_test(one, later_work_stays);
    tcase_add_test(one, half_a_list_is_refused);
    tcase_add_loop_test(one, faults, PLAIN, RESERVES + 1);
    tcase_add_loop_test(one, answers_get_lost, PLAIN, RESERVES + 1);
    suite_add_tcase(suite, one);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed != 0;
}
