#include "scan.h"

#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

/* The files of one frame are written together; what a camera writes late is seconds late. */
#define FRAME_WRITTEN_NS INT64_C(10000000000)

struct walk_state {
    struct session *s;
    struct scan *scan;
};

static bool add_file(struct scan *scan, const char *path, const struct stat *st, struct err *err)
{
    if (scan->n_files == scan->room_files) {
        size_t room = scan->room_files > 0 ? scan->room_files * 2 : 256;
        struct scan_file *grown = realloc(scan->file, room * sizeof *grown);
        if (grown == NULL)
            return err_nomem(err);
        scan->file = grown;
        scan->room_files = room;
    }
    struct scan_file *f = &scan->file[scan->n_files];
    *f = (struct scan_file){.path = strdup(path),
                            .size = (uint64_t)st->st_size,
                            .mtime_ns = files_time_ns(&st->st_mtim),
                            .read_only = (st->st_mode & 0222) == 0};
    if (f->path == NULL)
        return err_nomem(err);
    scan->n_files++;
    return true;
}

static bool visit(void *context, const char *path, const struct stat *st, bool *descend, struct err *err)
{
    struct walk_state *w = context;
    if (root_is_ours(path)) {
        *descend = false;
        return true;
    }
    if (S_ISLNK(st->st_mode))
        w->scan->links++;
    return S_ISREG(st->st_mode) ? add_file(w->scan, path, st, err) : true;
}

static void trouble(void *context, const char *path, const struct err *err)
{
    struct walk_state *w = context;
    (void)path;
    w->scan->failed++;
    log_err(w->s->log, err);
}

static size_t folder_size(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash != NULL ? (size_t)(slash - path) : 0;
}

static bool same_folder(const char *a, const char *b)
{
    size_t n = folder_size(a);
    return n == folder_size(b) && memcmp(a, b, n) == 0;
}

static int by_folder_then_path(const void *a, const void *b)
{
    const struct scan_file *x = a, *y = b;
    size_t nx = folder_size(x->path), ny = folder_size(y->path);
    int d = memcmp(x->path, y->path, nx < ny ? nx : ny);
    if (d == 0 && nx != ny)
        d = nx < ny ? -1 : 1;
    return d != 0 ? d : strcmp(x->path, y->path);
}

/* JPEG before raw before what is not scored; then companions; else byte order. */
static int order_of_kind(enum frame_file_kind kind)
{
    return kind == FRAME_JPEG ? 0 : kind == FRAME_RAW ? 1 : frame_kind_is_picture(kind) ? 2 : 3;
}

struct member {
    struct scan_file file;
    int32_t group;
};

static int by_group(const void *a, const void *b)
{
    const struct member *x = a, *y = b;
    if (x->group != y->group)
        return x->group < y->group ? -1 : 1;
    int d = order_of_kind(x->file.kind) - order_of_kind(y->file.kind);
    return d != 0 ? d : strcmp(x->file.path, y->file.path);
}

static bool add_frame(struct scan *scan, size_t first, size_t n, struct err *err)
{
    if (scan->n_frames == scan->room_frames) {
        size_t room = scan->room_frames > 0 ? scan->room_frames * 2 : 256;
        struct scan_frame *grown = realloc(scan->frame, room * sizeof *grown);
        if (grown == NULL)
            return err_nomem(err);
        scan->frame = grown;
        scan->room_frames = room;
    }
    struct scan_frame frame = {.first = first, .n = n};
    while (frame.n_pictures < n && frame_kind_is_picture(scan->file[first + frame.n_pictures].kind))
        frame.n_pictures++;
    scan->frame[scan->n_frames++] = frame;
    return true;
}

/* Orders the files of one folder by frame and adds its frames. Those that belong to no picture stand first.
 */
static bool settle_folder(struct scan *scan, struct member *members, size_t first, size_t n, struct err *err)
{
    qsort(members, n, sizeof *members, by_group);
    for (size_t i = 0; i < n; i++)
        scan->file[first + i] = members[i].file;
    for (size_t i = 0, end; i < n; i = end) {
        for (end = i + 1; end < n && members[end].group == members[i].group;)
            end++;
        if (members[i].group < 0)
            scan->others += end - i;
        else if (!add_frame(scan, first + i, end - i, err))
            return false;
    }
    return true;
}

static bool group_folder(struct scan *scan, size_t first, size_t n, struct err *err)
{
    bool ok = false;
    size_t n_frames = 0;
    const char **names = calloc(n, sizeof *names);
    int32_t *group = calloc(n, sizeof *group);
    enum frame_file_kind *kinds = calloc(n, sizeof *kinds);
    struct member *members = calloc(n, sizeof *members);
    if (names == NULL || group == NULL || kinds == NULL || members == NULL) {
        err_nomem(err);
        goto out;
    }
    for (size_t i = 0; i < n; i++) {
        const char *path = scan->file[first + i].path;
        size_t folder = folder_size(path);
        names[i] = folder > 0 ? path + folder + 1 : path;
    }
    if (!frame_group(names, n, group, kinds, &n_frames, err))
        goto out;
    for (size_t i = 0; i < n; i++) {
        scan->file[first + i].kind = kinds[i];
        members[i] = (struct member){.file = scan->file[first + i], .group = group[i]};
    }
    ok = settle_folder(scan, members, first, n, err);
out:
    free(names);
    free(group);
    free(kinds);
    free(members);
    return ok;
}

static bool group_all(struct scan *scan, struct err *err)
{
    if (scan->n_files == 0)
        return true;
    qsort(scan->file, scan->n_files, sizeof *scan->file, by_folder_then_path);
    for (size_t i = 0, end; i < scan->n_files; i = end) {
        for (end = i + 1; end < scan->n_files && same_folder(scan->file[i].path, scan->file[end].path);)
            end++;
        if (!group_folder(scan, i, end - i, err))
            return false;
    }
    return true;
}

/* What the catalogue knows, looked up by path. */
static int by_path_pointer(const void *a, const void *b)
{
    return strcmp((*(struct scan_file *const *)a)->path, (*(struct scan_file *const *)b)->path);
}

struct lookup {
    struct scan_file **sorted;
    size_t n;
    int64_t *files_of; /* growing pairs: frame id of each known row, to count a frame's rows */
    size_t n_rows, room_rows;
};

static bool note_row(struct lookup *look, int64_t frame, struct err *err)
{
    if (look->n_rows == look->room_rows) {
        size_t room = look->room_rows > 0 ? look->room_rows * 2 : 256;
        int64_t *grown = realloc(look->files_of, room * sizeof *grown);
        if (grown == NULL)
            return err_nomem(err);
        look->files_of = grown;
        look->room_rows = room;
    }
    look->files_of[look->n_rows++] = frame;
    return true;
}

static bool know_file(void *context, const struct catalogue_file *row, struct err *err)
{
    struct lookup *look = context;
    struct scan_file key = {.path = (char *)(uintptr_t)row->path};
    struct scan_file *key_pointer = &key;
    if (row->home != NULL || row->missing)
        return true;
    struct scan_file **found =
        bsearch(&key_pointer, look->sorted, look->n, sizeof *look->sorted, by_path_pointer);
    if (found != NULL && (*found)->size == row->size && (*found)->mtime_ns == row->mtime_ns) {
        (*found)->known = true;
        (*found)->known_frame = row->frame;
    }
    return note_row(look, row->frame, err);
}

static int by_value(const void *a, const void *b)
{
    int64_t x = *(const int64_t *)a, y = *(const int64_t *)b;
    return x < y ? -1 : x > y;
}

static size_t rows_of(const struct lookup *look, int64_t frame)
{
    size_t low = 0, high = look->n_rows;
    while (low < high) {
        size_t mid = (low + high) / 2;
        if (look->files_of[mid] < frame)
            low = mid + 1;
        else
            high = mid;
    }
    size_t n = 0;
    while (low + n < look->n_rows && look->files_of[low + n] == frame)
        n++;
    return n;
}

static void mark_unchanged(struct scan *scan, const struct lookup *look)
{
    for (size_t i = 0; i < scan->n_frames; i++) {
        struct scan_frame *frame = &scan->frame[i];
        const struct scan_file *file = &scan->file[frame->first];
        bool same = true;
        for (size_t k = 0; k < frame->n; k++)
            same = same && file[k].known && file[k].known_frame == file[0].known_frame;
        frame->unchanged = same && rows_of(look, file[0].known_frame) == frame->n;
        frame->id = frame->unchanged ? file[0].known_frame : 0;
    }
}

static bool compare_with_catalogue(struct session *s, struct scan *scan, struct err *err)
{
    struct lookup look = {.n = scan->n_files};
    look.sorted = calloc(scan->n_files + 1, sizeof *look.sorted);
    if (look.sorted == NULL)
        return err_nomem(err);
    for (size_t i = 0; i < scan->n_files; i++)
        look.sorted[i] = &scan->file[i];
    qsort(look.sorted, look.n, sizeof *look.sorted, by_path_pointer);
    bool ok = catalogue_each_file(s->catalogue, 0, know_file, &look, err);
    if (ok && look.n_rows > 0)
        qsort(look.files_of, look.n_rows, sizeof *look.files_of, by_value);
    if (ok)
        mark_unchanged(scan, &look);
    free(look.sorted);
    free(look.files_of);
    return ok;
}

bool scan_session(struct session *s, struct scan *scan, struct err *err)
{
    struct walk_state state = {s, scan};
    const struct files_walk walk = {.context = &state, .visit = visit, .trouble = trouble};
    *scan = (struct scan){0};
    return files_walk_tree(s->root.fs, s->root.fd, &walk, err) && group_all(scan, err) &&
           compare_with_catalogue(s, scan, err);
}

void scan_leave_out(struct scan *scan, const struct card_coming *coming)
{
    size_t kept = 0;
    for (size_t i = 0; i < scan->n_frames; i++) {
        const struct scan_frame *frame = &scan->frame[i];
        bool settled = true;
        for (size_t k = 0; settled && k < frame->n; k++)
            settled = !card_coming_near(coming, scan->file[frame->first + k].mtime_ns, FRAME_WRITTEN_NS);
        if (settled)
            scan->frame[kept++] = *frame;
    }
    scan->n_frames = kept;
    scan->partial = true;
}

void scan_release(struct scan *scan)
{
    for (size_t i = 0; i < scan->n_files; i++)
        free(scan->file[i].path);
    free(scan->file);
    free(scan->frame);
    *scan = (struct scan){0};
}
