#include "folders.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>

static char *parent_of(const char *path, struct err *err)
{
    const char *slash = strrchr(path, '/');
    char *parent = strndup(path, slash != NULL ? (size_t)(slash - path) : 0);
    if (parent == NULL)
        err_nomem(err);
    return parent;
}

/* *there = false where it is missing. */
static bool look_at_folder(const struct run *run, const struct files *fs, uint32_t place, const char *path,
                           bool *there, int64_t *mtime_ns, struct err *err)
{
    struct err trouble = ERR_INIT;
    struct stat st;
    int fd = files_open_folder(fs, run->places[place].fd, path, false, &trouble);
    *there = fd >= 0;
    if (fd < 0 && trouble.code == ERR_NOT_FOUND)
        return true;
    bool ok = fd >= 0;
    if (ok && fs->fstat(fs->context, fd, &st) != 0)
        ok = err_sys(&trouble, "look at", run_folder_shown(run, place, path));
    files_drop(fs, fd);
    if (ok)
        *mtime_ns = files_time_ns(&st.st_mtim);
    else if (err != NULL)
        *err = trouble;
    return ok;
}

static bool look_whether_ours(const struct run *run, const struct history *history, uint32_t place,
                              const char *path, bool *ours, struct err *err)
{
    char *shown = run_shown_below(run, place, path, err);
    *ours = shown != NULL && history_made_folder(history, shown);
    free(shown);
    return shown != NULL;
}

/* Parents come first: a folder in the plan whose parent is not in it would hide that its parent is touched.
 */
static bool add_parent(struct run *run, const struct files *fs, const struct history *history, uint32_t place,
                       const char *path, struct err *err)
{
    char *parent = parent_of(path, err);
    bool ok = parent != NULL && folders_add(run, fs, history, place, parent, err) != RUN_NONE;
    free(parent);
    return ok;
}

uint32_t folders_add(struct run *run, const struct files *fs, const struct history *history, uint32_t place,
                     const char *path, struct err *err)
{
    bool there, ours;
    int64_t mtime_ns = 0;
    uint32_t index = run_find_folder(run, place, path);
    if (index != RUN_NONE)
        return index;
    if (!look_at_folder(run, fs, place, path, &there, &mtime_ns, err) ||
        !look_whether_ours(run, history, place, path, &ours, err))
        return RUN_NONE;
    if (*path != '\0' && (!there || ours) && !add_parent(run, fs, history, place, path, err))
        return RUN_NONE;
    index = run_add_folder(run, place, path, err);
    if (index != RUN_NONE) {
        run->folders[index].made = !there;
        run->folders[index].before_ns = mtime_ns;
    }
    return index;
}

/* Also folders that no file of the undo touches: a frame that was moved and put back left its mark on them.
 */
static bool add_undone_folders(struct run *undo, const struct files *fs, const struct history *history,
                               const struct run *undone, struct err *err)
{
    for (size_t i = 0; i < undone->n_folders; i++) {
        const struct run_folder *then = &undone->folders[i];
        bool there;
        int64_t mtime_ns;
        uint32_t place = run_add_place(undo, undone->places[then->place].path, err);
        if (place == RUN_NONE)
            return false;
        if (!look_at_folder(undo, fs, place, then->path, &there, &mtime_ns, NULL) || !there)
            continue;
        if (folders_add(undo, fs, history, place, then->path, err) == RUN_NONE)
            return false;
    }
    return true;
}

bool folders_plan_times(struct run *undo, const struct files *fs, const struct history *history,
                        const struct run *undone, struct err *err)
{
    if (!add_undone_folders(undo, fs, history, undone, err))
        return false;
    for (size_t i = 0; i < undo->n_folders; i++) {
        struct run_folder *folder = &undo->folders[i];
        folder->restores = !folder->made;
        folder->restore_ns = folder->before_ns;
        for (size_t k = 0; k < undone->n_folders; k++) {
            const struct run_folder *then = &undone->folders[k];
            if (strcmp(undo->places[folder->place].path, undone->places[then->place].path) == 0 &&
                strcmp(folder->path, then->path) == 0 && !then->made && then->has_after &&
                then->after_ns == folder->before_ns)
                folder->restore_ns = then->before_ns;
        }
    }
    return true;
}

/* ---- the end of a run ---------------------------------------------------------------------------------- */

/* Trouble with a folder stops a run once, for it may pass. It never stops a resumed run: an empty folder or a
   wrong time harms no picture, and a run that could never end would hold up all others. */
static bool give_up(const struct act *act, const struct err *trouble, struct err *err)
{
    if (act->resumed)
        return true;
    if (err != NULL)
        *err = *trouble;
    return false;
}

static bool is_normal(int number)
{
    return number == ENOTEMPTY || number == EEXIST || number == ENOENT || number == ENOTDIR ||
           number == EBUSY;
}

static bool remove_if_empty(struct act *act, const struct run_folder *folder, struct err *err)
{
    const struct files *fs = act->fs;
    const char *leaf;
    struct err trouble = ERR_INIT;
    int parent = files_parent(fs, act->run->places[folder->place].fd, folder->path, false, &leaf, &trouble);
    if (parent < 0)
        return trouble.code == ERR_NOT_FOUND || give_up(act, &trouble, err);
    bool ok = true;
    if (fs->unlinkat(fs->context, parent, leaf, AT_REMOVEDIR) == 0)
        ok = files_sync(fs, parent, folder->path, &trouble) || give_up(act, &trouble, err);
    else if (!is_normal(errno)) {
        err_sys(&trouble, "remove the folder", folder->path);
        ok = give_up(act, &trouble, err);
    }
    files_drop(fs, parent);
    return ok;
}

static bool remove_empty(struct act *act, const struct history *history, struct err *err)
{
    struct run *run = act->run;
    size_t longest = 0;
    for (size_t i = 0; i < run->n_folders; i++)
        if (strlen(run->folders[i].path) > longest)
            longest = strlen(run->folders[i].path);
    /* Longer paths first: a folder is empty only after those in it are gone. */
    for (size_t size = longest; size > 0; size--)
        for (size_t i = 0; i < run->n_folders; i++) {
            const struct run_folder *folder = &run->folders[i];
            bool ours;
            if (strlen(folder->path) != size)
                continue;
            if (!look_whether_ours(run, history, folder->place, folder->path, &ours, err) ||
                ((folder->made || ours) && !remove_if_empty(act, folder, err)))
                return false;
        }
    return true;
}

static bool set_time(struct act *act, const struct run_folder *folder, int fd, struct err *err)
{
    struct timespec times[2] = {{.tv_nsec = UTIME_OMIT},
                                {.tv_sec = (time_t)(folder->restore_ns / 1000000000),
                                 .tv_nsec = (long)(folder->restore_ns % 1000000000)}};
    if (times[1].tv_nsec < 0) {
        times[1].tv_nsec += 1000000000;
        times[1].tv_sec--;
    }
    const char *shown = run_folder_shown(act->run, folder->place, folder->path);
    return act->fs->futimens(act->fs->context, fd, times) == 0
               ? files_sync(act->fs, fd, shown, err)
               : err_sys(err, "set the time of the folder", shown);
}

/* What cannot be read now stops the run here: an undo needs the time to tell whether somebody else changed
   the folder since. */
static bool finish_folder(struct act *act, struct run_folder *folder, struct err *err)
{
    struct err trouble = ERR_INIT;
    struct stat st;
    int fd = files_open_folder(act->fs, act->run->places[folder->place].fd, folder->path, false, &trouble);
    folder->has_after = false;
    if (fd < 0 && trouble.code == ERR_NOT_FOUND)
        return true;
    bool ok = fd >= 0 && (!folder->restores || set_time(act, folder, fd, &trouble)) &&
              (act->fs->fstat(act->fs->context, fd, &st) == 0 ||
               err_sys(&trouble, "look at", run_folder_shown(act->run, folder->place, folder->path)));
    files_drop(act->fs, fd);
    folder->has_after = ok;
    if (ok)
        folder->after_ns = files_time_ns(&st.st_mtim);
    return ok || give_up(act, &trouble, err);
}

bool folders_finish(struct act *act, const struct history *history, struct err *err)
{
    if (!remove_empty(act, history, err))
        return false;
    for (size_t i = 0; i < act->run->n_folders; i++)
        if (!finish_folder(act, &act->run->folders[i], err))
            return false;
    return true;
}
