/*
 * systemd-inhibit holds a lock against sleep for as long as its command runs. The command is `cat` on a pipe
 * whose other end is ours: however we end, the pipe closes and the lock goes.
 */
#include "awake.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <spawn.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

extern char **environ;

static int spawn_holder(int read_end)
{
    char *const argv[] = {"systemd-inhibit",
                          "--what=sleep:idle",
                          "--who=chaffinch",
                          "--why=measuring and ranking pictures",
                          "cat",
                          NULL};
    posix_spawn_file_actions_t actions;
    pid_t pid = 0;
    if (posix_spawn_file_actions_init(&actions) != 0)
        return 0;
    (void)posix_spawn_file_actions_adddup2(&actions, read_end, STDIN_FILENO);
    (void)posix_spawn_file_actions_addopen(&actions, STDOUT_FILENO, "/dev/null", O_WRONLY, 0);
    (void)posix_spawn_file_actions_addopen(&actions, STDERR_FILENO, "/dev/null", O_WRONLY, 0);
    int failed = posix_spawnp(&pid, argv[0], &actions, NULL, argv, environ);
    (void)posix_spawn_file_actions_destroy(&actions);
    return failed == 0 ? pid : 0;
}

/* A system without a session manager answers at once with an error. */
static int still_runs(int pid)
{
    const struct timespec wait = {.tv_nsec = 300000000};
    (void)nanosleep(&wait, NULL);
    return waitpid(pid, NULL, WNOHANG) == 0;
}

void awake_start(struct awake *awake, struct log *log)
{
    int ends[2];
    *awake = (struct awake){.pipe = -1};
    if (pipe2(ends, O_CLOEXEC) == 0) {
        awake->pid = spawn_holder(ends[0]);
        awake->pipe = ends[1];
        (void)close(ends[0]);
    }
    if (awake->pid > 0 && still_runs(awake->pid))
        return;
    awake->pid = 0;
    log_line(
        log,
        "this system offers no way to keep the computer awake: see to it that it does not sleep meanwhile");
}

void awake_end(struct awake *awake)
{
    if (awake->pipe >= 0)
        (void)close(awake->pipe);
    if (awake->pid > 0)
        while (waitpid(awake->pid, NULL, 0) < 0 && errno == EINTR)
            continue;
    *awake = (struct awake){.pipe = -1};
}
