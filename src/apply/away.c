#include "away.h"

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdlib.h>

struct place {
    const struct run *run;
    const struct root *root;
    uint32_t index;
    int fd;
};

static bool lies(const struct place *p, uint32_t folder, const char *name, bool *there, struct err *err)
{
    const struct files *fs = p->root->fs;
    const struct run_folder *f = &p->run->folders[folder];
    struct stat st;
    char *path = run_join(f->path, name, err);
    if (path == NULL)
        return false;
    int fd = f->place == p->index ? p->fd : p->root->fd;
    *there = fs->fstatat(fs->context, fd, path, &st, AT_SYMLINK_NOFOLLOW) == 0 || errno != ENOENT;
    free(path);
    return true;
}

/* *found: one of its files is there. *missing: one should be, and is nowhere else. */
static bool look_at_place(const struct place *p, bool *found, bool *missing, struct err *err)
{
    const struct run *run = p->run;
    *found = *missing = false;
    for (size_t i = 0; i < run->n_files && !*found; i++) {
        const struct run_file *file = &run->files[i];
        bool there = false;
        if (file->to_folder == RUN_NONE || (run->ended && file->where != WHERE_TARGET))
            continue;
        bool to = run->folders[file->to_folder].place == p->index;
        if (!to && run->folders[file->from_folder].place != p->index)
            continue;
        if (!lies(p, to ? file->to_folder : file->from_folder, to ? file->to_name : file->from_name, found,
                  err) ||
            !lies(p, to ? file->from_folder : file->to_folder, to ? file->from_name : file->to_name, &there,
                  err))
            return false;
        *missing = *missing || (!*found && !there);
    }
    return true;
}

bool away_check(const struct run *run, const struct root *root, struct err *err)
{
    const struct files *fs = root->fs;
    bool ok = true;
    for (size_t i = 1; ok && i < run->n_places; i++) {
        char safe[400];
        bool found, missing;
        const char *path = run->places[i].path;
        const struct place place = {
            run, root, (uint32_t)i,
            fs->openat(fs->context, AT_FDCWD, path, O_RDONLY | O_DIRECTORY | O_CLOEXEC, 0)};
        if (place.fd < 0)
            continue; /* told where it is to be used */
        ok = look_at_place(&place, &found, &missing, err);
        files_drop(fs, place.fd);
        if (ok && missing && !found)
            ok = err_set(err, ERR_NOT_FOUND,
                         "nothing that run %04" PRIu32
                         " put into '%s' is there: connect its disk and run the same command again",
                         run->number, err_escape(safe, sizeof safe, path));
    }
    return ok;
}
