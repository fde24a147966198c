/*
 * Three ways to give a file a new name without replacing anything. Sources: rename(2) and link(2) of the
 * Linux man-pages: RENAME_NOREPLACE fails with EINVAL where the file system lacks it; link(2) with EPERM
 * where there are no hard links (FAT, exFAT).
 */
#include "step.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <unistd.h>

#include "journal.h"
#include "look.h"

/* What is renamed to what. */
struct names {
    int from_dir, to_dir;
    const char *from, *to;
};

static struct names names_of(const struct run_file *file, enum step_way way)
{
    if (way == STEP_FORWARD)
        return (struct names){file->from_fd, file->to_fd, file->from_name, file->to_name};
    return (struct names){file->to_fd, file->from_fd, file->to_name, file->from_name};
}

static bool no_noreplace(int number)
{
    return number == EINVAL || number == ENOSYS || number == EOPNOTSUPP;
}

static bool no_links(int number)
{
    return number == EPERM || number == ENOSYS || number == EOPNOTSUPP || number == EMLINK ||
           number == EINVAL;
}

bool step_remove(struct act *act, int dir, const char *name, struct err *err)
{
    return act->fs->unlinkat(act->fs->context, dir, name, 0) == 0 || err_sys(err, "remove", name);
}

/* The last way: an empty file that only we can have made holds the name, noted before it exists. */
static bool by_reservation(struct act *act, struct run_file *file, const struct names *n, struct err *err)
{
    const struct files *fs = act->fs;
    if (!file->reserved) {
        file->reserved = true;
        if (!journal_reserved(act->journal, act->run, file, err)) {
            act->broken = true;
            return false;
        }
    }
    int fd = files_open(fs, n->to_dir, n->to, O_WRONLY | O_CREAT | O_EXCL, 0666, n->to, err);
    if (fd < 0)
        return false;
    files_drop(fs, fd);
    if (fs->renameat2(fs->context, n->from_dir, n->from, n->to_dir, n->to, 0) == 0)
        return true;
    err_sys(err, "rename", n->from);
    (void)step_remove(act, n->to_dir, n->to, NULL);
    return false;
}

static bool by_link(struct act *act, struct run_file *file, const struct names *n, struct err *err)
{
    const struct files *fs = act->fs;
    if (fs->linkat(fs->context, n->from_dir, n->from, n->to_dir, n->to) != 0)
        return no_links(errno) ? by_reservation(act, file, n, err) : err_sys(err, "rename", n->from);
    if (step_remove(act, n->from_dir, n->from, err))
        return true;
    (void)step_remove(act, n->to_dir, n->to, NULL);
    return false;
}

/* On a network file system a rename that was reported as failed may have happened (rename(2), BUGS). */
static bool happened_anyway(struct act *act, const struct run_file *file, const struct names *n)
{
    struct stat st;
    struct err trouble = ERR_INIT;
    int saved = errno;
    bool happened = look_at(act, n->to_dir, n->to, &st, &trouble) && (uint64_t)st.st_ino == file->inode &&
                    !look_at(act, n->from_dir, n->from, &st, &trouble) && trouble.code == ERR_NOT_FOUND;
    errno = saved;
    return happened;
}

bool step_rename(struct act *act, struct run_file *file, enum step_way way, bool *crosses, struct err *err)
{
    const struct files *fs = act->fs;
    struct names n = names_of(file, way);
    *crosses = false;
    if (fs->renameat2(fs->context, n.from_dir, n.from, n.to_dir, n.to, RENAME_NOREPLACE) == 0)
        return true;
    if (errno == EXDEV) {
        *crosses = true;
        return err_sys(err, "rename", n.from);
    }
    if (no_noreplace(errno))
        return by_link(act, file, &n, err);
    return (errno != EEXIST && happened_anyway(act, file, &n)) || err_sys(err, "rename", n.from);
}

bool step_publish(struct act *act, struct run_file *file, const char *temp, struct err *err)
{
    const struct files *fs = act->fs;
    struct names n = {file->to_fd, file->to_fd, temp, file->to_name};
    if (fs->renameat2(fs->context, n.from_dir, n.from, n.to_dir, n.to, RENAME_NOREPLACE) == 0)
        return true;
    return no_noreplace(errno) ? by_link(act, file, &n, err) : err_sys(err, "publish", n.to);
}

bool step_finish(struct act *act, struct run_file *file, enum step_way way, struct err *err)
{
    bool at_target = file->stand == LOOK_HELD || (file->stand == LOOK_LINKED && way == STEP_FORWARD);
    int dir = at_target ? file->from_fd : file->to_fd;
    if (!step_remove(act, dir, at_target ? file->from_name : file->to_name, err))
        return false;
    file->stand = at_target ? LOOK_TARGET : LOOK_SOURCE;
    return true;
}
