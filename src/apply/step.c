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

/* On a network file system a call that was reported as failed may have happened (rename(2), BUGS), and one
   that was sent again finds its own work: no entry, or a name that is taken. So after a failure only what
   lies on the disk counts. */
bool step_remove(struct act *act, int dir, const char *name, struct err *err)
{
    return act->fs->unlinkat(act->fs->context, dir, name, 0) == 0 || errno == ENOENT ||
           err_sys(err, "remove", name);
}

enum names_now { NAMES_UNKNOWN, NAMES_FROM, NAMES_TO, NAMES_BOTH, NAMES_LINKED };

static enum names_now look_at_names(struct act *act, const struct run_file *file, const struct names *n)
{
    struct stat from, to;
    struct err trouble = ERR_INIT;
    int saved = errno;
    bool at_from = look_at(act, n->from_dir, n->from, &from, &trouble);
    bool known = at_from || trouble.code == ERR_NOT_FOUND;
    bool at_to = known && look_at(act, n->to_dir, n->to, &to, &trouble);
    known = known && (at_to || trouble.code == ERR_NOT_FOUND);
    errno = saved;
    if (!known || (!at_from && !at_to))
        return NAMES_UNKNOWN;
    if (!at_to)
        return NAMES_FROM;
    if (!at_from)
        return S_ISREG(to.st_mode) && (uint64_t)to.st_size == file->size ? NAMES_TO : NAMES_UNKNOWN;
    return from.st_ino == to.st_ino && from.st_dev == to.st_dev ? NAMES_LINKED : NAMES_BOTH;
}

/* Takes a name back that this step made; never the last one that the file has. */
static void take_name_back(struct act *act, const struct run_file *file, const struct names *n)
{
    enum names_now now = look_at_names(act, file, n);
    if (now == NAMES_BOTH || now == NAMES_LINKED)
        (void)step_remove(act, n->to_dir, n->to, NULL);
}

/* The file that we made, and nobody has written to it. */
static bool still_ours(struct act *act, const struct names *n, const struct stat *made)
{
    struct stat now;
    return act->fs->fstatat(act->fs->context, n->to_dir, n->to, &now, AT_SYMLINK_NOFOLLOW) == 0 &&
           now.st_ino == made->st_ino && now.st_dev == made->st_dev && now.st_size == 0;
}

/* Takes the empty file back; what somebody put in its place is left. */
static void unreserve(struct act *act, const struct names *n)
{
    struct stat now;
    if (act->fs->fstatat(act->fs->context, n->to_dir, n->to, &now, AT_SYMLINK_NOFOLLOW) == 0 &&
        S_ISREG(now.st_mode) && now.st_size == 0)
        (void)step_remove(act, n->to_dir, n->to, NULL);
}

/* Makes the empty file and looks whether it still has its name: somebody may have put another in its place.
 */
static bool reserve(struct act *act, const struct names *n, struct err *err)
{
    const struct files *fs = act->fs;
    struct stat made;
    char safe[300];
    int fd = files_open(fs, n->to_dir, n->to, O_WRONLY | O_CREAT | O_EXCL, 0666, n->to, err);
    if (fd < 0)
        return false;
    bool ok = fs->fstat(fs->context, fd, &made) == 0 || err_sys(err, "look at", n->to);
    ok = ok && (still_ours(act, n, &made) ||
                err_set(err, ERR_EXISTS, "the name '%s' was taken under way: nothing is replaced",
                        err_escape(safe, sizeof safe, n->to)));
    files_drop(fs, fd);
    if (!ok)
        unreserve(act, n);
    return ok;
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
    if (!reserve(act, n, err))
        return false;
    if (fs->renameat2(fs->context, n->from_dir, n->from, n->to_dir, n->to, 0) == 0)
        return true;
    int number = errno;
    enum names_now now = look_at_names(act, file, n);
    if (now == NAMES_TO)
        return true;
    errno = number;
    err_sys(err, "rename", n->from);
    if (now == NAMES_BOTH) /* the file itself is where it was */
        unreserve(act, n);
    return false;
}

static bool by_link(struct act *act, struct run_file *file, const struct names *n, struct err *err)
{
    const struct files *fs = act->fs;
    if (fs->linkat(fs->context, n->from_dir, n->from, n->to_dir, n->to) != 0 &&
        look_at_names(act, file, n) != NAMES_LINKED)
        return no_links(errno) ? by_reservation(act, file, n, err) : err_sys(err, "rename", n->from);
    if (step_remove(act, n->from_dir, n->from, err) || look_at_names(act, file, n) == NAMES_TO)
        return true;
    take_name_back(act, file, n);
    return false;
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
    return look_at_names(act, file, &n) == NAMES_TO || err_sys(err, "rename", n.from);
}

bool step_publish(struct act *act, struct run_file *file, const char *temp, struct err *err)
{
    const struct files *fs = act->fs;
    struct names n = {file->to_fd, file->to_fd, temp, file->to_name};
    if (fs->renameat2(fs->context, n.from_dir, n.from, n.to_dir, n.to, RENAME_NOREPLACE) == 0)
        return true;
    if (no_noreplace(errno))
        return by_link(act, file, &n, err);
    return look_at_names(act, file, &n) == NAMES_TO || err_sys(err, "publish", n.to);
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
