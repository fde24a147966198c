/*
 * pool.c - the parent's side: which worker does what, since when, and what became of it.
 *
 * A job waits in `queue`, then runs in a slot, then lies in `done` until it is taken. Slots and rings have
 * fixed sizes: 2 jobs a worker, so that memory does not depend on how many jobs there are.
 */
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "child.h"

enum {
    DEFAULT_WALL_S = 30,
    WORKERS_MAX = 256,
    HELLO_TIMEOUT_MS = 10000,
    STOP_CHECK_MS = 200, /* how long a signal that comes just before poll can go unseen */
};
static const uint64_t DEFAULT_MEMORY_BYTES = (uint64_t)2 << 30;

struct waiting {
    uint64_t tag;
    uint32_t kind;
    uint8_t *request;
    size_t size;
    int fds[WORKER_MAX_FDS];
    size_t n_fds;
};

struct slot {
    int fd; /* of the worker's socket */
    bool busy;
    uint64_t tag;
    int64_t deadline_ns;
    struct wire_header header; /* of the answer */
    size_t have;               /* bytes of header and answer so far */
    uint8_t *answer;
};

struct worker_pool {
    struct worker_config config;
    pid_t spawner;
    int control;
    struct slot *slot;
    struct waiting *queue; /* ring of config.workers */
    size_t queue_first, queued;
    struct worker_result *done; /* ring of 2 * config.workers */
    size_t done_first, n_done;
    struct pollfd *poll;
    int64_t looked_ns; /* when the workers were last looked at */
    char limits[128];
};

static int64_t now_ns(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000000000 + t.tv_nsec;
}

static bool spawner_gone(struct err *err)
{
    return err_set(err, ERR_IO, "the process that starts workers has died: start again");
}

/* ---- results ---- */

static struct worker_result *new_result(struct worker_pool *pool, struct slot *slot)
{
    size_t at = (pool->done_first + pool->n_done++) % (2 * pool->config.workers);
    pool->done[at] = (struct worker_result){.tag = slot->tag};
    free(slot->answer);
    slot->answer = NULL;
    slot->have = 0;
    slot->busy = false;
    return &pool->done[at];
}

__attribute__((format(printf, 3, 4))) static void finish_failed(struct worker_pool *pool, struct slot *slot,
                                                                const char *format, ...)
{
    va_list arguments;
    struct worker_result *r = new_result(pool, slot);
    va_start(arguments, format);
    vsnprintf(r->cause, sizeof r->cause, format, arguments);
    va_end(arguments);
}

/* The cause comes from a process that parses foreign bytes: no control characters of theirs reach a terminal.
 */
static void copy_cause(char cause[256], const uint8_t *text, size_t size)
{
    size_t n = size < 255 ? size : 255;
    for (size_t i = 0; i < n; i++)
        cause[i] = text[i] < 0x20 || text[i] == 0x7f ? '?' : (char)text[i];
    cause[n] = '\0';
}

static void finish_answered(struct worker_pool *pool, struct slot *slot)
{
    uint8_t *bytes = slot->answer;
    size_t size = (size_t)slot->header.size;
    bool ok = slot->header.what == WIRE_ANSWER;
    slot->answer = NULL;
    struct worker_result *r = new_result(pool, slot);
    if (!ok) {
        copy_cause(r->cause, bytes, size);
        free(bytes);
        return;
    }
    r->ok = true;
    r->bytes = bytes;
    r->size = size;
}

/* ---- starting and replacing workers ---- */

/* Waits for the worker's first word, as it tells which limits hold. */
static bool await_hello(const struct slot *slot, unsigned *limits)
{
    struct pollfd p = {slot->fd, POLLIN, 0};
    int64_t deadline = now_ns() + (int64_t)HELLO_TIMEOUT_MS * 1000000;
    struct wire_header hello = {0};
    for (size_t have = 0; have < sizeof hello;) {
        int64_t left_ms = (deadline - now_ns()) / 1000000;
        if (left_ms <= 0 || (poll(&p, 1, (int)left_ms) <= 0 && errno != EINTR))
            return false;
        ssize_t n = recv(slot->fd, (char *)&hello + have, sizeof hello - have, MSG_DONTWAIT);
        if (n == 0 || (n < 0 && errno != EINTR && errno != EAGAIN))
            return false;
        have += n > 0 ? (size_t)n : 0;
    }
    *limits = hello.kind;
    return hello.what == WIRE_HELLO && hello.size == 0;
}

/* A worker that does not read its job must not hold up the parent for ever. */
static void limit_sending(int fd, unsigned wall_s)
{
    const struct timeval limit = {.tv_sec = wall_s};
    setsockopt(fd, SOL_SOCKET, SO_SNDTIMEO, &limit, sizeof limit);
}

/* Ends what runs in the slot, tells how it had ended, and puts a fresh worker there. */
static bool replace_worker(struct worker_pool *pool, size_t i, struct wire_started *started, struct err *err)
{
    struct slot *slot = &pool->slot[i];
    const struct wire_header ask = {.what = WIRE_REPLACE, .kind = (uint32_t)i};
    struct wire_header header;
    int fds[WORKER_MAX_FDS];
    size_t n_fds = 0;
    unsigned limits;
    if (slot->fd >= 0)
        close(slot->fd);
    slot->fd = -1;
    slot->have = 0;
    if (!wire_send(pool->control, &ask, NULL, NULL, 0) ||
        !wire_receive_header(pool->control, &header, fds, &n_fds) || header.what != WIRE_STARTED ||
        !wire_receive(pool->control, started, sizeof *started)) {
        wire_close_all(fds, &n_fds);
        return spawner_gone(err);
    }
    if (started->failed != 0 || n_fds != 1) {
        wire_close_all(fds, &n_fds);
        errno = started->failed;
        return err_sys(err, "fork", "worker");
    }
    slot->fd = fds[0];
    limit_sending(slot->fd, pool->config.wall_s);
    if (!await_hello(slot, &limits))
        return err_set(err, ERR_IO, "a worker does not start: is there memory and room for more processes?");
    limits_describe(pool->limits, sizeof pool->limits, &pool->config, limits);
    return true;
}

/* ---- jobs ---- */

static bool start_job(struct worker_pool *pool, size_t i, const struct waiting *job, struct err *err)
{
    struct slot *slot = &pool->slot[i];
    const struct wire_header header = {.what = WIRE_JOB, .kind = job->kind, .size = job->size};
    slot->busy = true;
    slot->tag = job->tag;
    slot->have = 0;
    slot->deadline_ns = now_ns() + (int64_t)pool->config.wall_s * 1000000000;
    if (wire_send(slot->fd, &header, job->request, job->fds, job->n_fds))
        return true;
    /* The worker died between two jobs (somebody killed it): this job deserves another. */
    struct wire_started started;
    if (!replace_worker(pool, i, &started, err))
        return false;
    slot->deadline_ns = now_ns() + (int64_t)pool->config.wall_s * 1000000000;
    if (!wire_send(slot->fd, &header, job->request, job->fds, job->n_fds))
        finish_failed(pool, slot, "no worker takes this job");
    return true;
}

static void release_waiting(struct waiting *job)
{
    free(job->request);
    wire_close_all(job->fds, &job->n_fds);
    *job = (struct waiting){0};
}

/* Gives waiting jobs to idle workers. */
static bool start_waiting(struct worker_pool *pool, struct err *err)
{
    for (size_t i = 0; i < pool->config.workers && pool->queued > 0; i++) {
        if (pool->slot[i].busy)
            continue;
        struct waiting *job = &pool->queue[pool->queue_first];
        bool ok = start_job(pool, i, job, err);
        release_waiting(job);
        pool->queue_first = (pool->queue_first + 1) % pool->config.workers;
        pool->queued--;
        if (!ok)
            return false;
    }
    return true;
}

/* ---- what comes back ---- */

static void describe_end(char *text, size_t room, const struct worker_pool *pool,
                         const struct wire_started *s)
{
    char memory[32];
    limits_describe_memory(memory, sizeof memory, pool->config.memory_bytes);
    int signal_number = WIFSIGNALED(s->status) ? WTERMSIG(s->status) : 0;
    if (signal_number == SIGXCPU)
        snprintf(text, room, "took longer than %u s of processor time", pool->config.wall_s);
    else if (signal_number != 0 && s->peak_bytes > pool->config.memory_bytes / 4 * 3)
        snprintf(text, room, "needed more than %s of memory", memory);
    else if (signal_number != 0)
        snprintf(text, room, "the decoder crashed (signal %d)", signal_number);
    else
        snprintf(text, room, "the decoder ended without an answer (status %d)",
                 WIFEXITED(s->status) ? WEXITSTATUS(s->status) : -1);
}

static bool worker_ended(struct worker_pool *pool, size_t i, struct err *err)
{
    struct wire_started started;
    char cause[128];
    if (!replace_worker(pool, i, &started, err))
        return false;
    describe_end(cause, sizeof cause, pool, &started);
    if (pool->slot[i].busy)
        finish_failed(pool, &pool->slot[i], "%s", cause);
    return true;
}

/* Ends a worker that broke a rule, with the cause for its job. */
static bool end_job(struct worker_pool *pool, size_t i, const char *cause, struct err *err)
{
    struct wire_started started;
    if (!replace_worker(pool, i, &started, err))
        return false;
    finish_failed(pool, &pool->slot[i], "%s", cause);
    return true;
}

/* Where the next bytes of the answer go. NULL when the header is nonsense or there is no memory. */
static char *answer_room(struct slot *slot, size_t *room)
{
    if (slot->have < sizeof slot->header) {
        *room = sizeof slot->header - slot->have;
        return (char *)&slot->header + slot->have;
    }
    if (slot->answer == NULL) {
        bool known = slot->header.what == WIRE_ANSWER || slot->header.what == WIRE_FAILED;
        if (!known || slot->header.size > WIRE_ANSWER_MAX)
            return NULL;
        slot->answer = malloc((size_t)slot->header.size + 1);
        if (slot->answer == NULL)
            return NULL;
    }
    size_t at = slot->have - sizeof slot->header;
    *room = (size_t)slot->header.size - at;
    return (char *)slot->answer + at;
}

/* No room for an answer of an honest size is our trouble: the picture is not called unreadable for it. */
static bool lacks_memory(const struct slot *slot)
{
    enum { HONEST_BYTES = 16 << 20 };
    bool known = slot->header.what == WIRE_ANSWER || slot->header.what == WIRE_FAILED;
    return slot->have >= sizeof slot->header && slot->answer == NULL && known &&
           slot->header.size <= HONEST_BYTES;
}

/* Takes what is there of an answer, without waiting. False when the pool is broken. */
static bool read_answer(struct worker_pool *pool, size_t i, struct err *err)
{
    struct slot *slot = &pool->slot[i];
    for (;;) {
        size_t room = 0;
        char *to = answer_room(slot, &room);
        if (to == NULL && lacks_memory(slot))
            return err_nomem(err);
        if (to == NULL)
            return end_job(pool, i, "the decoder answered nonsense, or more than there is memory for", err);
        if (room == 0) {
            finish_answered(pool, slot);
            return true;
        }
        ssize_t n = recv(slot->fd, to, room, MSG_DONTWAIT);
        if (n < 0 && (errno == EAGAIN || errno == EINTR))
            return true;
        if (n <= 0)
            return worker_ended(pool, i, err);
        slot->have += (size_t)n;
    }
}

/* The clock of a job stands still while the parent is elsewhere: an answer that waits in the socket for it
   must not look like a job that hangs. */
static void allow_for_absence(struct worker_pool *pool)
{
    int64_t away_ns = now_ns() - pool->looked_ns;
    for (size_t i = 0; i < pool->config.workers; i++)
        pool->slot[i].deadline_ns += away_ns;
}

static bool enforce_deadlines(struct worker_pool *pool, struct err *err)
{
    char cause[64];
    snprintf(cause, sizeof cause, "took longer than %u s", pool->config.wall_s);
    for (size_t i = 0; i < pool->config.workers; i++)
        if (pool->slot[i].busy && now_ns() >= pool->slot[i].deadline_ns && !end_job(pool, i, cause, err))
            return false;
    return true;
}

/* Milliseconds until the first deadline, rounded up, at most `most`. */
static int time_left_ms(const struct worker_pool *pool, int most)
{
    int64_t left = most, now = now_ns();
    for (size_t i = 0; i < pool->config.workers; i++) {
        int64_t ms = (pool->slot[i].deadline_ns - now + 999999) / 1000000;
        if (pool->slot[i].busy && ms < left)
            left = ms;
    }
    return left < 0 ? 0 : (int)left;
}

/* One round: looks at all workers, for at most `wait_ms`. */
static bool pump(struct worker_pool *pool, int wait_ms, struct err *err)
{
    size_t n = pool->config.workers;
    allow_for_absence(pool);
    for (size_t i = 0; i < n; i++)
        pool->poll[i] = (struct pollfd){pool->slot[i].busy ? pool->slot[i].fd : -1, POLLIN, 0};
    int ready = poll(pool->poll, (nfds_t)n, time_left_ms(pool, wait_ms));
    if (ready < 0 && errno != EINTR)
        return err_sys(err, "poll", "workers");
    for (size_t i = 0; ready > 0 && i < n; i++)
        if (pool->poll[i].revents != 0 && !read_answer(pool, i, err))
            return false;
    bool ok = enforce_deadlines(pool, err) && start_waiting(pool, err);
    pool->looked_ns = now_ns();
    return ok;
}

/* ---- the interface ---- */

size_t worker_pending(const struct worker_pool *pool)
{
    size_t running = 0;
    for (size_t i = 0; i < pool->config.workers; i++)
        running += pool->slot[i].busy;
    return pool->queued + running + pool->n_done;
}

size_t worker_room(const struct worker_pool *pool)
{
    return 2 * (size_t)pool->config.workers;
}

unsigned worker_count(const struct worker_pool *pool)
{
    return pool->config.workers;
}

const char *worker_limits_text(const struct worker_pool *pool)
{
    return pool->limits;
}

static bool copy_job(struct waiting *to, const struct worker_job *job, struct err *err)
{
    *to = (struct waiting){.tag = job->tag, .kind = job->kind, .size = job->size};
    to->request = malloc(job->size + 1);
    if (to->request == NULL)
        return err_nomem(err);
    if (job->size > 0)
        memcpy(to->request, job->request, job->size);
    for (size_t i = 0; i < job->n_fds; i++) {
        to->fds[i] = fcntl(job->fds[i], F_DUPFD_CLOEXEC, 3);
        if (to->fds[i] < 0) {
            err_sys(err, "dup", "descriptor for a worker");
            release_waiting(to);
            return false;
        }
        to->n_fds++;
    }
    return true;
}

bool worker_submit(struct worker_pool *pool, const struct worker_job *job, struct err *err)
{
    if (job->n_fds > WORKER_MAX_FDS || job->size > WIRE_REQUEST_MAX)
        return err_set(err, ERR_USAGE, "a job has at most %d descriptors and %d bytes", WORKER_MAX_FDS,
                       WIRE_REQUEST_MAX);
    if (!pump(pool, 0, err))
        return false;
    if (worker_pending(pool) >= worker_room(pool))
        return err_set(err, ERR_USAGE, "the workers are busy: wait for a result first");
    size_t at = (pool->queue_first + pool->queued) % pool->config.workers;
    if (!copy_job(&pool->queue[at], job, err))
        return false;
    pool->queued++;
    return pump(pool, 0, err);
}

static void take_done(struct worker_pool *pool, struct worker_result *result)
{
    *result = pool->done[pool->done_first];
    pool->done_first = (pool->done_first + 1) % (2 * pool->config.workers);
    pool->n_done--;
}

bool worker_wait(struct worker_pool *pool, const volatile int *stop, struct worker_result *result,
                 struct err *err)
{
    while (pool->n_done == 0) {
        if (stop != NULL && *stop != 0)
            return err_set(err, ERR_INTERRUPTED, "interrupted: run the same command again to go on");
        if (worker_pending(pool) == 0)
            return err_set(err, ERR_USAGE, "no job is running");
        if (!pump(pool, STOP_CHECK_MS, err))
            return false;
    }
    take_done(pool, result);
    return true;
}

size_t worker_descriptors(const struct worker_pool *pool, int *fds, size_t room)
{
    size_t n = 0;
    for (size_t i = 0; i < pool->config.workers && n < room; i++)
        if (pool->slot[i].busy)
            fds[n++] = pool->slot[i].fd;
    return n;
}

bool worker_take(struct worker_pool *pool, struct worker_result *result, bool *have, struct err *err)
{
    pool->looked_ns = now_ns(); /* the caller was not away: it polled */
    *have = false;
    if (pool->n_done == 0 && !pump(pool, 0, err))
        return false;
    if (pool->n_done > 0) {
        take_done(pool, result);
        *have = true;
    }
    return true;
}

void worker_result_release(struct worker_result *result)
{
    free(result->bytes);
    *result = (struct worker_result){0};
}

static struct worker_config with_defaults(const struct worker_config *config)
{
    struct worker_config c = *config;
    long processors = sysconf(_SC_NPROCESSORS_ONLN);
    if (c.workers == 0)
        c.workers = processors > 0 ? (unsigned)processors : 1;
    if (c.workers > WORKERS_MAX)
        c.workers = WORKERS_MAX;
    if (c.memory_bytes == 0)
        c.memory_bytes = DEFAULT_MEMORY_BYTES;
    if (c.wall_s == 0)
        c.wall_s = DEFAULT_WALL_S;
    return c;
}

static bool fork_spawner(struct worker_pool *pool, struct err *err)
{
    int pair[2];
    if (!wire_pair(pair))
        return err_sys(err, "socketpair", "workers");
    pid_t self = getpid();
    pool->spawner = fork();
    if (pool->spawner == 0)
        spawner_run(pair[1], &pool->config, self);
    close(pair[1]);
    pool->control = pair[0];
    return pool->spawner > 0 || err_sys(err, "fork", "workers");
}

static bool allocate(struct worker_pool *pool)
{
    size_t n = pool->config.workers;
    pool->slot = calloc(n, sizeof *pool->slot);
    pool->queue = calloc(n, sizeof *pool->queue);
    pool->done = calloc(2 * n, sizeof *pool->done);
    pool->poll = calloc(n, sizeof *pool->poll);
    if (pool->slot == NULL || pool->queue == NULL || pool->done == NULL || pool->poll == NULL)
        return false;
    for (size_t i = 0; i < n; i++)
        pool->slot[i].fd = -1;
    return true;
}

struct worker_pool *worker_pool_start(const struct worker_config *config, struct err *err)
{
    struct worker_pool *pool = calloc(1, sizeof *pool);
    if (pool == NULL) {
        err_nomem(err);
        return NULL;
    }
    pool->control = -1;
    pool->looked_ns = now_ns();
    pool->config = with_defaults(config);
    bool ok = allocate(pool) ? fork_spawner(pool, err) : err_nomem(err);
    struct wire_started started;
    for (size_t i = 0; ok && i < pool->config.workers; i++)
        ok = replace_worker(pool, i, &started, err);
    if (!ok) {
        worker_pool_stop(pool);
        return NULL;
    }
    return pool;
}

void worker_pool_stop(struct worker_pool *pool)
{
    if (pool == NULL)
        return;
    if (pool->control >= 0)
        close(pool->control);
    for (size_t i = 0; pool->slot != NULL && i < pool->config.workers; i++) {
        if (pool->slot[i].fd >= 0)
            close(pool->slot[i].fd);
        free(pool->slot[i].answer);
    }
    /* The spawner sees its socket closed, kills the workers and ends. */
    while (pool->spawner > 0 && waitpid(pool->spawner, NULL, 0) < 0 && errno == EINTR)
        continue;
    for (size_t i = 0; i < pool->queued; i++)
        release_waiting(&pool->queue[(pool->queue_first + i) % pool->config.workers]);
    for (size_t i = 0; i < pool->n_done; i++)
        worker_result_release(&pool->done[(pool->done_first + i) % (2 * pool->config.workers)]);
    free(pool->slot);
    free(pool->queue);
    free(pool->done);
    free(pool->poll);
    free(pool);
}
