#include "plan.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>

#include "folders.h"

enum { BUFFER_BYTES = 1 << 20 };

bool plan_init(struct plan *plan, enum run_kind kind, const struct root *root, const struct history *history,
               const struct snapshot *snapshot, struct err *err)
{
    *plan = (struct plan){.root = root, .history = history, .snapshot = snapshot};
    run_init(&plan->run, kind);
    companions_init(&plan->companions, root->fs);
    plan->run.number = history_next_number(history);
    plan->buffer = malloc(BUFFER_BYTES);
    if (plan->buffer == NULL)
        return err_nomem(err);
    plan->hash = hash_new(err);
    return plan->hash != NULL && plan_place(plan, "", err) != RUN_NONE;
}

void plan_release(struct plan *plan)
{
    if (plan->root == NULL)
        return;
    plan_begin(plan);
    run_close(&plan->run, plan->root->fs);
    run_release(&plan->run);
    companions_release(&plan->companions);
    free(plan->lines);
    free(plan->staged);
    free(plan->buffer);
    hash_free(plan->hash);
    *plan = (struct plan){.root = NULL};
}

uint32_t plan_place(struct plan *plan, const char *path, struct err *err)
{
    size_t before = plan->run.n_places;
    uint32_t place = run_add_place(&plan->run, path, err);
    if (place != RUN_NONE && run_open_places(&plan->run, plan->root, err))
        return place;
    /* A disk that is not connected must not stay in the plan: the run would wait for it. */
    plan->run.n_places = before;
    return RUN_NONE;
}

uint32_t plan_locate(struct plan *plan, const char *path, const char **below, struct err *err)
{
    char safe[400];
    *below = path;
    if (*path != '/')
        return 0;
    const char *place = history_place_of(plan->history, path);
    if (place == NULL) {
        err_set(err, ERR_FILE, "no run of this session knows the folder of '%s'",
                err_escape(safe, sizeof safe, path));
        return RUN_NONE;
    }
    *below = path + (strcmp(place, "/") == 0 ? 1 : strlen(place) + 1);
    return plan_place(plan, place, err);
}

bool plan_fatal(const struct err *cause)
{
    return cause->code == ERR_NOMEM || cause->code == ERR_INTERRUPTED;
}

/* ---- staging ------------------------------------------------------------------------------------------- */

void plan_begin(struct plan *plan)
{
    for (size_t i = 0; i < plan->n_staged; i++) {
        free(plan->staged[i].from);
        free(plan->staged[i].to);
    }
    plan->n_staged = 0;
}

bool plan_is_staged(const struct plan *plan, uint32_t place, const char *from)
{
    for (size_t i = 0; i < plan->n_staged; i++)
        if (plan->staged[i].from_place == place && strcmp(plan->staged[i].from, from) == 0)
            return true;
    return false;
}

static bool go_on(const struct plan *plan, struct err *err)
{
    return plan->stop == NULL || *plan->stop == 0 ||
           err_set(err, ERR_INTERRUPTED, "stopped as asked: nothing was changed");
}

/* Reads the whole file, whose first `got` bytes are in the buffer already. */
static bool digest_rest(struct plan *plan, int fd, size_t got, const char *shown, struct hash_digest *digest,
                        struct err *err)
{
    hash_reset(plan->hash);
    hash_update(plan->hash, plan->buffer, got);
    do {
        if (!go_on(plan, err) ||
            !files_read_full(plan->root->fs, fd, plan->buffer, BUFFER_BYTES, &got, shown, err))
            return false;
        hash_update(plan->hash, plan->buffer, got);
    } while (got == BUFFER_BYTES);
    hash_digest(plan->hash, digest);
    return true;
}

static bool same_stat(const struct run_file *file, const struct run_file *put)
{
    int64_t kept_ns = put->copied ? put->copied_ns : put->mtime_ns;
    return file->size == put->size && file->mtime_ns == kept_ns && (put->copied || file->inode == put->inode);
}

/* A digest that is known from a run or from the copy, for a file that has size and time as it had then. */
static bool digest_known(const struct plan *plan, const char *shown, const struct plan_expect *expect,
                         struct run_file *file)
{
    const struct history_put *put = history_find(plan->history, shown);
    if (put != NULL && same_stat(file, put->file)) {
        file->digest = put->file->digest;
        file->restore_ns = put->file->restore_ns;
        return true;
    }
    if (plan->snapshot == NULL || expect->known == NULL || !expect->known->has_fingerprint)
        return false;
    const struct snapshot_copy *copy = snapshot_copy(plan->snapshot, shown);
    if (copy == NULL || copy->size != file->size || copy->mtime_ns != file->mtime_ns)
        return false;
    file->digest = copy->digest;
    return true;
}

static bool changed(const char *shown, const char *since, struct err *cause)
{
    char safe[400];
    return err_set(cause, ERR_FILE, "'%s' changed since %s", err_escape(safe, sizeof safe, shown), since);
}

/* Size and fingerprint against the catalogue; leaves the head of the file in the buffer. */
static bool check_known(struct plan *plan, int fd, const char *shown, const struct plan_expect *expect,
                        const struct run_file *file, size_t *got, struct err *cause)
{
    *got = 0;
    if (expect->known == NULL || !expect->known->has_fingerprint)
        return true;
    if (file->size != expect->known->size)
        return changed(shown, "it was measured: type 'chaffinch measure' to look again", cause);
    if (!files_read_full(plan->root->fs, fd, plan->buffer, HASH_FINGERPRINT_BYTES, got, shown, cause))
        return false;
    struct hash_digest print = hash_fingerprint(file->size, plan->buffer, *got);
    return hash_equal(&print, &expect->known->fingerprint) ||
           changed(shown, "it was measured: type 'chaffinch measure' to look again", cause);
}

/* Bytes against what a run put there. Time and inode may differ (the session was carried to another disk);
   the digest decides then. */
static bool check_put(struct plan *plan, int fd, const char *shown, const struct plan_expect *expect,
                      struct run_file *file, struct err *cause)
{
    const struct run_file *put = expect->put->file;
    if (file->size != put->size)
        return changed(shown, "it was moved", cause);
    if (same_stat(file, put))
        file->digest = put->digest;
    else if (!digest_rest(plan, fd, 0, shown, &file->digest, cause))
        return false;
    file->restore_ns = put->restore_ns;
    return hash_equal(&file->digest, &put->digest) || changed(shown, "it was moved", cause);
}

static bool check_bytes(struct plan *plan, int fd, const char *shown, const struct plan_expect *expect,
                        struct run_file *file, struct err *cause)
{
    size_t got;
    if (expect->put != NULL)
        return check_put(plan, fd, shown, expect, file, cause);
    return check_known(plan, fd, shown, expect, file, &got, cause) &&
           (!plan->digests || digest_known(plan, shown, expect, file) ||
            digest_rest(plan, fd, got, shown, &file->digest, cause));
}

static void note_stat(const struct plan *plan, const struct stat *st, struct run_file *file)
{
    file->size = (uint64_t)st->st_size;
    file->mtime_ns = file->restore_ns = files_time_ns(&st->st_mtim);
    file->inode = (uint64_t)st->st_ino;
    file->device = (uint64_t)st->st_dev;
    file->device_place = RUN_NONE;
    for (size_t i = plan->run.n_places; i-- > 0;)
        if (plan->run.places[i].fd >= 0 && plan->run.places[i].device == file->device)
            file->device_place = (uint32_t)i;
}

static bool look(struct plan *plan, uint32_t place, const char *path, const char *shown,
                 const struct plan_expect *expect, struct run_file *file, struct err *cause)
{
    const struct files *fs = plan->root->fs;
    const char *leaf;
    struct stat st;
    int dir = files_parent(fs, plan->run.places[place].fd, path, false, &leaf, cause);
    int fd = dir >= 0 ? files_open_regular(fs, dir, leaf, &st, shown, cause) : -1;
    files_drop(fs, dir);
    if (fd < 0)
        return false;
    note_stat(plan, &st, file);
    bool ok = check_bytes(plan, fd, shown, expect, file, cause);
    files_drop(fs, fd);
    return ok;
}

bool plan_stage(struct plan *plan, uint32_t from_place, const char *from, uint32_t to_place, const char *to,
                const struct plan_expect *expect, struct err *cause)
{
    struct plan_staged s = {.from_place = from_place, .to_place = to_place};
    char *shown = run_shown_below(&plan->run, from_place, from, cause);
    s.file.picture = expect->picture;
    bool ok =
        shown != NULL && go_on(plan, cause) && look(plan, from_place, from, shown, expect, &s.file, cause);
    free(shown);
    if (!ok)
        return false;
    void *grown = keep_room(plan->staged, plan->n_staged, &plan->room_staged, sizeof plan->staged[0], cause);
    if (grown == NULL)
        return false;
    plan->staged = grown;
    s.from = strdup(from);
    s.to = to != NULL ? strdup(to) : NULL;
    if (s.from == NULL || (to != NULL && s.to == NULL)) {
        free(s.from);
        free(s.to);
        return err_nomem(cause);
    }
    plan->staged[plan->n_staged++] = s;
    return true;
}

/* ---- companions ---------------------------------------------------------------------------------------- */

struct finding {
    struct plan *plan;
    const struct plan_staged *picture;
    const char *from_folder, *to_folder;
};

static bool stage_companion(void *context, const char *name, struct err *err)
{
    static const struct plan_expect as_it_is = {.picture = false};
    const struct finding *f = context;
    uint32_t from_place = f->picture->from_place, to_place = f->picture->to_place;
    char *from = run_join(f->from_folder, name, err);
    char *to = from != NULL ? run_join(f->to_folder, name, err) : NULL;
    bool ok = to != NULL && (plan_is_staged(f->plan, from_place, from) ||
                             plan_stage(f->plan, from_place, from, to_place, to, &as_it_is, err));
    free(from);
    free(to);
    return ok;
}

static char *folder_of(const char *path, struct err *err)
{
    const char *slash = strrchr(path, '/');
    char *folder = strndup(path, slash != NULL ? (size_t)(slash - path) : 0);
    if (folder == NULL)
        err_nomem(err);
    return folder;
}

static const char *leaf_of(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash != NULL ? slash + 1 : path;
}

bool plan_stage_companions(struct plan *plan, size_t staged, uint64_t owner, struct err *cause)
{
    const struct files *fs = plan->root->fs;
    /* A copy: staging moves the array. Its strings stay where they are. */
    const struct plan_staged picture = plan->staged[staged];
    char *from = folder_of(picture.from, cause);
    char *to = folder_of(picture.to, cause);
    char *shown = from != NULL ? run_shown_below(&plan->run, picture.from_place, from, cause) : NULL;
    struct finding finding = {plan, &picture, from, to};
    int dir = to != NULL && shown != NULL
                  ? files_open_folder(fs, plan->run.places[picture.from_place].fd, from, false, cause)
                  : -1;
    bool ok = dir >= 0 && companions_each(&plan->companions, dir, shown, leaf_of(picture.from), owner,
                                          stage_companion, &finding, cause);
    files_drop(fs, dir);
    free(from);
    free(to);
    free(shown);
    return ok;
}

/* ---- accepting and leaving ----------------------------------------------------------------------------- */

/* A name that a file before it in the frame gives up is as good as free. */
static bool given_up(const struct plan *plan, const struct plan_staged *s)
{
    for (const struct plan_staged *before = plan->staged; before < s; before++)
        if (before->from_place == s->to_place && strcmp(before->from, s->to) == 0)
            return true;
    return false;
}

static bool name_free(struct plan *plan, const struct plan_staged *s, struct err *cause)
{
    if (given_up(plan, s))
        return true;
    const struct files *fs = plan->root->fs;
    const char *leaf;
    struct stat st;
    char safe[400];
    struct err trouble = ERR_INIT;
    int dir = files_parent(fs, plan->run.places[s->to_place].fd, s->to, false, &leaf, &trouble);
    if (dir < 0 && trouble.code == ERR_NOT_FOUND)
        return true;
    if (dir < 0) {
        *cause = trouble;
        return false;
    }
    bool there = fs->fstatat(fs->context, dir, leaf, &st, AT_SYMLINK_NOFOLLOW) == 0;
    files_drop(fs, dir);
    if (!there)
        return errno == ENOENT || err_sys(cause, "look at", s->to);
    return err_set(cause, ERR_EXISTS, "the name '%s' is taken where it should go: nothing is replaced",
                   err_escape(safe, sizeof safe, s->to));
}

static bool add_line(struct plan *plan, const struct plan_line *line, struct err *err)
{
    void *grown = keep_room(plan->lines, plan->n_lines, &plan->room_lines, sizeof plan->lines[0], err);
    if (grown == NULL)
        return false;
    plan->lines = grown;
    plan->lines[plan->n_lines++] = *line;
    return true;
}

bool plan_leave(struct plan *plan, int64_t burst, const char *label, bool failed, const struct err *cause,
                struct err *err)
{
    struct plan_line line = {
        .way = APPLY_LEFT, .burst = burst, .failed = failed, .frame = RUN_NONE, .label = NULL};
    line.label = run_keep(&plan->run, label, err);
    line.cause = run_keep(&plan->run, cause->message, err);
    if (line.label == NULL || line.cause == NULL || !add_line(plan, &line, err))
        return false;
    plan->totals.left_frames++;
    plan->totals.failed_frames += failed;
    return true;
}

static bool add_staged(struct plan *plan, struct plan_staged *s, struct err *err)
{
    struct run_file *file = &s->file;
    const struct files *fs = plan->root->fs;
    char *from = folder_of(s->from, err);
    char *to = s->to != NULL ? folder_of(s->to, err) : NULL;
    file->to_folder = RUN_NONE;
    file->from_folder =
        from != NULL ? folders_add(&plan->run, fs, plan->history, s->from_place, from, err) : RUN_NONE;
    bool ok = file->from_folder != RUN_NONE;
    if (ok && s->to != NULL) {
        file->to_folder =
            to != NULL ? folders_add(&plan->run, fs, plan->history, s->to_place, to, err) : RUN_NONE;
        ok = file->to_folder != RUN_NONE;
    }
    file->from_name = leaf_of(s->from);
    file->to_name = s->to != NULL ? leaf_of(s->to) : NULL;
    ok = ok && run_add_file(&plan->run, file, err);
    free(from);
    free(to);
    return ok;
}

static void add_totals(struct plan *plan, enum apply_way way)
{
    struct apply_totals *t = &plan->totals;
    if (way == APPLY_SWAPPED) {
        t->swap_sidecars++;
        return;
    }
    uint64_t *frames = way == APPLY_OUT    ? &t->out_frames
                       : way == APPLY_BACK ? &t->back_frames
                                           : &t->delete_frames;
    uint64_t *files = way == APPLY_OUT    ? &t->out_files
                      : way == APPLY_BACK ? &t->back_files
                                          : &t->delete_files;
    uint64_t *bytes = way == APPLY_OUT    ? &t->out_bytes
                      : way == APPLY_BACK ? &t->back_bytes
                                          : &t->delete_bytes;
    ++*frames;
    *files += plan->n_staged;
    for (size_t i = 0; i < plan->n_staged; i++)
        *bytes += plan->staged[i].file.size;
}

bool plan_accept(struct plan *plan, enum apply_way way, int64_t burst, const char *label, struct err *err)
{
    struct err cause = ERR_INIT;
    for (size_t i = 0; i < plan->n_staged; i++)
        if (plan->staged[i].to != NULL && !name_free(plan, &plan->staged[i], &cause))
            return plan_fatal(&cause) ? err_nomem(err) : plan_leave(plan, burst, label, true, &cause, err);
    struct run_frame *frame = run_add_frame(&plan->run, label, err);
    if (frame == NULL)
        return false;
    frame->burst = burst;
    for (size_t i = 0; i < plan->n_staged; i++) {
        if (add_staged(plan, &plan->staged[i], &cause))
            continue;
        run_drop_frame(&plan->run);
        if (!plan_fatal(&cause))
            return plan_leave(plan, burst, label, true, &cause, err);
        if (err != NULL)
            *err = cause;
        return false;
    }
    const struct plan_line line = {.way = way,
                                   .burst = burst,
                                   .label = plan->run.frames[plan->run.n_frames - 1].label,
                                   .frame = (uint32_t)(plan->run.n_frames - 1)};
    add_totals(plan, way);
    return add_line(plan, &line, err);
}

/* ---- space --------------------------------------------------------------------------------------------- */

static bool fits(struct plan *plan, size_t place, uint64_t bytes, struct err *err)
{
    const struct files *fs = plan->root->fs;
    struct statvfs vfs;
    char safe[300], need[32], room[32];
    const char *path = place == 0 ? plan->root->path : plan->run.places[place].path;
    if (fs->fstatvfs(fs->context, plan->run.places[place].fd, &vfs) != 0)
        return err_sys(err, "look at the free space of", path);
    (void)err_escape(safe, sizeof safe, path);
    if ((vfs.f_flag & ST_RDONLY) != 0)
        return err_set(err, ERR_IO, "the disk of '%s' is read-only: choose a place that can be written",
                       safe);
    uint64_t available = (uint64_t)vfs.f_bavail * (vfs.f_frsize > 0 ? vfs.f_frsize : vfs.f_bsize);
    return bytes <= available ||
           err_set(err, ERR_NO_SPACE, "no space: %s are needed on the disk of '%s' and %s are free",
                   log_bytes(bytes, need), safe, log_bytes(available, room));
}

bool plan_check_space(struct plan *plan, struct err *err)
{
    const struct run *run = &plan->run;
    for (size_t place = 0; place < run->n_places; place++) {
        uint64_t bytes = 0;
        for (size_t i = 0; i < run->n_files; i++) {
            const struct run_file *file = &run->files[i];
            if (file->to_folder != RUN_NONE && run->folders[file->to_folder].place == place &&
                file->device != run->places[place].device)
                bytes += file->size;
        }
        if (!fits(plan, place, bytes, err))
            return false;
    }
    return true;
}
