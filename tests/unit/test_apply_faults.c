/*
 * Every file call of apply fails in turn, in five ways, on four kinds of file system; after each fault every
 * picture's bytes must be where they may be, the next run must complete, and an undo must give all back.
 *
 * The file systems are played by the table of system calls: one as it is; one without RENAME_NOREPLACE; one
 * without hard links besides (FAT, exFAT); one where no rename leaves its folder, as between two disks.
 *
 * Then calls happen and are reported as failed, and files are numbered anew between two runs.
 *
 * By default some of the calls fail (one in 53 to one in 113, different ones for each way); with
 * CHAFFINCH_LONG=1 all of them, with CHAFFINCH_STEP one in so many.
 */
#include <check.h>

#include "../crash/faulty.h"
#include "chaffinch/apply.h"

/* ---- one fault ----------------------------------------------------------------------------------------- */

enum operation { MOVE, UNDO, DELETE };

struct scene {
    char *fresh, *session;
    enum disk disk;
    ino_t renumbered; /* of every run but the one that meets the fault */
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
    f.renumbered = s->renumbered;
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

static const char *const disks[] = {"plain", "links", "reserves", "crosses"};

static char *scene_open(struct scene *s, enum disk disk)
{
    char *work =
        str_make(NULL, "%s/chaffinch-faults-XXXXXX", access("/dev/shm", W_OK) == 0 ? "/dev/shm" : "/tmp");
    ck_assert(work != NULL && mkdtemp(work) != NULL);
    *s = (struct scene){session_path(work, "fresh"), session_path(work, "session"), disk, 0};
    ck_assert(session_make(s->fresh));
    return work;
}

static void scene_close(struct scene *s, char *work)
{
    session_remove(work);
    free(s->fresh);
    free(s->session);
    free(work);
}

static void torture_all(enum disk disk, long step)
{
    struct scene s;
    char *work = scene_open(&s, disk);
    long faults = 0;
    bool all = getenv("CHAFFINCH_LONG") != NULL;
    const char *given = getenv("CHAFFINCH_STEP");
    step = given != NULL ? atol(given) : step;
    for (int operation = MOVE; operation <= DELETE; operation++)
        for (int fault = 0; fault < FAULTS; fault++)
            faults += torture(&s, (enum operation)operation, (enum fault)fault,
                              all ? 1 : 1 + fault * step / FAULTS, all ? 1 : step);
    ck_assert_int_gt(faults, 0);
    printf("faults: %s: %ld calls failed, %s\n", disks[disk], faults,
           all ? "every call there is" : "a sample (all: CHAFFINCH_LONG=1)");
    scene_close(&s, work);
}

/* Calls that change names happen and are reported as failed, each in turn. */
static void lose_answers(enum disk disk)
{
    struct scene s;
    char *work = scene_open(&s, disk);
    long faults = 0;
    for (int operation = MOVE; operation <= DELETE; operation++)
        for (int fault = DONE_EIO; fault <= DONE_AGAIN; fault++)
            faults += torture(&s, (enum operation)operation, (enum fault)fault, 1,
                              getenv("CHAFFINCH_LONG") != NULL ? 1 : 7);
    ck_assert_int_gt(faults, 0);
    printf("faults: %s: %ld calls happened and were reported as failed\n", disks[disk], faults);
    scene_close(&s, work);
}

/* FAT, exFAT and FUSE number files anew when they are mounted again, between the fault and the next run. */
static void renumber(enum disk disk, long step)
{
    struct scene s;
    char *work = scene_open(&s, disk);
    s.renumbered = 1000000;
    long faults = 0;
    for (int operation = MOVE; operation <= DELETE; operation++)
        faults += torture(&s, (enum operation)operation, DEAD, 1 + step / 2, step);
    ck_assert_int_gt(faults, 0);
    printf("faults: %s: %ld runs went on after files were numbered anew\n", disks[disk], faults);
    scene_close(&s, work);
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

START_TEST(answers_get_lost)
{
    lose_answers((enum disk)_i);
}
END_TEST

START_TEST(files_are_numbered_anew)
{
    renumber((enum disk)_i, 97);
}
END_TEST

static void add(Suite *suite, const char *name, const TTest *test, int times)
{
    TCase *one = tcase_create(name);
    tcase_set_timeout(one, 3600);
    tcase_add_loop_test(one, test, 0, times);
    suite_add_tcase(suite, one);
}

int main(void)
{
    Suite *suite = suite_create("apply faults");
    add(suite, "plain", plain, 1);
    add(suite, "links", without_noreplace, 1);
    add(suite, "reserves", without_links, 1);
    add(suite, "crosses", between_disks, 1);
    add(suite, "answers", answers_get_lost, CROSSES + 1);
    add(suite, "numbers", files_are_numbered_anew, CROSSES + 1);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed != 0;
}
