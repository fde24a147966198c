/* What --undo would do: every file of one run back to the name it had, from the logs alone. */
#include <stdlib.h>

#include "folders.h"
#include "plan.h"

static uint64_t owner_of_put(const struct history_put *put)
{
    return (uint64_t)put->run->number << 32 | put->file->frame;
}

static bool claim_puts(struct plan *plan, struct err *err)
{
    const struct history *h = plan->history;
    for (size_t i = 0; i < h->n_puts; i++)
        if (!companions_claim(&plan->companions, h->puts[i].path, owner_of_put(&h->puts[i]),
                              h->puts[i].file->picture, err))
            return false;
    companions_ready(&plan->companions);
    return true;
}

/* Stages one file and, for a picture, its new companions. */
static bool stage(struct plan *plan, const struct run *undone, const struct run_file *file,
                  const struct history_put *put, struct err *cause)
{
    const struct run_folder *at = &undone->folders[file->to_folder];
    const struct run_folder *home = &undone->folders[file->from_folder];
    /* A sidecar may have been written to since, and goes back as it is; one that was swapped in would go out
       of sight with what was written, so it stays. */
    bool must_match = file->picture || undone->kind == RUN_SIDECARS;
    const struct plan_expect expect = {.picture = file->picture, .put = must_match ? put : NULL};
    uint32_t from_place = plan_place(plan, undone->places[at->place].path, cause);
    uint32_t to_place =
        from_place != RUN_NONE ? plan_place(plan, undone->places[home->place].path, cause) : RUN_NONE;
    if (to_place == RUN_NONE)
        return false;
    char *from = run_join(at->path, file->to_name, cause);
    char *to = from != NULL ? run_join(home->path, file->from_name, cause) : NULL;
    bool ok = to != NULL && (plan_is_staged(plan, from_place, from) ||
                             plan_stage(plan, from_place, from, to_place, to, &expect, cause));
    free(from);
    free(to);
    return ok;
}

struct frame_undo {
    struct plan *plan;
    const struct run *undone;
    const struct run_frame *frame;
    bool present; /* something of it is still where the run put it */
    uint64_t owner;
};

/* What somebody took away cannot be put back; it is named, and the rest of the frame goes back. */
static bool stage_or_name(struct frame_undo *u, const struct run_file *file, struct err *cause)
{
    char *at = run_shown(u->undone, file->to_folder, file->to_name, cause);
    if (at == NULL)
        return false;
    const struct history_put *put = history_find(u->plan->history, at);
    /* The old sidecar may be back under the name that the merged one had. */
    if (put != NULL && u->undone->kind == RUN_SIDECARS && !hash_equal(&put->file->digest, &file->digest))
        put = NULL;
    bool ok = put == NULL || stage(u->plan, u->undone, file, put, cause);
    if (put != NULL && file->picture && u->owner == 0)
        u->owner = owner_of_put(put);
    if (!ok && cause->code == ERR_NOT_FOUND && cause->sys != 0) {
        struct err gone = *cause;
        *cause = (struct err)ERR_INIT;
        ok = !file->picture || plan_leave(u->plan, 0, at, true, &gone, cause);
    } else
        u->present = u->present || put != NULL;
    free(at);
    return ok;
}

static bool stage_frame(struct frame_undo *u, struct err *cause)
{
    bool ok = true;
    /* From the end: where one file took the name of another, it must give it up first. */
    for (size_t i = u->frame->n; i-- > 0;) {
        struct err trouble = ERR_INIT;
        const struct run_file *file = &u->undone->files[u->frame->first + i];
        if (file->where != WHERE_TARGET || stage_or_name(u, file, &trouble))
            continue;
        if (ok || plan_fatal(&trouble))
            *cause = trouble;
        ok = false;
    }
    size_t known = u->plan->n_staged;
    for (size_t i = 0; ok && i < known; i++)
        if (u->plan->staged[i].file.picture)
            ok = plan_stage_companions(u->plan, i, u->owner, cause);
    return ok;
}

static bool plan_frame(struct plan *plan, const struct run *undone, const struct run_frame *frame,
                       struct err *err)
{
    struct err cause = ERR_INIT;
    struct frame_undo u = {plan, undone, frame, false, 0};
    uint64_t left = plan->totals.left_frames;
    plan_begin(plan);
    bool ok = stage_frame(&u, &cause);
    if (!ok && plan_fatal(&cause)) {
        if (err != NULL)
            *err = cause;
        return false;
    }
    left = ok ? plan->totals.left_frames : left;
    ok = ok ? plan->n_staged == 0 || plan_accept(plan, APPLY_BACK, 0, frame->label, err)
            : plan_leave(plan, 0, frame->label, true, &cause, err);
    /* Frames that still lie there are tried again by the next undo. */
    if (u.present && plan->totals.left_frames > left)
        plan->run.count++;
    return ok;
}

bool plan_undo(struct plan *plan, const struct run *undone, struct err *err)
{
    plan->run.undoes = undone->number;
    for (size_t i = 0; i < undone->n_places; i++)
        if (plan_place(plan, undone->places[i].path, err) == RUN_NONE)
            return false;
    if (!claim_puts(plan, err))
        return false;
    for (size_t i = 0; i < undone->n_frames; i++)
        if (!plan_frame(plan, undone, &undone->frames[i], err))
            return false;
    run_set_batches(&plan->run);
    return folders_plan_times(&plan->run, plan->root->fs, plan->history, undone, err);
}
