/* Opening: versions, migrations, damage, disks that cannot be written, writers that were killed, several at
 * once. */
#include <errno.h>
#include <fcntl.h>
#include <sys/wait.h>
#include <time.h>

#include "catalogue_place.h"
#include "chaffinch/str.h"
#include "../../src/catalogue/schema.h"

static struct place place;
static struct err err;

static void setup(void)
{
    err = (struct err)ERR_INIT;
    place_make(&place);
}

static void teardown(void)
{
    place_clean(&place);
}

/* Both ways of opening are refused with the exit status and words of the message. */
static void refused(int status, const char *words)
{
    for (int i = 0; i < 2; i++) {
        struct err e = ERR_INIT;
        ck_assert_ptr_null(catalogue_open(&place.root, i == 0 ? CATALOGUE_READ : CATALOGUE_WRITE, &e));
        ck_assert_msg(err_exit_status(&e) == status && strstr(e.message, words) != NULL, "%s", e.message);
    }
}

START_TEST(it_is_made_where_there_is_none)
{
    char text[256];
    ck_assert_ptr_null(catalogue_open(&place.root, CATALOGUE_READ, &err));
    ck_assert_int_eq(err_exit_status(&err), 2);
    ck_assert_ptr_nonnull(strstr(err.message, "type 'chaffinch measure "));
    catalogue_close(must_open(&place, CATALOGUE_WRITE));
    catalogue_close(must_open(&place, CATALOGUE_READ));
    ck_assert_str_eq(raw_value(&place, "PRAGMA application_id", text), "1128810054");
    ck_assert_str_eq(raw_value(&place, "PRAGMA user_version", text), "4");
    ck_assert_str_eq(raw_value(&place, "PRAGMA journal_mode", text), "delete");
    ck_assert_ptr_null(raw_value(&place,
                                 "SELECT name FROM pragma_table_list WHERE type = 'table' AND strict = 0"
                                 " AND name NOT LIKE 'sqlite_%'",
                                 text));
    /* A reader cannot write. */
    struct catalogue *c = must_open(&place, CATALOGUE_READ);
    ck_assert(!catalogue_set_setting(c, "a", "b", &err));
    catalogue_close(c);
    catalogue_close(NULL);
}
END_TEST

START_TEST(an_empty_file_is_no_catalogue_yet)
{
    (void)close(openat(place.root.state, "catalogue.db", O_CREAT | O_WRONLY, 0666));
    ck_assert_ptr_null(catalogue_open(&place.root, CATALOGUE_READ, &err));
    ck_assert_int_eq(err_exit_status(&err), 2);
    catalogue_close(must_open(&place, CATALOGUE_WRITE));
}
END_TEST

START_TEST(a_newer_version_is_refused)
{
    catalogue_close(must_open(&place, CATALOGUE_WRITE));
    raw_sql(&place, "PRAGMA user_version = 99");
    refused(3, "made by a newer chaffinch (version 99");
}
END_TEST

START_TEST(databases_of_others_are_left_alone)
{
    char text[256];
    raw_sql(&place, "CREATE TABLE theirs (a); PRAGMA journal_mode = WAL");
    refused(5, "is not a chaffinch catalogue");
    raw_sql(&place, "PRAGMA user_version = 1; PRAGMA application_id = 1");
    refused(5, "is not a chaffinch catalogue");
    raw_sql(&place, "PRAGMA user_version = 0; PRAGMA application_id = 1128810054");
    refused(5, "is not a chaffinch catalogue");
    ck_assert_str_eq(raw_value(&place, "PRAGMA journal_mode", text), "wal");
}
END_TEST

START_TEST(a_link_is_not_followed)
{
    struct place other;
    place_make(&other);
    catalogue_close(must_open(&other, CATALOGUE_WRITE));
    ck_assert_int_eq(symlinkat(other.file, place.root.state, "catalogue.db"), 0);
    refused(5, "is not a chaffinch catalogue");
    place_clean(&other);
}
END_TEST

static void write_over(size_t at, const char *bytes, size_t size)
{
    int fd = openat(place.root.state, "catalogue.db", O_CREAT | O_WRONLY, 0666);
    ck_assert_int_eq(pwrite(fd, bytes, size, (off_t)at), (ssize_t)size);
    (void)close(fd);
}

START_TEST(damage_is_told)
{
    char noise[8192];
    for (size_t i = 0; i < sizeof noise; i++)
        noise[i] = (char)(i * 7 + 1);
    write_over(0, noise, sizeof noise);
    refused(5, "decisions.log");
    ck_assert_int_eq(unlinkat(place.root.state, "catalogue.db", 0), 0);
    /* Damage behind the first page is found by a check, if not before. */
    struct catalogue *c = must_open(&place, CATALOGUE_WRITE);
    for (int i = 0; i < 200; i++) {
        char identity[16], path[16];
        (void)snprintf(identity, sizeof identity, "A1 %d", i);
        (void)snprintf(path, sizeof path, "%d.JPG", i);
        (void)put(c, identity, path, 1, (uint32_t)i);
    }
    ck_assert(catalogue_check(c, NULL, &err));
    catalogue_close(c);
    char root_page[256];
    ck_assert_ptr_nonnull(
        raw_value(&place, "SELECT rootpage FROM sqlite_schema WHERE name = 'frame_burst'", root_page));
    write_over((size_t)(atoi(root_page) - 1) * 4096 + 8, noise, 200);
    c = catalogue_open(&place.root, CATALOGUE_READ, &err);
    ck_assert(c == NULL || !catalogue_check(c, NULL, &err));
    ck_assert_int_eq(err_exit_status(&err), 5);
    catalogue_close(c);
}
END_TEST

START_TEST(broken_foreign_keys_are_damage)
{
    struct catalogue *c = must_open(&place, CATALOGUE_WRITE);
    (void)put(c, "A1 aa", "a.JPG", 1, 0);
    raw_sql(&place, "PRAGMA foreign_keys = OFF; DELETE FROM frame");
    ck_assert(!catalogue_check(c, NULL, &err));
    ck_assert_int_eq(err_exit_status(&err), 5);
    catalogue_close(c);
}
END_TEST

/* ---- migrations -------------------------------------------------------------------------------------------
 */

static const char *const make_a[] = {"CREATE TABLE a (x INTEGER) STRICT", "INSERT INTO a VALUES (1)", NULL};
static const char *const widen_a[] = {"ALTER TABLE a ADD COLUMN y TEXT", "UPDATE a SET y = 'new'", NULL};
static const char *const fail_late[] = {"UPDATE a SET y = 'lost'", "INSERT INTO nowhere VALUES (1)", NULL};
static const char *const go_on[] = {"INSERT INTO a VALUES (2, 'last')", NULL};

START_TEST(steps_are_taken_once_and_whole)
{
    static const struct schema_step steps[] = {{make_a}, {widen_a}, {fail_late}},
                                    mended[] = {{make_a}, {widen_a}, {go_on}};
    struct schema one = {77, steps, 1}, two = {77, steps, 2}, three = {77, steps, 3},
                  better = {77, mended, 3};
    enum schema_state state;
    int64_t version;
    char text[256];
    struct catalogue c = {.root = &place.root, .access = CATALOGUE_WRITE};
    ck_assert_int_eq(sqlite3_open(place.file, &c.db), SQLITE_OK);
    ck_assert(schema_look(&c, &one, &state, NULL, &err) && state == SCHEMA_EMPTY);
    ck_assert(schema_migrate(&c, &one, &err));
    ck_assert(schema_look(&c, &one, &state, &version, &err) && state == SCHEMA_CURRENT && version == 1);
    ck_assert(schema_look(&c, &two, &state, NULL, &err) && state == SCHEMA_OLDER);
    ck_assert(schema_migrate(&c, &two, &err) && schema_migrate(&c, &two, &err));
    ck_assert_str_eq(raw_value(&place, "SELECT count(*) || y FROM a", text), "1new");
    ck_assert(schema_look(&c, &one, &state, NULL, &err) && state == SCHEMA_NEWER);
    /* A step that fails leaves the version before it. */
    ck_assert(!schema_migrate(&c, &three, &err));
    ck_assert(schema_look(&c, &two, &state, NULL, &err) && state == SCHEMA_CURRENT);
    ck_assert_str_eq(raw_value(&place, "SELECT y FROM a", text), "new");
    ck_assert(schema_migrate(&c, &better, &err));
    ck_assert_str_eq(raw_value(&place, "SELECT count(*) || max(y) FROM a", text), "2new");
    two.application_id = 78;
    ck_assert(schema_look(&c, &two, &state, NULL, &err) && state == SCHEMA_FOREIGN);
    for (size_t i = 0; i < c.n_cached; i++)
        (void)sqlite3_finalize(c.statement[i]);
    ck_assert_int_eq(sqlite3_close(c.db), SQLITE_OK);
}
END_TEST

static bool note_who(void *context, const struct catalogue_decided *d, struct err *ignored)
{
    (void)ignored;
    ck_assert_str_eq(d->who, "ann");
    ++*(int *)context;
    return true;
}

/* Everything that a schema holds, in a word. */
static void schema_text(struct place *p, char **text)
{
    sqlite3 *db;
    sqlite3_stmt *st;
    struct str s = STR_INIT;
    ck_assert_int_eq(sqlite3_open(p->file, &db), SQLITE_OK);
    ck_assert_int_eq(
        sqlite3_prepare_v2(db, "SELECT coalesce(sql, name) FROM sqlite_schema ORDER BY name", -1, &st, NULL),
        SQLITE_OK);
    while (sqlite3_step(st) == SQLITE_ROW)
        str_printf(&s, "%s\n", (const char *)sqlite3_column_text(st, 0));
    (void)sqlite3_finalize(st);
    (void)sqlite3_close(db);
    *text = str_take(&s, NULL);
}

/* An empty place becomes the fixture's catalogue with its log. */
static void load_fixture(int version)
{
    char *sql = NULL, *log = NULL, name[64];
    size_t size = 0;
    (void)snprintf(name, sizeof name, "fixtures/catalogue/version-%d.sql", version);
    ck_assert(files_read_all(files_system(), AT_FDCWD, name, 1 << 20, &sql, &size, &err));
    raw_sql(&place, sql);
    (void)snprintf(name, sizeof name, "fixtures/catalogue/version-%d.decisions.log", version);
    ck_assert(files_read_all(files_system(), AT_FDCWD, name, 1 << 20, &log, &size, &err));
    int fd = openat(place.root.state, "decisions.log", O_CREAT | O_WRONLY, 0666);
    ck_assert_int_eq(write(fd, log, size), (ssize_t)size);
    (void)close(fd);
    free(sql);
    free(log);
}

/* Brought up to date it is the same as one that is made today. */
static void check_schema(void)
{
    struct place fresh;
    char *old_schema, *new_schema;
    place_make(&fresh);
    catalogue_close(must_open(&fresh, CATALOGUE_WRITE));
    schema_text(&place, &old_schema);
    schema_text(&fresh, &new_schema);
    ck_assert_str_eq(old_schema, new_schema);
    free(old_schema);
    free(new_schema);
    place_clean(&fresh);
}

static bool count_area(void *context, const struct catalogue_area *area, struct err *ignored)
{
    (void)ignored;
    ck_assert(area->setup == 1 && !area->keep_out && area->x == .25 && area->h == .125);
    ++*(int *)context;
    return true;
}

START_TEST(every_version_is_read_for_ever)
{
    struct catalogue_act act;
    int decided = 0, areas = 0;
    if (access("fixtures/catalogue/version-1.sql", R_OK) != 0) {
        printf("skipped: not run from the top of the repository\n");
        return;
    }
    load_fixture(_i);
    struct catalogue *c = must_open(&place, CATALOGUE_WRITE);
    ck_assert_msg(catalogue_check(c, NULL, &err), "%s", err.message);
    struct seen s = look(c, 1);
    ck_assert_str_eq(s.path, "DCIM/100EXMPL/DEMO0001.JPG");
    ck_assert(s.decision == CATALOGUE_KEEP && !s.camera && s.accepted && s.has_item && s.blur == 1);
    ck_assert_int_eq(s.shortlist, _i >= 2);
    if (_i >= 3)
        ck_assert_double_eq(s.clipped, 0.0625);
    else
        ck_assert(s.clipped != s.clipped);
    s = look(c, 2);
    ck_assert_str_eq(s.path, "rejects/DCIM/100EXMPL/DEMO0002.JPG");
    ck_assert_str_eq(s.outcome, "reject");
    ck_assert_double_eq(s.decoded, _i >= 4 ? .25 : 1);
    s = look(c, 3);
    ck_assert(s.camera && s.accepted && s.blur != s.blur);
    ck_assert(catalogue_history(c, 1, note_who, &decided, &err));
    ck_assert_int_eq(decided, 2);
    ck_assert(catalogue_each_area(c, count_area, &areas, &err));
    ck_assert_int_eq(areas, _i >= 2 ? 1 : 0);
    /* Acts of before can be taken back, too. */
    ck_assert(catalogue_undo(c, "ann", &act, &err));
    ck_assert_str_eq(act.word, _i >= 2 ? "ignore" : "accept-reject");
    ck_assert_uint_eq(act.n, _i >= 2 ? 1 : 3);
    ck_assert_int_eq(look(c, 1).accepted, _i >= 2);
    catalogue_close(c);
    check_schema();
}
END_TEST

/* ---- disks that cannot be written -------------------------------------------------------------------------
 */

static int read_only_open(const char *path, int flags, int mode)
{
    if ((flags & O_ACCMODE) != O_RDONLY || (flags & O_CREAT) != 0) {
        errno = EROFS;
        return -1;
    }
    return open(path, flags, mode);
}

static int read_only_unlink(const char *path)
{
    (void)path;
    errno = EROFS;
    return -1;
}

/* As SQLite sees a read-only file system. */
static void set_read_only(bool on)
{
    sqlite3_vfs *vfs = sqlite3_vfs_find(NULL);
    (void)vfs->xSetSystemCall(vfs, "open", on ? (sqlite3_syscall_ptr)read_only_open : NULL);
    (void)vfs->xSetSystemCall(vfs, "unlink", on ? (sqlite3_syscall_ptr)read_only_unlink : NULL);
}

START_TEST(a_read_only_disk_can_be_read)
{
    set_read_only(true);
    ck_assert_ptr_null(catalogue_open(&place.root, CATALOGUE_WRITE, &err));
    ck_assert_int_eq(err_exit_status(&err), 4);
    ck_assert_ptr_nonnull(strstr(err.message, "read-only"));
    set_read_only(false);
    struct catalogue *c = must_open(&place, CATALOGUE_WRITE);
    int64_t id = put(c, "A1 aa", "a.JPG", 1, 0);
    ck_assert(catalogue_decide(c, &id, 1, CATALOGUE_KEEP, "ann", &err));
    catalogue_close(c);
    set_read_only(true);
    c = must_open(&place, CATALOGUE_READ);
    ck_assert_int_eq(look(c, id).decision, CATALOGUE_KEEP);
    ck_assert(catalogue_check(c, NULL, &err));
    catalogue_close(c);
    ck_assert_ptr_null(catalogue_open(&place.root, CATALOGUE_WRITE, &err));
    ck_assert_int_eq(err_exit_status(&err), 4);
    ck_assert_ptr_nonnull(strstr(err.message, "cannot be written"));
    set_read_only(false);
}
END_TEST

static int no_unlink(const char *path)
{
    (void)path;
    _exit(9);
}

/* A writer that is killed before it can take its journal away: the database is half new, and what is old
   stands in the journal. */
static void kill_a_writer(void)
{
    static struct catalogue
        *c; /* reachable to the end: tools that look for leaks must not change the status */
    pid_t child = fork();
    ck_assert_int_ge(child, 0);
    if (child == 0) {
        sqlite3_vfs *vfs = sqlite3_vfs_find(NULL);
        c = catalogue_open(&place.root, CATALOGUE_WRITE, NULL);
        (void)vfs->xSetSystemCall(vfs, "unlink", (sqlite3_syscall_ptr)no_unlink);
        if (c != NULL)
            (void)catalogue_set_setting(c, "fate", "lost", NULL);
        _exit(1);
    }
    int status = 0;
    ck_assert_int_eq(waitpid(child, &status, 0), child);
    ck_assert_int_eq(WEXITSTATUS(status), 9);
    ck_assert_int_eq(faccessat(place.root.state, "catalogue.db-journal", F_OK, 0), 0);
}

START_TEST(what_a_killed_writer_left_is_rolled_back)
{
    char *value = NULL;
    struct catalogue *c = must_open(&place, CATALOGUE_WRITE);
    ck_assert(catalogue_set_setting(c, "fate", "kept", &err));
    catalogue_close(c);
    kill_a_writer();
    /* Where nothing can be written, it cannot be; the message says what to do. */
    set_read_only(true);
    refused(4, "writ");
    ck_assert_ptr_null(catalogue_open(&place.root, CATALOGUE_READ, &err));
    ck_assert_ptr_nonnull(strstr(err.message, "make the disk writable or copy the session"));
    set_read_only(false);
    /* A reader has it done first. */
    c = must_open(&place, CATALOGUE_READ);
    ck_assert_msg(catalogue_get_setting(c, "fate", &value, &err), "%s", err.message);
    ck_assert_str_eq(value, "kept");
    ck_assert_int_ne(faccessat(place.root.state, "catalogue.db-journal", F_OK, 0), 0);
    catalogue_close(c);
    free(value);
}
END_TEST

START_TEST(a_name_is_only_a_name)
{
    struct root odd;
    char *home = getcwd(NULL, 0);
    static const char name[] = "file:it's?mode=memory\n%20";
    ck_assert_int_eq(chdir(place.path), 0);
    ck_assert_int_eq(mkdir(name, 0777), 0);
    ck_assert_msg(root_open(&odd, files_system(), name, false, true, &err), "%s", err.message);
    struct catalogue *c = catalogue_open(&odd, CATALOGUE_WRITE, &err);
    ck_assert_msg(c != NULL, "%s", err.message);
    catalogue_close(c);
    ck_assert_int_eq(faccessat(odd.state, "catalogue.db", F_OK, 0), 0);
    ck_assert_int_eq(unlinkat(odd.state, "catalogue.db", 0), 0);
    ck_assert_ptr_null(catalogue_open(&odd, CATALOGUE_READ, &err));
    ck_assert_ptr_null(strchr(err.message, '\n'));
    root_close(&odd);
    ck_assert_int_eq(chdir(home), 0);
    free(home);
}
END_TEST

/* ---- several at once --------------------------------------------------------------------------------------
 */

static void pause_ms(long ms)
{
    const struct timespec t = {.tv_nsec = ms * 1000000};
    (void)nanosleep(&t, NULL);
}

/* The child is made first: SQLite's connections must not be carried over a fork. */
START_TEST(a_decision_waits_for_a_batch_and_a_reader_does_not)
{
    int go[2], status = 1;
    int64_t id = 1;
    char byte = 0;
    ck_assert_int_eq(pipe(go), 0);
    pid_t child = fork();
    ck_assert_int_ge(child, 0);
    if (child == 0) {
        struct catalogue *own =
            read(go[0], &byte, 1) == 1 ? catalogue_open(&place.root, CATALOGUE_WRITE, NULL) : NULL;
        bool ok = own != NULL && catalogue_decide(own, &id, 1, CATALOGUE_KEEP, "ann", NULL);
        catalogue_close(own);
        _exit(ok ? 0 : 1);
    }
    struct catalogue *c = must_open(&place, CATALOGUE_WRITE);
    ck_assert_int_eq(put(c, "A1 aa", "a.JPG", 1, 0), id);
    ck_assert(catalogue_begin(c, &err));
    ck_assert(catalogue_set_state(c, id, "measured", "", &err));
    ck_assert_int_eq(write(go[1], &byte, 1), 1);
    struct catalogue *reader = must_open(&place, CATALOGUE_READ);
    ck_assert_int_eq(look(reader, id).decision, CATALOGUE_UNDECIDED);
    pause_ms(200);
    ck_assert_int_eq(waitpid(child, NULL, WNOHANG), 0);
    ck_assert(catalogue_commit(c, &err));
    ck_assert_int_eq(waitpid(child, &status, 0), child);
    ck_assert_int_eq(status, 0);
    ck_assert_int_eq(look(reader, id).decision, CATALOGUE_KEEP);
    ck_assert_int_eq(look(c, id).decision, CATALOGUE_KEEP);
    catalogue_close(reader);
    catalogue_close(c);
}
END_TEST

static bool count_decided(void *context, const struct catalogue_decided *d, struct err *ignored)
{
    (void)d;
    (void)ignored;
    ++*(int *)context;
    return true;
}

/* A fresh catalogue that somebody else is making at that moment is not taken for a foreign one. */
START_TEST(opened_while_it_is_made)
{
#ifdef CHAFFINCH_SANITIZED
    enum { CHILDREN = 4, ROUNDS = 5 };
#else
    enum { CHILDREN = 4, ROUNDS = 25 };
#endif
    pid_t child[CHILDREN];
    for (int round = 0; round < ROUNDS; round++) {
        for (int i = 0; i < CHILDREN; i++) {
            child[i] = fork();
            ck_assert_int_ge(child[i], 0);
            if (child[i] != 0)
                continue;
            struct catalogue *own = catalogue_open(&place.root, CATALOGUE_WRITE, NULL);
            catalogue_close(own);
            _exit(own != NULL ? 0 : 1);
        }
        for (int i = 0; i < CHILDREN; i++) {
            int status = 1;
            ck_assert_int_eq(waitpid(child[i], &status, 0), child[i]);
            ck_assert_msg(status == 0, "status %x in round %d", (unsigned)status, round);
        }
        ck_assert_int_eq(unlinkat(place.root.state, "catalogue.db", 0), 0);
    }
}
END_TEST

/* Several make the catalogue, and then decide, at the same time: nothing is lost, log and tables agree. */
START_TEST(many_at_once)
{
    enum { CHILDREN = 4, TURNS = 10 };
    pid_t child[CHILDREN];
    int n = 0;
    for (int i = 0; i < CHILDREN; i++) {
        child[i] = fork();
        if (child[i] != 0)
            continue;
        struct catalogue *own = catalogue_open(&place.root, CATALOGUE_WRITE, NULL);
        if (own == NULL)
            _exit(1);
        int64_t id = put(own, "A1 aa", "a.JPG", 1, 0);
        for (int k = 0; k < TURNS; k++)
            if (!catalogue_decide(own, &id, 1, CATALOGUE_KEEP, "ann", NULL))
                _exit(2);
        catalogue_close(own);
        _exit(0);
    }
    for (int i = 0; i < CHILDREN; i++) {
        int status = 1;
        ck_assert_int_eq(waitpid(child[i], &status, 0), child[i]);
        ck_assert_msg(status == 0, "status %x", (unsigned)status);
    }
    struct catalogue *c = must_open(&place, CATALOGUE_WRITE);
    ck_assert(catalogue_history(c, 1, count_decided, &n, &err));
    ck_assert_int_eq(n, CHILDREN * TURNS);
    catalogue_close(c);
    ck_assert_int_eq(unlinkat(place.root.state, "catalogue.db", 0), 0);
    c = must_open(&place, CATALOGUE_WRITE);
    int64_t id = put(c, "A1 aa", "a.JPG", 1, 0);
    n = 0;
    ck_assert(catalogue_history(c, id, count_decided, &n, &err));
    ck_assert_int_eq(n, CHILDREN * TURNS);
    catalogue_close(c);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("catalogue_open");
    TCase *tc = tcase_create("open");
    tcase_set_timeout(tc, 120);
    tcase_add_checked_fixture(tc, setup, teardown);
    tcase_add_test(tc, it_is_made_where_there_is_none);
    tcase_add_test(tc, an_empty_file_is_no_catalogue_yet);
    tcase_add_test(tc, a_newer_version_is_refused);
    tcase_add_test(tc, databases_of_others_are_left_alone);
    tcase_add_test(tc, a_link_is_not_followed);
    tcase_add_test(tc, damage_is_told);
    tcase_add_test(tc, broken_foreign_keys_are_damage);
    tcase_add_test(tc, steps_are_taken_once_and_whole);
    tcase_add_loop_test(tc, every_version_is_read_for_ever, 1, 5);
    tcase_add_test(tc, a_read_only_disk_can_be_read);
    tcase_add_test(tc, what_a_killed_writer_left_is_rolled_back);
    tcase_add_test(tc, a_name_is_only_a_name);
    tcase_add_test(tc, a_decision_waits_for_a_batch_and_a_reader_does_not);
    tcase_add_test(tc, opened_while_it_is_made);
    tcase_add_test(tc, many_at_once);
    suite_add_tcase(suite, tc);
    return run_suite(suite);
}
