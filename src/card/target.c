#include "target.h"

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/publish.h"
#include "names.h"

/* FAT counts modification times in steps of 2 s. */
static const int64_t MTIME_STEP_NS = INT64_C(2000000000);

size_t target_find(const struct target *t, const char *path)
{
    size_t at = map_first(&t->by_path, path);
    return at == MAP_END ? TARGET_NONE : map_value(&t->by_path, at);
}

bool target_file_of(struct target *t, const char *path, size_t *file, struct err *err)
{
    *file = target_find(t, path);
    if (*file != TARGET_NONE)
        return true;
    if (t->n == t->room) {
        size_t room = t->room > 0 ? t->room * 2 : 256;
        struct target_file *grown = realloc(t->file, room * sizeof *grown);
        if (grown == NULL)
            return err_nomem(err);
        t->file = grown;
        t->room = room;
    }
    char *family = names_family(path, err);
    char *copy = family != NULL ? strdup(path) : NULL;
    if (copy == NULL) {
        free(family);
        return err_nomem(err);
    }
    t->file[t->n] = (struct target_file){.path = copy};
    *file = t->n++;
    bool ok = map_add(&t->by_path, path, *file, err) && map_add(&t->by_family, family, *file, err);
    free(family);
    return ok;
}

static bool visit_listed(void *context, const char *path, const struct hash_digest *digest, struct err *err)
{
    struct target *t = context;
    size_t file;
    if (!target_file_of(t, path, &file, err))
        return false;
    t->file[file].digest = *digest;
    t->file[file].flags |= TARGET_LISTED;
    return true;
}

static bool visit_moved(void *context, const struct catalogue_file *row, struct err *err)
{
    struct target *t = context;
    size_t file = row->home != NULL ? target_find(t, row->home) : TARGET_NONE;
    if (file == TARGET_NONE)
        return true;
    struct target_file *f = &t->file[file];
    free(f->moved_to);
    f->moved_to = strdup(row->path);
    f->deleted = row->missing;
    f->flags |= TARGET_MOVED;
    return f->moved_to != NULL ? true : err_nomem(err);
}

static bool visit_disk(void *context, const char *path, const struct stat *st, bool *descend, struct err *err)
{
    struct target *t = context;
    size_t file;
    if (S_ISDIR(st->st_mode)) {
        *descend = !root_is_ours(path);
        return true;
    }
    if (!target_file_of(t, path, &file, err))
        return false;
    struct target_file *f = &t->file[file];
    f->flags |= S_ISREG(st->st_mode) ? TARGET_ON_DISK : TARGET_TAKEN;
    f->size = (uint64_t)st->st_size;
    f->mtime_ns = files_time_ns(&st->st_mtim);
    return true;
}

bool target_scan(struct target *t, struct err *err)
{
    const struct files_walk walk = {.context = t, .visit = visit_disk};
    return files_walk_tree(t->root->fs, t->root->fd, &walk, err);
}

/* --- copies.log: where each file came from --- */

enum copy_field {
    FIELD_WORD, /* "copied" */
    FIELD_PATH,
    FIELD_CARD_PATH,
    FIELD_CARD_ID,
    FIELD_LABEL,
    FIELD_SIZE,
    FIELD_MTIME_NS,
    FIELD_DIGEST,
    FIELD_FINGERPRINT,
    FIELD_SUFFIX,
    FIELD_SECOND,
    FIELD_COUNT
};

static void release_record(struct target_record *r)
{
    free(r->card_path);
    free(r->card_id);
    free(r->label);
    free(r->second);
}

/* Takes copies of the texts. */
static bool add_record(struct target *t, const struct target_record *record, struct err *err)
{
    if (t->n_records == t->room_records) {
        size_t room = t->room_records > 0 ? t->room_records * 2 : 256;
        struct target_record *grown = realloc(t->record, room * sizeof *grown);
        if (grown == NULL)
            return err_nomem(err);
        t->record = grown;
        t->room_records = room;
    }
    struct target_record *r = &t->record[t->n_records];
    *r = *record;
    r->card_path = strdup(record->card_path);
    r->card_id = strdup(record->card_id);
    r->label = strdup(record->label);
    r->second = strdup(record->second);
    if (r->card_path == NULL || r->card_id == NULL || r->label == NULL || r->second == NULL) {
        release_record(r);
        return err_nomem(err);
    }
    struct target_file *f = &t->file[r->file];
    f->from_log = true;
    f->copied_size = r->size;
    f->copied_mtime_ns = r->mtime_ns;
    if (r->second[0] != '\0')
        f->flags |= TARGET_SECOND;
    return map_add(&t->by_card_path, r->card_path, t->n_records++, err);
}

static bool visit_copy(void *context, char *const *fields, size_t n, struct err *err)
{
    struct target *t = context;
    struct hash_digest digest;
    struct target_record r = {0};
    if (n < FIELD_COUNT || strcmp(fields[FIELD_WORD], "copied") != 0)
        return true; /* of a later version */
    r.file = target_find(t, fields[FIELD_PATH]);
    /* A line whose file is not in the manifest (or there with other bytes) proves nothing. */
    if (r.file == TARGET_NONE || !hash_parse(fields[FIELD_DIGEST], &digest) ||
        !hash_equal(&digest, &t->file[r.file].digest) ||
        !hash_parse(fields[FIELD_FINGERPRINT], &r.fingerprint))
        return true;
    r.card_path = fields[FIELD_CARD_PATH];
    r.card_id = fields[FIELD_CARD_ID];
    r.label = fields[FIELD_LABEL];
    r.second = fields[FIELD_SECOND];
    r.size = strtoull(fields[FIELD_SIZE], NULL, 10);
    r.mtime_ns = strtoll(fields[FIELD_MTIME_NS], NULL, 10);
    r.suffix = (uint32_t)strtoul(fields[FIELD_SUFFIX], NULL, 10);
    return add_record(t, &r, err);
}

/* copies.log only spares reading: without it each file is read and recognised by its bytes. */
static bool load_copies(struct target *t, struct err *err)
{
    struct err trouble = ERR_INIT;
    if (t->root->state < 0 || textlog_read(t->root, TARGET_COPIES, visit_copy, t, NULL, &trouble))
        return true;
    if (trouble.code == ERR_DAMAGED) {
        log_line(t->log, "%s: files are recognised by their bytes instead", trouble.message);
        return true;
    }
    if (err != NULL)
        *err = trouble;
    return false;
}

bool target_load(struct target *t, struct root *root, struct catalogue *catalogue, struct log *log,
                 struct err *err)
{
    *t = (struct target){.root = root, .log = log};
    disk_of(root->fs, root->fd, &t->disk);
    bool ok = readback_init(&t->readback, err) && manifest_read(root, visit_listed, t, &t->listed, err) &&
              load_copies(t, err) &&
              (catalogue == NULL || catalogue_each_file(catalogue, 0, visit_moved, t, err));
    if (!ok)
        target_release(t);
    return ok;
}

void target_release(struct target *t)
{
    for (size_t i = 0; i < t->n; i++) {
        free(t->file[i].path);
        free(t->file[i].moved_to);
    }
    for (size_t i = 0; i < t->n_records; i++)
        release_record(&t->record[i]);
    free(t->file);
    free(t->record);
    map_release(&t->by_path);
    map_release(&t->by_family);
    map_release(&t->by_card_path);
    map_release(&t->touched);
    readback_release(&t->readback);
    manifest_lines_release(&t->lines);
    (void)textlog_close(t->copies, NULL);
    *t = (struct target){0};
}

/* --- before a run --- */

static bool visit_leftover(void *context, const char *path, const struct stat *st, bool *descend,
                           struct err *err)
{
    const struct root *root = context;
    *descend = false;
    if (!S_ISREG(st->st_mode))
        return true;
    char *name = str_make(err, TARGET_INCOMING "/%s", path);
    bool ok = name != NULL && publish_drop(root, name, err);
    free(name);
    return ok;
}

static bool clear_incoming(struct root *root, struct err *err)
{
    struct err trouble = ERR_INIT;
    const struct files_walk walk = {.context = root, .visit = visit_leftover};
    int fd = files_open_folder(root->fs, root->state, TARGET_INCOMING, false, &trouble);
    if (fd < 0) {
        if (trouble.code == ERR_NOT_FOUND)
            return true;
        if (err != NULL)
            *err = trouble;
        return false;
    }
    bool ok = files_walk_tree(root->fs, fd, &walk, &trouble) ||
              (err_wrap(&trouble, "'" ROOT_STATE "/" TARGET_INCOMING "'"), false);
    files_drop(root->fs, fd);
    if (!ok && err != NULL)
        *err = trouble;
    return ok;
}

bool target_recover(struct root *root, struct err *err)
{
    return publish_recover(root, err) && clear_incoming(root, err) && manifest_mend(root, err);
}

/* --- how files fare --- */

static bool hash_at(struct target *t, int fd, const char *shown, const struct hash_digest *digest, bool *same,
                    struct err *err)
{
    struct hash_digest found;
    uint64_t size;
    if (!readback_digest(&t->readback, t->root->fs, fd, shown, NULL, &found, &size, err))
        return false;
    *same = hash_equal(&found, digest);
    return true;
}

bool target_same_content(struct target *t, const char *path, const struct hash_digest *digest, bool *same,
                         struct err *err)
{
    struct err trouble = ERR_INIT;
    *same = false;
    const struct files *fs = t->root->fs;
    int fd = *path == '/' ? files_open_regular(fs, AT_FDCWD, path, NULL, path, &trouble)
                          : files_open_path(fs, t->root->fd, path, NULL, &trouble);
    if (fd < 0) {
        /* Not a file, or gone, or behind a link: then it is not the same. */
        if (trouble.code == ERR_FILE || trouble.code == ERR_NOT_FOUND || trouble.code == ERR_REFUSED)
            return true;
        if (err != NULL)
            *err = trouble;
        return false;
    }
    /* Somebody may have put it there a moment ago: bytes that are in memory only prove nothing. */
    bool ok = files_sync(fs, fd, path, err) && hash_at(t, fd, path, digest, same, err);
    files_drop(t->root->fs, fd);
    return ok;
}

static bool mtime_near(int64_t a, int64_t b)
{
    return a - b <= MTIME_STEP_NS && b - a <= MTIME_STEP_NS;
}

bool target_may_be_away(const struct target_file *file)
{
    return file->moved_to != NULL && *file->moved_to == '/' && !file->deleted;
}

static bool as_copied(const struct target_file *f, uint64_t size, int64_t mtime_ns)
{
    return f->from_log && size == f->copied_size && mtime_near(mtime_ns, f->copied_mtime_ns);
}

/* Is there a file at `path`, below the session or absolute, and is it the copy? */
static bool look_elsewhere(struct target *t, const struct target_file *f, const char *path, bool *there,
                           bool *same, struct err *err)
{
    const struct files *fs = t->root->fs;
    struct stat st;
    *there =
        fs->fstatat(fs->context, t->root->fd, path, &st, AT_SYMLINK_NOFOLLOW) == 0 && S_ISREG(st.st_mode);
    *same = *there && as_copied(f, (uint64_t)st.st_size, files_time_ns(&st.st_mtim));
    return !*there || *same || target_same_content(t, path, &f->digest, same, err);
}

static bool state_elsewhere(struct target *t, const struct target_file *f, enum target_state *state,
                            struct err *err)
{
    bool there, same;
    if ((f->flags & TARGET_MOVED) != 0) {
        if (!look_elsewhere(t, f, f->moved_to, &there, &same, err))
            return false;
        *state = there                   ? same ? TARGET_STATE_MOVED : TARGET_STATE_CHANGED
                 : target_may_be_away(f) ? TARGET_STATE_AWAY
                                         : TARGET_STATE_DELETED;
        return true;
    }
    /* Without a catalogue the reject folder itself tells: apply keeps the path below it. */
    char *path = str_make(err, ROOT_REJECTS "/%s", f->path);
    bool ok = path != NULL && look_elsewhere(t, f, path, &there, &same, err);
    free(path);
    if (ok)
        *state = same ? TARGET_STATE_MOVED : TARGET_STATE_LOST;
    return ok;
}

bool target_state(struct target *t, size_t file, enum target_state *state, struct err *err)
{
    struct target_file *f = &t->file[file];
    bool same = true;
    if ((f->flags & TARGET_ON_DISK) == 0)
        return state_elsewhere(t, f, state, err);
    if ((f->flags & (TARGET_INTACT | TARGET_CHANGED)) == 0) {
        if (!as_copied(f, f->size, f->mtime_ns) && !target_same_content(t, f->path, &f->digest, &same, err))
            return false;
        f->flags |= same ? TARGET_INTACT : TARGET_CHANGED;
    }
    *state = (f->flags & TARGET_INTACT) != 0 ? TARGET_STATE_INTACT : TARGET_STATE_CHANGED;
    return true;
}

/* --- noting and committing --- */

static bool touch_folder(struct target *t, const char *folder, struct err *err)
{
    return map_first(&t->touched, folder) != MAP_END || map_add(&t->touched, folder, 0, err);
}

/* The folders above too: a run that was killed may have made them and left them unsynced. */
bool target_touch(struct target *t, const char *path, struct err *err)
{
    char *folder = strdup(path);
    bool ok = folder != NULL || err_nomem(err);
    for (char *slash; ok && (slash = strrchr(folder, '/')) != NULL;) {
        *slash = '\0';
        ok = touch_folder(t, folder, err);
    }
    free(folder);
    return ok && touch_folder(t, ".", err);
}

bool target_note(struct target *t, size_t file, const struct hash_digest *digest, struct err *err)
{
    struct target_file *f = &t->file[file];
    f->flags |= TARGET_ON_DISK | TARGET_INTACT;
    if ((f->flags & TARGET_LISTED) == 0) {
        f->digest = *digest;
        f->flags |= TARGET_LISTED;
        manifest_line(&t->lines, f->path, digest);
    }
    t->pending++;
    return target_touch(t, f->path, err);
}

bool target_note_record(struct target *t, const struct target_record *record, struct err *err)
{
    char size[24], mtime[24], suffix[16], digest[HASH_TEXT_SIZE], fingerprint[HASH_TEXT_SIZE];
    const struct target_file *f = &t->file[record->file];
    (void)snprintf(size, sizeof size, "%" PRIu64, record->size);
    (void)snprintf(mtime, sizeof mtime, "%" PRId64, record->mtime_ns);
    (void)snprintf(suffix, sizeof suffix, "%" PRIu32, record->suffix);
    const char *const fields[FIELD_COUNT] = {
        [FIELD_WORD] = "copied",
        [FIELD_PATH] = f->path,
        [FIELD_CARD_PATH] = record->card_path,
        [FIELD_CARD_ID] = record->card_id,
        [FIELD_LABEL] = record->label,
        [FIELD_SIZE] = size,
        [FIELD_MTIME_NS] = mtime,
        [FIELD_DIGEST] = hash_text(&f->digest, digest),
        [FIELD_FINGERPRINT] = hash_text(&record->fingerprint, fingerprint),
        [FIELD_SUFFIX] = suffix,
        [FIELD_SECOND] = record->second,
    };
    if (t->copies == NULL)
        t->copies = textlog_open(t->root, TARGET_COPIES, err);
    return t->copies != NULL && textlog_write(t->copies, fields, FIELD_COUNT, err) &&
           add_record(t, record, err);
}

static bool sync_touched(struct target *t, struct err *err)
{
    const struct files *fs = t->root->fs;
    for (size_t i = 0; i < t->touched.n; i++) {
        const char *folder = t->touched.item[i].key;
        int fd = files_open_folder(fs, t->root->fd, folder, false, err);
        bool ok = fd >= 0 && files_sync(fs, fd, folder, err);
        files_drop(fs, fd);
        if (!ok)
            return false;
    }
    map_release(&t->touched);
    return true;
}

bool target_commit(struct target *t, struct err *err)
{
    /* In this order: the manifest lists only what cannot vanish any more, copies.log only what it lists. */
    if (!sync_touched(t, err) || !manifest_write(t->root, &t->lines, err) ||
        (t->copies != NULL && !textlog_sync(t->copies, err)))
        return false;
    t->pending = 0;
    return true;
}

/* --- the index in SQLite --- */

/* One row as one text, to see whether it is there already. */
static char *index_key(const char *path, const char *card_path, const char *second, struct err *err)
{
    return str_make(err, "%s\n%s\n%s", path, card_path, second);
}

static bool visit_row(void *context, const struct catalogue_copy *copy, struct err *err)
{
    struct map *known = context;
    char *key = index_key(copy->path, copy->card_path, copy->second, err);
    bool ok = key != NULL && map_add(known, key, 0, err);
    free(key);
    return ok;
}

static bool put_row(struct target *t, const struct target_record *r, struct catalogue *catalogue,
                    const struct map *known, struct err *err)
{
    const struct target_file *f = &t->file[r->file];
    char *key = index_key(f->path, r->card_path, r->second, err);
    if (key == NULL)
        return false;
    bool there = map_first(known, key) != MAP_END;
    free(key);
    if (there)
        return true;
    const struct catalogue_copy copy = {
        .path = f->path,
        .card_path = r->card_path,
        .card = r->label[0] != '\0' ? r->label : r->card_id,
        .size = r->size,
        .mtime_ns = r->mtime_ns,
        .digest = f->digest,
        .second = r->second,
    };
    return catalogue_put_copy(catalogue, &copy, err);
}

/* A file may have several lines (mirrored cards, a later second copy): the row is the newest that tells of a
   second copy, else the newest. */
static bool choose_records(const struct target *t, size_t **best, struct err *err)
{
    *best = malloc((t->n > 0 ? t->n : 1) * sizeof **best);
    if (*best == NULL)
        return err_nomem(err);
    for (size_t i = 0; i < t->n; i++)
        (*best)[i] = TARGET_NONE;
    for (size_t i = 0; i < t->n_records; i++) {
        const struct target_record *r = &t->record[i];
        size_t *b = &(*best)[r->file];
        if (*b == TARGET_NONE || r->second[0] != '\0' || t->record[*b].second[0] == '\0')
            *b = i;
    }
    return true;
}

bool target_index(struct target *t, struct catalogue *catalogue, struct err *err)
{
    struct map known = MAP_INIT;
    size_t *best = NULL;
    bool ok = choose_records(t, &best, err) && catalogue_each_copy(catalogue, visit_row, &known, err) &&
              catalogue_begin(catalogue, err);
    if (ok) {
        for (size_t i = 0; ok && i < t->n; i++)
            ok = best[i] == TARGET_NONE || put_row(t, &t->record[best[i]], catalogue, &known, err);
        if (ok)
            ok = catalogue_commit(catalogue, err);
        else
            catalogue_rollback(catalogue);
    }
    free(best);
    map_release(&known);
    return ok;
}
