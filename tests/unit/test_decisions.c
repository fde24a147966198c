/* Decisions: they win, they have a history, and they outlive the catalogue; what a crash leaves between log
 * and tables. */
#include <errno.h>
#include <fcntl.h>
#include <sys/wait.h>
#include <unistd.h>

#include "catalogue_place.h"
#include "chaffinch/textlog.h"
#include "../../src/catalogue/instant.h"

static struct place place;
static struct catalogue *c;
static struct err err;

static void setup(void)
{
    err = (struct err)ERR_INIT;
    place_make(&place);
    c = must_open(&place, CATALOGUE_WRITE);
}

static void teardown(void)
{
    catalogue_close(c);
    place_clean(&place);
}

static void lose(const char *name)
{
    ck_assert_int_eq(unlinkat(place.root.state, name, 0), 0);
}

/* Closes the catalogue, loses it, opens a fresh one. */
static void lose_catalogue(void)
{
    catalogue_close(c);
    lose("catalogue.db");
    c = must_open(&place, CATALOGUE_WRITE);
}

struct history {
    char text[512];
};

static bool note_decided(void *context, const struct catalogue_decided *d, struct err *ignored)
{
    struct history *h = context;
    size_t used = strlen(h->text);
    (void)ignored;
    ck_assert_int_gt(d->at_ns, 1700000000000000000);
    (void)snprintf(h->text + used, sizeof h->text - used, "%s:%d ", d->who, (int)d->decision);
    return true;
}

static const char *history(int64_t frame, struct history *h)
{
    h->text[0] = '\0';
    ck_assert_msg(catalogue_history(c, frame, note_decided, h, &err), "%s", err.message);
    return h->text;
}

static void decide(int64_t frame, enum catalogue_decision decision, const char *who)
{
    ck_assert_msg(catalogue_decide(c, &frame, 1, decision, who, &err), "%s", err.message);
}

START_TEST(a_decision_wins_and_ranking_again_leaves_it)
{
    struct history h;
    int64_t id = put(c, "A1 aa", "a.JPG", 3, 0);
    propose(c, id, "reject");
    decide(id, CATALOGUE_KEEP, "ann");
    ck_assert_str_eq(look(c, id).outcome, "keep");
    propose(c, id, "reject");
    ck_assert_str_eq(look(c, id).outcome, "keep");
    decide(id, CATALOGUE_REJECT, "ben");
    propose(c, id, "keep");
    ck_assert_str_eq(look(c, id).outcome, "reject");
    decide(id, CATALOGUE_UNDECIDED, "ben");
    ck_assert_str_eq(look(c, id).outcome, "keep");
    ck_assert_str_eq(history(id, &h), "ann:1 ben:2 ben:0 ");
}
END_TEST

START_TEST(marks_made_in_the_camera_count_until_a_person_decides)
{
    int64_t id = 0;
    struct catalogue_frame frame = {.identity = "A1 cc", .body = "A1", .orientation = 1, .rating = 3};
    ck_assert(catalogue_put_frame(c, &frame, &id, &err));
    propose(c, id, "reject");
    struct seen s = look(c, id);
    ck_assert(s.camera && s.decision == CATALOGUE_KEEP);
    ck_assert_str_eq(s.outcome, "keep");
    decide(id, CATALOGUE_REJECT, "ann");
    s = look(c, id);
    ck_assert(!s.camera);
    ck_assert_str_eq(s.outcome, "reject");
    decide(id, CATALOGUE_UNDECIDED, "ann");
    ck_assert_str_eq(look(c, id).outcome, "keep");
    frame.rating = 0;
    frame.is_protected = true;
    ck_assert(catalogue_put_frame(c, &frame, &id, &err));
    ck_assert_str_eq(look(c, id).outcome, "keep");
    frame.is_protected = false;
    ck_assert(catalogue_put_frame(c, &frame, &id, &err));
    ck_assert_str_eq(look(c, id).outcome, "reject");
}
END_TEST

START_TEST(all_frames_or_none)
{
    struct history h;
    int64_t a = put(c, "A1 aa", "a.JPG", 1, 0), b = put(c, "A1 bb", "b.JPG", 1, 1);
    const int64_t wrong[] = {a, 999}, right[] = {a, b};
    ck_assert(!catalogue_decide(c, wrong, 2, CATALOGUE_KEEP, "ann", &err));
    ck_assert_int_eq(err_exit_status(&err), 2);
    ck_assert_int_eq(look(c, a).decision, CATALOGUE_UNDECIDED);
    ck_assert_msg(catalogue_decide(c, right, 2, CATALOGUE_KEEP, "ann", &err), "%s", err.message);
    ck_assert_int_eq(look(c, b).decision, CATALOGUE_KEEP);
    /* Nothing of the one that failed is in the log either. */
    lose_catalogue();
    a = put(c, "A1 aa", "a.JPG", 1, 0);
    ck_assert_str_eq(history(a, &h), "ann:1 ");
}
END_TEST

START_TEST(a_burst_that_was_accepted)
{
    int64_t a = put(c, "A1 aa", "a.JPG", 3, 0), b = put(c, "A1 bb", "b.JPG", 3, 1);
    int64_t other = put(c, "A1 cc", "c.JPG", 4, 0);
    propose(c, a, "reject");
    propose(c, b, "keep");
    propose(c, other, "reject");
    ck_assert_msg(catalogue_accept(c, 3, true, "ann", &err), "%s", err.message);
    ck_assert(look(c, a).accepted && look(c, b).accepted && !look(c, other).accepted);
    /* A frame that joins the burst later was not seen; one that leaves it was. */
    ck_assert(catalogue_set_place(c, other, 3, 2, 0, &err));
    ck_assert(catalogue_set_place(c, a, 4, 0, 0, &err));
    ck_assert(look(c, a).accepted && !look(c, other).accepted);
    /* What the person agreed with was another proposal. */
    propose(c, b, "reject");
    ck_assert(!look(c, b).accepted);
    propose(c, b, "keep");
    ck_assert(look(c, b).accepted);
    ck_assert(catalogue_accept(c, 4, false, "ann", &err));
    ck_assert(!look(c, a).accepted && look(c, b).accepted);
    /* It is no decision. */
    struct history h;
    ck_assert_str_eq(history(a, &h), "");
    ck_assert_int_eq(look(c, b).decision, CATALOGUE_UNDECIDED);
    ck_assert(!catalogue_accept(c, 77, true, "ann", &err));
    ck_assert_int_eq(err_exit_status(&err), 2);
}
END_TEST

START_TEST(decisions_survive_a_lost_catalogue)
{
    struct history h;
    static const char odd[] = "A1 \xc3\xa4\t\xff 1";
    int64_t id = put(c, odd, "a.JPG", 3, 0), other = put(c, "A1 bb", "b.JPG", 3, 1);
    propose(c, id, "reject");
    propose(c, other, "reject");
    decide(id, CATALOGUE_REJECT, "ann\nmarie");
    decide(id, CATALOGUE_KEEP, "ben");
    decide(other, CATALOGUE_REJECT, "ben");
    ck_assert(catalogue_accept(c, 3, true, "ben", &err));
    lose_catalogue();
    /* Another frame comes first, this one under another name and in another burst. */
    (void)put(c, "A1 other", "b.JPG", 1, 0);
    id = put(c, odd, "renamed.JPG", 9, 1);
    struct seen s = look(c, id);
    ck_assert_int_eq(s.decision, CATALOGUE_KEEP);
    ck_assert_str_eq(history(id, &h), "ann\nmarie:2 ben:1 ");
    ck_assert(!s.accepted); /* not ranked yet: nothing is proposed that could have been accepted */
    propose(c, id, "reject");
    ck_assert(look(c, id).accepted);
    /* The other one waits, over another opening too, and new decisions go on behind. */
    decide(id, CATALOGUE_UNDECIDED, "ben");
    catalogue_close(c);
    c = must_open(&place, CATALOGUE_WRITE);
    other = put(c, "A1 bb", "b.JPG", 3, 1);
    ck_assert_int_eq(look(c, other).decision, CATALOGUE_REJECT);
    ck_assert_int_eq(look(c, id).decision, CATALOGUE_UNDECIDED);
    lose_catalogue();
    id = put(c, odd, "renamed.JPG", 3, 1);
    ck_assert_str_eq(history(id, &h), "ann\nmarie:2 ben:1 ben:0 ");
}
END_TEST

START_TEST(a_lost_log_is_written_anew)
{
    struct history h;
    int64_t id = put(c, "A1 aa", "a.JPG", 3, 0);
    propose(c, id, "reject");
    decide(id, CATALOGUE_REJECT, "ann");
    decide(id, CATALOGUE_KEEP, "ben");
    ck_assert(catalogue_accept(c, 3, true, "ben", &err));
    lose("decisions.log");
    catalogue_close(c);
    c = must_open(&place, CATALOGUE_WRITE);
    lose_catalogue();
    id = put(c, "A1 aa", "a.JPG", 3, 0);
    propose(c, id, "reject");
    ck_assert_str_eq(history(id, &h), "ann:2 ben:1 ");
    ck_assert(look(c, id).accepted);
    /* While the catalogue is open it is found out by the next decision. */
    lose("decisions.log");
    decide(id, CATALOGUE_REJECT, "cid");
    lose_catalogue();
    id = put(c, "A1 aa", "a.JPG", 3, 0);
    ck_assert_str_eq(history(id, &h), "ann:2 ben:1 cid:2 ");
}
END_TEST

START_TEST(a_line_of_the_log_is_for_people)
{
    char bytes[256] = "";
    int64_t id = put(c, "A1 00ff", "a.JPG", 3, 0), at = 0;
    decide(id, CATALOGUE_KEEP, "ann");
    int fd = openat(place.root.state, "decisions.log", O_RDONLY);
    ck_assert_int_gt(read(fd, bytes, sizeof bytes - 1), 0);
    (void)close(fd);
    static const char start[] = "A1 00ff\tkeep\tann\t";
    ck_assert_msg(strncmp(bytes, start, strlen(start)) == 0, "%s", bytes);
    bytes[strlen(start) + 30] = '\0';
    ck_assert_msg(instant_parse(bytes + strlen(start), &at), "%s", bytes + strlen(start));
    ck_assert_int_gt(at, 1700000000000000000);
}
END_TEST

/* date(1) of coreutils 9.1: date -u -d @N +%FT%T.%NZ */
START_TEST(instants_are_rfc_3339)
{
    static const struct {
        int64_t ns;
        const char *text;
    } cases[] = {
        {0, "1970-01-01T00:00:00.000000000Z"},
        {951782400000000001, "2000-02-29T00:00:00.000000001Z"},
        {1798761599999999999, "2026-12-31T23:59:59.999999999Z"},
        {-1, "1969-12-31T23:59:59.999999999Z"},
        {-14182940000000000, "1969-07-20T20:17:40.000000000Z"},
    };
    static const char *const bad[] = {
        "",
        "2026-12-31",
        "2026-12-31T23:59:59Z",
        "2026-12-31 23:59:59.000000000Z",
        "2026-02-29T00:00:00.000000000Z",
        "2026-13-01T00:00:00.000000000Z",
        "2026-12-31T24:00:00.000000000Z",
        "2026-12-31T23:59:60.000000000Z",
        "9999-12-31T23:59:59.000000000Z",
        "2026-12-31T23:59:59.00000000 Z",
        "2026-12-31T23:59:59.000000000+",
        "-026-12-31T23:59:59.000000000Z",
    };
    char text[INSTANT_SIZE];
    int64_t ns = 0;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        ck_assert_str_eq(instant_text(cases[i].ns, text), cases[i].text);
        ck_assert(instant_parse(text, &ns) && ns == cases[i].ns);
    }
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        ck_assert_msg(!instant_parse(bad[i], &ns), "%s", bad[i]);
}
END_TEST

static void append(const char *identity, const char *word, const char *at)
{
    const char *const fields[] = {identity, word, "ann", at};
    ck_assert(textlog_append(&place.root, "decisions.log", fields, 4, &err));
}

START_TEST(the_log_may_be_ahead)
{
    struct history h;
    static const char at[] = "2031-05-04T06:07:08.000000009Z";
    int64_t id = put(c, "A1 aa", "a.JPG", 3, 0);
    decide(id, CATALOGUE_KEEP, "ann");
    catalogue_close(c);
    append("A1 aa", "reject", at); /* a run that was killed before its commit */
    append("A1 bb", "keep", at);
    /* A reader sees it, too. */
    c = must_open(&place, CATALOGUE_READ);
    ck_assert_int_eq(look(c, id).decision, CATALOGUE_REJECT);
    catalogue_close(c);
    /* Found by a writer that was open already: in order, each once. */
    c = must_open(&place, CATALOGUE_WRITE);
    append("A1 aa", "keep", at);
    decide(id, CATALOGUE_UNDECIDED, "ann");
    ck_assert_str_eq(history(id, &h), "ann:1 ann:2 ann:1 ann:0 ");
    ck_assert_int_eq(look(c, put(c, "A1 bb", "b.JPG", 3, 1)).decision, CATALOGUE_KEEP);
    catalogue_close(c);
    c = must_open(&place, CATALOGUE_WRITE);
    ck_assert_str_eq(history(id, &h), "ann:1 ann:2 ann:1 ann:0 ");
    ck_assert_int_eq(look(c, id).decision, CATALOGUE_UNDECIDED);
}
END_TEST

START_TEST(a_log_that_makes_no_sense_is_damaged)
{
    static const char at[] = "2031-05-04T06:07:08.000000009Z";
    static const char *const bad[][2] = {{"fly", at}, {"", at}, {"keep", "yesterday"}};
    int64_t id = put(c, "A1 aa", "a.JPG", 3, 0);
    for (size_t i = 0; i < 3; i++) {
        decide(id, CATALOGUE_KEEP, "ann");
        append("A1 aa", bad[i][0], bad[i][1]);
        ck_assert(!catalogue_decide(c, &id, 1, CATALOGUE_REJECT, "ann", &err));
        ck_assert_int_eq(err_exit_status(&err), 5);
        ck_assert_int_eq(look(c, id).decision, CATALOGUE_KEEP);
        struct err again = ERR_INIT;
        ck_assert_ptr_null(catalogue_open(&place.root, CATALOGUE_WRITE, &again));
        ck_assert_int_eq(err_exit_status(&again), 5);
        catalogue_close(must_open(&place, CATALOGUE_READ)); /* what the tables hold can be read */
        lose("decisions.log");
    }
    /* Checksums are looked at by a check even where the tables follow the log. */
    decide(id, CATALOGUE_KEEP, "ann");
    ck_assert(catalogue_check(c, NULL, &err));
    int fd = openat(place.root.state, "decisions.log", O_WRONLY);
    ck_assert_int_eq(pwrite(fd, "B", 1, 0), 1);
    (void)close(fd);
    ck_assert(!catalogue_check(c, NULL, &err));
    ck_assert_int_eq(err_exit_status(&err), 5);
    ck_assert_ptr_nonnull(strstr(err.message, "line 1 of '.chaffinch/decisions.log'"));
}
END_TEST

/* ---- crashes ----------------------------------------------------------------------------------------------
 */

static int calls_left; /* before the process dies, or calls begin to fail */
static bool fail_instead;

static bool time_is_up(void)
{
    if (calls_left-- > 0)
        return false;
    if (!fail_instead)
        _exit(9);
    errno = EIO;
    return true;
}

static ssize_t counted_write(void *context, int fd, const void *bytes, size_t size)
{
    /* Half a line on the disk, then the end. */
    if (calls_left == 0 && size > 1)
        (void)files_system()->write(context, fd, bytes, size / 2);
    return time_is_up() ? -1 : files_system()->write(context, fd, bytes, size);
}

static int counted_fsync(void *context, int fd)
{
    return time_is_up() ? -1 : files_system()->fsync(context, fd);
}

static int counted_openat(void *context, int dir, const char *name, int flags, mode_t mode)
{
    return time_is_up() ? -1 : files_system()->openat(context, dir, name, flags, mode);
}

static ssize_t sqlite_pwrite(int fd, const void *bytes, size_t size, off_t offset)
{
    return time_is_up() ? -1 : pwrite(fd, bytes, size, offset);
}

static int sqlite_unlink(const char *path)
{
    return time_is_up() ? -1 : unlink(path);
}

static int sqlite_ftruncate(int fd, off_t size)
{
    return time_is_up() ? -1 : ftruncate(fd, size);
}

static int sqlite_open(const char *path, int flags, int mode)
{
    return time_is_up() ? -1 : open(path, flags, mode);
}

static void set_call(const char *name, sqlite3_syscall_ptr call)
{
    sqlite3_vfs *vfs = sqlite3_vfs_find(NULL);
    ck_assert_int_eq(vfs->xSetSystemCall(vfs, name, call), SQLITE_OK);
}

/* The counted calls for a process that is about to be spoilt; `table` is the other half. */
static void count_calls(struct files *table)
{
    *table = *files_system();
    table->write = counted_write;
    table->fsync = counted_fsync;
    table->openat = counted_openat;
    set_call("pwrite", (sqlite3_syscall_ptr)sqlite_pwrite);
    set_call("pwrite64", (sqlite3_syscall_ptr)sqlite_pwrite);
    set_call("unlink", (sqlite3_syscall_ptr)sqlite_unlink);
    set_call("ftruncate", (sqlite3_syscall_ptr)sqlite_ftruncate);
    set_call("open", (sqlite3_syscall_ptr)sqlite_open);
}

/* In a child: decides with so many calls to live. 0 = done and told so, 1 = failed and told so, 9 = killed.
 */
static int decide_in_child(int64_t id, int calls, bool failing, enum catalogue_decision decision)
{
    static struct catalogue
        *own; /* reachable to the end: tools that look for leaks must not change the status */
    pid_t child = fork();
    ck_assert_int_ge(child, 0);
    if (child == 0) {
        struct files table;
        struct root root = place.root;
        own = catalogue_open(&root, CATALOGUE_WRITE, NULL);
        if (own == NULL)
            _exit(2);
        calls_left = calls;
        fail_instead = failing;
        count_calls(&table);
        root.fs = &table;
        bool ok = catalogue_decide(own, &id, 1, decision, "ann", NULL);
        _exit(ok ? 0 : 1);
    }
    int status = 0;
    ck_assert_int_eq(waitpid(child, &status, 0), child);
    ck_assert(WIFEXITED(status));
    ck_assert_int_ne(WEXITSTATUS(status), 2);
    return WEXITSTATUS(status);
}

/* What the log alone says of the frame. */
static enum catalogue_decision decision_of_log(void)
{
    struct place fresh;
    char command[256];
    place_make(&fresh);
    (void)snprintf(command, sizeof command, "cp '%s/.chaffinch/decisions.log' '%s/.chaffinch/'", place.path,
                   fresh.path);
    ck_assert_int_eq(system(command), 0);
    struct catalogue *other = must_open(&fresh, CATALOGUE_WRITE);
    enum catalogue_decision decision = look(other, put(other, "A1 aa", "a.JPG", 1, 0)).decision;
    catalogue_close(other);
    place_clean(&fresh);
    return decision;
}

/* Every call of a decision in turn is the last one, or the first that fails. Afterwards the decision is the
   old one or the new one, the same in log and tables; and the new one, if the command said so. */
static void spoil_every_call(bool failing)
{
    int64_t id = put(c, "A1 aa", "a.JPG", 1, 0);
    decide(id, CATALOGUE_REJECT, "ann");
    catalogue_close(c);
    c = NULL;
    enum catalogue_decision before = CATALOGUE_REJECT;
    int status = 1, calls;
    for (calls = 0; status != 0 && calls < 200; calls++) {
        enum catalogue_decision wanted = before == CATALOGUE_KEEP ? CATALOGUE_REJECT : CATALOGUE_KEEP;
        status = decide_in_child(id, calls, failing, wanted);
        ck_assert(status == 0 || status == (failing ? 1 : 9));
        struct catalogue *after = must_open(&place, CATALOGUE_READ);
        enum catalogue_decision now = look(after, id).decision;
        ck_assert_msg(catalogue_check(after, NULL, &err), "%s", err.message);
        catalogue_close(after);
        ck_assert_msg(now == before || now == wanted, "after %d calls", calls);
        ck_assert_msg(status != 0 || now == wanted, "after %d calls", calls);
        ck_assert_msg(decision_of_log() == now, "after %d calls", calls);
        before = now;
    }
    /* Open, write and sync of the log; journal, database pages and the end of the journal. */
    ck_assert_msg(status == 0 && calls > 8, "%d calls", calls);
}

START_TEST(killed_at_every_call)
{
    spoil_every_call(false);
}
END_TEST

START_TEST(failing_at_every_call)
{
    spoil_every_call(true);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("decisions");
    TCase *tc = tcase_create("decisions");
    tcase_set_timeout(tc, 120);
    tcase_add_checked_fixture(tc, setup, teardown);
    tcase_add_test(tc, a_decision_wins_and_ranking_again_leaves_it);
    tcase_add_test(tc, marks_made_in_the_camera_count_until_a_person_decides);
    tcase_add_test(tc, all_frames_or_none);
    tcase_add_test(tc, a_burst_that_was_accepted);
    tcase_add_test(tc, decisions_survive_a_lost_catalogue);
    tcase_add_test(tc, a_lost_log_is_written_anew);
    tcase_add_test(tc, a_line_of_the_log_is_for_people);
    tcase_add_test(tc, instants_are_rfc_3339);
    tcase_add_test(tc, the_log_may_be_ahead);
    tcase_add_test(tc, a_log_that_makes_no_sense_is_damaged);
    tcase_add_test(tc, killed_at_every_call);
    tcase_add_test(tc, failing_at_every_call);
    suite_add_tcase(suite, tc);
    return run_suite(suite);
}
