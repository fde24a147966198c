#include "record.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#include "snapshot.h"

/* Only a catalogue that is surely gone may be passed over. */
static bool look_for(const struct root *root, bool *without, struct err *err)
{
    struct stat st;
    int result = root->fs->fstatat(root->fs->context, root->state, "catalogue.db", &st, 0);
    *without = result != 0 && errno == ENOENT;
    return result == 0 || *without || err_sys(err, "look at", "catalogue.db");
}

/* A file that comes to its home is moved no longer; one that leaves it for the first time gets a home. */
static bool record_file(struct catalogue *c, const struct snapshot *s, const struct run *run,
                        const struct run_file *file, struct err *err)
{
    char *from = run_shown(run, file->from_folder, file->from_name, err);
    char *to = from != NULL && file->where == WHERE_TARGET
                   ? run_shown(run, file->to_folder, file->to_name, err)
                   : NULL;
    bool ok = from != NULL && (to != NULL || file->where != WHERE_TARGET);
    const struct snapshot_file *known = ok ? snapshot_find(s, from) : NULL;
    if (known != NULL && file->where == WHERE_GONE)
        ok = catalogue_forget_file(c, known->id, err);
    else if (known != NULL && file->where == WHERE_TARGET) {
        bool home = known->home != NULL && strcmp(known->home, to) == 0;
        ok = catalogue_set_file_path(c, known->id, to,
                                     home                  ? NULL
                                     : known->home != NULL ? known->home
                                                           : from,
                                     err) &&
             catalogue_set_missing(c, known->frame, false, err);
    }
    free(from);
    free(to);
    return ok;
}

static bool record_files(struct catalogue *c, const struct run *run, struct err *err)
{
    struct snapshot s;
    if (!snapshot_load(c, &s, err))
        return false;
    bool ok = true;
    for (size_t i = 0; ok && i < run->n_files; i++)
        /* A sidecar that was swapped lies where it lay. */
        if (run->files[i].where != WHERE_SOURCE && !run_is_swap(run, &run->files[i]))
            ok = record_file(c, &s, run, &run->files[i], err);
    snapshot_release(&s);
    return ok;
}

bool record_run(const struct root *root, const struct run *run, bool *without, struct err *err)
{
    if (!look_for(root, without, err))
        return false;
    if (*without)
        return true;
    struct catalogue *c = catalogue_open(root, CATALOGUE_WRITE, err);
    bool ok = c != NULL && catalogue_begin(c, err);
    if (ok) {
        ok = record_files(c, run, err) && catalogue_commit(c, err);
        if (!ok)
            catalogue_rollback(c);
    }
    catalogue_close(c);
    return ok;
}
