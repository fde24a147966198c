#include "snapshot.h"

#include <stdlib.h>
#include <string.h>

static bool is_picture(const char *kind)
{
    static const char *const pictures[] = {"jpeg", "raw", "heif", "container"};
    for (size_t i = 0; i < sizeof pictures / sizeof pictures[0]; i++)
        if (strcmp(kind, pictures[i]) == 0)
            return true;
    return false;
}

static bool add_row(void *context, const struct catalogue_row *row, struct err *err)
{
    struct snapshot *s = context;
    void *grown = keep_room(s->frames, s->n_frames, &s->room_frames, sizeof s->frames[0], err);
    if (grown == NULL)
        return false;
    s->frames = grown;
    const char *label = keep_text(&s->text, row->path != NULL ? row->path : row->frame.name, err);
    if (label == NULL)
        return false;
    s->frames[s->n_frames++] = (struct snapshot_frame){
        .id = row->frame.id,
        .burst = row->frame.burst,
        .label = label,
        .reject = strcmp(row->outcome, "reject") == 0,
        .ranked = *row->choice.proposal != '\0',
        .seen = row->accepted || (row->decision != CATALOGUE_UNDECIDED && !row->decided_in_camera),
    };
    return true;
}

static bool add_file(void *context, const struct catalogue_file *file, struct err *err)
{
    struct snapshot *s = context;
    void *grown = keep_room(s->files, s->n_files, &s->room_files, sizeof s->files[0], err);
    if (grown == NULL)
        return false;
    s->files = grown;
    const char *path = keep_text(&s->text, file->path, err);
    const char *home = file->home != NULL ? keep_text(&s->text, file->home, err) : NULL;
    if (path == NULL || (file->home != NULL && home == NULL))
        return false;
    s->files[s->n_files++] = (struct snapshot_file){.id = file->id,
                                                    .frame = file->frame,
                                                    .path = path,
                                                    .home = home,
                                                    .picture = is_picture(file->kind),
                                                    .missing = file->missing,
                                                    .has_fingerprint = file->has_fingerprint,
                                                    .size = file->size,
                                                    .fingerprint = file->fingerprint};
    return true;
}

static bool add_copy(void *context, const struct catalogue_copy *copy, struct err *err)
{
    struct snapshot *s = context;
    void *grown = keep_room(s->copies, s->n_copies, &s->room_copies, sizeof s->copies[0], err);
    if (grown == NULL)
        return false;
    s->copies = grown;
    const char *path = keep_text(&s->text, copy->path, err);
    if (path == NULL)
        return false;
    s->copies[s->n_copies++] = (struct snapshot_copy){
        .path = path, .size = copy->size, .mtime_ns = copy->mtime_ns, .digest = copy->digest};
    return true;
}

static int files_by_path(const void *a, const void *b)
{
    return strcmp(((const struct snapshot_file *)a)->path, ((const struct snapshot_file *)b)->path);
}

static int copies_by_path(const void *a, const void *b)
{
    return strcmp(((const struct snapshot_copy *)a)->path, ((const struct snapshot_copy *)b)->path);
}

static int files_by_frame(const void *a, const void *b)
{
    const struct snapshot_file *x = *(struct snapshot_file *const *)a;
    const struct snapshot_file *y = *(struct snapshot_file *const *)b;
    int order = (x->frame > y->frame) - (x->frame < y->frame);
    return order != 0 ? order : strcmp(x->path, y->path);
}

static int frames_by_id(const void *a, const void *b)
{
    const struct snapshot_frame *x = *(struct snapshot_frame *const *)a;
    const struct snapshot_frame *y = *(struct snapshot_frame *const *)b;
    return (x->id > y->id) - (x->id < y->id);
}

static bool sort_all(struct snapshot *s, struct err *err)
{
    s->by_id = calloc(s->n_frames + 1, sizeof s->by_id[0]);
    s->by_frame = calloc(s->n_files + 1, sizeof s->by_frame[0]);
    if (s->by_id == NULL || s->by_frame == NULL)
        return err_nomem(err);
    if (s->n_files > 0)
        qsort(s->files, s->n_files, sizeof s->files[0], files_by_path);
    if (s->n_copies > 0)
        qsort(s->copies, s->n_copies, sizeof s->copies[0], copies_by_path);
    for (size_t i = 0; i < s->n_frames; i++)
        s->by_id[i] = &s->frames[i];
    for (size_t i = 0; i < s->n_files; i++)
        s->by_frame[i] = &s->files[i];
    qsort(s->by_id, s->n_frames, sizeof s->by_id[0], frames_by_id);
    qsort(s->by_frame, s->n_files, sizeof s->by_frame[0], files_by_frame);
    return true;
}

/* A crash in the middle of a commit leaves a journal that only a writer may roll back. */
static enum catalogue_access access_needed(const struct root *root)
{
    struct stat st;
    bool hot = root->lock >= 0 && root->state >= 0 &&
               root->fs->fstatat(root->fs->context, root->state, "catalogue.db-journal", &st, 0) == 0;
    return hot ? CATALOGUE_WRITE : CATALOGUE_READ;
}

bool snapshot_load(struct catalogue *c, struct snapshot *snapshot, struct err *err)
{
    const struct catalogue_filter filter = {.with_missing = false};
    *snapshot = (struct snapshot){0};
    bool ok = catalogue_each_row(c, &filter, add_row, snapshot, err) &&
              catalogue_each_file(c, 0, add_file, snapshot, err) &&
              catalogue_each_copy(c, add_copy, snapshot, err) && sort_all(snapshot, err);
    if (!ok)
        snapshot_release(snapshot);
    return ok;
}

bool snapshot_read(const struct root *root, struct snapshot *snapshot, struct err *err)
{
    struct catalogue *c = catalogue_open(root, access_needed(root), err);
    bool ok = c != NULL && snapshot_load(c, snapshot, err);
    catalogue_close(c);
    return ok;
}

void snapshot_release(struct snapshot *snapshot)
{
    free(snapshot->frames);
    free(snapshot->by_id);
    free(snapshot->files);
    free(snapshot->by_frame);
    free(snapshot->copies);
    keep_release(&snapshot->text);
    *snapshot = (struct snapshot){0};
}

const struct snapshot_file *snapshot_find(const struct snapshot *snapshot, const char *path)
{
    const struct snapshot_file key = {.path = path};
    return snapshot->n_files == 0
               ? NULL
               : bsearch(&key, snapshot->files, snapshot->n_files, sizeof snapshot->files[0], files_by_path);
}

const struct snapshot_copy *snapshot_copy(const struct snapshot *snapshot, const char *path)
{
    const struct snapshot_copy key = {.path = path};
    return snapshot->n_copies == 0 ? NULL
                                   : bsearch(&key, snapshot->copies, snapshot->n_copies,
                                             sizeof snapshot->copies[0], copies_by_path);
}

const struct snapshot_frame *snapshot_frame(const struct snapshot *snapshot, int64_t id)
{
    const struct snapshot_frame frame = {.id = id};
    const struct snapshot_frame *key = &frame;
    struct snapshot_frame *const *found =
        snapshot->n_frames == 0
            ? NULL
            : bsearch(&key, snapshot->by_id, snapshot->n_frames, sizeof snapshot->by_id[0], frames_by_id);
    return found != NULL ? *found : NULL;
}

struct snapshot_file *const *snapshot_files(const struct snapshot *snapshot, int64_t frame, size_t *n)
{
    size_t low = 0, high = snapshot->n_files;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (snapshot->by_frame[middle]->frame < frame)
            low = middle + 1;
        else
            high = middle;
    }
    *n = 0;
    while (low + *n < snapshot->n_files && snapshot->by_frame[low + *n]->frame == frame)
        ++*n;
    return snapshot->by_frame + low;
}
