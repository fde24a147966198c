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
#include "invariants.h"

enum operation { COPY, COPY_SECOND, MEASURE, RANK, DECIDE, SHEET, MOVE, UNDO, DELETE, OPERATIONS };

static const char *const names[OPERATIONS] = {"copy",  "copy-second", "measure", "rank",  "decide",
                                              "sheet", "move",        "undo",    "delete"};

static const enum stage before[OPERATIONS] = {
    [COPY] = STAGE_NOTHING,  [COPY_SECOND] = STAGE_NOTHING, [MEASURE] = STAGE_COPIED,
    [RANK] = STAGE_MEASURED, [DECIDE] = STAGE_RANKED,       [SHEET] = STAGE_RANKED,
    [MOVE] = STAGE_DECIDED,  [UNDO] = STAGE_MOVED,          [DELETE] = STAGE_MOVED};

struct bench {
    struct scene scene;
    long runs, faults[64];
    bool verbose;
};

static struct program_run command(const struct bench *b, enum operation op, const char *count)
{
    const struct scene *s = &b->scene;
    const struct program_run runs[OPERATIONS] = {
        [COPY] = {.engine = true, .args = {"copy", s->card, s->session, "--one-is-enough"}},
        [COPY_SECOND] = {.engine = true,
                         .args = {"copy", s->card, s->session, "--second", s->second, "--one-is-enough"}},
        [MEASURE] = {.engine = true, .args = {"measure", s->session, "--jobs", "1"}},
        [RANK] = {.engine = true, .args = {"rank", s->session}},
        [DECIDE] = {.engine = true,
                    .args = {"decide", s->session, "reject", scene_rejects[0], scene_rejects[1],
                             scene_rejects[2]}},
        [SHEET] = {.engine = true, .args = {"sheet", s->session, "-o", s->sheet}},
        [MOVE] = {.args = {s->session, "--move"}},
        [UNDO] = {.args = {s->session, "--undo"}},
        [DELETE] = {.args = {s->session, "--delete-rejects", "--confirm", count}},
    };
    return runs[op];
}

/* ---- what must hold ------------------------------------------------------------------------------------ */

static bool holds(const struct bench *b, const char *root, enum invariant_state state, bool folder_times)
{
    const struct invariants w = {
        .scene = &b->scene, .root = root, .state = state, .folder_times = folder_times};
    return invariants_hold(&w);
}

static bool between(const struct bench *b, enum operation op)
{
    static const enum invariant_state states[OPERATIONS] = {
        [COPY] = STATE_COPYING, [COPY_SECOND] = STATE_COPYING, [MEASURE] = STATE_HOME,
        [RANK] = STATE_HOME,    [DECIDE] = STATE_HOME,         [SHEET] = STATE_HOME,
        [MOVE] = STATE_BETWEEN, [UNDO] = STATE_BETWEEN,        [DELETE] = STATE_GOING};
    bool second = op == COPY_SECOND ? holds(b, b->scene.second, STATE_COPYING, false) : true;
    bool times = op >= MEASURE && op <= SHEET;
    return holds(b, b->scene.session, states[op], times) && second;
}

static bool list_is(const struct bench *b, enum stage stage)
{
    const struct program_run list = {.engine = true,
                                     .args = {"list", b->scene.session, "--frames", "--format", "csv"}};
    char *now = program_text(&list);
    bool same = now != NULL && strcmp(now, b->scene.list[stage]) == 0;
    if (now != NULL && !same)
        fprintf(stderr, "  the list differs from that of an undisturbed run:\n%s", now);
    free(now);
    return same;
}

static bool check_copies(const struct bench *b)
{
    const struct program_run check = {
        .engine = true, .args = {"check", b->scene.session, "--card", b->scene.card, "--one-is-enough"}};
    return program_expect(&check, 0);
}

/* After a run that says it is done. */
static bool complete(const struct bench *b, enum operation op, bool folder_times)
{
    const struct scene *s = &b->scene;
    switch (op) {
    case COPY_SECOND:
        if (!holds(b, s->second, STATE_HOME, false))
            return false;
        /* fall through */
    case COPY:
        return holds(b, s->session, STATE_HOME, false) && check_copies(b);
    case MEASURE:
    case RANK:
        return holds(b, s->session, STATE_HOME, true) && invariants_catalogue(s->session) &&
               list_is(b, op == RANK ? STAGE_RANKED : STAGE_MEASURED);
    case DECIDE:
        return invariants_catalogue(s->session) && list_is(b, STAGE_DECIDED);
    case SHEET:
        return access(s->sheet, F_OK) == 0 && invariants_catalogue(s->session) && list_is(b, STAGE_RANKED);
    case MOVE:
        return holds(b, s->session, STATE_MOVED, false) && invariants_catalogue(s->session) &&
               list_is(b, STAGE_MOVED);
    case UNDO:
        return holds(b, s->session, STATE_HOME, folder_times) && invariants_catalogue(s->session) &&
               list_is(b, STAGE_DECIDED);
    case DELETE:
        return holds(b, s->session, STATE_DELETED, false) && invariants_catalogue(s->session);
    default:
        return false;
    }
}

/* The number that the plan of a deletion prints last; -1 when it fails. */
static int planned(const struct bench *b)
{
    const struct program_run plan = {.args = {b->scene.session, "--delete-rejects"}};
    char *text = program_text(&plan);
    const char *at = text != NULL ? strstr(text, "delete: ") : NULL;
    int count = at != NULL ? atoi(at + 8) : -1;
    free(text);
    return count;
}

/* The same command again, without a fault. */
static bool again(const struct bench *b, enum operation op)
{
    char count[16] = "6";
    if (op == DELETE) {
        int n = planned(b);
        if (n < 0)
            return false;
        (void)snprintf(count, sizeof count, "%d", n);
    }
    if (op == SHEET)
        (void)remove(b->scene.sheet); /* a finished one is not replaced */
    const struct program_run run = command(b, op, count);
    return program_expect(&run, 0);
}

/* Whatever became of a move, the person takes it back: one run, or two where the first moved a part. */
static bool taken_back(const struct bench *b, bool folder_times)
{
    const struct program_run undo = {.args = {b->scene.session, "--undo"}};
    return program_expect(&undo, 0) && program_expect(&undo, 0) &&
           holds(b, b->scene.session, STATE_HOME, folder_times) && invariants_catalogue(b->scene.session);
}

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
    for (size_t i = 0; i < b->scene.originals.n; i++)
        if (quotes(message, b->scene.originals.entry[i].path))
            return true;
    return false;
}

/* The session or the card itself: its path, '.' where paths are relative to it, or what was looked for in it.
 */
static bool names_the_top(const struct bench *b, const char *leaf, const char *message)
{
    static const char *const tops[] = {"session", "second", "card", ".", ".."};
    static const char *const words[] = {"'.'", "'rejects'", "'reserved'"};
    bool top = false, named = quotes(message, b->scene.session) || quotes(message, b->scene.card);
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
        if (names_the_top(b, leaf, message) || (strlen(leaf) > 2 && quotes(message, leaf)))
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
    if (b->verbose || !names_a_file(b, met, o->err))
        fprintf(stderr, "  status %d after %s '%s': %s", o->status, tap_call_name(met->call), met->path,
                o->err);
    return names_a_file(b, met, o->err);
}

static bool judge(struct bench *b, enum operation op, const struct fault_kind *kind,
                  const struct program_outcome *o)
{
    /* A folder that is said not to be there gets no time back. */
    bool times = kind->number != ENOENT;
    bool ok = documented(b, o, kind);
    ok = between(b, op) && ok;
    if (o->status == 0 && op != SHEET && kind->number != ENOENT)
        ok = complete(b, op, times) && ok;
    if (op == UNDO && o->status == 0) /* a second undo has nothing to do */
        return ok;
    ok = again(b, op) && complete(b, op, times) && ok;
    return op == MOVE ? taken_back(b, times) && ok : ok;
}

/* Returns the number of faults, -1 when something did not hold. */
static long torture(struct bench *b, enum operation op, const struct fault_kind *kind, long first, long step,
                    long last)
{
    long faults = 0, bad = 0;
    for (long n = first; n <= last; n += step) {
        struct program_outcome o;
        struct program_run run = command(b, op, "6");
        run.hooks = &fault_hooks;
        scene_reset(&b->scene, before[op]);
        fault_arm(kind, n);
        program_run(&run, &o);
        bool met = fault_met()->tripped;
        if (met && !judge(b, op, kind, &o)) {
            char safe[600];
            fprintf(stderr, "torture: %s: %s at call %ld (%s%s '%s'): FAILED; status %d: %s\n", names[op],
                    kind->name, n, fault_met()->sqlite ? "SQLite's " : "", tap_call_name(fault_met()->call),
                    err_escape(safe, sizeof safe, fault_met()->path), o.status, o.err);
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
        if (!wanted(argc, argv, 1, names[op]))
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
        printf("faults: %-11s %5ld injected, invariants hold after each, the next run completes\n", names[op],
               faults);
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
