/* What --move would do: rejects out, frames that are rejects no longer back. */
#include <stdlib.h>
#include <string.h>

#include "plan.h"
#include "target.h"

struct target {
    uint32_t place;
    char *prefix;
};

static bool claim_all(struct plan *plan, struct err *err)
{
    const struct snapshot *s = plan->snapshot;
    for (size_t i = 0; i < s->n_files; i++)
        if (!s->files[i].missing && !companions_claim(&plan->companions, s->files[i].path,
                                                      (uint64_t)s->files[i].frame, s->files[i].picture, err))
            return false;
    companions_ready(&plan->companions);
    return true;
}

static bool stage_out(struct plan *plan, const struct target *target, const struct snapshot_file *file,
                      struct err *cause)
{
    const struct plan_expect expect = {.picture = file->picture, .known = file};
    char safe[400];
    char *to = run_join(target->prefix, file->path, cause);
    bool ok = to != NULL && plan_stage(plan, 0, file->path, target->place, to, &expect, cause);
    free(to);
    if (ok || cause->code != ERR_NOT_FOUND)
        return ok;
    /* A sidecar that somebody removed is no reason to keep its pictures here. */
    return !file->picture ||
           err_set(cause, ERR_FILE, "'%s' is missing: type 'chaffinch measure' to look again",
                   err_escape(safe, sizeof safe, file->path));
}

/* A picture that somebody took out of the rejects is named; what is left of its frame comes back. */
static bool stage_back(struct plan *plan, const struct snapshot_frame *frame,
                       const struct snapshot_file *file, struct err *cause)
{
    const struct plan_expect expect = {.picture = file->picture, .known = file};
    const char *below;
    uint32_t place = plan_locate(plan, file->path, &below, cause);
    if (place == RUN_NONE)
        return false;
    if (plan_stage(plan, place, below, 0, file->home, &expect, cause))
        return true;
    if (cause->code != ERR_NOT_FOUND)
        return false;
    struct err gone = *cause;
    *cause = (struct err)ERR_INIT;
    return !file->picture || plan_leave(plan, frame->burst, file->path, true, &gone, cause);
}

static bool stage_frame(struct plan *plan, const struct target *target, const struct snapshot_frame *frame,
                        struct err *cause)
{
    size_t n;
    struct snapshot_file *const *files = snapshot_files(plan->snapshot, frame->id, &n);
    for (size_t i = 0; i < n; i++) {
        if (files[i]->missing || (files[i]->home == NULL) != frame->reject)
            continue;
        if (!(frame->reject ? stage_out(plan, target, files[i], cause)
                            : stage_back(plan, frame, files[i], cause)))
            return false;
    }
    size_t known = plan->n_staged;
    for (size_t i = 0; i < known; i++)
        if (plan->staged[i].file.picture && !plan_stage_companions(plan, i, (uint64_t)frame->id, cause))
            return false;
    return true;
}

static bool plan_frame(struct plan *plan, const struct target *target, const struct snapshot_frame *frame,
                       struct err *err)
{
    struct err cause = ERR_INIT;
    plan_begin(plan);
    if (stage_frame(plan, target, frame, &cause))
        return plan->n_staged == 0 ||
               plan_accept(plan, frame->reject ? APPLY_OUT : APPLY_BACK, frame->burst, frame->label, err);
    if (!plan_fatal(&cause))
        return plan_leave(plan, frame->burst, frame->label, true, &cause, err);
    if (err != NULL)
        *err = cause;
    return false;
}

static bool is_ranked(const struct plan *plan, struct err *err)
{
    for (size_t i = 0; i < plan->snapshot->n_frames; i++)
        if (plan->snapshot->frames[i].ranked)
            return true;
    bool measured = plan->snapshot->n_frames > 0;
    char safe[400], word[400];
    return err_set(err, ERR_USAGE, "'%s' is not %s yet: type 'chaffinch %s %s' first",
                   err_escape(safe, sizeof safe, plan->root->path), measured ? "ranked" : "measured",
                   measured ? "rank" : "measure", err_word(word, sizeof word, plan->root->path));
}

bool plan_moves(struct plan *plan, const char *to, struct err *err)
{
    struct target target = {0};
    const struct snapshot *s = plan->snapshot;
    bool ok = is_ranked(plan, err) && target_open(plan, to, &target.place, &target.prefix, err) &&
              claim_all(plan, err);
    if (ok && plan->digests)
        log_progress_start(plan->log, "looking at files", s->n_frames, "frames", 0);
    for (size_t i = 0; ok && i < s->n_frames; i++) {
        ok = plan_frame(plan, &target, &s->frames[i], err);
        if (plan->digests)
            log_progress_step(plan->log, 1, 0);
    }
    if (plan->digests)
        log_progress_end(plan->log);
    free(target.prefix);
    run_set_batches(&plan->run);
    return ok;
}
