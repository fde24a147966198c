/*
 * SIGINT and SIGTERM at random instants, of what runs for a while: between two file calls, within one, in the
 * middle of a hash. SIGINT goes to the whole group of processes, workers too, as a terminal sends it. After
 * each: a documented exit status, the invariants, and the next start finishes or takes back; after a move the
 * person takes it back as well.
 *
 *     torture_signals [OPERATION [SEED]]
 *
 * Instants come from seeds, spread over 1.2 times what an undisturbed run takes; which call a seed meets
 * depends on the machine. By default 6 seeds an operation; with CHAFFINCH_LONG=1 300.
 */
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "operations.h"

static const enum operation chosen[] = {COPY, COPY_SECOND, MEASURE,  RUN,      MOVE,
                                        UNDO, DELETE,      MOVE_FAR, UNDO_FAR, SIDECARS};

/* Read by the new process before it becomes the program. */
static int64_t after_ns;
static int number;

static int64_t now_ns(void)
{
    struct timespec t = {0};
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * INT64_C(1000000000) + t.tv_nsec;
}

/* A process of its own waits and sends; it is in the program's group, and outlives its own signal. */
static void arm(void)
{
    const pid_t program = getpid();
    const struct timespec pause = {.tv_sec = after_ns / 1000000000, .tv_nsec = after_ns % 1000000000};
    (void)setpgid(0, 0);
    pid_t between = fork();
    if (between > 0) {
        (void)waitpid(between, NULL, 0);
        return;
    }
    if (between < 0 || fork() != 0)
        _exit(0);
    (void)signal(number, SIG_IGN);
    (void)nanosleep(&pause, NULL);
    (void)kill(number == SIGINT ? -program : program, number);
    _exit(0);
}

/* xorshift32: Marsaglia 2003 */
static uint32_t random_of(uint32_t seed)
{
    uint32_t x = seed * 2654435761u + 1;
    for (int i = 0; i < 4; i++)
        x ^= x << 13, x ^= x >> 17, x ^= x << 5;
    return x;
}

static int64_t takes_ns(const struct scene *s, enum operation op)
{
    const struct program_run run = operation_command(s, op, "6");
    scene_reset(s, operation_starts_at(op));
    int64_t begin = now_ns();
    if (!program_expect(&run, 0))
        exit(1);
    return now_ns() - begin;
}

static bool judge(const struct scene *s, enum operation op, const struct program_outcome *o)
{
    const struct operation_check c = {.scene = s, .op = op, .folder_times = true};
    /* Before the program listens to it, a signal ends it as any other. */
    bool ok = (o->status >= 0 && o->status <= 5) || o->status == -number;
    if (!ok)
        fprintf(stderr, "  ended with %d: %s\n", o->status, o->err);
    ok = operation_holds(&c) && ok;
    if (o->status == 0)
        ok = operation_complete(&c) && ok;
    if (operation_is_undo(op) && o->status == 0)
        return ok;
    ok = operation_again(&c) && operation_complete(&c) && ok;
    return op == MOVE || op == MOVE_FAR ? operation_taken_back(&c) && ok : ok;
}

static bool torture(const struct scene *s, enum operation op, uint32_t first, uint32_t seeds)
{
    int64_t whole_ns = takes_ns(s, op);
    long early = 0, bad = 0;
    for (uint32_t seed = first; seed < first + seeds && bad < 4; seed++) {
        struct program_run run = operation_command(s, op, "6");
        struct program_outcome o;
        uint32_t r = random_of(seed * (uint32_t)OPERATIONS + (uint32_t)op);
        number = r % 2 == 0 ? SIGINT : SIGTERM;
        after_ns = (int64_t)((double)whole_ns * 1.2 * (r >> 8) / (1 << 24));
        run.beside = arm;
        scene_reset(s, operation_starts_at(op));
        program_run(&run, &o);
        early += o.status != 0;
        if (!judge(s, op, &o)) {
            fprintf(stderr, "torture: %s: seed %u, SIG%s after %.3f ms: FAILED; status %d: %s\n",
                    operation_name(op), seed, number == SIGINT ? "INT" : "TERM", (double)after_ns / 1e6,
                    o.status, o.err);
            bad++;
        }
        program_release(&o);
    }
    printf("signals: %-11s seeds %u to %u, %ld of them stopped it early: %s\n", operation_name(op), first,
           first + seeds - 1, early, bad == 0 ? "invariants hold, the next run completes" : "FAILED");
    (void)fflush(stdout);
    return bad == 0;
}

int main(int argc, char **argv)
{
    static struct scene s;
    bool every = getenv("CHAFFINCH_LONG") != NULL, ok = true;
    uint32_t seeds = argc > 2 ? 1 : every ? 300 : 6, first = argc > 2 ? (uint32_t)atol(argv[2]) : 1;
    long signals = 0;
    scene_make(&s, "signals");
    for (size_t i = 0; i < sizeof chosen / sizeof chosen[0]; i++) {
        if (argc > 1 && strcmp(argv[1], operation_name(chosen[i])) != 0)
            continue;
        ok = torture(&s, chosen[i], first, seeds) && ok;
        signals += seeds;
    }
    printf("signals: %ld sent, %s%s\n", signals, ok ? "all held" : "FAILED",
           every ? "" : " (more: CHAFFINCH_LONG=1)");
    scene_free(&s);
    return !ok;
}
