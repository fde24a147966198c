/*
 * The kill test: runs the real chaffinch-apply under ptrace and kills it with SIGKILL at system call 1, 2, 3
 * ... until a run passes untouched; for --move, --undo, --delete-rejects, and a move to another file system.
 *
 * After each kill every byte of every file must be where it may be (apply_session.h); then the same command
 * runs again and must complete, and an undo must give back bytes, names and times, those of the folders too.
 *
 * Between two system calls that change something on the disk, all kills leave the same disk. So by default
 * the program is killed once behind each call that changes something (and once before the first); with
 * CHAFFINCH_LONG=1 at the entry and at the exit of every system call there is.
 *
 *     kill_apply OUT           run the test on OUT/chaffinch-apply
 *     kill_apply --make DIR    only make the session (for the command line tests)
 */
#include <signal.h>
#include <stdint.h>
#include <sys/ptrace.h>
#include <sys/syscall.h>
#include <sys/wait.h>

#include "apply_session.h"

#ifndef PTRACE_GET_SYSCALL_INFO /* Linux 5.3; sys/ptrace.h of glibc has it, with the structure */
#error "this test needs PTRACE_GET_SYSCALL_INFO"
#endif

enum { MAX_ARGS = 8 };

struct bench {
    const char *program;
    char *work;    /* everything of the test lies here */
    char *fresh;   /* a session as it is made; copied for each kill */
    char *session; /* the copy */
    char *far;     /* a folder on another device, NULL = there is none */
    bool every;    /* each call, entry and exit */
};

/* ---- running ------------------------------------------------------------------------------------------- */

static void be_quiet(void)
{
    int null = open("/dev/null", O_RDWR | O_CLOEXEC);
    (void)dup2(null, STDOUT_FILENO);
    (void)dup2(null, STDERR_FILENO);
}

/* Calls after which the disk can differ from before. */
static bool changes_disk(uint64_t call)
{
    static const long calls[] = {
        SYS_write,   SYS_pwrite64,  SYS_fsync,  SYS_fdatasync, SYS_renameat2, SYS_linkat,    SYS_unlinkat,
        SYS_mkdirat, SYS_utimensat, SYS_fchmod, SYS_openat,    SYS_ftruncate, SYS_fallocate,
#ifdef SYS_unlink
        SYS_unlink,  SYS_rename,    SYS_mkdir,  SYS_open,      SYS_link,
#endif
    };
    for (size_t i = 0; i < sizeof calls / sizeof calls[0]; i++)
        if ((uint64_t)calls[i] == call)
            return true;
    return false;
}

/* Only an openat that may create a file counts as a change; it is told by its flags (third argument). */
static bool counts(const struct bench *b, const struct __ptrace_syscall_info *info)
{
    if (b->every)
        return true;
    return changes_disk(info->entry.nr) &&
           (info->entry.nr != SYS_openat || (info->entry.args[2] & O_CREAT) != 0);
}

/* Runs until the wanted stop and kills there. Returns the exit status, -1 = killed, -2 = it died otherwise.
 */
static int trace(const struct bench *b, pid_t child, long wanted)
{
    int status;
    long stops = 0;
    bool counted = false;
    if (waitpid(child, &status, 0) != child || !WIFSTOPPED(status))
        return -2;
    (void)ptrace(PTRACE_SETOPTIONS, child, NULL, PTRACE_O_TRACESYSGOOD | PTRACE_O_EXITKILL);
    if (wanted == 0)
        (void)kill(child, SIGKILL);
    for (;;) {
        struct __ptrace_syscall_info info = {0};
        if (ptrace(PTRACE_SYSCALL, child, NULL, NULL) != 0 && errno != ESRCH)
            return -2;
        if (waitpid(child, &status, 0) != child)
            return -2;
        if (WIFEXITED(status))
            return WEXITSTATUS(status);
        if (WIFSIGNALED(status))
            return WTERMSIG(status) == SIGKILL ? -1 : -2;
        if (!WIFSTOPPED(status) || WSTOPSIG(status) != (SIGTRAP | 0x80))
            continue;
        (void)ptrace(PTRACE_GET_SYSCALL_INFO, child, sizeof info, &info);
        if (info.op == PTRACE_SYSCALL_INFO_ENTRY) {
            counted = counts(b, &info);
            stops += b->every;
        } else if (counted)
            stops++;
        if (stops >= wanted && (info.op != PTRACE_SYSCALL_INFO_ENTRY || b->every))
            (void)kill(child, SIGKILL);
    }
}

static int run(const struct bench *b, const char *const *args, long kill_at)
{
    const char *argv[MAX_ARGS + 3] = {b->program, b->session};
    int status;
    for (int i = 0; i < MAX_ARGS && args[i] != NULL; i++)
        argv[i + 2] = args[i];
    pid_t child = fork();
    if (child == 0) {
        be_quiet();
        if (kill_at >= 0)
            (void)ptrace(PTRACE_TRACEME, 0, NULL, NULL);
        (void)execv(b->program, (char *const *)argv);
        _exit(127);
    }
    if (child < 0)
        return -2;
    if (kill_at >= 0)
        return trace(b, child, kill_at);
    return waitpid(child, &status, 0) == child && WIFEXITED(status) ? WEXITSTATUS(status) : -2;
}

static bool expect(const struct bench *b, const char *const *args, int wanted)
{
    int got = run(b, args, -1);
    if (got == wanted)
        return true;
    fprintf(stderr, "  chaffinch-apply %s ended with %d, not %d\n", args[0] != NULL ? args[0] : "", got,
            wanted);
    return false;
}

/* ---- what must hold ------------------------------------------------------------------------------------ */

static const char *const plan_args[] = {NULL};
static const char *const move_args[] = {"--move", NULL};
static const char *const undo_args[] = {"--undo", NULL};
static const char *const delete_args[] = {"--delete-rejects", "--unseen", "--confirm", "12", NULL};

static bool check(const struct bench *b, const char *rejects, enum session_state state, bool two)
{
    const struct session_look look = {b->session, rejects, state, two, false};
    return session_check(&look);
}

/* A resumed run keeps its number: there is no second log. */
static bool one_log(const struct bench *b)
{
    char *second = session_path(b->session, ".chaffinch/runs/0002.log");
    bool one = access(second, F_OK) != 0;
    if (!one)
        fprintf(stderr, "  the resumed run got a new number\n");
    free(second);
    return one;
}

static bool after_move(const struct bench *b, const char *const *args, const char *rejects, bool two)
{
    return check(b, rejects, SESSION_BETWEEN, two) && expect(b, plan_args, 0) && expect(b, args, 0) &&
           check(b, rejects, SESSION_MOVED, false) && one_log(b) && expect(b, undo_args, 0) &&
           check(b, rejects, SESSION_HOME, false);
}

/* Instead of resuming, the person takes it back at once. */
static bool after_move_undo(const struct bench *b, const char *rejects, bool two)
{
    return check(b, rejects, SESSION_BETWEEN, two) && expect(b, undo_args, 0) &&
           check(b, rejects, SESSION_HOME, false);
}

static bool after_undo(const struct bench *b, const char *rejects, bool two)
{
    return check(b, rejects, SESSION_BETWEEN, two) && expect(b, undo_args, 0) &&
           check(b, rejects, SESSION_HOME, false) && expect(b, plan_args, 0) && expect(b, move_args, 0) &&
           check(b, "rejects", SESSION_MOVED, false);
}

/* The number that the plan prints last. */
static int planned_count(const struct bench *b)
{
    char *command =
        str_make(NULL, "'%s' '%s' --delete-rejects --unseen 2>/dev/null | tail -n 1", b->program, b->session);
    int count = -1;
    FILE *pipe = command != NULL ? popen(command, "r") : NULL;
    if (pipe == NULL || fscanf(pipe, "delete: %d files", &count) != 1)
        count = -1;
    if (pipe != NULL)
        (void)pclose(pipe);
    free(command);
    return count;
}

/* The same command again goes on with what was confirmed; or a new plan is looked at and confirmed. */
static bool after_delete(const struct bench *b, bool same_command)
{
    char number[16];
    const char *const again[] = {"--delete-rejects", "--unseen", "--confirm", number, NULL};
    if (!check(b, "rejects", SESSION_GOING, false))
        return false;
    int count = planned_count(b);
    if (count < 0)
        return session_wrong("the plan says no number", b->session);
    (void)snprintf(number, sizeof number, "%d", same_command && count > 0 ? 12 : count);
    return (same_command || expect(b, move_args, 0)) && expect(b, again, 0) &&
           check(b, "rejects", SESSION_DELETED, false) && expect(b, undo_args, 3);
}

/* ---- the operations ------------------------------------------------------------------------------------ */

enum operation { MOVE, MOVE_THEN_UNDO, UNDO, DELETE, DELETE_ANEW, FAR_MOVE, FAR_UNDO, OPERATIONS };

static const char *const titles[OPERATIONS] = {
    [MOVE] = "--move, then --move",
    [MOVE_THEN_UNDO] = "--move, then --undo",
    [UNDO] = "--undo, then --undo",
    [DELETE] = "--delete-rejects, then the same",
    [DELETE_ANEW] = "--delete-rejects, then a new plan",
    [FAR_MOVE] = "--move to another device",
    [FAR_UNDO] = "--undo from another device",
};

struct task {
    const struct bench *b;
    enum operation operation;
    const char *const *first;  /* before the kill; NULL = nothing */
    const char *const *killed; /* what is killed */
};

static bool verify(const struct task *t, const char *const *far_args)
{
    const struct bench *b = t->b;
    switch (t->operation) {
    case MOVE:
        return after_move(b, move_args, "rejects", false);
    case MOVE_THEN_UNDO:
        return after_move_undo(b, "rejects", false);
    case UNDO:
        return after_undo(b, "rejects", false);
    case DELETE:
        return after_delete(b, true);
    case DELETE_ANEW:
        return after_delete(b, false);
    case FAR_MOVE:
        return after_move(b, far_args, b->far, true);
    case FAR_UNDO:
        return after_undo(b, b->far, true);
    case OPERATIONS:
        break;
    }
    return false;
}

/* Returns the number of kills, -1 when something did not hold. */
static long torture(const struct bench *b, enum operation operation)
{
    const char *const far_args[] = {"--move", "--to", b->far, NULL};
    bool far = operation == FAR_MOVE || operation == FAR_UNDO;
    const char *const *move = far ? far_args : move_args;
    bool moves = operation == MOVE || operation == MOVE_THEN_UNDO || operation == FAR_MOVE;
    const struct task task = {b, operation, moves ? NULL : move,
                              moves                                        ? move
                              : operation == UNDO || operation == FAR_UNDO ? undo_args
                                                                           : delete_args};
    for (long n = 0;; n++) {
        if (far)
            session_remove(b->far);
        if (!session_make_like(b->fresh, b->session) || (task.first != NULL && !expect(b, task.first, 0)))
            return -1;
        int status = run(b, task.killed, n);
        if (status == 0)
            return n;
        if (status != -1 || !verify(&task, far_args)) {
            fprintf(stderr, "kill_apply: %s, killed at stop %ld: FAILED (status %d); kept in %s\n",
                    titles[operation], n, status, b->session);
            return -1;
        }
    }
}

/* ---- set-up -------------------------------------------------------------------------------------------- */

static char *make_folder(const char *parent)
{
    char *name = str_make(NULL, "%s/chaffinch-kill-XXXXXX", parent);
    if (name != NULL && mkdtemp(name) != NULL)
        return name;
    free(name);
    return NULL;
}

static bool other_device(const char *a, const char *b)
{
    struct stat x, y;
    return stat(a, &x) == 0 && stat(b, &y) == 0 && x.st_dev != y.st_dev;
}

static bool set_up(struct bench *b, const char *parent)
{
    b->work = make_folder(parent);
    if (b->work == NULL)
        return session_wrong("cannot make a folder in", parent);
    b->fresh = session_path(b->work, "fresh");
    b->session = session_path(b->work, "session");
    return session_make(b->fresh);
}

static void tear_down(struct bench *b, bool keep)
{
    if (b->work != NULL && !keep)
        session_remove(b->work);
    if (b->far != NULL && !keep)
        session_remove(b->far);
    free(b->work);
    free(b->fresh);
    free(b->session);
    b->work = b->fresh = b->session = NULL;
}

static bool run_all(struct bench *b, int first, int last)
{
    for (int i = first; i <= last; i++) {
        long kills = torture(b, (enum operation)i);
        if (kills < 0)
            return false;
        printf("kill: %-34s %5ld kills, all bytes safe after each, all completed after each\n", titles[i],
               kills);
        fflush(stdout);
    }
    return true;
}

static bool can_trace(const struct bench *b)
{
    return session_make_like(b->fresh, b->session) && run(b, plan_args, 1) == -1;
}

static int test(const char *out)
{
    const char *shm = access("/dev/shm", W_OK) == 0 ? "/dev/shm" : NULL;
    const char *tmp = getenv("TMPDIR") != NULL ? getenv("TMPDIR") : "/tmp";
    struct bench b = {.every = getenv("CHAFFINCH_LONG") != NULL};
    char *program = str_make(NULL, "%s/chaffinch-apply", out);
    b.program = program;
    bool ok = program != NULL && set_up(&b, shm != NULL ? shm : tmp);
    if (ok && !can_trace(&b)) {
        puts("kill: skipped: this system does not let a test trace its child");
        tear_down(&b, false);
        free(program);
        return 0;
    }
    printf("kill: %s\n", b.every ? "at the entry and at the exit of every system call"
                                 : "behind every system call that changes the disk (every call there is: "
                                   "CHAFFINCH_LONG=1)");
    ok = ok && run_all(&b, MOVE, DELETE_ANEW);
    tear_down(&b, !ok);
    if (ok && (shm == NULL || !other_device(shm, tmp)))
        printf("kill: skipped: %s and /dev/shm are one device, so no move crosses devices\n", tmp);
    else if (ok) {
        b.far = str_make(NULL, "%s/chaffinch-kill-far-%ld", shm, (long)getpid());
        ok = b.far != NULL && set_up(&b, tmp) && run_all(&b, FAR_MOVE, FAR_UNDO);
        tear_down(&b, !ok);
        free(b.far);
    }
    free(program);
    return !ok;
}

int main(int argc, char **argv)
{
    if (argc == 3 && strcmp(argv[1], "--make") == 0)
        return !session_make(argv[2]);
    if (argc != 2) {
        fprintf(stderr, "usage: %s OUT | --make DIR\n", argv[0]);
        return 2;
    }
    return test(argv[1]);
}
