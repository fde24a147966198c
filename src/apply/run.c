#include "run.h"

#include <fcntl.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/str.h"

static const char *const kinds[] = {
    [RUN_MOVE] = "move", [RUN_UNDO] = "undo", [RUN_DELETE] = "delete", [RUN_SIDECARS] = "sidecars"};

const char *run_kind_name(enum run_kind kind)
{
    return kinds[kind];
}

bool run_kind_parse(const char *name, enum run_kind *kind)
{
    for (int i = RUN_MOVE; i <= RUN_SIDECARS; i++) {
        if (strcmp(name, kinds[i]) == 0) {
            *kind = (enum run_kind)i;
            return true;
        }
    }
    return false;
}

static bool in_state(const struct run *run, uint32_t folder)
{
    const struct run_folder *f = folder != RUN_NONE ? &run->folders[folder] : NULL;
    return f != NULL && f->place == 0 && strncmp(f->path, ROOT_STATE "/", sizeof ROOT_STATE) == 0;
}

bool run_is_swap(const struct run *run, const struct run_file *file)
{
    return in_state(run, file->from_folder) || in_state(run, file->to_folder);
}

void run_init(struct run *run, enum run_kind kind)
{
    *run = (struct run){.kind = kind};
}

void run_release(struct run *run)
{
    keep_release(&run->text);
    free(run->places);
    free(run->folders);
    free(run->frames);
    free(run->files);
    run_init(run, run->kind);
}

const char *run_keep(struct run *run, const char *text, struct err *err)
{
    return keep_text(&run->text, text, err);
}

uint32_t run_add_place(struct run *run, const char *path, struct err *err)
{
    for (size_t i = 0; i < run->n_places; i++)
        if (strcmp(run->places[i].path, path) == 0)
            return (uint32_t)i;
    void *grown = keep_room(run->places, run->n_places, &run->room_places, sizeof run->places[0], err);
    if (grown == NULL)
        return RUN_NONE;
    run->places = grown;
    const char *kept = run_keep(run, path, err);
    if (kept == NULL)
        return RUN_NONE;
    run->places[run->n_places] = (struct run_place){.path = kept, .fd = -1};
    return (uint32_t)run->n_places++;
}

const char *run_folder_shown(const struct run *run, uint32_t place, const char *path)
{
    return *path != '\0' ? path : run->places[place].path;
}

uint32_t run_find_folder(const struct run *run, uint32_t place, const char *path)
{
    /* From the end: neighbouring frames share folders. */
    for (size_t i = run->n_folders; i-- > 0;)
        if (run->folders[i].place == place && strcmp(run->folders[i].path, path) == 0)
            return (uint32_t)i;
    return RUN_NONE;
}

uint32_t run_add_folder(struct run *run, uint32_t place, const char *path, struct err *err)
{
    uint32_t found = run_find_folder(run, place, path);
    if (found != RUN_NONE)
        return found;
    void *grown = keep_room(run->folders, run->n_folders, &run->room_folders, sizeof run->folders[0], err);
    if (grown == NULL)
        return RUN_NONE;
    run->folders = grown;
    const char *kept = run_keep(run, path, err);
    if (kept == NULL)
        return RUN_NONE;
    run->folders[run->n_folders] = (struct run_folder){.place = place, .path = kept, .fd = -1};
    return (uint32_t)run->n_folders++;
}

struct run_frame *run_add_frame(struct run *run, const char *label, struct err *err)
{
    void *grown = keep_room(run->frames, run->n_frames, &run->room_frames, sizeof run->frames[0], err);
    if (grown == NULL)
        return NULL;
    run->frames = grown;
    const char *kept = run_keep(run, label, err);
    if (kept == NULL)
        return NULL;
    run->frames[run->n_frames] = (struct run_frame){.label = kept, .first = run->n_files};
    return &run->frames[run->n_frames++];
}

bool run_add_file(struct run *run, const struct run_file *file, struct err *err)
{
    void *grown = keep_room(run->files, run->n_files, &run->room_files, sizeof run->files[0], err);
    if (grown == NULL)
        return false;
    run->files = grown;
    struct run_file copy = *file;
    copy.from_name = run_keep(run, file->from_name, err);
    copy.to_name = file->to_name != NULL ? run_keep(run, file->to_name, err) : "";
    if (copy.from_name == NULL || copy.to_name == NULL)
        return false;
    copy.frame = (uint32_t)(run->n_frames - 1);
    copy.where = WHERE_SOURCE;
    copy.from_fd = copy.to_fd = -1;
    run->files[run->n_files++] = copy;
    run->frames[copy.frame].n++;
    return true;
}

void run_drop_frame(struct run *run)
{
    run->n_files = run->frames[--run->n_frames].first;
}

void run_set_batches(struct run *run)
{
    for (size_t i = 0; i < run->n_frames; i++)
        run->frames[i].batch = (uint32_t)(i / RUN_BATCH_FRAMES);
    run->batches = (uint32_t)((run->n_frames + RUN_BATCH_FRAMES - 1) / RUN_BATCH_FRAMES);
}

bool run_open_places(struct run *run, const struct root *root, struct err *err)
{
    const struct files *fs = root->fs;
    char safe[400];
    for (size_t i = 0; i < run->n_places; i++) {
        struct run_place *place = &run->places[i];
        struct stat st;
        if (place->fd >= 0)
            continue;
        /* The person named this folder, so it may be reached through a link; what is below may not. */
        int flags = O_RDONLY | O_DIRECTORY | O_CLOEXEC;
        place->fd = i == 0 ? files_open_folder(fs, root->fd, "", false, err)
                           : fs->openat(fs->context, AT_FDCWD, place->path, flags, 0);
        if (i == 0 && place->fd < 0)
            return false;
        if (place->fd < 0)
            return err_set(err, ERR_NOT_FOUND,
                           "the folder '%s' that rejects went to cannot be opened: connect its disk and run "
                           "the same command again",
                           err_escape(safe, sizeof safe, place->path));
        if (fs->fstat(fs->context, place->fd, &st) != 0)
            return err_sys(err, "look at", i == 0 ? root->path : place->path);
        place->device = (uint64_t)st.st_dev;
    }
    return true;
}

void run_close(struct run *run, const struct files *fs)
{
    for (size_t i = 0; i < run->n_folders; i++) {
        files_drop(fs, run->folders[i].fd);
        run->folders[i].fd = -1;
    }
    for (size_t i = 0; i < run->n_places; i++) {
        files_drop(fs, run->places[i].fd);
        run->places[i].fd = -1;
    }
}

int run_open_folder(struct run *run, const struct files *fs, uint32_t folder, bool create, struct err *err)
{
    struct run_folder *f = &run->folders[folder];
    if (f->fd < 0)
        f->fd = files_open_folder(fs, run->places[f->place].fd, f->path, create, err);
    return f->fd;
}

char *run_join(const char *folder, const char *name, struct err *err)
{
    return str_make(err, "%s%s%s", folder, *folder != '\0' && *name != '\0' ? "/" : "", name);
}

char *run_shown_below(const struct run *run, uint32_t place, const char *path, struct err *err)
{
    const char *at = run->places[place].path;
    return strcmp(at, "/") == 0 ? str_make(err, "/%s", path) : run_join(at, path, err);
}

char *run_shown(const struct run *run, uint32_t folder, const char *name, struct err *err)
{
    const struct run_folder *f = &run->folders[folder];
    char *inside = run_join(f->path, name, err);
    char *shown = inside != NULL ? run_shown_below(run, f->place, inside, err) : NULL;
    free(inside);
    return shown;
}

uint64_t run_device(const struct run *run, const struct run_file *file)
{
    return file->device_place != RUN_NONE ? run->places[file->device_place].device : file->device;
}
