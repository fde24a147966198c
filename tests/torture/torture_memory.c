/*
 * The Nth allocation fails, once or from then on, in each command: in the programs' own code and in SQLite;
 * and in the workers' code and libexif, on a JPEG and on a raw. No crash, a documented exit status, the
 * invariants, and the next run completes.
 *
 *     torture_memory [OPERATION...]    some operations, and no workers
 *
 * By default a sample (CHAFFINCH_STEP: one in so many, default 997; CHAFFINCH_OWN_STEP: of the programs' own,
 * which are fewer, default 97); with CHAFFINCH_LONG=1 one in 41, and each third of the programs' own.
 */
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "chaffinch/session.h"
#include "../../src/session/jobs.h"
#include "memory.h"
#include "operations.h"

static const char *const kinds[MEMORY_KINDS] = {"own", "SQLite's", "libexif's"};

/* ---- commands ------------------------------------------------------------------------------------------ */

static bool documented(const struct program_outcome *o)
{
    bool ok = o->status >= 0 && o->status <= 5 &&
              (o->status == 0 || strstr(o->err, "memory") != NULL || strstr(o->err, "catalogue") != NULL);
    if (!ok)
        fprintf(stderr, "  ended with %d: %s\n", o->status, o->err);
    return ok;
}

static bool judge(const struct scene *s, enum operation op, const struct program_outcome *o)
{
    const struct operation_check c = {.scene = s, .op = op, .folder_times = true};
    bool undone = operation_is_undo(op) && o->status == 0;
    return documented(o) && operation_holds(&c) &&
           (o->status != 0 || op == SHEET || operation_complete(&c)) &&
           (undone || (operation_again(&c) && operation_complete(&c)));
}

/* Returns the number of failures, -1 when something did not hold. */
static long torture(const struct scene *s, enum operation op, enum memory_of of, bool lasting, long first,
                    long step)
{
    long failures = 0, bad = 0;
    for (long n = first; bad < 4; n += step) {
        struct program_outcome o;
        struct program_run run = operation_command(s, op, "6");
        run.prepare = memory_arm;
        scene_reset(s, operation_starts_at(op));
        memory_plan(of, n, lasting);
        program_run(&run, &o);
        bool met = memory_failed();
        if (met && !judge(s, op, &o)) {
            fprintf(stderr, "torture: %s: %s allocation %ld fails %s: FAILED; status %d: %s\n",
                    operation_name(op), kinds[of], n, lasting ? "and all later ones" : "once", o.status,
                    o.err);
            bad++;
        }
        program_release(&o);
        if (!met)
            break;
        failures++;
    }
    return bad > 0 ? -1 : failures;
}

static bool wanted(int argc, char **argv, const char *name)
{
    bool any = argc < 2;
    for (int i = 1; i < argc; i++)
        any = any || strcmp(argv[i], name) == 0;
    return any;
}

/* step[0] = of the programs' own, step[1] = of SQLite's. */
static bool commands(const struct scene *s, int argc, char **argv, const long step[2], long *all)
{
    bool ok = true;
    for (int op = 0; op < OPERATIONS; op++) {
        long failures = 0;
        if (!wanted(argc, argv, operation_name((enum operation)op)))
            continue;
        for (int k = 0; k < 4; k++) {
            enum memory_of of = k < 2 ? MEMORY_OWN : MEMORY_SQLITE;
            long of_them = step[k / 2];
            long n = torture(s, (enum operation)op, of, k % 2 == 1, 1 + k * 17 % of_them, of_them);
            ok = ok && n >= 0;
            failures += n > 0 ? n : 0;
        }
        printf("memory: %-11s %5ld allocations failed, invariants hold after each, the next run completes\n",
               operation_name((enum operation)op), failures);
        (void)fflush(stdout);
        *all += failures;
    }
    return ok;
}

/* ---- workers ------------------------------------------------------------------------------------------- */

struct job {
    const char *name, *path; /* below the session */
    uint32_t job, kind;
};

static const struct job worker_jobs[] = {
    {"peek at a JPEG", "DCIM/100DEMOS/_DSC0001.JPG", JOB_PEEK, FRAME_JPEG},
    {"measure a JPEG", "DCIM/100DEMOS/_DSC0001.JPG", JOB_MEASURE, FRAME_JPEG},
    {"peek at a raw", "DCIM/100DEMOS/_DSC0001.DNG", JOB_PEEK, FRAME_RAW},
    {"measure a raw", "DCIM/100DEMOS/_DSC0001.DNG", JOB_MEASURE, FRAME_RAW},
};

/* 0 = it did its job, 1 = it said why not. Anything else is a crash. */
static int work(const struct job *job, int fd)
{
    const struct job_request request = {.n = 1, .kind = {job->kind}};
    struct worker_reply reply = {.ok = false};
    memory_arm();
    session_worker(job->job, (const uint8_t *)&request, sizeof request, &fd, 1, &reply);
    memory_disarm();
    bool told = reply.ok || reply.cause[0] != '\0';
    free(reply.bytes);
    return !told ? 2 : reply.ok ? 0 : 1;
}

static bool run_worker(const struct job *job, const char *path)
{
    int status, fd = open(path, O_RDONLY | O_CLOEXEC);
    (void)fflush(NULL);
    pid_t child = fork();
    if (child == 0) {
        (void)alarm(20);
        exit(work(job, fd));
    }
    if (fd < 0 || child < 0 || waitpid(child, &status, 0) != child)
        tree_die("cannot run a worker on", path);
    (void)close(fd);
    return WIFEXITED(status) && WEXITSTATUS(status) <= 1;
}

static bool workers(const struct scene *s, long step, long *all)
{
    bool ok = true;
    for (size_t i = 0; i < sizeof worker_jobs / sizeof worker_jobs[0]; i++) {
        const struct job *job = &worker_jobs[i];
        char *path = tree_path(s->stage[STAGE_COPIED], job->path);
        long failures = 0;
        for (int k = 0; k < 4; k++)
            for (long n = 1;; n += step, failures++) {
                enum memory_of of = k < 2 ? MEMORY_OWN : MEMORY_EXIF;
                memory_plan(of, n, k % 2 == 1);
                bool held = run_worker(job, path);
                if (!held)
                    fprintf(stderr, "torture: %s: %s allocation %ld fails: the worker crashed\n", job->name,
                            kinds[of], n);
                ok = ok && held;
                if (!memory_failed() || !held)
                    break;
            }
        printf("memory: %-15s %5ld allocations failed, none crashed the worker\n", job->name, failures);
        *all += failures;
        free(path);
    }
    return ok;
}

int main(int argc, char **argv)
{
    static struct scene s;
    bool every = getenv("CHAFFINCH_LONG") != NULL;
    const char *given = getenv("CHAFFINCH_STEP"), *own = getenv("CHAFFINCH_OWN_STEP");
    const long step[2] = {own != NULL ? atol(own)
                          : every     ? 3
                                      : 97,
                          given != NULL ? atol(given)
                          : every       ? 41
                                        : 997};
    long all = 0;
    scene_make(&s, "memory");
    bool ok = commands(&s, argc, argv, step, &all);
    if (argc < 2)
        ok = workers(&s, every ? 1 : 3, &all) && ok;
    printf("memory: %ld allocations failed, %s%s\n", all, ok ? "all held" : "FAILED",
           every ? "" : " (more: CHAFFINCH_LONG=1)");
    scene_free(&s);
    return !ok;
}
