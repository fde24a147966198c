#include "chaffinch/apply.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "chaffinch/publish.h"
#include "act.h"
#include "away.h"
#include "folders.h"
#include "journal.h"
#include "plan.h"
#include "record.h"

struct apply {
    struct root root;
    struct log *log;
    const volatile int *stop;
    struct history history;
    struct snapshot snapshot;
    struct plan plan;
};

struct apply *apply_open(const struct files *fs, const char *session, enum apply_access access,
                         struct log *log, const volatile int *stop, struct err *err)
{
    struct err trouble = ERR_INIT;
    struct apply *a = calloc(1, sizeof *a);
    if (a == NULL) {
        err_nomem(err);
        return NULL;
    }
    a->log = log;
    a->stop = stop;
    a->root = (struct root)ROOT_INIT;
    if (!root_open(&a->root, fs, session, false, false, err))
        goto fail;
    if (a->root.state < 0) {
        char safe[400], word[400];
        err_set(err, ERR_USAGE, "'%s' is not measured yet: type 'chaffinch measure %s' first",
                err_escape(safe, sizeof safe, a->root.path), err_word(word, sizeof word, a->root.path));
        goto fail;
    }
    /* A plan can be looked at on a disk that is read-only, where no lock can be taken and none is needed. */
    if (!root_lock(&a->root, &trouble) && (access == APPLY_ACT || trouble.code == ERR_REFUSED)) {
        if (err != NULL)
            *err = trouble;
        goto fail;
    }
    if ((access == APPLY_ACT && !publish_recover(&a->root, err)) || !history_read(&a->root, &a->history, err))
        goto fail;
    return a;
fail:
    apply_close(a);
    return NULL;
}

static void forget_plan(struct apply *a)
{
    plan_release(&a->plan);
    snapshot_release(&a->snapshot);
}

void apply_close(struct apply *a)
{
    if (a == NULL)
        return;
    forget_plan(a);
    history_release(&a->history);
    root_close(&a->root);
    free(a);
}

static int64_t now_s(void)
{
    struct timespec t = {0};
    (void)clock_gettime(CLOCK_REALTIME, &t);
    return (int64_t)t.tv_sec;
}

/* ---- carrying a run out -------------------------------------------------------------------------------- */

static void count_file(const struct run *run, const struct run_file *file, bool first,
                       struct apply_result *result)
{
    const struct run_folder *from = &run->folders[file->from_folder];
    bool out = from->place == 0 && !root_is_ours(from->path);
    if (run->kind == RUN_SIDECARS) {
        result->swapped += first && file->where == WHERE_TARGET;
        return;
    }
    if (file->where == WHERE_GONE) {
        result->deleted_frames += first;
        result->deleted_files++;
        result->deleted_bytes += file->size;
    } else if (file->where == WHERE_TARGET && out) {
        result->out_frames += first;
        result->out_files++;
        result->out_bytes += file->size;
    } else if (file->where == WHERE_TARGET) {
        result->back_frames += first;
        result->back_files++;
        result->back_bytes += file->size;
    }
}

static void count_run(const struct run *run, uint32_t from_batch, struct apply_result *result)
{
    for (size_t i = (size_t)from_batch * RUN_BATCH_FRAMES; i < run->n_frames; i++) {
        const struct run_frame *frame = &run->frames[i];
        for (size_t k = 0; k < frame->n; k++)
            count_file(run, &run->files[frame->first + k], frame->state == FRAME_DONE && k == 0, result);
        result->left_frames += frame->state == FRAME_LEFT;
    }
}

/* Everything behind the plan; false leaves the run interrupted. */
static bool finish(struct apply *a, struct act *act, struct apply_result *result, struct err *err)
{
    struct run *run = act->run;
    uint32_t from_batch = run->batches_done;
    if (!act_batches(act, err) || !folders_finish(act, &a->history, err) ||
        !record_run(&a->root, run, &result->without_catalogue, err))
        return false;
    run->left = run->kind == RUN_UNDO ? run->count : 0;
    for (size_t i = 0; i < run->n_frames; i++)
        run->left += run->frames[i].state == FRAME_LEFT;
    if (!journal_end(act->journal, run, err))
        return false;
    run->ended = true;
    count_run(run, from_batch, result);
    return true;
}

static bool carry_out(struct apply *a, struct run *run, bool resumed, bool closing,
                      struct apply_result *result, struct err *err)
{
    struct act act;
    bool ok = act_open(&act, &a->root, run, resumed, a->log, a->stop, err);
    act.closing = closing;
    ok = ok && finish(a, &act, result, err);
    act_close(&act);
    return ok;
}

static bool start(struct apply *a, struct apply_result *result, struct err *err)
{
    struct run *run = &a->plan.run;
    run->time_s = now_s();
    if (!plan_check_space(&a->plan, err) || !journal_write_plan(&a->root, run, err))
        return false;
    result->run = run->number;
    return carry_out(a, run, false, false, result, err);
}

/* Finishes the interrupted run, if there is one. The logs are read again afterwards. */
static bool resume(struct apply *a, bool carry_on_deletion, struct apply_result *result, struct err *err)
{
    struct run *run = history_interrupted(&a->history);
    if (run == NULL)
        return true;
    result->resumed = run->number;
    result->resumed_kind = run_kind_name(run->kind);
    bool closing = run->kind == RUN_DELETE && !carry_on_deletion;
    uint64_t left = result->left_frames;
    if (!carry_out(a, run, true, closing, result, err))
        return false;
    if (closing)
        result->left_frames = left;
    history_release(&a->history);
    return history_read(&a->root, &a->history, err);
}

static void name_left(struct apply *a, struct apply_result *result)
{
    char safe[400];
    for (size_t i = 0; i < a->plan.n_lines; i++) {
        const struct plan_line *line = &a->plan.lines[i];
        if (line->way != APPLY_LEFT || !line->failed)
            continue;
        log_line(a->log, "left '%s': %s", err_escape(safe, sizeof safe, line->label), line->cause);
        result->left_frames++;
    }
}

static bool make_plan(struct apply *a, const struct apply_options *options, bool digests, struct err *err)
{
    forget_plan(a);
    enum run_kind kind = options->action == APPLY_MOVE ? RUN_MOVE : RUN_DELETE;
    if (!snapshot_read(&a->root, &a->snapshot, err) ||
        !plan_init(&a->plan, kind, &a->root, &a->history, &a->snapshot, err))
        return false;
    a->plan.digests = digests;
    a->plan.log = a->log;
    a->plan.stop = a->stop;
    return kind == RUN_MOVE ? plan_moves(&a->plan, options->to, err)
                            : plan_deletion(&a->plan, options, now_s(), err);
}

/* ---- the three commands -------------------------------------------------------------------------------- */

bool apply_move(struct apply *a, const struct apply_options *options, struct apply_result *result,
                struct err *err)
{
    *result = (struct apply_result){.run = 0};
    if (!resume(a, false, result, err) || !make_plan(a, options, true, err))
        return false;
    /* What the interrupted run left is in the new plan, or left again by it. */
    result->left_frames = 0;
    name_left(a, result);
    return a->plan.run.n_frames == 0 || start(a, result, err);
}

static bool refuse_undo(const struct run *run, struct err *err)
{
    return err_set(err, ERR_REFUSED,
                   "run %04" PRIu32
                   " deleted files and a deletion cannot be undone (what still lies in the rejects "
                   "comes back with 'chaffinch decide SESSION keep FRAME' and --move)",
                   run->number);
}

bool apply_sidecars(struct apply *a, struct apply_result *result, struct err *err)
{
    *result = (struct apply_result){.run = 0};
    if (!resume(a, false, result, err))
        return false;
    forget_plan(a);
    if (!plan_init(&a->plan, RUN_SIDECARS, &a->root, &a->history, NULL, err))
        return false;
    a->plan.digests = true;
    a->plan.stop = a->stop;
    if (!plan_sidecars(&a->plan, err))
        return false;
    result->left_frames = 0;
    name_left(a, result);
    return a->plan.run.n_frames == 0 || start(a, result, err);
}

bool apply_undo(struct apply *a, struct apply_result *result, struct err *err)
{
    *result = (struct apply_result){.run = 0};
    const struct run *interrupted = history_interrupted(&a->history);
    bool was_undo = interrupted != NULL && interrupted->kind == RUN_UNDO;
    if (was_undo)
        result->undone = interrupted->undoes;
    if (!resume(a, false, result, err))
        return false;
    const struct run *undone = history_to_undo(&a->history);
    if (was_undo) {
        /* Where the interrupted undo put all back, that is all; what it left is planned again. */
        if (undone == NULL || undone->number != result->undone)
            return true;
        result->left_frames = 0;
    } else {
        /* The counts that matter are those of the undo. */
        *result = (struct apply_result){.resumed = result->resumed, .resumed_kind = result->resumed_kind};
    }
    if (undone == NULL)
        return true;
    if (undone->kind == RUN_DELETE)
        return refuse_undo(undone, err);
    if (!away_check(undone, &a->root, err))
        return false;
    forget_plan(a);
    if (!plan_init(&a->plan, RUN_UNDO, &a->root, &a->history, NULL, err))
        return false;
    a->plan.digests = true;
    a->plan.stop = a->stop;
    if (!plan_undo(&a->plan, undone, err))
        return false;
    name_left(a, result);
    result->undone = undone->number;
    bool nothing = a->plan.run.n_frames == 0 && a->plan.run.count > 0;
    return nothing || start(a, result, err);
}

static bool refuse_interrupted(const struct run *run, struct err *err)
{
    return err_set(err, ERR_REFUSED,
                   "run %04" PRIu32
                   " (%s) was interrupted: finish it with --move or take it back with --undo first",
                   run->number, run_kind_name(run->kind));
}

/* False where a decision after the confirmation speaks for a frame whose files are not all gone yet. */
static bool still_confirmed(struct apply *a, const struct run *run, bool *still, struct err *err)
{
    struct snapshot s;
    *still = true;
    if (!snapshot_read(&a->root, &s, err))
        return false;
    bool ok = true;
    for (size_t i = 0; ok && i < run->n_files; i++) {
        const struct run_file *file = &run->files[i];
        char *shown = run_shown(run, file->from_folder, file->from_name, err);
        const struct snapshot_file *known = shown != NULL ? snapshot_find(&s, shown) : NULL;
        const struct snapshot_frame *frame = known != NULL ? snapshot_frame(&s, known->frame) : NULL;
        ok = shown != NULL;
        *still = *still && (file->where == WHERE_GONE || frame == NULL || frame->reject);
        free(shown);
    }
    snapshot_release(&s);
    return ok;
}

/* Files that a deletion which has ended left where they were, and of how many frames: they were confirmed. */
static uint64_t left_by(const struct history *history, uint32_t number, uint64_t *frames)
{
    uint64_t files = 0;
    *frames = 0;
    for (size_t i = 0; i < history->n_runs; i++) {
        const struct run *run = &history->runs[i];
        if (run->number != number)
            continue;
        for (size_t k = 0; k < run->n_files; k++)
            files += run->files[k].where != WHERE_GONE;
        *frames += run->left;
    }
    return files;
}

bool apply_delete(struct apply *a, const struct apply_options *options, struct apply_result *result,
                  struct err *err)
{
    *result = (struct apply_result){.run = 0};
    const struct run *interrupted = history_interrupted(&a->history);
    if (interrupted != NULL && interrupted->kind != RUN_DELETE)
        return refuse_interrupted(interrupted, err);
    /* The same command again: the person has confirmed just that, unless a decision came in between. */
    bool carry_on = interrupted != NULL && interrupted->count == options->confirm;
    if (carry_on && !still_confirmed(a, interrupted, &carry_on, err))
        return false;
    if (!resume(a, carry_on, result, err))
        return false;
    uint64_t confirmed = options->confirm, left = 0;
    if (carry_on) {
        confirmed = left_by(&a->history, result->resumed, &left);
        if (confirmed == 0)
            return true;
        result->left_frames = 0;
    }
    if (!make_plan(a, options, true, err))
        return false;
    name_left(a, result);
    uint64_t files = a->plan.totals.delete_files;
    if (carry_on && files != confirmed) {
        result->left_frames = left;
        return true;
    }
    if (files != confirmed)
        return err_set(err, ERR_REFUSED,
                       "the plan deletes %" PRIu64 " files, not %" PRIu64
                       ": look at it once more (--delete-rejects alone prints it) and confirm its number",
                       files, options->confirm);
    a->plan.run.count = files;
    return a->plan.run.n_frames == 0 || start(a, result, err);
}

/* ---- looking ------------------------------------------------------------------------------------------- */

bool apply_plan(struct apply *a, const struct apply_options *options, struct err *err)
{
    const struct run *interrupted = history_interrupted(&a->history);
    bool deletion = interrupted != NULL && interrupted->kind == RUN_DELETE;
    forget_plan(a);
    if (interrupted != NULL && !deletion && options->action == APPLY_DELETE)
        return refuse_interrupted(interrupted, err);
    if ((interrupted == NULL || deletion) && !make_plan(a, options, false, err))
        return false;
    if (interrupted != NULL) {
        a->plan.totals.interrupted = interrupted->number;
        a->plan.totals.interrupted_kind = run_kind_name(interrupted->kind);
    }
    return true;
}

const struct apply_totals *apply_plan_totals(const struct apply *a)
{
    return &a->plan.totals;
}

static void free_moves(struct apply_move_line *moves, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        free((char *)moves[i].path);
        free((char *)moves[i].to);
    }
    free(moves);
}

static struct apply_move_line *moves_of(const struct run *run, const struct run_frame *frame,
                                        uint64_t *size_bytes, struct err *err)
{
    struct apply_move_line *moves = calloc(frame->n + 1, sizeof moves[0]);
    bool ok = moves != NULL || err_nomem(err);
    for (size_t i = 0; ok && i < frame->n; i++) {
        const struct run_file *file = &run->files[frame->first + i];
        moves[i].path = run_shown(run, file->from_folder, file->from_name, err);
        moves[i].to =
            file->to_folder != RUN_NONE ? run_shown(run, file->to_folder, file->to_name, err) : NULL;
        moves[i].size_bytes = file->size;
        *size_bytes += file->size;
        ok = moves[i].path != NULL && (moves[i].to != NULL || file->to_folder == RUN_NONE);
    }
    if (ok)
        return moves;
    free_moves(moves, moves != NULL ? frame->n : 0);
    return NULL;
}

bool apply_each(struct apply *a, apply_visit *visit, void *context, struct err *err)
{
    const struct run *run = &a->plan.run;
    for (size_t i = 0; i < a->plan.n_lines; i++) {
        const struct plan_line *from = &a->plan.lines[i];
        struct apply_line line = {.way = from->way,
                                  .burst = from->burst,
                                  .frame = from->label,
                                  .cause = from->cause,
                                  .failed = from->failed};
        struct apply_move_line *moves = NULL;
        if (from->frame != RUN_NONE) {
            moves = moves_of(run, &run->frames[from->frame], &line.size_bytes, err);
            if (moves == NULL)
                return false;
            line.n_files = run->frames[from->frame].n;
        }
        line.files = moves;
        bool ok = visit(context, &line, err);
        free_moves(moves, line.n_files);
        if (!ok)
            return false;
    }
    return true;
}
