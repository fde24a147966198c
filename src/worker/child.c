/*
 * child.c - the spawner and the workers.
 *
 * The spawner does nothing but fork: it was forked itself before the program had threads, a database or
 * secrets, so its copies are small and clean. Worker number i has a socket of its own to the parent.
 */
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "child.h"

void child_die_with(pid_t parent)
{
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    if (getppid() != parent) /* it died before the call above */
        _exit(0);
}

/* Closes all that was inherited but `keep` (3 or more) and the standard three. */
static void keep_only(int keep)
{
    if (keep > 3)
        close_range(3, (unsigned)keep - 1, 0);
    close_range((unsigned)keep + 1, ~0u, 0);
}

/* Parsers print; what they print is not for the user. Sanitizers need their standard error. */
static void silence(void)
{
    int null = open("/dev/null", O_RDWR | O_CLOEXEC);
    if (null < 0)
        return;
    dup2(null, STDIN_FILENO);
    dup2(null, STDOUT_FILENO);
#ifndef CHAFFINCH_SANITIZED
    dup2(null, STDERR_FILENO);
#endif
    if (null > STDERR_FILENO)
        close(null);
}

/* A parser that asks for the local time must not have to open the zone's file behind the filter. */
static void load_time_zone(void)
{
    setenv("TZ", ":/etc/localtime", 0);
    tzset();
}

static bool send_reply(int fd, const struct worker_config *config, struct worker_reply *reply)
{
    if (!reply->ok && strstr(reply->cause, "out of memory") != NULL) {
        char memory[32];
        limits_describe_memory(memory, sizeof memory, config->memory_bytes);
        snprintf(reply->cause, sizeof reply->cause, "needed more than %s of memory", memory);
    }
    struct wire_header header = {.what = reply->ok ? WIRE_ANSWER : WIRE_FAILED};
    const void *bytes = reply->ok ? (const void *)reply->bytes : reply->cause;
    header.size = reply->ok ? reply->size : strnlen(reply->cause, sizeof reply->cause);
    bool sent = wire_send(fd, &header, bytes, NULL, 0);
    free(reply->bytes);
    return sent;
}

/* One job; false when the parent is gone. */
static bool serve(int fd, const struct worker_config *config)
{
    struct wire_header job;
    struct worker_reply reply = {0};
    int fds[WORKER_MAX_FDS];
    size_t n_fds = 0;
    uint8_t *request = NULL;
    bool ok =
        wire_receive_header(fd, &job, fds, &n_fds) && job.what == WIRE_JOB && job.size <= WIRE_REQUEST_MAX;
    if (!ok)
        goto out;
    request = malloc(job.size + 1);
    ok = request != NULL && wire_receive(fd, request, job.size);
    if (!ok)
        goto out;
    limits_allow_job(config->wall_s);
    config->handler(job.kind, request, job.size, fds, n_fds, &reply);
    ok = send_reply(fd, config, &reply);
out:
    free(request);
    wire_close_all(fds, &n_fds);
    return ok;
}

void child_run(int fd, const struct worker_config *config, pid_t spawner)
{
    child_die_with(spawner);
    prctl(PR_SET_NAME, "chaffinch-work");
    keep_only(fd);
    silence();
    load_time_zone();
    const struct wire_header hello = {.what = WIRE_HELLO, .kind = limits_apply(config)};
    if (wire_send(fd, &hello, NULL, NULL, 0))
        while (serve(fd, config))
            continue;
    _exit(0);
}

/* Ends the worker, if it has not ended by itself, and learns how it ended. */
static void end_worker(pid_t pid, struct wire_started *started)
{
    struct rusage used = {0};
    int status = 0;
    started->status = -1;
    if (pid <= 0)
        return;
    kill(pid, SIGKILL);
    while (wait4(pid, &status, 0, &used) < 0)
        if (errno != EINTR)
            return;
    started->status = status;
    started->peak_bytes = (uint64_t)used.ru_maxrss * 1024;
}

/* Forks a worker; *fd is the parent's end of its socket. 0 when it could not be started, with errno. */
static pid_t start_worker(const struct worker_config *config, int *fd)
{
    int pair[2];
    if (!wire_pair(pair))
        return 0;
    pid_t self = getpid(), pid = fork();
    if (pid == 0)
        child_run(pair[1], config, self);
    close(pair[1]);
    if (pid < 0) {
        int saved = errno;
        close(pair[0]);
        errno = saved;
        return 0;
    }
    *fd = pair[0];
    return pid;
}

static bool replace(int control, const struct worker_config *config, pid_t *pid)
{
    struct wire_started started = {0};
    const struct wire_header header = {.what = WIRE_STARTED, .size = sizeof started};
    int fd = -1;
    end_worker(*pid, &started);
    *pid = start_worker(config, &fd);
    if (*pid == 0)
        started.failed = errno;
    bool sent = wire_send(control, &header, &started, &fd, *pid == 0 ? 0 : 1);
    if (fd >= 0)
        close(fd);
    return sent;
}

void spawner_run(int control, const struct worker_config *config, pid_t parent)
{
    child_die_with(parent);
    prctl(PR_SET_NAME, "chaffinch-spawn");
    keep_only(control);
    /* Ctrl-C is for the parent, which finishes what it must and then closes the socket. */
    signal(SIGINT, SIG_IGN);
    signal(SIGQUIT, SIG_IGN);
    signal(SIGHUP, SIG_IGN);
    signal(SIGTERM, SIG_IGN);
    signal(SIGCHLD, SIG_DFL);
    pid_t *pid = calloc(config->workers, sizeof *pid);
    struct wire_header header;
    int fds[WORKER_MAX_FDS];
    size_t n_fds;
    while (pid != NULL && wire_receive_header(control, &header, fds, &n_fds)) {
        wire_close_all(fds, &n_fds);
        if (header.what != WIRE_REPLACE || header.kind >= config->workers ||
            !replace(control, config, &pid[header.kind]))
            break;
    }
    struct wire_started ignored;
    for (unsigned i = 0; pid != NULL && i < config->workers; i++)
        end_worker(pid[i], &ignored);
    _exit(0);
}
