/*
 * Every file call of a whole command fails in turn, in every way: those of the table and those of SQLite.
 * After each: a documented exit status, a message that names the file, the invariants, and the next clean run
 * completes with the result of an undisturbed one.
 *
 *     torture_faults [OPERATION [KIND [N]]]    all, or one of them; N = only that call, with what it printed
 *
 * By default a sample of the calls fails (CHAFFINCH_STEP: one in so many, default 97); with CHAFFINCH_LONG=1
 * each.
 */
#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "chaffinch/err.h"
#include "fault.h"
#include "operations.h"

struct bench {
    struct scene scene;
    long runs, faults[64];
    bool verbose;
};

/* ---- judging one run ----------------------------------------------------------------------------------- */

static bool quotes(const char *message, const char *name)
{
    char safe[800];
    return *name != '\0' && strstr(message, err_escape(safe, sizeof safe, name)) != NULL;
}

/* A temp is named by what it becomes, the sync of a folder by what was made in it: something quoted that is
 * there. */
static bool names_what_is_there(const struct bench *b, const char *message)
{
    const char *const above[] = {b->scene.session, ".chaffinch/"};
    for (const char *p = message; (p = strchr(p, '\'')) != NULL; p++) {
        char quoted[400], path[1200];
        size_t n = strcspn(p + 1, "'");
        if (n == 0 || n >= sizeof quoted)
            continue;
        (void)snprintf(quoted, sizeof quoted, "%.*s", (int)n, p + 1);
        for (int i = 0; i < 2; i++) {
            (void)snprintf(path, sizeof path, "%s/%s%s", above[0], i == 0 ? "" : above[1], quoted);
            if (strcmp(quoted, ".") != 0 && access(path, F_OK) == 0)
                return true;
        }
    }
    for (size_t i = 0; i < b->scene.originals.n; i++) {
        const char *path = b->scene.originals.entry[i].path, *slash = strrchr(path, '/');
        if (quotes(message, slash != NULL ? slash + 1 : path))
            return true;
    }
    return false;
}

/* The session or the card itself: its path, '.' where paths are relative to it, or what was looked for in it.
 */
static bool names_the_top(const struct bench *b, const char *leaf, const char *message)
{
    static const char *const tops[] = {"session", "second", "card", "away", "..", ""};
    static const char *const words[] = {"'.'", "'rejects'", "'away'"};
    /* A folder is opened as '.' on the way to a file in it. */
    if (strcmp(leaf, ".") == 0 && strchr(message, '\'') != NULL)
        return true;
    bool top = false, named = quotes(message, b->scene.session) || quotes(message, b->scene.card) ||
                              quotes(message, b->scene.away) || quotes(message, b->scene.work) ||
                              quotes(message, b->scene.second);
    const char *work = strrchr(b->scene.work, '/');
    top = strcmp(leaf, work != NULL ? work + 1 : "") == 0; /* the disk that the rejects lie on */
    for (size_t i = 0; i < sizeof tops / sizeof tops[0]; i++)
        top = top || strcmp(leaf, tops[i]) == 0;
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++)
        named = named || strstr(message, words[i]) != NULL;
    return top && named;
}

/* The message names a file that a call failed on; what SQLite uses may also be called the catalogue. */
static bool names_a_file(const struct bench *b, const struct fault_met *met, const char *message)
{
    char leaves[sizeof met->leaves];
    memcpy(leaves, met->leaves, sizeof leaves);
    for (char *leaf = leaves, *end; (end = strchr(leaf, '\n')) != NULL; leaf = end + 1) {
        /* A name that holds a newline itself comes in two parts; either will do. */
        *end = '\0';
        if (end - leaf > 4 && strcmp(end - 4, ".new") == 0)
            end[-4] = '\0'; /* what it becomes, whatever its last letters */
        if (strncmp(leaf, ".chaffinch-", 11) == 0)
            leaf += 11; /* likewise */
        char temp[300];
        (void)snprintf(temp, sizeof temp, "incoming/%.255s'", leaf);
        if (names_the_top(b, leaf, message) || strstr(message, temp) != NULL ||
            (strlen(leaf) > 2 && quotes(message, leaf)))
            return true;
    }
    return (strstr(message, "catalogue") != NULL && met->sqlite) || names_what_is_there(b, message);
}

static bool documented(const struct bench *b, const struct program_outcome *o, const struct fault_kind *kind)
{
    const struct fault_met *met = fault_met();
    if (kind->way == FAULT_KILL)
        return o->status == -SIGKILL;
    if (o->status < 0 || o->status > 5) {
        fprintf(stderr, "  ended with %d: %s\n", o->status, o->err);
        return false;
    }
    /* A name that is not there is no failure, as far as a program can know. */
    if (o->status == 0 || kind->way == FAULT_SIGNAL || kind->number == ENOENT)
        return true;
    /* What check finds is its result, on standard output. */
    bool named = names_a_file(b, met, o->err) || names_a_file(b, met, o->out);
    if (b->verbose || !named)
        fprintf(stderr, "  status %d after %s '%s': %s%s\n", o->status, tap_call_name(met->call), met->path,
                o->out, o->err);
    return named;
}

static bool judge(struct bench *b, enum operation op, const struct fault_kind *kind,
                  const struct program_outcome *o)
{
    /* A folder that is said not to be there gets no time back. */
    const struct operation_check c = {.scene = &b->scene, .op = op, .folder_times = kind->number != ENOENT};
    bool ok = documented(b, o, kind);
    ok = operation_holds(&c) && ok;
    if (o->status == 0 && op != SHEET && kind->number != ENOENT)
        ok = operation_complete(&c) && ok;
    if (operation_is_undo(op) && o->status == 0) /* a second undo has nothing to do */
        return ok;
    ok = operation_again(&c) && operation_complete(&c) && ok;
    return op == MOVE || op == MOVE_FAR ? operation_taken_back(&c) && ok : ok;
}

/* Returns the number of faults, -1 when something did not hold. */
static long torture(struct bench *b, enum operation op, const struct fault_kind *kind, long first, long step,
                    long last)
{
    long faults = 0, bad = 0;
    for (long n = first; n <= last; n += step) {
        struct program_outcome o;
        struct program_run run = operation_command(&b->scene, op, "6");
        run.hooks = &fault_hooks;
        scene_reset(&b->scene, operation_starts_at(op));
        fault_arm(kind, n);
        program_run(&run, &o);
        bool met = fault_met()->tripped;
        if (met && !judge(b, op, kind, &o)) {
            char safe[600];
            fprintf(stderr, "torture: %s: %s at call %ld (%s%s '%s'): FAILED; status %d: %s\n",
                    operation_name((enum operation)op), kind->name, n, fault_met()->sqlite ? "SQLite's " : "",
                    tap_call_name(fault_met()->call), err_escape(safe, sizeof safe, fault_met()->path),
                    o.status, o.err);
            bad++;
        }
        program_release(&o);
        b->runs++;
        faults += met;
        if (!met || bad > 3)
            break;
    }
    return bad > 0 ? -1 : faults;
}

static bool wanted(int argc, char **argv, int at, const char *name)
{
    return argc <= at || strcmp(argv[at], "all") == 0 || strcmp(argv[at], name) == 0;
}

static bool torture_all(struct bench *b, int argc, char **argv)
{
    bool every = getenv("CHAFFINCH_LONG") != NULL, ok = true;
    const char *given = getenv("CHAFFINCH_STEP");
    long step = every ? 1 : given != NULL ? atol(given) : 97;
    for (int op = 0; op < OPERATIONS; op++) {
        long faults = 0;
        if (!wanted(argc, argv, 1, operation_name((enum operation)op)))
            continue;
        for (int k = 0; k < fault_n_kinds; k++) {
            if (!wanted(argc, argv, 2, fault_kinds[k].name))
                continue;
            long only = argc > 3 ? atol(argv[3]) : 0;
            /* Each kind begins elsewhere, so that together they see more of the calls. */
            long first = only > 0 ? only : 1 + (every ? 0 : k * 7 % step);
            long n = torture(b, (enum operation)op, &fault_kinds[k], first, step, only > 0 ? only : 1000000);
            ok = ok && n >= 0;
            faults += n > 0 ? n : 0;
            b->faults[k] += n > 0 ? n : 0;
        }
        printf("faults: %-11s %5ld injected, invariants hold after each, the next run completes\n",
               operation_name((enum operation)op), faults);
        (void)fflush(stdout);
    }
    for (int k = 0; k < fault_n_kinds; k++)
        if (b->faults[k] > 0)
            printf("faults: %-21s %5ld\n", fault_kinds[k].name, b->faults[k]);
    return ok;
}

int main(int argc, char **argv)
{
    static struct bench b;
    b.verbose = argc > 3;
    scene_make(&b.scene, "faults");
    bool ok = torture_all(&b, argc, argv);
    printf("faults: %ld runs, %s%s\n", b.runs, ok ? "all held" : "FAILED",
           getenv("CHAFFINCH_LONG") != NULL ? "" : " (every call there is: CHAFFINCH_LONG=1)");
    scene_free(&b.scene);
    return !ok;
}
