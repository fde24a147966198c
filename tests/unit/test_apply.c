/*
 * apply: the order of what reaches the disk, runs that somebody interferes with, and its parts on their own.
 * Check values come from the rules written in apply.h, journal.h and companions.h of this project.
 */
#include <check.h>

#include "../../src/apply/companions.h"
#include "../../src/apply/journal.h"
#include "../crash/faulty.h"
#include "chaffinch/apply.h"

struct scene {
    char *work, *session;
};

static struct scene scene_make(void)
{
    struct scene s = {
        str_make(NULL, "%s/chaffinch-apply-XXXXXX", access("/dev/shm", W_OK) == 0 ? "/dev/shm" : "/tmp"),
        NULL};
    ck_assert(s.work != NULL && mkdtemp(s.work) != NULL);
    s.session = session_path(s.work, "session");
    ck_assert(session_make(s.session));
    return s;
}

static void scene_remove(struct scene *s)
{
    session_remove(s->work);
    free(s->session);
    free(s->work);
}

enum act { MOVE, UNDO };

static bool act_on(struct faulty *f, const struct scene *s, enum act act, struct apply_result *result,
                   struct err *err)
{
    const struct apply_options options = {.action = APPLY_MOVE};
    *result = (struct apply_result){.run = 0};
    f->calls = 0;
    f->n_renames = 0;
    struct apply *a = apply_open(&f->table, s->session, APPLY_ACT, NULL, &f->stop, err);
    bool ok = a != NULL && (act == MOVE ? apply_move(a, &options, result, err) : apply_undo(a, result, err));
    apply_close(a);
    return ok;
}

/* Without faults; returns the number of frames that were left. */
static uint64_t act_clean(const struct scene *s, enum act act)
{
    struct faulty f;
    struct err err = ERR_INIT;
    struct apply_result result;
    faulty_init(&f, PLAIN);
    if (!act_on(&f, s, act, &result, &err))
        ck_abort_msg("%s", err.message);
    return result.left_frames;
}

static bool all_at(const struct scene *s, enum session_state state)
{
    const struct session_look look = {.dir = s->session, .rejects = "rejects", .state = state};
    return session_check(&look);
}

static bool exists(const struct scene *s, const char *path)
{
    struct stat st;
    char *all = session_path(s->session, path);
    bool there = lstat(all, &st) == 0;
    free(all);
    return there;
}

static void put(const struct scene *s, const char *path, const char *text)
{
    ck_assert(session_write(s->session, path, text, strlen(text)));
}

static void take(const struct scene *s, const char *path)
{
    char *all = session_path(s->session, path);
    ck_assert_int_eq(unlink(all), 0);
    free(all);
}

/* ---- order --------------------------------------------------------------------------------------------- */

/* The first line at or behind `from` that begins with `call` and ends with `path`; aborts if there is none.
 */
static const char *find(const char *from, const char *call, const char *path)
{
    size_t n = strlen(call), tail = strlen(path);
    for (const char *line = from, *end; (end = strchr(line, '\n')) != NULL; line = end + 1) {
        size_t size = (size_t)(end - line);
        if (size >= n + tail && strncmp(line, call, n) == 0 && strncmp(end - tail, path, tail) == 0)
            return line;
    }
    ck_abort_msg("'%s ... %s' does not happen in:\n%s", call, path, from);
    return NULL;
}

/* The last such line. */
static const char *find_last(const char *from, const char *call, const char *path)
{
    const char *last = find(from, call, path);
    size_t n = strlen(call), tail = strlen(path);
    for (const char *line = last, *end; (end = strchr(line, '\n')) != NULL; line = end + 1) {
        size_t size = (size_t)(end - line);
        if (size >= n + tail && strncmp(line, call, n) == 0 && strncmp(end - tail, path, tail) == 0)
            last = line;
    }
    return last;
}

static void record(const struct scene *s, enum disk disk, struct str *events)
{
    struct faulty f;
    struct err err = ERR_INIT;
    struct apply_result result;
    faulty_init(&f, disk);
    f.events = events;
    ck_assert(act_on(&f, s, MOVE, &result, &err));
    ck_assert(all_at(s, SESSION_MOVED));
}

START_TEST(plan_is_on_the_disk_before_the_first_rename)
{
    struct scene s = scene_make();
    struct str events = STR_INIT;
    record(&s, PLAIN, &events);
    const char *written = find(events.bytes, "write", "/runs/0001.new");
    const char *synced = find(written, "sync", "/runs/0001.new");
    const char *named = find(synced, "rename", "/runs/0001.new");
    const char *kept = find(named, "sync", "/.chaffinch/runs");
    const char *first = find(events.bytes, "rename", "/DCIM/100DEMOS/_DSC0001.JPG");
    ck_assert(kept < first);
    ck_assert_ptr_eq(find(events.bytes, "rename", ""), named);
    /* Both folders of a batch are synced after its last rename and before the log says `done`. */
    const char *last = find_last(first, "rename", "");
    const char *done = find(first, "write", "/runs/0001.log");
    ck_assert(last < done);
    ck_assert(find(last, "sync", "/session/DCIM/100DEMOS") < done);
    ck_assert(find(last, "sync", "/rejects/DCIM/100DEMOS") < done);
    ck_assert(find(last, "sync", "/session/DCIM/101DEMOS") < done);
    ck_assert(find(last, "sync", "/rejects/DCIM/101DEMOS") < done);
    str_release(&events);
    scene_remove(&s);
}
END_TEST

START_TEST(source_goes_after_the_copy_is_safe)
{
    /* File 0 of run 1 is the JPEG of frame 1, file 3 the last of that frame. */
    struct scene s = scene_make();
    struct str events = STR_INIT;
    record(&s, CROSSES, &events);
    const char *written = find_last(events.bytes, "write", "/.chaffinch-0001-0.part");
    const char *synced = find(written, "sync", "/.chaffinch-0001-0.part");
    const char *read = find(synced, "read", "/.chaffinch-0001-0.part");
    const char *noted = find(read, "sync", "/runs/0001.log");
    const char *named = find(noted, "rename", "/.chaffinch-0001-0.part");
    const char *folder = find(named, "sync", "/rejects/DCIM/100DEMOS");
    const char *all = find(folder, "rename", "/.chaffinch-0001-3.part");
    const char *kept = find(all, "sync", "/rejects/DCIM/100DEMOS");
    const char *gone = find(events.bytes, "unlink", "/session/DCIM/100DEMOS/_DSC0001.JPG");
    ck_assert(kept < gone);
    const char *done = find_last(events.bytes, "unlink", "/session/DCIM/101DEMOS/_DSC0006.NEF.xmp");
    ck_assert(find(done, "sync", "/session/DCIM/101DEMOS") < find(done, "write", "/runs/0001.log"));
    str_release(&events);
    scene_remove(&s);
}
END_TEST

/* ---- somebody interferes ------------------------------------------------------------------------------- */

/* Dies right behind rename number `n` of a move (the log's own name is rename 0). */
static void die_behind(const struct scene *s, int n)
{
    struct faulty f;
    struct err err = ERR_INIT;
    struct apply_result result;
    char *copy = session_path(s->work, "dry");
    struct scene dry = {s->work, copy};
    ck_assert(session_make(copy));
    faulty_init(&f, PLAIN);
    ck_assert(act_on(&f, &dry, MOVE, &result, &err));
    ck_assert_int_gt(f.n_renames, n);
    f.fail_at = f.renames[n] + 1;
    f.fault = DEAD;
    ck_assert(!act_on(&f, s, MOVE, &result, &err));
    session_remove(copy);
    free(copy);
}

/* Frame 0 of that run was left, with its files at these places; NULL: it was not left. */
static void check_left(const struct scene *s, uint32_t number, const char *letters)
{
    struct err err = ERR_INIT;
    struct root root;
    struct run run;
    run_init(&run, RUN_MOVE);
    ck_assert(root_open(&root, files_system(), s->session, false, false, &err));
    ck_assert(journal_read(&root, number, &run, &err));
    ck_assert(run.ended);
    ck_assert_int_eq(run.frames[0].state, letters != NULL ? FRAME_LEFT : FRAME_DONE);
    for (size_t i = 0; letters != NULL && i < run.frames[0].n; i++)
        ck_assert_int_eq(run.files[i].where, letters[i]);
    run_release(&run);
    root_close(&root);
}

START_TEST(torn_frame_is_put_back_whole)
{
    /* Two of four files are moved when the power fails; then somebody edits the third. */
    struct scene s = scene_make();
    die_behind(&s, 2);
    ck_assert(all_at(&s, SESSION_BETWEEN));
    ck_assert(exists(&s, "rejects/DCIM/100DEMOS/_DSC0001.JPG"));
    put(&s, "DCIM/100DEMOS/_DSC0001.xmp", "edited");
    ck_assert_uint_eq(act_clean(&s, MOVE), 0);
    check_left(&s, 1, "SSSS");
    /* The same command plans anew, and the sidecar goes along as it is now. */
    check_left(&s, 2, NULL);
    ck_assert(exists(&s, "rejects/DCIM/100DEMOS/_DSC0001.JPG") &&
              exists(&s, "rejects/DCIM/100DEMOS/_DSC0001.xmp"));
    ck_assert(!exists(&s, "DCIM/100DEMOS/_DSC0001.JPG") && !exists(&s, "DCIM/100DEMOS/_DSC0001.xmp"));
    scene_remove(&s);
}
END_TEST

START_TEST(moved_file_is_known_by_its_inode)
{
    /* Between crash and resume somebody edits a file that was moved already: it is still that file. */
    struct scene s = scene_make();
    die_behind(&s, 2);
    put(&s, "rejects/DCIM/100DEMOS/_DSC0001.JPG", "edited");
    ck_assert_uint_eq(act_clean(&s, MOVE), 0);
    check_left(&s, 1, NULL);
    ck_assert(exists(&s, "rejects/DCIM/100DEMOS/_DSC0001.NEF") && !exists(&s, "DCIM/100DEMOS/_DSC0001.NEF"));
    scene_remove(&s);
}
END_TEST

START_TEST(name_taken_after_a_crash)
{
    struct scene s = scene_make();
    die_behind(&s, 1);
    put(&s, "rejects/DCIM/100DEMOS/_DSC0001.NEF", "somebody else's");
    ck_assert_uint_ge(act_clean(&s, MOVE), 1);
    ck_assert(exists(&s, "DCIM/100DEMOS/_DSC0001.JPG") && exists(&s, "DCIM/100DEMOS/_DSC0001.NEF"));
    take(&s, "rejects/DCIM/100DEMOS/_DSC0001.NEF");
    ck_assert_uint_eq(act_clean(&s, MOVE), 0);
    ck_assert(all_at(&s, SESSION_MOVED));
    scene_remove(&s);
}
END_TEST

/* Somebody takes a name between the look and the rename: it is not replaced, on no kind of file system, and
   the frame, half of which was moved, is put back whole. */
START_TEST(name_taken_at_the_last_moment)
{
    struct scene s = scene_make();
    struct faulty f;
    struct err err = ERR_INIT;
    struct apply_result result;
    struct stat st;
    char *taken = session_path(s.session, "rejects/DCIM/101DEMOS/_DSC0006.NEF");
    faulty_init(&f, (enum disk)_i);
    f.intrude = "_DSC0006.NEF";
    ck_assert(act_on(&f, &s, MOVE, &result, &err));
    ck_assert_uint_eq(result.left_frames, 1);
    ck_assert(exists(&s, "rejects/DCIM/100DEMOS/_DSC0001.JPG"));
    ck_assert(exists(&s, "DCIM/101DEMOS/_DSC0006.JPG") && exists(&s, "DCIM/101DEMOS/_DSC0006.NEF") &&
              exists(&s, "DCIM/101DEMOS/_DSC0006.NEF.xmp") &&
              !exists(&s, "rejects/DCIM/101DEMOS/_DSC0006.JPG"));
    ck_assert(stat(taken, &st) == 0 && st.st_size == 8);
    ck_assert_int_eq(unlink(taken), 0);
    ck_assert_uint_eq(act_clean(&s, UNDO), 0);
    ck_assert(all_at(&s, SESSION_HOME));
    free(taken);
    scene_remove(&s);
}
END_TEST

START_TEST(undo_waits_for_a_name)
{
    struct scene s = scene_make();
    ck_assert_uint_eq(act_clean(&s, MOVE), 0);
    put(&s, "DCIM/101DEMOS/_DSC0006.NEF", "another picture of that name");
    ck_assert_uint_eq(act_clean(&s, UNDO), 1);
    ck_assert(exists(&s, "DCIM/100DEMOS/_DSC0001.JPG"));
    ck_assert(exists(&s, "rejects/DCIM/101DEMOS/_DSC0006.JPG"));
    take(&s, "DCIM/101DEMOS/_DSC0006.NEF");
    ck_assert_uint_eq(act_clean(&s, UNDO), 0);
    ck_assert(!exists(&s, "rejects"));
    /* Somebody changed the folder meanwhile, so it keeps the time of that. */
    struct stat st;
    char *folder = session_path(s.session, "DCIM/101DEMOS");
    struct timespec old = session_time(501);
    ck_assert_int_eq(stat(folder, &st), 0);
    ck_assert(files_time_ns(&st.st_mtim) > files_time_ns(&old));
    free(folder);
    scene_remove(&s);
}
END_TEST

START_TEST(changed_picture_is_not_put_back)
{
    struct scene s = scene_make();
    ck_assert_uint_eq(act_clean(&s, MOVE), 0);
    put(&s, "rejects/DCIM/101DEMOS/_DSC0006.NEF", "changed");
    put(&s, "rejects/DCIM/100DEMOS/_DSC0001.xmp", "a changed sidecar goes back as it is");
    ck_assert_uint_eq(act_clean(&s, UNDO), 1);
    ck_assert(exists(&s, "rejects/DCIM/101DEMOS/_DSC0006.JPG"));
    ck_assert(exists(&s, "DCIM/100DEMOS/_DSC0001.xmp"));
    /* It is taken away by hand: then there is nothing left to wait for, and the rest comes back. */
    take(&s, "rejects/DCIM/101DEMOS/_DSC0006.NEF");
    ck_assert_uint_eq(act_clean(&s, UNDO), 1);
    ck_assert(exists(&s, "DCIM/101DEMOS/_DSC0006.JPG") && !exists(&s, "rejects"));
    ck_assert_uint_eq(act_clean(&s, UNDO), 0);
    scene_remove(&s);
}
END_TEST

START_TEST(carried_to_another_disk)
{
    /* New inodes, new device numbers, the same bytes and times: undo goes by the digests. */
    struct scene s = scene_make();
    ck_assert_uint_eq(act_clean(&s, MOVE), 0);
    char *command = str_make(NULL, "cp -a '%s' '%s.copy' && rm -rf '%s' && mv '%s.copy' '%s'", s.session,
                             s.session, s.session, s.session, s.session);
    ck_assert_int_eq(system(command), 0);
    free(command);
    ck_assert_uint_eq(act_clean(&s, UNDO), 0);
    ck_assert(all_at(&s, SESSION_HOME));
    scene_remove(&s);
}
END_TEST

START_TEST(stop_is_resumed)
{
    struct scene s = scene_make();
    struct faulty f;
    struct err err = ERR_INIT;
    struct apply_result result;
    faulty_init(&f, PLAIN);
    f.fault = STOPPED;
    f.fail_at = 1;
    ck_assert(!act_on(&f, &s, MOVE, &result, &err));
    ck_assert_int_eq(err.code, ERR_INTERRUPTED);
    ck_assert(all_at(&s, SESSION_HOME));
    ck_assert_uint_eq(act_clean(&s, MOVE), 0);
    ck_assert(all_at(&s, SESSION_MOVED));
    scene_remove(&s);
}
END_TEST

/* ---- parts --------------------------------------------------------------------------------------------- */

static bool collect(void *context, const char *name, struct err *err)
{
    (void)err;
    str_printf(context, "%s;", name);
    return true;
}

static void check_companions(const struct scene *s, const char *picture, uint64_t owner, const char *expected)
{
    static const struct claim claims[] = {{"d/IMG_1.JPG", 1, true},  {"d/img_1.jpg", 2, true},
                                          {"d/IMG_1.xmp", 1, false}, {"d/a.b.JPG", 3, true},
                                          {"d/a.c.JPG", 4, true},    {"d/IMG_10.JPG", 5, true},
                                          {"d/.JPG", 6, true}};
    struct companions c;
    struct err err = ERR_INIT;
    struct str found = STR_INIT;
    char *folder = session_path(s->work, "d");
    int dir = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    companions_init(&c, files_system());
    for (size_t i = 0; i < sizeof claims / sizeof claims[0]; i++)
        ck_assert(companions_claim(&c, claims[i].path, claims[i].owner, claims[i].picture, &err));
    companions_ready(&c);
    ck_assert(companions_each(&c, dir, "d", picture, owner, collect, &found, &err));
    ck_assert_str_eq(found.bytes != NULL ? found.bytes : "", expected);
    companions_release(&c);
    str_release(&found);
    close(dir);
    free(folder);
}

START_TEST(companions)
{
    static const char *const names[] = {
        "IMG_1.JPG",     "img_1.jpg",  "IMG_1.xmp",  "IMG_1.WAV",   "img_1.WAV", "Img_1.txt", "IMG_1.JPG.xmp",
        "img_1.jpg.xmp", "IMG_10.JPG", "IMG_10.xmp", "._IMG_1.JPG", "a.b.JPG",   "a.c.JPG",   "a.c.xmp",
        "a.xmp",         ".JPG",       ".xmp",       "a.d.JPG",     "IMG_10.jpg"};
    struct scene s = scene_make();
    char *folder = session_path(s.work, "d");
    ck_assert_int_eq(mkdir(folder, 0755), 0);
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++)
        ck_assert(session_write(folder, names[i], "x", 1));
    char *link = session_path(folder, "IMG_1.link");
    ck_assert_int_eq(symlink("IMG_1.JPG", link), 0);
    /* Case twins: the exact spelling, else the first in byte order ("Img_1.txt"). */
    check_companions(&s, "IMG_1.JPG", 1, "IMG_1.JPG.xmp;IMG_1.WAV;Img_1.txt;");
    check_companions(&s, "img_1.jpg", 2, "img_1.WAV;img_1.jpg.xmp;");
    check_companions(&s, "IMG_10.JPG", 5, "IMG_10.xmp;");
    /* Frames are told by what stands before the last dot; pictures that no catalogue knows stay. */
    check_companions(&s, "a.b.JPG", 3, "");
    check_companions(&s, "a.c.JPG", 4, "a.c.xmp;");
    check_companions(&s, ".JPG", 6, "");
    free(link);
    free(folder);
    scene_remove(&s);
}
END_TEST

static void fill_run(struct run *run)
{
    struct err err = ERR_INIT;
    run_init(run, RUN_MOVE);
    run->number = 7;
    run->time_s = 1777000000;
    ck_assert_uint_eq(run_add_place(run, "", &err), 0);
    ck_assert_uint_eq(run_add_place(run, "/media/far\taway", &err), 1);
    ck_assert_uint_eq(run_add_folder(run, 0, "DCIM/odd\nfolder", &err), 0);
    ck_assert_uint_eq(run_add_folder(run, 1, "", &err), 1);
    run->folders[0].before_ns = -5;
    run->folders[1].made = true;
    for (int i = 0; i < 70; i++) {
        char name[32];
        (void)snprintf(name, sizeof name, "\xff\\%d", i);
        const struct run_file file = {.picture = i % 2 == 0,
                                      .from_folder = 0,
                                      .to_folder = 1,
                                      .from_name = name,
                                      .to_name = name,
                                      .size = UINT64_MAX,
                                      .mtime_ns = INT64_MIN,
                                      .device_place = RUN_NONE,
                                      .inode = 3,
                                      .digest = hash_of(name, strlen(name))};
        ck_assert_ptr_nonnull(run_add_frame(run, name, &err));
        ck_assert(run_add_file(run, &file, &err));
    }
    run_set_batches(run);
}

START_TEST(journal_comes_back)
{
    struct scene s = scene_make();
    struct err err = ERR_INIT;
    struct root root;
    struct run out, in;
    fill_run(&out);
    ck_assert(root_open(&root, files_system(), s.session, false, false, &err));
    ck_assert(journal_write_plan(&root, &out, &err));
    struct textlog *log = journal_open(&root, 7, &err);
    ck_assert(journal_copied(log, &out, &out.files[3], &err));
    ck_assert(journal_removing(log, &out, &out.frames[3], &err));
    out.frames[5].state = FRAME_LEFT;
    out.frames[5].cause = "its name\nis taken";
    ck_assert(journal_batch(log, &out, 0, &err));
    textlog_discard(log);
    run_init(&in, RUN_UNDO);
    ck_assert(journal_read(&root, 7, &in, &err));
    ck_assert_int_eq(in.kind, RUN_MOVE);
    ck_assert_uint_eq(in.n_frames, 70);
    ck_assert_uint_eq(in.batches, 2);
    ck_assert_uint_eq(in.batches_done, 1);
    ck_assert(!in.ended && in.files[3].copied && in.frames[3].removing);
    ck_assert_str_eq(in.places[1].path, "/media/far\taway");
    ck_assert_str_eq(in.folders[0].path, "DCIM/odd\nfolder");
    ck_assert(in.folders[1].made && in.folders[0].before_ns == -5);
    ck_assert_str_eq(in.files[69].from_name, "\xff\\69");
    ck_assert(in.files[69].size == UINT64_MAX && in.files[69].mtime_ns == INT64_MIN);
    ck_assert(hash_equal(&in.files[69].digest, &out.files[69].digest));
    ck_assert_int_eq(in.frames[5].state, FRAME_LEFT);
    ck_assert_str_eq(in.frames[5].cause, "its name\nis taken");
    ck_assert_int_eq(in.files[5].where, WHERE_SOURCE);
    ck_assert_int_eq(in.files[6].where, WHERE_TARGET);
    ck_assert_int_eq(in.files[64].where, WHERE_SOURCE);
    run_release(&in);
    run_release(&out);
    root_close(&root);
    scene_remove(&s);
}
END_TEST

START_TEST(journal_refuses_nonsense)
{
    struct scene s = scene_make();
    struct err err = ERR_INIT;
    struct root root;
    struct run out, in;
    const char *const stray[] = {"done", "9"};
    fill_run(&out);
    ck_assert(root_open(&root, files_system(), s.session, false, false, &err));
    ck_assert(journal_write_plan(&root, &out, &err));
    /* A plan is never written over another. */
    ck_assert(!journal_write_plan(&root, &out, &err));
    ck_assert_int_eq(err.code, ERR_EXISTS);
    ck_assert(textlog_append(&root, "runs/0007.log", stray, 2, &err));
    run_init(&in, RUN_UNDO);
    ck_assert(!journal_read(&root, 7, &in, &err));
    ck_assert_int_eq(err.code, ERR_DAMAGED);
    run_release(&in);
    run_init(&in, RUN_UNDO);
    ck_assert(!journal_read(&root, 8, &in, &err));
    run_release(&in);
    run_release(&out);
    root_close(&root);
    scene_remove(&s);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("apply");
    TCase *order = tcase_create("order");
    tcase_add_test(order, plan_is_on_the_disk_before_the_first_rename);
    tcase_add_test(order, source_goes_after_the_copy_is_safe);
    suite_add_tcase(suite, order);
    TCase *interference = tcase_create("interference");
    tcase_add_test(interference, torn_frame_is_put_back_whole);
    tcase_add_test(interference, moved_file_is_known_by_its_inode);
    tcase_add_test(interference, name_taken_after_a_crash);
    tcase_add_loop_test(interference, name_taken_at_the_last_moment, PLAIN, CROSSES + 1);
    tcase_add_test(interference, undo_waits_for_a_name);
    tcase_add_test(interference, changed_picture_is_not_put_back);
    tcase_add_test(interference, carried_to_another_disk);
    tcase_add_test(interference, stop_is_resumed);
    suite_add_tcase(suite, interference);
    TCase *parts = tcase_create("parts");
    tcase_add_test(parts, companions);
    tcase_add_test(parts, journal_comes_back);
    tcase_add_test(parts, journal_refuses_nonsense);
    suite_add_tcase(suite, parts);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed != 0;
}
