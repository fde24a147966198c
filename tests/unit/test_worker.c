/*
 * Workers that crash, hang, eat memory, open files or vanish: each costs its own job and nothing else.
 */
#include <check.h>
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "chaffinch/worker.h"

enum kind {
    ECHO,
    CRASH,
    ABORT,
    HANG,
    SPIN,
    EAT,
    EXIT,
    OPEN,
    BIG,
    READ_FDS,
    FAIL,
    FORK,
    CONNECT,
    NONSENSE,
    PID
};

static void answer(struct worker_reply *reply, const void *bytes, size_t size)
{
    reply->bytes = malloc(size + 1);
    if (reply->bytes == NULL)
        return;
    memcpy(reply->bytes, bytes, size);
    reply->size = size;
    reply->ok = true;
}

static void fail_with(struct worker_reply *reply, const char *cause)
{
    snprintf(reply->cause, sizeof reply->cause, "%s", cause);
}

static void die_by(int number)
{
    signal(number, SIG_DFL); /* the sanitizers have handlers of their own */
    raise(number);
}

static void eat(struct worker_reply *reply)
{
    enum { STEP = 16 << 20, PAGE = 4096 };
    for (;;) {
        volatile char *p = malloc(STEP); /* volatile: an optimizer drops memory that nobody looks at */
        if (p == NULL)
            break;
        for (size_t i = 0; i < STEP; i += PAGE)
            p[i] = 1;
    }
    fail_with(reply, "out of memory");
}

/* The first byte of each descriptor. */
static void read_fds(const int *fds, size_t n_fds, struct worker_reply *reply)
{
    char bytes[WORKER_MAX_FDS];
    for (size_t i = 0; i < n_fds; i++)
        if (pread(fds[i], &bytes[i], 1, 0) != 1)
            n_fds = 0; /* the answer is too short then */
    answer(reply, bytes, n_fds);
}

static void big(uint32_t seed, struct worker_reply *reply)
{
    reply->size = (1 << 20) + seed;
    reply->bytes = malloc(reply->size);
    for (size_t i = 0; reply->bytes != NULL && i < reply->size; i++)
        reply->bytes[i] = (uint8_t)(i * 31 + seed);
    reply->ok = reply->bytes != NULL;
}

/* Writes to its own socket, whichever it is, what no worker says. */
static void talk_nonsense(void)
{
    char junk[64];
    memset(junk, 0xAB, sizeof junk);
    for (int fd = 3; fd < 64; fd++)
        send(fd, junk, sizeof junk, MSG_NOSIGNAL);
    pause();
}

static void open_a_file(struct worker_reply *reply)
{
    int fd = open("/etc/passwd", O_RDONLY);
    fail_with(reply, fd >= 0 ? "opened" : strerror(errno));
}

static void handle(uint32_t kind, const uint8_t *request, size_t size, const int *fds, size_t n_fds,
                   struct worker_reply *reply)
{
    static const int never[2] = {0, 0};
    pid_t pid = getpid();
    switch ((enum kind)kind) {
    case ECHO:
        answer(reply, request, size);
        break;
    case CRASH:
        die_by(SIGSEGV);
        break;
    case ABORT:
        die_by(SIGABRT);
        break;
    case HANG:
        for (;;)
            usleep(100000);
    case SPIN:
        for (volatile unsigned i = 0;; i++)
            if (never[i % 2])
                return;
    case EAT:
        eat(reply);
        break;
    case EXIT:
        _exit(3);
    case OPEN:
        open_a_file(reply);
        break;
    case BIG:
        big(size > 0 ? request[0] : 0, reply);
        break;
    case READ_FDS:
        read_fds(fds, n_fds, reply);
        break;
    case FAIL:
        fail_with(reply, "no \x1b[31mpicture");
        break;
    case FORK:
        fail_with(reply, fork() < 0 ? strerror(errno) : "forked");
        break;
    case CONNECT:
        fail_with(reply, socket(AF_INET, SOCK_STREAM, 0) < 0 ? strerror(errno) : "connected");
        break;
    case NONSENSE:
        talk_nonsense();
        break;
    case PID:
        answer(reply, &pid, sizeof pid);
        break;
    }
}

static struct worker_pool *start(unsigned workers, unsigned wall_s)
{
    struct err err = ERR_INIT;
    const struct worker_config config = {
        .handler = handle, .workers = workers, .memory_bytes = (uint64_t)256 << 20, .wall_s = wall_s};
    struct worker_pool *pool = worker_pool_start(&config, &err);
    ck_assert_msg(pool != NULL, "%s", err.message);
    return pool;
}

static void submit(struct worker_pool *pool, uint64_t tag, enum kind kind, const void *request, size_t size)
{
    struct err err = ERR_INIT;
    const struct worker_job job = {.tag = tag, .kind = kind, .request = request, .size = size};
    ck_assert_msg(worker_submit(pool, &job, &err), "%s", err.message);
}

static struct worker_result wait_for(struct worker_pool *pool)
{
    struct err err = ERR_INIT;
    struct worker_result r;
    ck_assert_msg(worker_wait(pool, NULL, &r, &err), "%s", err.message);
    return r;
}

static bool has_filter(struct worker_pool *pool)
{
    if (strstr(worker_limits_text(pool), "no seccomp") == NULL)
        return true;
    printf("skipped: %s\n", worker_limits_text(pool));
    return false;
}

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static void check_cause(struct worker_pool *pool, enum kind kind, const char *cause)
{
    submit(pool, 7, kind, "x", 1);
    struct worker_result r = wait_for(pool);
    ck_assert_uint_eq(r.tag, 7);
    ck_assert(!r.ok);
    ck_assert_ptr_null(r.bytes);
    ck_assert_str_eq(r.cause, cause);
    /* and the worker that follows it works */
    submit(pool, 8, ECHO, "still here", 10);
    r = wait_for(pool);
    ck_assert_msg(r.ok && r.tag == 8 && r.size == 10, "%s", r.cause);
    ck_assert_mem_eq(r.bytes, "still here", 10);
    worker_result_release(&r);
}

START_TEST(each_end_has_its_cause)
{
    struct worker_pool *pool = start(1, 1);
    check_cause(pool, CRASH, "the decoder crashed (signal 11)");
    check_cause(pool, ABORT, "the decoder crashed (signal 6)");
    check_cause(pool, EXIT, "the decoder ended without an answer (status 3)");
    check_cause(pool, FAIL, "no ?[31mpicture");
    check_cause(pool, NONSENSE, "the decoder answered nonsense, or more than there is memory for");
    worker_pool_stop(pool);
}
END_TEST

START_TEST(hanging_and_spinning_are_ended_in_time)
{
    struct worker_pool *pool = start(2, 1);
    double begin = now_s();
    submit(pool, 1, HANG, NULL, 0);
    submit(pool, 2, SPIN, NULL, 0);
    submit(pool, 3, ECHO, NULL, 0);
    for (int i = 0; i < 3; i++) {
        struct worker_result r = wait_for(pool);
        if (r.tag == 3)
            ck_assert_msg(r.ok && r.size == 0, "%s", r.cause);
        else
            ck_assert_str_eq(r.cause, "took longer than 1 s");
        worker_result_release(&r);
    }
    ck_assert_double_ge(now_s() - begin, .99);
    ck_assert_double_lt(now_s() - begin, 3);
    worker_pool_stop(pool);
}
END_TEST

/* A loop of the caller's own: it polls, takes what is there, and the time limit of jobs runs on. */
START_TEST(results_are_taken_without_waiting)
{
    struct worker_pool *pool = start(2, 1);
    struct worker_result r;
    struct err err = ERR_INIT;
    int fds[4], taken = 0;
    bool have = true;
    ck_assert_uint_eq(worker_descriptors(pool, fds, 4), 0);
    ck_assert(worker_take(pool, &r, &have, &err) && !have);
    submit(pool, 1, HANG, NULL, 0);
    submit(pool, 2, ECHO, "x", 1);
    ck_assert_uint_eq(worker_descriptors(pool, fds, 1), 1);
    double begin = now_s();
    while (taken < 2 && now_s() - begin < 10) {
        struct pollfd p[4];
        size_t n = worker_descriptors(pool, fds, 4);
        for (size_t i = 0; i < n; i++)
            p[i] = (struct pollfd){fds[i], POLLIN, 0};
        ck_assert_int_ge(poll(p, (nfds_t)n, 100), 0);
        ck_assert_msg(worker_take(pool, &r, &have, &err), "%s", err.message);
        if (!have)
            continue;
        taken++;
        if (r.tag == 2)
            ck_assert(r.ok && r.size == 1 && now_s() - begin < .9);
        else
            ck_assert_str_eq(r.cause, "took longer than 1 s");
        worker_result_release(&r);
    }
    ck_assert_int_eq(taken, 2);
    ck_assert_double_ge(now_s() - begin, .99);
    worker_pool_stop(pool);
}
END_TEST

START_TEST(memory_is_limited)
{
    struct worker_pool *pool = start(1, 10);
    if (strstr(worker_limits_text(pool), "no memory limit") != NULL)
        printf("skipped: %s\n", worker_limits_text(pool));
    else
        check_cause(pool, EAT, "needed more than 256 MiB of memory");
    worker_pool_stop(pool);
}
END_TEST

START_TEST(nothing_can_be_opened_forked_or_connected)
{
    struct worker_pool *pool = start(1, 5);
    if (has_filter(pool)) {
        check_cause(pool, OPEN, "Operation not permitted");
        check_cause(pool, FORK, "Operation not permitted");
        check_cause(pool, CONNECT, "Operation not permitted");
        ck_assert_str_eq(worker_limits_text(pool), "memory 256 MiB, 5 s, seccomp");
    }
    worker_pool_stop(pool);
}
END_TEST

START_TEST(descriptors_arrive_and_may_be_closed_at_once)
{
    struct worker_pool *pool = start(1, 5);
    struct err err = ERR_INIT;
    for (int round = 0; round < 50; round++) { /* more than would fit if they leaked at either end */
        struct worker_job job = {.tag = 1, .kind = READ_FDS, .n_fds = WORKER_MAX_FDS};
        for (size_t i = 0; i < WORKER_MAX_FDS; i++) {
            FILE *f = tmpfile();
            ck_assert_ptr_nonnull(f);
            fputc('a' + (int)i, f);
            fflush(f);
            job.fds[i] = dup(fileno(f));
            fclose(f);
        }
        ck_assert_msg(worker_submit(pool, &job, &err), "%s", err.message);
        for (size_t i = 0; i < WORKER_MAX_FDS; i++)
            close(job.fds[i]);
        struct worker_result r = wait_for(pool);
        ck_assert_msg(r.ok && r.size == 4, "%s", r.cause);
        ck_assert_mem_eq(r.bytes, "abcd", 4);
        worker_result_release(&r);
    }
    worker_pool_stop(pool);
}
END_TEST

static enum kind mixed_kind(unsigned i)
{
    if (i % 100 == 13)
        return HANG;
    if (i % 17 == 5)
        return CRASH;
    if (i % 19 == 7)
        return EXIT;
    if (i % 11 == 3)
        return BIG;
    return i % 23 == 1 ? FAIL : ECHO;
}

static void check_mixed(const struct worker_result *r)
{
    unsigned i = (unsigned)r->tag;
    enum kind kind = mixed_kind(i);
    ck_assert_msg(r->ok == (kind == ECHO || kind == BIG), "job %u: %s", i, r->cause);
    if (kind == ECHO) {
        ck_assert_uint_eq(r->size, sizeof i);
        ck_assert_mem_eq(r->bytes, &i, sizeof i);
    } else if (kind == BIG) {
        ck_assert_uint_eq(r->size, (1 << 20) + (i & 255));
        size_t k = 0;
        while (k < r->size && r->bytes[k] == (uint8_t)(k * 31 + (i & 255)))
            k++;
        ck_assert_uint_eq(k, r->size);
    } else {
        const char *cause = kind == CRASH  ? "the decoder crashed (signal 11)"
                            : kind == EXIT ? "the decoder ended without an answer (status 3)"
                            : kind == HANG ? "took longer than 1 s"
                                           : "no ?[31mpicture";
        ck_assert_str_eq(r->cause, cause);
    }
}

START_TEST(two_hundred_mixed_jobs_each_get_their_own_result)
{
    enum { JOBS = 200 };
    bool seen[JOBS] = {false};
    struct worker_pool *pool = start(3, 1);
    ck_assert_uint_eq(worker_count(pool), 3);
    ck_assert_uint_eq(worker_room(pool), 6);
    for (unsigned sent = 0, taken = 0; taken < JOBS;) {
        if (sent < JOBS && worker_pending(pool) < worker_room(pool)) {
            submit(pool, sent, mixed_kind(sent), &sent, sizeof sent);
            sent++;
            continue;
        }
        struct worker_result r = wait_for(pool);
        ck_assert(r.tag < JOBS && !seen[r.tag]);
        seen[r.tag] = true;
        check_mixed(&r);
        worker_result_release(&r);
        taken++;
    }
    ck_assert_uint_eq(worker_pending(pool), 0);
    worker_pool_stop(pool);
}
END_TEST

START_TEST(a_large_request_arrives_whole)
{
    enum { SIZE = 3 << 20 };
    uint8_t *request = malloc(SIZE);
    ck_assert_ptr_nonnull(request);
    for (size_t i = 0; i < SIZE; i++)
        request[i] = (uint8_t)(i * 7 + i / 256);
    struct worker_pool *pool = start(1, 5);
    submit(pool, 1, ECHO, request, SIZE);
    struct worker_result r = wait_for(pool);
    ck_assert(r.ok && r.size == SIZE);
    ck_assert_mem_eq(r.bytes, request, SIZE);
    worker_result_release(&r);
    worker_pool_stop(pool);
    free(request);
}
END_TEST

START_TEST(misuse_is_refused)
{
    struct worker_pool *pool = start(1, 1);
    struct worker_result r;
    struct err err = ERR_INIT;
    ck_assert(!worker_wait(pool, NULL, &r, &err));
    ck_assert_int_eq(err.code, ERR_USAGE);
    submit(pool, 1, HANG, NULL, 0);
    submit(pool, 2, HANG, NULL, 0);
    const struct worker_job job = {.kind = ECHO};
    struct err full = ERR_INIT;
    ck_assert(!worker_submit(pool, &job, &full));
    ck_assert_int_eq(full.code, ERR_USAGE);
    const volatile int stop = 1;
    struct err stopped = ERR_INIT;
    ck_assert(!worker_wait(pool, &stop, &r, &stopped));
    ck_assert_int_eq(stopped.code, ERR_INTERRUPTED);
    worker_pool_stop(pool); /* with one job running and one waiting */
    worker_pool_stop(NULL);
}
END_TEST

/* The parent does something else for longer than a job may take: an answer that waits for it is still good.
 */
START_TEST(an_absent_parent_does_not_fail_a_job)
{
    struct worker_pool *pool = start(1, 1);
    submit(pool, 1, BIG, "x", 1);
    usleep(1300000);
    struct worker_result r = wait_for(pool);
    ck_assert_msg(r.ok && r.size == (1 << 20) + 'x', "%s", r.cause);
    worker_result_release(&r);
    worker_pool_stop(pool);
}
END_TEST

/* A worker that is killed between two jobs is replaced without a word. */
START_TEST(an_idle_worker_may_be_killed)
{
    struct worker_pool *pool = start(1, 2);
    submit(pool, 1, PID, NULL, 0);
    struct worker_result r = wait_for(pool);
    pid_t pid;
    ck_assert(r.ok && r.size == sizeof pid);
    memcpy(&pid, r.bytes, sizeof pid);
    worker_result_release(&r);
    kill(pid, SIGKILL);
    usleep(50000);
    submit(pool, 2, ECHO, "again", 5);
    r = wait_for(pool);
    ck_assert_msg(r.ok && r.size == 5, "%s", r.cause);
    worker_result_release(&r);
    worker_pool_stop(pool);
}
END_TEST

/* The workers hold the only writing ends of a pipe: it ends when all of them have. */
static bool ends_within(int fd, int ms)
{
    struct pollfd p = {fd, POLLIN, 0};
    char byte;
    return poll(&p, 1, ms) == 1 && read(fd, &byte, 1) == 0;
}

static void run_parent_that_waits(int held)
{
    struct worker_pool *pool = start(2, 60);
    struct err err = ERR_INIT;
    for (uint64_t i = 0; i < 2; i++) {
        const struct worker_job job = {.tag = i, .kind = i == 0 ? HANG : SPIN, .fds = {held}, .n_fds = 1};
        if (!worker_submit(pool, &job, &err))
            _exit(1);
    }
    close(held);
    for (;;)
        pause();
}

START_TEST(workers_die_with_their_parent)
{
    int held[2];
    ck_assert_int_eq(pipe(held), 0);
    pid_t parent = fork();
    if (parent == 0)
        run_parent_that_waits(held[1]);
    close(held[1]);
    ck_assert(!ends_within(held[0], 700));
    kill(parent, SIGKILL);
    waitpid(parent, NULL, 0);
    ck_assert(ends_within(held[0], 3000));
    close(held[0]);
}
END_TEST

START_TEST(stopping_the_pool_ends_what_runs)
{
    int held[2];
    ck_assert_int_eq(pipe(held), 0);
    struct worker_pool *pool = start(1, 60);
    struct err err = ERR_INIT;
    const struct worker_job job = {.kind = HANG, .fds = {held[1]}, .n_fds = 1};
    ck_assert_msg(worker_submit(pool, &job, &err), "%s", err.message);
    close(held[1]);
    worker_pool_stop(pool);
    ck_assert(ends_within(held[0], 1000));
    close(held[0]);
}
END_TEST

int main(void)
{
    Suite *s = suite_create("worker");
    TCase *t = tcase_create("worker");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, each_end_has_its_cause);
    tcase_add_test(t, hanging_and_spinning_are_ended_in_time);
    tcase_add_test(t, results_are_taken_without_waiting);
    tcase_add_test(t, memory_is_limited);
    tcase_add_test(t, nothing_can_be_opened_forked_or_connected);
    tcase_add_test(t, descriptors_arrive_and_may_be_closed_at_once);
    tcase_add_test(t, two_hundred_mixed_jobs_each_get_their_own_result);
    tcase_add_test(t, a_large_request_arrives_whole);
    tcase_add_test(t, misuse_is_refused);
    tcase_add_test(t, an_absent_parent_does_not_fail_a_job);
    tcase_add_test(t, an_idle_worker_may_be_killed);
    tcase_add_test(t, workers_die_with_their_parent);
    tcase_add_test(t, stopping_the_pool_ends_what_runs);
    suite_add_tcase(s, t);
    SRunner *r = srunner_create(s);
    srunner_run_all(r, CK_ENV);
    int failed = srunner_ntests_failed(r);
    srunner_free(r);
    return failed == 0 ? 0 : 1;
}
