/*
 * The power fails: behind any file call of a command, and what was not synced by then is kept, dropped, torn
 * or turned to noise. The invariants hold, the catalogue can be opened, the next run completes. Behind the
 * last call of a run that said it is done, nothing of it is lost.
 *
 *     torture_power [OPERATION [CUT SEED]]
 *
 * By default a sample of the calls (CHAFFINCH_STEP: one in so many, default 41), three seeds each; with
 * CHAFFINCH_LONG=1 every call, six seeds each.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/err.h"
#include "disk_model.h"
#include "operations.h"

static const char *const trees[] = {"session", "second", "away", "made"};

static bool judge(const struct scene *s, enum operation op, bool at_end)
{
    /* A move to another disk apart, no file is ever there twice; folders' times are no promise after a crash.
     */
    const struct operation_check c = {.scene = s, .op = op};
    if (!operation_holds(&c))
        return false;
    if (at_end && !operation_complete(&c))
        return false;
    if (operation_is_undo(op) && at_end)
        return true;
    if (!operation_again(&c) || !operation_complete(&c))
        return false;
    return (op != MOVE && op != MOVE_FAR) || operation_taken_back(&c);
}

/* Returns the number of cuts, -1 when something did not hold. */
static long cut_one(const struct scene *s, enum operation op, long step, uint32_t seeds, long only,
                    uint32_t seed)
{
    struct program_run run = operation_command(s, op, "6");
    struct program_outcome o;
    long cuts = 0, bad = 0;
    scene_reset(s, operation_starts_at(op));
    model_watch(s->work, trees, 4);
    run.hooks = &model_hooks;
    program_run(&run, &o);
    if (o.status != 0)
        fprintf(stderr, "  the run to be recorded ended with %d: %s\n", o.status, o.err);
    long n = (long)model_events();
    for (long cut = only >= 0 ? only : (long)op % step; o.status == 0 && cut <= n && bad < 4; cut += step) {
        /* The very end is always tried. */
        if (only < 0 && cut + step > n)
            cut = n;
        for (uint32_t k = only >= 0 ? seed : 0; k < (only >= 0 ? seed + 1 : seeds); k++, cuts++) {
            char text[600], safe[900];
            model_cut((size_t)cut, k);
            if (judge(s, op, cut == n))
                continue;
            fprintf(stderr, "torture: %s: power cut behind call %ld of %ld (%s), seed %u: FAILED\n",
                    operation_name(op), cut, n,
                    err_escape(safe, sizeof safe, model_event_text((size_t)cut, text, sizeof text)), k);
            bad++;
        }
        if (only >= 0)
            break;
    }
    bool ok = bad == 0 && o.status == 0;
    program_release(&o);
    printf("power: %-11s %4ld calls that change the disk, %5ld cuts, %s\n", operation_name(op), n, cuts,
           ok ? "invariants hold after each, the next run completes" : "FAILED");
    (void)fflush(stdout);
    return ok ? cuts : -1;
}

/* A run is killed, the next one completes, and then the power fails: nothing of it is lost. */
static long cut_resumed(const struct scene *s, enum operation op, long step)
{
    long cuts = 0;
    for (long at = 1;; at += step, cuts++) {
        struct program_run run = operation_command(s, op, "6");
        struct program_outcome o;
        scene_reset(s, operation_starts_at(op));
        model_watch(s->work, trees, 4);
        model_kill_at(at);
        run.hooks = &model_hooks;
        program_run(&run, &o);
        bool killed = o.status < 0;
        program_release(&o);
        if (!killed)
            return cuts;
        model_kill_at(0);
        program_run(&run, &o);
        bool done = o.status == 0;
        program_release(&o);
        /* A deletion that was interrupted early is planned anew. */
        if (!done && op == DELETE)
            continue;
        model_cut(model_events(), 0);
        const struct operation_check c = {.scene = s, .op = op};
        if (done && operation_holds(&c) && operation_complete(&c))
            continue;
        fprintf(stderr,
                "torture: %s: killed at call %ld, completed, then the power failed: FAILED; what happened:\n",
                operation_name(op), at);
        for (size_t i = 1; i <= model_events(); i++) {
            char text[600], safe[900];
            fprintf(stderr, "  %zu %s\n", i,
                    err_escape(safe, sizeof safe, model_event_text(i, text, sizeof text)));
        }
        return -1;
    }
}

int main(int argc, char **argv)
{
    static struct scene s;
    bool every = getenv("CHAFFINCH_LONG") != NULL, ok = true;
    const char *given = getenv("CHAFFINCH_STEP");
    long step = every ? 1 : given != NULL ? atol(given) : 41, cuts = 0;
    scene_make(&s, "power");
    for (int op = 0; op < OPERATIONS; op++) {
        if (operation_only_reads((enum operation)op) ||
            (argc > 1 && strcmp(argv[1], operation_name((enum operation)op)) != 0))
            continue;
        long n = cut_one(&s, (enum operation)op, step, every ? 6 : 3, argc > 3 ? atol(argv[2]) : -1,
                         argc > 3 ? (uint32_t)atol(argv[3]) : 0);
        long m = argc > 3 ? 0 : cut_resumed(&s, (enum operation)op, step);
        ok = ok && n >= 0 && m >= 0;
        cuts += (n > 0 ? n : 0) + (m > 0 ? m : 0);
        printf("power: %-11s %5ld times killed, completed, then cut: %s\n",
               operation_name((enum operation)op), m, m >= 0 ? "nothing lost" : "FAILED");
    }
    printf("power: %ld cuts, seeds 0 to %d (0 drops all that was not synced, 1 keeps it), %s\n", cuts,
           every ? 5 : 2, ok ? "all held" : "FAILED");
    scene_free(&s);
    return !ok;
}
