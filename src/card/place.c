/*
 * Where the files of one frame go: under their own names, or all of them under the first numbered suffix that
 * is free for all; and their publishing.
 */
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/publish.h"
#include "run.h"

enum place {
    PLACE_FREE,
    PLACE_SAME, /* these bytes are there */
    PLACE_TAKEN /* something else is */
};

static bool exists(const struct target *t, const char *path)
{
    const struct files *fs = t->root->fs;
    struct stat st;
    return fs->fstatat(fs->context, t->root->fd, path, &st, AT_SYMLINK_NOFOLLOW) == 0;
}

static bool place_of_listed(struct target *t, size_t file, const struct hash_digest *digest,
                            enum place *place, struct err *err)
{
    enum target_state state;
    *place = PLACE_TAKEN;
    if (!hash_equal(&t->file[file].digest, digest))
        return true;
    if (!target_state(t, file, &state, err))
        return false;
    *place = state == TARGET_STATE_LOST                                    ? PLACE_FREE
             : state == TARGET_STATE_CHANGED || state == TARGET_STATE_AWAY ? PLACE_TAKEN
                                                                           : PLACE_SAME;
    return true;
}

static bool place_of(struct target *t, const char *path, const struct job *job, enum place *place,
                     struct err *err)
{
    bool same = false;
    size_t file = target_find(t, path);
    unsigned flags = file != TARGET_NONE ? t->file[file].flags : 0;
    *place = PLACE_TAKEN;
    if ((flags & TARGET_TAKEN) != 0)
        return true;
    if ((flags & TARGET_LISTED) != 0)
        return place_of_listed(t, file, &job->digest, place, err);
    if ((flags & TARGET_ON_DISK) == 0 && !exists(t, path)) {
        *place = PLACE_FREE;
        return true;
    }
    /* There, but not listed: ours from a run that died, or the user's own. Its bytes tell. */
    if ((flags & TARGET_ON_DISK) != 0 && t->file[file].size != job->file->size)
        return true;
    if (!target_same_content(t, path, &job->digest, &same, err))
        return false;
    *place = same ? PLACE_SAME : PLACE_TAKEN;
    return true;
}

/* --- may this family join the files that have its name? --- */

static bool is_picture(const char *path)
{
    return card_kind_of_name(path) == CARD_PICTURE;
}

static int open_member(struct run *run, const struct target_file *f)
{
    struct root *root = run->target[0].root;
    return files_open_path(root->fs, root->fd, f->moved_to != NULL ? f->moved_to : f->path, NULL, NULL);
}

static int open_job(struct run *run, const struct job *job)
{
    const struct root *root = run->target[0].root;
    if (job->temp[0].used)
        return files_open_path(root->fs, root->state, job->temp[0].name, NULL, NULL);
    return files_open_path(run->copier.view, job->card->fd, job->file->path, NULL, NULL);
}

static enum card_same ask_exposure(struct run *run, const struct target_file *f, const struct job *job)
{
    const struct card_options *o = run->options;
    enum card_same same = CARD_SAME_UNKNOWN;
    if (o->same_exposure == NULL)
        return same;
    int a = open_member(run, f), b = open_job(run, job);
    if (a >= 0 && b >= 0)
        same = o->same_exposure(o->same_context, a, f->path, b, job->file->path);
    files_drop(run->target[0].root->fs, a);
    files_drop(run->target[0].root->fs, b);
    return same;
}

static bool same_exposure(struct run *run, const struct target_file *f, const struct job *job)
{
    enum card_same same = CARD_SAME_UNKNOWN;
    if (is_picture(f->path) && is_picture(job->file->path))
        same = ask_exposure(run, f, job);
    if (same != CARD_SAME_UNKNOWN)
        return same == CARD_SAME_YES;
    return record_time_near(f->from_log ? f->copied_mtime_ns : f->mtime_ns, job->file->mtime_ns);
}

static bool usable(const struct job *job)
{
    return job->state == JOB_READ || job->state == JOB_VERIFIED;
}

/* Pictures speak for a family; where it has none, any file does. */
static bool any_picture(const struct family *family)
{
    for (size_t i = 0; i < family->n; i++)
        if (usable(&family->job[i]) && is_picture(family->job[i].file->path))
            return true;
    return false;
}

static bool agrees_with(struct run *run, struct family *family, const struct target_file *f)
{
    bool pictures = any_picture(family);
    for (size_t i = 0; i < family->n; i++) {
        struct job *job = &family->job[i];
        if (usable(job) && (!pictures || is_picture(job->file->path)) && same_exposure(run, f, job))
            return true;
    }
    return false;
}

/* The files that share the family's name under this suffix and did not come from it. */
static bool is_stranger(const struct family *family, const struct target_file *f, char *const *paths)
{
    if ((f->flags & (TARGET_LISTED | TARGET_ON_DISK)) == 0)
        return false;
    if (f->run_card == family->card_number && strcmp(f->run_family, family->job[0].file->family) == 0)
        return false;
    for (size_t i = 0; i < family->n; i++)
        if (paths[i] != NULL && strcmp(paths[i], f->path) == 0)
            return false;
    return true;
}

static bool may_join(struct run *run, struct family *family, const char *key, char *const *paths)
{
    const struct target *session = &run->target[0];
    bool strangers = false, pictures = false, agree = false, agree_picture = false;
    for (size_t at = map_first(&session->by_family, key); at != MAP_END;
         at = map_next(&session->by_family, at)) {
        const struct target_file *f = &session->file[map_value(&session->by_family, at)];
        if (!is_stranger(family, f, paths))
            continue;
        bool picture = is_picture(f->path);
        strangers = true;
        pictures = pictures || picture;
        if ((picture && !agree_picture) || !agree) {
            bool same = agrees_with(run, family, f);
            agree = agree || same;
            agree_picture = agree_picture || (picture && same);
        }
    }
    return !strangers || (pictures ? agree_picture : agree);
}

/* --- one suffix --- */

struct attempt {
    uint32_t suffix;
    char *path[FAMILY_MAX];
    enum place place[FAMILY_MAX][TARGET_MAX];
    bool fits;
};

static void attempt_release(struct attempt *a, size_t n)
{
    for (size_t i = 0; i < n; i++)
        free(a->path[i]);
    *a = (struct attempt){0};
}

/* A picture of the family lies there with the same bytes, or did before it was lost: the same exposure. */
static bool shares_picture(const struct run *run, const struct family *family, const struct attempt *a)
{
    const struct target *session = &run->target[0];
    for (size_t i = 0; i < family->n; i++) {
        const struct job *job = &family->job[i];
        size_t file = a->path[i] != NULL ? target_find(session, a->path[i]) : TARGET_NONE;
        bool listed = file != TARGET_NONE && (session->file[file].flags & TARGET_LISTED) != 0 &&
                      hash_equal(&session->file[file].digest, &job->digest);
        if (a->path[i] != NULL && (listed || a->place[i][0] == PLACE_SAME) && job->file->size > 0 &&
            is_picture(job->file->path))
            return true;
    }
    return false;
}

/* An earlier run put a file of this card and family there: the others belong to it, also where the card does
   not give its picture this time. */
static bool lies_there(const struct run *run, const struct family *family, const struct attempt *a)
{
    const struct target *session = &run->target[0];
    for (size_t i = 0; i < family->n; i++)
        if (family->job[i].known != TARGET_NONE && a->path[i] != NULL &&
            strcmp(session->file[family->job[i].known].path, a->path[i]) == 0)
            return true;
    return false;
}

/* An error of target i while looking: the second is given up. True = go on. */
static bool look(struct run *run, size_t i, const char *path, const struct job *job, enum place *place,
                 struct err *err)
{
    struct err trouble = ERR_INIT;
    if (place_of(&run->target[i], path, job, place, &trouble))
        return true;
    if (i > 0) {
        copy_give_up_second(&run->copier, &trouble);
        *place = PLACE_SAME;
        return true;
    }
    if (err != NULL)
        *err = trouble;
    return false;
}

static bool try_suffix(struct run *run, struct family *family, uint32_t suffix, struct attempt *a,
                       struct err *err)
{
    *a = (struct attempt){.suffix = suffix, .fits = true};
    for (size_t i = 0; i < family->n; i++) {
        struct job *job = &family->job[i];
        if (!usable(job) || job->placed)
            continue;
        a->path[i] = names_with_suffix(job->file->path, suffix, err);
        if (a->path[i] == NULL)
            return false;
        for (size_t t = 0; t < run->n_targets; t++) {
            a->place[i][t] = PLACE_SAME;
            if (run->target[t].failed)
                continue;
            if (!look(run, t, a->path[i], job, &a->place[i][t], err))
                return false;
            a->fits = a->fits && a->place[i][t] != PLACE_TAKEN;
        }
    }
    if (!a->fits || shares_picture(run, family, a) || lies_there(run, family, a))
        return true;
    for (size_t i = 0; i < family->n; i++) {
        if (a->path[i] == NULL)
            continue;
        char *key = names_family(a->path[i], err);
        if (key == NULL)
            return false;
        a->fits = may_join(run, family, key, a->path);
        free(key);
        break;
    }
    return true;
}

/* Where files of the family lie already comes first, then its own name, then suffix after suffix. */
static bool choose_suffix(struct run *run, struct family *family, struct attempt *a, struct err *err)
{
    uint32_t suffix = family->first_suffix;
    bool began = suffix == NAMES_NO_SUFFIX;
    for (;;) {
        if (!try_suffix(run, family, suffix, a, err)) {
            attempt_release(a, family->n);
            return false;
        }
        if (a->fits)
            return true;
        attempt_release(a, family->n);
        if (!began) {
            began = true;
            suffix = NAMES_NO_SUFFIX;
        } else
            suffix = suffix == NAMES_NO_SUFFIX ? NAMES_FIRST_SUFFIX : suffix + 1;
        if (suffix > NAMES_LAST_SUFFIX) {
            char safe[400];
            return err_set(err, ERR_IO, "there is no free name left for '%s'",
                           err_escape(safe, sizeof safe, family->job[0].file->path));
        }
    }
}

/* --- publishing --- */

/* Files that are to be published but have no temp (their bytes were only read, or their family moved to
   another suffix): copied now. */
static bool complete_temps(struct run *run, struct job *job, const enum place place[TARGET_MAX],
                           struct err *err)
{
    bool lacking = false;
    struct hash_digest before = job->digest;
    for (size_t t = 0; t < run->n_targets; t++)
        lacking = lacking || (place[t] == PLACE_FREE && !run->target[t].failed && !job->temp[t].used);
    if (!lacking)
        return true;
    copy_drop(&run->copier, job);
    for (size_t t = 0; t < run->n_targets; t++)
        job->need[t] = place[t] == PLACE_FREE;
    enum copied copied = copy_file(&run->copier, job, err);
    if (copied == COPIED_TARGET)
        return false;
    run->stopped = run->stopped || copied == COPIED_STOPPED;
    if (job->state == JOB_COPIED) {
        verifier_submit(run->verifier, job);
        if (!settle_job(run, job, err))
            return false;
    }
    if (usable(job) && !hash_equal(&before, &job->digest)) {
        copy_drop(&run->copier, job);
        job->state = JOB_FAILED;
        err_set(&job->err, ERR_FILE, "the card gives other bytes each time it is read");
    }
    return true;
}

/* Gives the temp its name in one target. ERR_EXISTS: somebody was faster. */
static bool publish_one(struct run *run, size_t t, struct job *job, const char *path, struct err *err)
{
    struct target *target = &run->target[t];
    const struct root *root = target->root;
    const char *leaf;
    size_t file;
    bool closed = files_close(root->fs, job->temp[t].fd, path, err);
    job->temp[t].fd = -1;
    int dir = closed ? files_parent(root->fs, root->fd, path, true, &leaf, err) : -1;
    bool ok = dir >= 0 && publish_new(root, job->temp[t].name, dir, leaf, path, err);
    files_drop(root->fs, dir);
    if (!ok)
        return false;
    job->temp[t].used = false;
    if (!target_file_of(target, path, &file, err))
        return false;
    target->file[file].size = job->file->size;
    target->file[file].mtime_ns = job->file->mtime_ns;
    target->file[file].flags &= ~(unsigned)TARGET_CHANGED;
    return target_note(target, file, &job->digest, err);
}

/* The bytes are there under this name: list them where a dead run could not. */
static bool adopt(struct run *run, size_t t, struct job *job, const char *path, struct err *err)
{
    struct target *target = &run->target[t];
    size_t file;
    if (!target_file_of(target, path, &file, err))
        return false;
    struct target_file *f = &target->file[file];
    if ((f->flags & TARGET_LISTED) != 0)
        return true;
    f->size = job->file->size;
    f->mtime_ns = job->file->mtime_ns;
    return target_note(target, file, &job->digest, err);
}

static bool place_in(struct run *run, size_t t, struct job *job, const char *path, enum place place,
                     struct err *err)
{
    if (place == PLACE_FREE)
        return publish_one(run, t, job, path, err);
    return adopt(run, t, job, path, err);
}

/* Counts it and lets copies.log know. */
static bool note_placed(struct run *run, struct family *family, struct job *job, const char *path,
                        uint32_t suffix, bool was_there, struct err *err)
{
    struct target *session = &run->target[0];
    size_t file = target_find(session, path);
    enum target_state state;
    struct target_file *f = &session->file[file];
    bool known = job->known == file;
    bool second = run->n_targets > 1 && !run->target[1].failed && run->second_counts;
    if (!was_there) {
        run->report->copied++;
        run->report->copied_bytes += job->file->size;
    } else if (known || f->run_card == 0)
        run->report->present++;
    else
        run->report->mirrored++;
    f->run_card = family->card_number;
    f->run_family = job->file->family;
    if (!target_state(session, file, &state, err))
        return false;
    if (state == TARGET_STATE_DELETED)
        run->report->deleted++;
    else
        f->flags |= TARGET_COUNTED;
    job->placed = true;
    if (known && was_there && (!second || (f->flags & TARGET_SECOND) != 0))
        return true;
    run->pending[run->n_pending++] = (struct pending){
        .card = job->card,
        .file = job->file,
        .fingerprint = job->fingerprint,
        .suffix = suffix,
        .target_file = file,
        .second = second,
    };
    return true;
}

enum placing { PLACING_DONE, PLACING_AGAIN, PLACING_FAILED };

/* One job under its chosen name in all targets; the second first, so that copies.log can tell of it. */
static enum placing place_job(struct run *run, struct family *family, struct job *job, struct attempt *a,
                              size_t i, struct err *err)
{
    for (size_t t = run->n_targets; t-- > 0;) {
        struct err trouble = ERR_INIT;
        size_t file;
        if (run->target[t].failed || place_in(run, t, job, a->path[i], a->place[i][t], &trouble))
            continue;
        if (trouble.code == ERR_EXISTS) {
            if (!target_file_of(&run->target[t], a->path[i], &file, err))
                return PLACING_FAILED;
            run->target[t].file[file].flags |= TARGET_TAKEN;
            return PLACING_AGAIN;
        }
        if (copy_concerns_file(&trouble)) {
            job->state = JOB_FAILED;
            job->err = trouble;
            copy_drop(&run->copier, job);
            return PLACING_DONE;
        }
        if (t > 0) {
            copy_give_up_second(&run->copier, &trouble);
            continue;
        }
        if (err != NULL)
            *err = trouble;
        return PLACING_FAILED;
    }
    copy_drop(&run->copier, job);
    return note_placed(run, family, job, a->path[i], a->suffix, a->place[i][0] == PLACE_SAME, err)
               ? PLACING_DONE
               : PLACING_FAILED;
}

static enum placing place_jobs(struct run *run, struct family *family, struct attempt *a, struct err *err)
{
    for (size_t i = 0; i < family->n; i++)
        if (a->path[i] != NULL && !complete_temps(run, &family->job[i], a->place[i], err))
            return PLACING_FAILED;
    for (size_t i = 0; i < family->n; i++) {
        struct job *job = &family->job[i];
        if (a->path[i] == NULL || !usable(job) || job->placed || run->stopped)
            continue;
        enum placing placing = place_job(run, family, job, a, i, err);
        if (placing != PLACING_DONE)
            return placing;
    }
    return PLACING_DONE;
}

bool place_family(struct run *run, struct family *family, struct err *err)
{
    enum placing placing;
    do {
        struct attempt a;
        if (!choose_suffix(run, family, &a, err))
            return false;
        placing = place_jobs(run, family, &a, err);
        attempt_release(&a, family->n);
    } while (placing == PLACING_AGAIN);
    return placing == PLACING_DONE;
}
