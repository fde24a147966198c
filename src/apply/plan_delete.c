/* What --delete-rejects would do: only what a recorded run put into rejects/ and is still what it put there,
   of frames that a person has seen. */
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#include "plan.h"

static uint64_t owner_of_put(const struct history_put *put)
{
    return (uint64_t)put->run->number << 32 | put->file->frame;
}

static bool in_rejects(const char *path)
{
    return strncmp(path, ROOT_REJECTS "/", sizeof ROOT_REJECTS) == 0;
}

static int by_frame(const void *a, const void *b)
{
    const struct history_put *x = *(const struct history_put *const *)a;
    const struct history_put *y = *(const struct history_put *const *)b;
    uint64_t m = owner_of_put(x), n = owner_of_put(y);
    return m != n ? (m > n) - (m < n) : strcmp(x->path, y->path);
}

/* Everything of ours in rejects/, frame by frame. malloc'ed. */
static const struct history_put **collect(struct plan *plan, size_t *n, struct err *err)
{
    const struct history *h = plan->history;
    const struct history_put **puts = calloc(h->n_puts + 1, sizeof puts[0]);
    *n = 0;
    if (puts == NULL) {
        err_nomem(err);
        return NULL;
    }
    for (size_t i = 0; i < h->n_puts; i++) {
        if (!in_rejects(h->puts[i].path))
            continue;
        puts[(*n)++] = &h->puts[i];
        if (!companions_claim(&plan->companions, h->puts[i].path, owner_of_put(&h->puts[i]),
                              h->puts[i].file->picture, err)) {
            free(puts);
            return NULL;
        }
    }
    companions_ready(&plan->companions);
    qsort(puts, *n, sizeof puts[0], by_frame);
    return puts;
}

static const struct snapshot_frame *frame_of(const struct plan *plan, const struct history_put **puts,
                                             size_t n)
{
    for (size_t i = 0; i < n; i++) {
        const struct snapshot_file *file = snapshot_find(plan->snapshot, puts[i]->path);
        if (file != NULL && file->home != NULL)
            return snapshot_frame(plan->snapshot, file->frame);
    }
    return NULL;
}

/* The words of the person's own bar: why the frame may not be deleted although it lies in rejects/. */
static bool may_go(const struct snapshot_frame *frame, const struct run *run,
                   const struct apply_options *options, int64_t now_s, struct err *cause)
{
    if (frame == NULL)
        return err_set(cause, ERR_FILE, "the catalogue does not know it any more");
    if (!frame->reject)
        return err_set(cause, ERR_FILE, "it is a reject no longer: --move brings it back");
    if (!frame->seen && !options->unseen)
        return err_set(cause, ERR_FILE,
                       "no person has decided it or accepted its burst (--unseen deletes it too)");
    if (now_s - run->time_s < options->older_than_s)
        return err_set(cause, ERR_FILE, "it was moved too recently (--older-than)");
    return true;
}

static bool foreign(void *context, const char *name, struct err *err)
{
    char safe[300];
    (void)context;
    return err_set(err, ERR_FILE, "'%s' lies beside it and no run put it there",
                   err_escape(safe, sizeof safe, name));
}

/* Somebody who put a file beside a picture is still at work on it. */
static bool alone(struct plan *plan, const struct history_put *put, struct err *cause)
{
    const struct files *fs = plan->root->fs;
    const char *leaf;
    int dir = files_parent(fs, plan->root->fd, put->path, false, &leaf, cause);
    char *folder = strndup(put->path, leaf > put->path ? (size_t)(leaf - put->path - 1) : 0);
    bool ok = dir >= 0 && (folder != NULL || err_nomem(cause)) &&
              companions_each(&plan->companions, dir, folder, leaf, owner_of_put(put), foreign, NULL, cause);
    files_drop(fs, dir);
    free(folder);
    return ok;
}

static bool stage_frame(struct plan *plan, const struct history_put **puts, size_t n, struct err *cause)
{
    for (size_t i = 0; i < n; i++) {
        const struct plan_expect expect = {.picture = puts[i]->file->picture, .put = puts[i]};
        struct err trouble = ERR_INIT;
        if (plan_stage(plan, 0, puts[i]->path, RUN_NONE, NULL, &expect, &trouble)) {
            if (expect.picture && !alone(plan, puts[i], cause))
                return false;
        } else if (trouble.code != ERR_NOT_FOUND) {
            *cause = trouble;
            return false;
        }
    }
    return true;
}

static bool plan_frame(struct plan *plan, const struct history_put **puts, size_t n,
                       const struct apply_options *options, int64_t now_s, struct err *err)
{
    const struct snapshot_frame *frame = frame_of(plan, puts, n);
    struct err cause = ERR_INIT;
    const char *label = puts[0]->path;
    for (size_t i = n; i-- > 0;)
        if (puts[i]->file->picture)
            label = puts[i]->path;
    int64_t burst = frame != NULL ? frame->burst : 0;
    plan_begin(plan);
    bool ok = stage_frame(plan, puts, n, &cause);
    bool failed = !ok && cause.code == ERR_IO; /* what cannot be read must be named: it may be the disk */
    if (ok && plan->n_staged == 0)
        return true; /* all of it is gone already */
    if (ok && may_go(frame, puts[0]->run, options, now_s, &cause))
        return plan_accept(plan, APPLY_DELETED, burst, label, err);
    if (!plan_fatal(&cause))
        return plan_leave(plan, burst, label, failed, &cause, err);
    if (err != NULL)
        *err = cause;
    return false;
}

/* ---- what else lies in rejects/ ------------------------------------------------------------------------ */

static bool note_stranger(void *context, const char *path, const struct stat *st, bool *descend,
                          struct err *err)
{
    struct plan *plan = context;
    struct err cause = ERR_INIT;
    (void)descend;
    if (S_ISDIR(st->st_mode))
        return true;
    char *shown = run_join(ROOT_REJECTS, path, err);
    if (shown == NULL)
        return false;
    bool ok = history_find(plan->history, shown) != NULL;
    if (!ok) {
        err_set(&cause, ERR_FILE, "no run put it there");
        ok = plan_leave(plan, 0, shown, false, &cause, err);
    }
    free(shown);
    return ok;
}

static bool note_strangers(struct plan *plan, struct err *err)
{
    const struct files *fs = plan->root->fs;
    const struct files_walk walk = {.context = plan, .visit = note_stranger};
    struct err trouble = ERR_INIT;
    int fd = files_open_folder(fs, plan->root->fd, ROOT_REJECTS, false, &trouble);
    if (fd < 0 && trouble.code == ERR_NOT_FOUND)
        return true;
    bool ok =
        fd >= 0 && (files_walk_tree(fs, fd, &walk, &trouble) || err_wrap(&trouble, "'" ROOT_REJECTS "'"));
    files_drop(fs, fd);
    if (!ok && err != NULL)
        *err = trouble;
    return ok;
}

bool plan_deletion(struct plan *plan, const struct apply_options *options, int64_t now_s, struct err *err)
{
    size_t n;
    const struct history_put **puts = collect(plan, &n, err);
    bool ok = puts != NULL;
    for (size_t i = 0, end; ok && i < n; i = end) {
        for (end = i + 1; end < n && owner_of_put(puts[end]) == owner_of_put(puts[i]); end++)
            continue;
        ok = plan_frame(plan, puts + i, end - i, options, now_s, err);
    }
    free(puts);
    run_set_batches(&plan->run);
    return ok && note_strangers(plan, err);
}
