#include "act.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#include "away.h"
#include "carry.h"
#include "erase.h"
#include "journal.h"
#include "look.h"
#include "step.h"

bool act_open(struct act *act, const struct root *root, struct run *run, bool resumed, struct log *log,
              const volatile int *stop, struct err *err)
{
    *act = (struct act){.fs = root->fs, .run = run, .resumed = resumed, .log = log, .stop = stop};
    act->buffer = malloc(ACT_BUFFER_BYTES);
    if (act->buffer == NULL)
        return err_nomem(err);
    act->hash = hash_new(err);
    if (act->hash == NULL || !run_open_places(run, root, err) || (resumed && !away_check(run, root, err)))
        return false;
    act->journal = journal_open(root, run->number, err);
    return act->journal != NULL && (!resumed || journal_resumed(act->journal, err));
}

void act_close(struct act *act)
{
    textlog_discard(act->journal);
    if (act->run != NULL)
        run_close(act->run, act->fs);
    hash_free(act->hash);
    free(act->buffer);
    *act = (struct act){.fs = act->fs};
}

bool act_go_on(const struct act *act, struct err *err)
{
    if (act->stop == NULL || *act->stop == 0)
        return true;
    return err_set(err, ERR_INTERRUPTED, "stopped as asked: the same command goes on from here");
}

bool act_hopeless(const struct act *act, const struct err *err)
{
    bool target = err->code == ERR_NO_SPACE || err->sys == EROFS;
    return act->broken || err->code == ERR_NOMEM || err->code == ERR_INTERRUPTED || err->sys == EIO ||
           err->sys == EMFILE || err->sys == ENFILE || (target && !act->resumed);
}

void act_leave(struct act *act, struct run_frame *frame, const struct err *cause)
{
    char safe[400];
    frame->state = FRAME_LEFT;
    frame->cause = run_keep(act->run, cause->message, NULL);
    log_line(act->log, "left '%s': %s", err_escape(safe, sizeof safe, frame->label), cause->message);
}

/* ---- one frame ----------------------------------------------------------------------------------------- */

static struct run_file *file_of(const struct act *act, const struct run_frame *frame, size_t i)
{
    return &act->run->files[frame->first + i];
}

/* A folder that is missing is no error: what should be in it is then missing too. */
static bool open_one(struct act *act, uint32_t folder, bool create, int *fd, struct err *cause)
{
    struct err trouble = ERR_INIT;
    *fd = -1;
    if (folder == RUN_NONE)
        return true;
    *fd = run_open_folder(act->run, act->fs, folder, create, &trouble);
    if (*fd >= 0 || (trouble.code == ERR_NOT_FOUND && !create))
        return true;
    *cause = trouble;
    return false;
}

/* Looking changes nothing; so what cannot be looked at is a reason to leave its frame, not to stop. */
static bool survey(struct act *act, struct run_frame *frame, struct err *cause)
{
    bool good = true;
    for (size_t i = 0; i < frame->n; i++) {
        struct run_file *file = file_of(act, frame, i);
        struct err trouble = ERR_INIT;
        file->stand = LOOK_BAD;
        bool ok = open_one(act, file->from_folder, false, &file->from_fd, &trouble) &&
                  open_one(act, file->to_folder, false, &file->to_fd, &trouble) &&
                  (!act->resumed || carry_drop_temp(act, file, &trouble)) && look_file(act, file, &trouble);
        if (!ok && good)
            *cause = trouble;
        good = good && ok;
    }
    if (cause->sys == EIO)
        cause->sys = 0;
    return good;
}

static void touch(struct act *act, const struct run_file *file)
{
    act->run->folders[file->from_folder].dirty = true;
    if (file->to_folder != RUN_NONE)
        act->run->folders[file->to_folder].dirty = true;
}

static bool other_disk(const struct act *act, const struct run_file *file)
{
    struct stat st;
    return act->fs->fstat(act->fs->context, file->to_fd, &st) == 0 &&
           (uint64_t)st.st_dev != run_device(act->run, file);
}

/* Brings one file to its target, or a verified copy of it. */
static bool bring(struct act *act, struct run_file *file, struct err *cause)
{
    bool crosses = false;
    /* Also where a crash left the file at its target: that name may not be on the disk yet. */
    touch(act, file);
    if (file->stand == LOOK_TARGET)
        return true;
    if (file->stand == LOOK_COPIED)
        return files_sync(act->fs, file->to_fd, file->to_name, cause);
    if (!open_one(act, file->to_folder, true, &file->to_fd, cause))
        return false;
    if (file->stand != LOOK_SOURCE && !step_finish(act, file, STEP_FORWARD, cause))
        return false;
    if (file->stand == LOOK_TARGET)
        return true;
    if (!other_disk(act, file)) {
        struct err trouble = ERR_INIT;
        if (step_rename(act, file, STEP_FORWARD, &crosses, &trouble)) {
            file->stand = LOOK_TARGET;
            return true;
        }
        /* Two mounts of one file system have one device number and still refuse a rename. */
        if (!crosses) {
            *cause = trouble;
            return false;
        }
    }
    return carry_copy(act, file, cause);
}

/* All copies of the frame are safe: the sources go. *begun tells that one is gone. */
static bool remove_sources(struct act *act, struct run_frame *frame, bool *begun, struct err *cause)
{
    for (size_t i = 0; i < frame->n; i++) {
        struct run_file *file = file_of(act, frame, i);
        if (file->stand != LOOK_COPIED)
            continue;
        if (!frame->removing) {
            frame->removing = true;
            if (!journal_removing(act->journal, act->run, frame, cause)) {
                act->broken = true;
                return false;
            }
        }
        if (!look_source(act, file, cause) || !step_remove(act, file->from_fd, file->from_name, cause))
            return false;
        *begun = true;
        file->stand = LOOK_TARGET;
        if (!files_sync(act->fs, file->from_fd, file->from_name, cause))
            return false;
    }
    return true;
}

static bool forward(struct act *act, struct run_frame *frame, bool *begun, struct err *cause)
{
    for (size_t i = 0; i < frame->n; i++)
        if (!bring(act, file_of(act, frame, i), cause))
            return false;
    return remove_sources(act, frame, begun, cause);
}

/* Puts one file back to where it was before this frame was begun. */
static bool take_back(struct act *act, struct run_file *file, struct err *err)
{
    bool crosses;
    touch(act, file);
    if (file->stand == LOOK_COPIED) {
        if (!look_source(act, file, err) || !step_remove(act, file->to_fd, file->to_name, err))
            return false;
        file->stand = LOOK_SOURCE;
    }
    if ((file->stand == LOOK_LINKED || file->stand == LOOK_RESERVED || file->stand == LOOK_HELD) &&
        !step_finish(act, file, STEP_BACK, err))
        return false;
    if (file->stand == LOOK_TARGET) {
        if (!open_one(act, file->from_folder, true, &file->from_fd, err) ||
            !step_rename(act, file, STEP_BACK, &crosses, err))
            return false;
        file->stand = LOOK_SOURCE;
    }
    return true;
}

/* An old sidecar and the text that takes its name stay on one disk: where they did not, something passes. */
static bool swap_stuck(const struct act *act, const struct err *trouble)
{
    return act->run->kind == RUN_SIDECARS && trouble->sys == EXDEV;
}

/* False with *cause replaced when a file could not be put back for a reason that may pass: the run stops and
   the next one looks again. A name that was taken meanwhile, or a source on another disk that is gone, cannot
   pass: that file stays at its target and the log says so. */
static bool roll_back(struct act *act, struct run_frame *frame, struct err *cause)
{
    bool ok = true;
    for (size_t i = frame->n; i-- > 0;) {
        struct run_file *file = file_of(act, frame, i);
        struct err trouble = ERR_INIT;
        if (!take_back(act, file, &trouble) && (act_hopeless(act, &trouble) || swap_stuck(act, &trouble))) {
            *cause = trouble;
            ok = false;
        }
        /* What has left its source can only come back from its target. */
        bool gone = act->resumed && file->stand == LOOK_GONE;
        file->where =
            gone || file->stand == LOOK_TARGET || file->stand == LOOK_COPIED ? WHERE_TARGET : WHERE_SOURCE;
    }
    return ok;
}

static void all_at(struct act *act, struct run_frame *frame, enum run_where where)
{
    for (size_t i = 0; i < frame->n; i++)
        file_of(act, frame, i)->where = where;
    frame->state = FRAME_DONE;
}

static bool move_frame(struct act *act, struct run_frame *frame, struct err *err)
{
    struct err cause = ERR_INIT;
    bool begun = false;
    if (survey(act, frame, &cause) && forward(act, frame, &begun, &cause)) {
        all_at(act, frame, WHERE_TARGET);
        return true;
    }
    bool stop = act_hopeless(act, &cause);
    /* Once a source on another disk is gone there is no way back: the next run goes on from here. */
    if (begun || !roll_back(act, frame, &cause) || stop) {
        if (err != NULL)
            *err = cause;
        return false;
    }
    act_leave(act, frame, &cause);
    return true;
}

/* Nothing more is deleted; the log learns what is gone. */
static bool close_frame(struct act *act, struct run_frame *frame, struct err *err)
{
    struct err cause = ERR_INIT;
    bool all_gone = true;
    (void)survey(act, frame, &cause);
    for (size_t i = 0; i < frame->n; i++) {
        struct run_file *file = file_of(act, frame, i);
        file->where = file->stand == LOOK_GONE ? WHERE_GONE : WHERE_SOURCE;
        all_gone = all_gone && file->where == WHERE_GONE;
    }
    frame->state = all_gone ? FRAME_DONE : FRAME_LEFT;
    frame->cause = "the deletion was interrupted and not carried on";
    return act_go_on(act, err);
}

static bool delete_frame(struct act *act, struct run_frame *frame, struct err *err)
{
    struct err cause = ERR_INIT;
    for (size_t i = 0; i < frame->n; i++)
        touch(act, file_of(act, frame, i));
    if (survey(act, frame, &cause) && erase_frame(act, frame, &cause)) {
        all_at(act, frame, WHERE_GONE);
        return true;
    }
    if (act_hopeless(act, &cause)) {
        if (err != NULL)
            *err = cause;
        return false;
    }
    act_leave(act, frame, &cause);
    return true;
}

/* ---- batches ------------------------------------------------------------------------------------------- */

/* The folders above one that files came to: a run that was killed may have made them and left them unsynced,
   and what lies in a folder that nothing leads to is lost. */
static bool sync_above(const struct act *act, const struct run_folder *folder, struct err *err)
{
    char *path = strdup(folder->path);
    bool ok = path != NULL || err_nomem(err);
    while (ok && *path != '\0') {
        char *slash = strrchr(path, '/');
        *(slash != NULL ? slash : path) = '\0';
        int fd = files_open_folder(act->fs, act->run->places[folder->place].fd, path, false, err);
        ok = fd >= 0 && files_sync(act->fs, fd, run_folder_shown(act->run, folder->place, path), err);
        files_drop(act->fs, fd);
    }
    free(path);
    return ok;
}

static bool is_source(const struct run *run, size_t folder)
{
    for (size_t i = 0; i < run->n_files; i++)
        if (run->files[i].from_folder == folder)
            return true;
    return false;
}

/* Where files came to first, what they left last: on a disk without a journal a name must not be gone for
   good before the new one is there for good. */
static bool sync_folders(struct act *act, struct err *err)
{
    bool ok = true;
    for (int sources = 0; sources < 2; sources++)
        for (size_t i = 0; i < act->run->n_folders; i++) {
            struct run_folder *folder = &act->run->folders[i];
            if (folder->fd < 0 || is_source(act->run, i) != (sources == 1))
                continue;
            if (folder->dirty)
                ok = files_sync(act->fs, folder->fd, run_folder_shown(act->run, folder->place, folder->path),
                                ok ? err : NULL) &&
                     sync_above(act, folder, ok ? err : NULL) && ok;
            folder->dirty = false;
            files_drop(act->fs, folder->fd);
            folder->fd = -1;
        }
    return ok;
}

static bool do_batch(struct act *act, uint32_t batch, struct err *err)
{
    struct run *run = act->run;
    bool ok = true;
    for (size_t i = (size_t)batch * RUN_BATCH_FRAMES;
         ok && i < run->n_frames && run->frames[i].batch == batch; i++)
        ok = act_go_on(act, err) && (act->closing              ? close_frame(act, &run->frames[i], err)
                                     : run->kind == RUN_DELETE ? delete_frame(act, &run->frames[i], err)
                                                               : move_frame(act, &run->frames[i], err));
    ok = sync_folders(act, ok ? err : NULL) && ok;
    return ok && journal_batch(act->journal, run, batch, err);
}

bool act_batches(struct act *act, struct err *err)
{
    while (act->run->batches_done < act->run->batches) {
        if (!do_batch(act, act->run->batches_done, err))
            return false;
        act->run->batches_done++;
    }
    return true;
}
