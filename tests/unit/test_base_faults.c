/* The base when the system fails: calls that are interrupted or do half of their work, full disks, failed
 * syncs, and a process that dies while it gives a file its name. */
#include <check.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "chaffinch/publish.h"
#include "chaffinch/root.h"
#include "chaffinch/str.h"

static char folder[64];
static struct root root;
static struct files table; /* what root.fs points to: the real calls, until a test spoils one */
static struct err err;

static void setup(void)
{
    err = (struct err)ERR_INIT;
    table = *files_system();
    strcpy(folder,
           access("/dev/shm", W_OK) == 0 ? "/dev/shm/chaffinch-base-XXXXXX" : "/tmp/chaffinch-base-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(folder));
    ck_assert_msg(root_open(&root, &table, folder, false, true, &err), "%s", err.message);
}

static void teardown(void)
{
    char command[128];
    root_close(&root);
    (void)snprintf(command, sizeof command, "rm -rf '%s'", folder);
    ck_assert_int_eq(system(command), 0);
}

static void make_file(const char *path, const char *text)
{
    int fd = openat(root.fd, path, O_CREAT | O_WRONLY | O_EXCL, 0666);
    ck_assert_int_ge(fd, 0);
    ck_assert_int_eq(write(fd, text, strlen(text)), (ssize_t)strlen(text));
    (void)close(fd);
}

/* The file's bytes, "none" where there is no such file. */
static const char *content(const char *path)
{
    static char bytes[64];
    int fd = openat(root.fd, path, O_RDONLY);
    if (fd < 0)
        return "none";
    ssize_t n = read(fd, bytes, sizeof bytes - 1);
    ck_assert_int_ge(n, 0);
    bytes[n] = '\0';
    (void)close(fd);
    return bytes;
}

/* ---- reading and writing ----------------------------------------------------------------------------------
 */

static int interruptions; /* before a call does anything */
static int calls;

static ssize_t slow_read(void *context, int fd, void *bytes, size_t size)
{
    if (interruptions-- > 0) {
        errno = EINTR;
        return -1;
    }
    interruptions = 1;
    return files_system()->read(context, fd, bytes, size > 3 ? 3 : size);
}

static ssize_t slow_write(void *context, int fd, const void *bytes, size_t size)
{
    if (interruptions-- > 0) {
        errno = EINTR;
        return -1;
    }
    interruptions = 1;
    return files_system()->write(context, fd, bytes, size > 3 ? 3 : size);
}

static int interrupted_fsync(void *context, int fd)
{
    calls++;
    if (interruptions-- > 0) {
        errno = EINTR;
        return -1;
    }
    return files_system()->fsync(context, fd);
}

static int failing_fsync(void *context, int fd)
{
    (void)context;
    (void)fd;
    calls++;
    errno = EIO;
    return -1;
}

START_TEST(half_done_calls_are_done_again)
{
    static const char text[] = "swallows skim the pond";
    char got[64];
    size_t n = 0;
    table.read = slow_read;
    table.write = slow_write;
    int fd = openat(root.fd, "a", O_CREAT | O_RDWR, 0666);
    ck_assert(files_write_full(&table, fd, text, sizeof text, "a", &err));
    ck_assert_int_eq(lseek(fd, 0, SEEK_SET), 0);
    ck_assert(files_read_full(&table, fd, got, sizeof got, &n, "a", &err));
    ck_assert_uint_eq(n, sizeof text);
    ck_assert_str_eq(got, text);
    ck_assert(files_close(&table, fd, "a", &err));
    ck_assert(files_close(&table, -1, "none", &err));
}
END_TEST

/* fsync(2), "BUGS" and the PostgreSQL analysis of 2018 (from memory): after a failure the kernel may have
   dropped the data and call the next sync a success. */
START_TEST(a_failed_sync_is_not_tried_again)
{
    int fd = openat(root.fd, "a", O_CREAT | O_RDWR, 0666);
    table.fsync = failing_fsync;
    calls = 0;
    ck_assert(!files_sync(&table, fd, "a", &err));
    ck_assert_int_eq(calls, 1);
    ck_assert_int_eq(err_exit_status(&err), 4);
    table.fsync = interrupted_fsync;
    calls = 0;
    interruptions = 2;
    ck_assert(files_sync(&table, fd, "a", &err));
    ck_assert_int_eq(calls, 3);
    (void)close(fd);
}
END_TEST

static size_t room_left;

static ssize_t full_write(void *context, int fd, const void *bytes, size_t size)
{
    if (room_left == 0) {
        errno = ENOSPC;
        return -1;
    }
    size_t n = size < room_left ? size : room_left;
    room_left -= n;
    return files_system()->write(context, fd, bytes, n);
}

START_TEST(a_full_disk_keeps_the_old_file)
{
    ck_assert(publish_replace(&root, "list", "old", 3, &err));
    table.write = full_write;
    for (size_t room = 0; room < 8; room++) {
        room_left = room;
        ck_assert(!publish_replace(&root, "list", "new text", 8, &err));
        ck_assert_int_eq(err.code, ERR_NO_SPACE);
        ck_assert_ptr_nonnull(strstr(err.message, "free some space"));
        ck_assert_str_eq(content(".chaffinch/list"), "old");
        ck_assert_str_eq(content(".chaffinch/list.new"), "none");
    }
    room_left = 8;
    ck_assert(publish_replace(&root, "list", "new text", 8, &err));
    ck_assert_str_eq(content(".chaffinch/list"), "new text");
    room_left = 2;
    char path[96];
    (void)snprintf(path, sizeof path, "%s/out.csv", folder);
    ck_assert(!publish_user_file(&table, path, "text", 4, &err));
    ck_assert_str_eq(content("out.csv"), "none");
}
END_TEST

/* ---- giving a file its name -------------------------------------------------------------------------------
 */

static int calls_left;
static bool dying; /* else the call fails */
static int way;    /* 0: rename without replacing works, 1: only links do, 2: neither (FAT) */

static bool time_is_up(void)
{
    if (calls_left-- > 0)
        return false;
    if (dying)
        _exit(9);
    errno = EIO;
    return true;
}

static int counted_openat(void *context, int dir, const char *name, int flags, mode_t mode)
{
    if ((flags & O_CREAT) != 0 && time_is_up())
        return -1;
    return files_system()->openat(context, dir, name, flags, mode);
}

static ssize_t counted_write(void *context, int fd, const void *bytes, size_t size)
{
    return time_is_up() ? -1 : files_system()->write(context, fd, bytes, size);
}

static int counted_fsync(void *context, int fd)
{
    return time_is_up() ? -1 : files_system()->fsync(context, fd);
}

static int counted_unlinkat(void *context, int dir, const char *name, int flags)
{
    return time_is_up() ? -1 : files_system()->unlinkat(context, dir, name, flags);
}

static int counted_renameat2(void *context, int dir, const char *name, int to_dir, const char *to_name,
                             unsigned flags)
{
    if (way > 0 && flags != 0) {
        errno = EINVAL; /* rename(2): the file system does not support this flag */
        return -1;
    }
    return time_is_up() ? -1 : files_system()->renameat2(context, dir, name, to_dir, to_name, flags);
}

static int counted_linkat(void *context, int dir, const char *name, int to_dir, const char *to_name)
{
    if (way > 1) {
        errno = EPERM; /* link(2): the file system does not support hard links */
        return -1;
    }
    return time_is_up() ? -1 : files_system()->linkat(context, dir, name, to_dir, to_name);
}

static void spoil(int n, bool die)
{
    calls_left = n;
    dying = die;
    table.openat = counted_openat;
    table.write = counted_write;
    table.fsync = counted_fsync;
    table.unlinkat = counted_unlinkat;
    table.renameat2 = counted_renameat2;
    table.linkat = counted_linkat;
}

/* Publishes with so many calls to go. 0 = done, 1 = failed, 9 = died. */
static int publish_spoilt(int n, bool die)
{
    int status = 0;
    pid_t child = die ? fork() : 0;
    ck_assert_int_ge(child, 0);
    if (die && child > 0) {
        ck_assert_int_eq(waitpid(child, &status, 0), child);
        ck_assert(WIFEXITED(status));
        return WEXITSTATUS(status);
    }
    spoil(n, die);
    bool ok = publish_new(&root, "incoming/1", root.fd, "x.jpg", "x.jpg", &err);
    table = *files_system();
    if (die)
        _exit(ok ? 0 : 1);
    return ok ? 0 : 1;
}

/* A temp that waits, and under its name nothing or a file of somebody else. */
static void prepare(const char *theirs)
{
    (void)unlinkat(root.fd, "x.jpg", 0);
    int fd = publish_temp(&root, "incoming/1", &err);
    ck_assert_msg(fd >= 0, "%s", err.message);
    ck_assert_int_eq(write(fd, "ours", 4), 4);
    (void)close(fd);
    if (theirs != NULL)
        make_file("x.jpg", theirs);
}

static void check_names(const char *theirs, int status, int n)
{
    char temp[64], named[64];
    ck_assert_msg(publish_recover(&root, &err), "%s", err.message);
    strcpy(temp, content(".chaffinch/incoming/1"));
    strcpy(named, content("x.jpg"));
    ck_assert_str_eq(content(".chaffinch/reserved"), "none");
    if (theirs != NULL) {
        ck_assert_msg(strcmp(named, theirs) == 0, "way %d, %d calls: '%s' became '%s'", way, n, theirs,
                      named);
        ck_assert_str_eq(temp, "ours");
        ck_assert_int_ne(status, 0);
    } else if (strcmp(named, "none") == 0) {
        ck_assert_str_eq(temp, "ours");
        ck_assert_int_ne(status, 0);
    } else
        ck_assert_msg(strcmp(named, "ours") == 0, "way %d, %d calls: '%s'", way, n, named);
}

/* Every call of publish_new in turn fails, or is the last of the process. The bytes are there under the
   temp's name or the new one, and what somebody else has is as it was, an empty file too. */
START_TEST(publishing_when_every_call_fails_or_is_the_last)
{
    static const char *const theirs[] = {NULL, "theirs", ""};
    int done = 0;
    for (int i = 0; i < 3 * 3 * 2; i++) {
        way = i % 3;
        const char *other = theirs[i / 3 % 3];
        bool die = i >= 9;
        int status = 9;
        for (int n = 0; n < 40; n++) {
            prepare(other);
            status = publish_spoilt(n, die);
            check_names(other, status, n);
            done += status == 0;
            if (status == 0 || (die && status != 9))
                break;
        }
        ck_assert_msg(status == (other == NULL ? 0 : 1), "way %d ends with %d", way, status);
    }
    ck_assert_int_eq(done, 6);
}
END_TEST

START_TEST(a_temp_that_a_crash_left_is_made_anew)
{
    int fd = publish_temp(&root, "incoming/1", &err);
    ck_assert_int_eq(write(fd, "stale", 5), 5);
    (void)close(fd);
    fd = publish_temp(&root, "incoming/1", &err);
    ck_assert_msg(fd >= 0, "%s", err.message);
    ck_assert_int_eq(write(fd, "x", 1), 1);
    (void)close(fd);
    ck_assert_str_eq(content(".chaffinch/incoming/1"), "x");
    ck_assert(publish_drop(&root, "incoming/1", &err) && publish_drop(&root, "incoming/1", &err));
    ck_assert(publish_drop(&root, "no/such/folder", &err));
    ck_assert_str_eq(content(".chaffinch/incoming/1"), "none");
    /* Never outside of .chaffinch/. */
    make_file("a.jpg", "a");
    ck_assert(!publish_drop(&root, "../a.jpg", &err));
    ck_assert_int_lt(publish_temp(&root, "../a.jpg", &err), 0);
    ck_assert(!publish_replace(&root, "../a.jpg", "b", 1, &err));
    ck_assert_str_eq(content("a.jpg"), "a");
    /* Nor through a link that stands in it. */
    ck_assert_int_eq(symlinkat("..", root.state, "way-out"), 0);
    ck_assert(!publish_drop(&root, "way-out/a.jpg", &err));
    ck_assert(!publish_replace(&root, "way-out/a.jpg", "b", 1, &err));
    ck_assert_str_eq(content("a.jpg"), "a");
}
END_TEST

/* ---- messages ---------------------------------------------------------------------------------------------
 */

START_TEST(error_numbers_have_codes_and_advice)
{
    static const struct {
        int number;
        enum err_code code;
        const char *words;
        int status;
    } cases[] = {
        {ENOSPC, ERR_NO_SPACE, "no space left on device (free some space", 4},
        {EDQUOT, ERR_NO_SPACE, "(free some space", 4},
        {ENOENT, ERR_NOT_FOUND, "no such file or directory", 4},
        {EEXIST, ERR_EXISTS, "file exists", 3},
        {ENOMEM, ERR_NOMEM, "cannot allocate memory", 4},
        {EROFS, ERR_IO, "read-only file system (choose a place", 4},
        {EACCES, ERR_IO, "permission denied (check the permissions)", 4},
        {EIO, ERR_IO, "input/output error", 4},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        errno = cases[i].number;
        ck_assert(!err_sys(&err, "open", "a.jpg"));
        ck_assert_int_eq(errno, cases[i].number);
        ck_assert_int_eq(err.sys, cases[i].number);
        ck_assert_int_eq(err.code, cases[i].code);
        ck_assert_int_eq(err_exit_status(&err), cases[i].status);
        ck_assert_msg(strstr(err.message, cases[i].words) != NULL, "%s", err.message);
    }
    ck_assert(!err_sys(NULL, "open", "a.jpg") && !err_set(NULL, ERR_IO, "x") && !err_wrap(NULL, "x"));
    /* Long names are cut, and no message is longer than its room. */
    char name[3000];
    memset(name, '\n', sizeof name - 1);
    name[sizeof name - 1] = '\0';
    ck_assert(!err_sys(&err, "open", name));
    for (int i = 0; i < 10; i++)
        err_wrap(&err, "a frame of a burst of a session of %d frames that has a long name", i);
    ck_assert_uint_lt(strlen(err.message), sizeof err.message);
    ck_assert_ptr_null(strchr(err.message, '\n'));
}
END_TEST

START_TEST(no_name_tears_a_message)
{
    static const char odd[] = "a\n\x1b[31m/b";
    char *bytes;
    size_t size;
    ck_assert_int_eq(mkdirat(root.fd, "a\n\x1b[31m", 0777), 0);
    make_file("a\n\x1b[31m/b", "text");
    ck_assert(!files_read_all(&table, root.fd, odd, 2, &bytes, &size, &err));
    ck_assert_ptr_null(strchr(err.message, '\n'));
    ck_assert_ptr_null(strchr(err.message, '\x1b'));
    ck_assert_int_lt(files_open_path(&table, root.fd, "a\n\x1b[31m/b/c", NULL, &err), 0);
    ck_assert_msg(strstr(err.message, "not a folder") != NULL, "%s", err.message);
    ck_assert_ptr_null(strchr(err.message, '\n'));
    struct root inner = ROOT_INIT, second = ROOT_INIT;
    char path[96];
    (void)snprintf(path, sizeof path, "%s/a\n\x1b[31m/", folder);
    ck_assert(root_open(&inner, &table, path, false, true, &err) && root_lock(&inner, &err));
    ck_assert(root_open(&second, &table, path, false, true, &err) && !root_lock(&second, &err));
    ck_assert_int_eq(err_exit_status(&err), 3);
    ck_assert_ptr_null(strchr(err.message, '\n'));
    root_close(&inner);
    ck_assert(root_lock(&second, &err)); /* the lock went with its holder */
    root_close(&second);
}
END_TEST

START_TEST(strings_are_taken_and_cleared)
{
    struct str s = STR_INIT;
    char *taken = str_take(&s, &err);
    ck_assert_str_eq(taken, ""); /* never NULL, even when nothing was added */
    free(taken);
    str_printf(&s, "%s-%d", "a", 7);
    str_clear(&s);
    ck_assert(s.size == 0 && s.room > 0);
    s.limit = 4;
    str_append(&s, "four");
    ck_assert(str_ok(&s, &err));
    str_append(&s, "5");
    ck_assert(!str_ok(&s, &err) && strcmp(s.bytes, "four") == 0);
    str_clear(&s);
    ck_assert(str_ok(&s, &err));
    str_release(&s);
    ck_assert_ptr_null(s.bytes);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("base_faults");
    TCase *tc = tcase_create("faults");
    tcase_set_timeout(tc, 30);
    tcase_add_checked_fixture(tc, setup, teardown);
    tcase_add_test(tc, half_done_calls_are_done_again);
    tcase_add_test(tc, a_failed_sync_is_not_tried_again);
    tcase_add_test(tc, a_full_disk_keeps_the_old_file);
    tcase_add_test(tc, publishing_when_every_call_fails_or_is_the_last);
    tcase_add_test(tc, a_temp_that_a_crash_left_is_made_anew);
    tcase_add_test(tc, error_numbers_have_codes_and_advice);
    tcase_add_test(tc, no_name_tears_a_message);
    tcase_add_test(tc, strings_are_taken_and_cleared);
    suite_add_tcase(suite, tc);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
