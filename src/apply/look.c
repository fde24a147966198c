#include "look.h"

#include <errno.h>
#include <fcntl.h>
#include <string.h>

#include "carry.h"

bool look_at(const struct act *act, int dir, const char *name, struct stat *st, struct err *err)
{
    if (dir < 0) {
        errno = ENOENT;
        return err_sys(err, "look at", name);
    }
    if (act->fs->fstatat(act->fs->context, dir, name, st, AT_SYMLINK_NOFOLLOW) != 0)
        return err_sys(err, "look at", name);
    return true;
}

static bool as_planned(const struct act *act, const struct run_file *file, const struct stat *st)
{
    return S_ISREG(st->st_mode) && (uint64_t)st->st_dev == run_device(act->run, file) &&
           (uint64_t)st->st_ino == file->inode && (uint64_t)st->st_size == file->size &&
           files_time_ns(&st->st_mtim) == file->mtime_ns;
}

/* FAT, exFAT and FUSE number files anew when they are mounted again. A run that goes on takes a file of the
   same size and time for the planned one if it holds the planned bytes, and knows it by its new number. */
static bool still_planned(struct act *act, struct run_file *file, const struct stat *st)
{
    if (as_planned(act, file, st))
        return true;
    struct run_file renumbered = *file;
    renumbered.inode = (uint64_t)st->st_ino;
    if (!act->resumed || !as_planned(act, &renumbered, st) ||
        !carry_verify(act, file, file->from_fd, file->from_name, NULL))
        return false;
    file->inode = renumbered.inode;
    return true;
}

static bool changed(const struct run_file *file, struct err *cause)
{
    char safe[300];
    return err_set(cause, ERR_FILE, "'%s' changed since the run was planned",
                   err_escape(safe, sizeof safe, file->from_name));
}

static bool taken(const struct run_file *file, struct err *cause)
{
    char safe[300];
    return err_set(cause, ERR_EXISTS, "the name '%s' is taken where it should go: nothing is replaced",
                   err_escape(safe, sizeof safe, file->to_name));
}

static bool gone(const struct run_file *file, struct err *cause)
{
    char safe[300];
    return err_set(cause, ERR_NOT_FOUND, "'%s' is gone", err_escape(safe, sizeof safe, file->from_name));
}

bool look_source(struct act *act, const struct run_file *file, struct err *cause)
{
    struct stat st;
    if (!look_at(act, file->from_fd, file->from_name, &st, cause))
        return false;
    return as_planned(act, file, &st) || changed(file, cause);
}

/* True if what has the target's name is the planned file: renamed (same inode, even if somebody wrote to it
   since), or our copy of it. */
static bool is_ours(const struct act *act, const struct run_file *file, const struct stat *st)
{
    if (!S_ISREG(st->st_mode))
        return false;
    if ((uint64_t)st->st_dev == run_device(act->run, file) && (uint64_t)st->st_ino == file->inode)
        return true;
    int64_t mtime_ns = files_time_ns(&st->st_mtim);
    return (uint64_t)st->st_size == file->size &&
           (mtime_ns == file->mtime_ns || (file->copied && mtime_ns == file->copied_ns));
}

static bool is_empty(const struct stat *st)
{
    return S_ISREG(st->st_mode) && st->st_size == 0;
}

static bool both_names(struct act *act, struct run_file *file, const struct stat *source,
                       const struct stat *target, struct err *cause)
{
    bool planned = still_planned(act, file, source);
    if (planned && source->st_ino == target->st_ino && source->st_dev == target->st_dev)
        file->stand = LOOK_LINKED;
    else if (planned && file->reserved && is_empty(target))
        file->stand = LOOK_RESERVED;
    else if (!planned && file->reserved && is_empty(source) && is_ours(act, file, target))
        file->stand = LOOK_HELD;
    else if (planned && file->copied && carry_verify(act, file, file->to_fd, file->to_name, NULL))
        file->stand = LOOK_COPIED;
    else
        return planned ? taken(file, cause) : changed(file, cause);
    return true;
}

static bool look_for_deletion(struct act *act, struct run_file *file, bool there, const struct stat *source,
                              struct err *cause)
{
    if (there && !still_planned(act, file, source))
        return changed(file, cause);
    if (there)
        file->stand = LOOK_SOURCE;
    else if (act->resumed)
        file->stand = LOOK_GONE;
    else
        return gone(file, cause);
    return true;
}

/* A file of the same frame that gives up the name this one takes, or takes the name this one gives up: where
   a sidecar is swapped. */
static bool is_other(struct act *act, const struct run_file *file, bool at_source, const struct stat *st)
{
    const struct run *run = act->run;
    const struct run_frame *frame = &run->frames[file->frame];
    for (size_t i = 0; i < frame->n; i++) {
        struct run_file other = run->files[frame->first + i];
        uint32_t folder = at_source ? other.to_folder : other.from_folder;
        const char *name = at_source ? other.to_name : other.from_name;
        if (folder == RUN_NONE || folder != (at_source ? file->from_folder : file->to_folder) ||
            strcmp(name, at_source ? file->from_name : file->to_name) != 0)
            continue;
        if ((uint64_t)st->st_ino == other.inode && (uint64_t)st->st_dev == run_device(run, &other))
            return true;
        other.inode = (uint64_t)st->st_ino;
        if (act->resumed && as_planned(act, &other, st) &&
            carry_verify(act, &other, at_source ? file->from_fd : file->to_fd, name, NULL))
            return true;
    }
    return false;
}

bool look_file(struct act *act, struct run_file *file, struct err *cause)
{
    struct stat source, target;
    struct err trouble = ERR_INIT;
    file->stand = LOOK_BAD;
    bool at_source = look_at(act, file->from_fd, file->from_name, &source, &trouble);
    bool known = at_source || trouble.code == ERR_NOT_FOUND;
    at_source = at_source && !is_other(act, file, true, &source);
    if (known && file->to_folder == RUN_NONE)
        return look_for_deletion(act, file, at_source, &source, cause);
    trouble = known ? (struct err)ERR_INIT : trouble;
    bool at_target = known && look_at(act, file->to_fd, file->to_name, &target, &trouble);
    if (!known || (!at_target && trouble.code != ERR_NOT_FOUND)) {
        *cause = trouble;
        return false;
    }
    at_target = at_target && !is_other(act, file, false, &target);
    if (at_source && at_target)
        return act->resumed ? both_names(act, file, &source, &target, cause) : taken(file, cause);
    if (!at_source && !at_target) {
        file->stand = LOOK_GONE;
        return gone(file, cause);
    }
    if (at_source && !still_planned(act, file, &source))
        return changed(file, cause);
    if (at_target && !(act->resumed && is_ours(act, file, &target)))
        return gone(file, cause);
    file->stand = at_source ? LOOK_SOURCE : LOOK_TARGET;
    return true;
}
