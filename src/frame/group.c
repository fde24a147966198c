/*
 * Which files of a folder make one frame.
 *
 * The files are sorted by their base names with case folded, so that a family (all that share a base) is one
 * stretch, pictures first. In it each picture goes to the first frame that does not hold its case twin yet,
 * the exact spelling first; then everything else joins the frame it is spelled like.
 */
#include "chaffinch/frame.h"

#include <stdlib.h>
#include <string.h>

#include "name.h"

struct file {
    const char *name;
    struct name_base base;
    enum frame_file_kind kind;
    size_t index;               /* in the caller's list */
    size_t frame;               /* in draft order, NO_FRAME = none */
    struct file *leader;        /* of pictures: the one that opened the frame, maybe this one */
    const struct file *refused; /* of leaders: the last picture whose twin the frame held already */
};

static const size_t NO_FRAME = SIZE_MAX;

static int by_bytes(const char *a, size_t na, const char *b, size_t nb)
{
    int d = memcmp(a, b, na < nb ? na : nb);
    return d != 0 ? d : na == nb ? 0 : na < nb ? -1 : 1;
}

static int by_family(const void *a, const void *b)
{
    const struct file *x = a, *y = b;
    int d = name_compare_folded(x->name, x->base.size, y->name, y->base.size);
    if (d == 0)
        d = (int)frame_kind_is_picture(y->kind) - (int)frame_kind_is_picture(x->kind);
    if (d == 0)
        d = by_bytes(x->name, x->base.size, y->name, y->base.size);
    return d != 0 ? d : strcmp(x->name, y->name);
}

static bool same_spelling(const struct file *a, const struct file *b)
{
    return by_bytes(a->name, a->base.size, b->name, b->base.size) == 0;
}

/* Of one family: their bases are equal but for case. */
static bool twins(const struct file *a, const struct file *b)
{
    const char *x = a->name + a->base.size, *y = b->name + b->base.size;
    return name_compare_folded(x, strlen(x), y, strlen(y)) == 0;
}

static bool leads(const struct file *file)
{
    return file->leader == file;
}

/* Does this file name that picture? 2 = byte for byte, 1 = but for case, 0 = no. */
static int names_picture(const struct file *file, const struct file *picture)
{
    size_t size = strlen(picture->name);
    if (file->base.picture_size == 0 ||
        name_compare_folded(file->name, file->base.picture_size, picture->name, size) != 0)
        return 0;
    return by_bytes(file->name, file->base.picture_size, picture->name, size) == 0 ? 2 : 1;
}

/* The frame of the family that suits a file best: that of the picture it names, else the exact spelling,
   else the first. */
static size_t best_frame(const struct file *picture, size_t n, const struct file *file)
{
    size_t best = NO_FRAME;
    int best_points = 0;
    for (size_t i = 0; i < n; i++) {
        const struct file *other = &picture[i];
        int points = 1 + 2 * names_picture(file, other) + (leads(other) && same_spelling(file, other));
        if (points > best_points) {
            best_points = points;
            best = other->frame;
        }
    }
    return best;
}

/* The pictures before it have their places. Twins are looked for once for all frames: a folder may hold
   thousands of them. */
static void place_picture(struct file *family, struct file *picture, size_t *n_frames)
{
    struct file *first = NULL, *exact = NULL;
    for (struct file *f = family; f < picture; f++)
        if (twins(f, picture))
            f->leader->refused = picture;
    for (struct file *f = family; f < picture && exact == NULL; f++) {
        if (!leads(f) || f->refused == picture)
            continue;
        if (first == NULL)
            first = f;
        if (same_spelling(f, picture))
            exact = f;
    }
    picture->leader = exact != NULL ? exact : first != NULL ? first : picture;
    picture->frame = leads(picture) ? (*n_frames)++ : picture->leader->frame;
}

static void settle_family(struct file *family, size_t n, size_t *n_frames)
{
    size_t n_pictures = 0;
    while (n_pictures < n && frame_kind_is_picture(family[n_pictures].kind))
        n_pictures++;
    for (size_t i = 0; i < n_pictures; i++)
        place_picture(family, &family[i], n_frames);
    for (size_t i = n_pictures; i < n; i++) {
        struct file *f = &family[i];
        f->frame = f->name[0] != '.' ? best_frame(family, n_pictures, f) : NO_FRAME;
        if (f->frame == NO_FRAME)
            continue;
        if (f->kind == FRAME_OTHER)
            f->kind = FRAME_COMPANION;
    }
}

static int by_leader(const void *a, const void *b)
{
    const struct file *x = *(const struct file *const *)a, *y = *(const struct file *const *)b;
    int d = by_bytes(x->name, x->base.size, y->name, y->base.size);
    return d != 0 ? d : strcmp(x->name, y->name);
}

/* Frames in byte order of their base names: number[draft] = final. */
static bool number_frames(const struct file *file, size_t n, size_t n_frames, int32_t *number,
                          struct err *err)
{
    const struct file **leader = calloc(n_frames + 1, sizeof *leader);
    if (leader == NULL)
        return err_nomem(err);
    size_t found = 0;
    for (size_t i = 0; i < n; i++)
        if (leads(&file[i]))
            leader[found++] = &file[i];
    qsort(leader, found, sizeof *leader, by_leader);
    for (size_t i = 0; i < found; i++)
        number[leader[i]->frame] = (int32_t)i;
    free(leader);
    return true;
}

bool frame_group(const char *const *names, size_t n, int32_t *group, enum frame_file_kind *kinds,
                 size_t *n_frames, struct err *err)
{
    bool ok = false;
    size_t drafted = 0;
    struct file *file = calloc(n + 1, sizeof *file);
    int32_t *number = calloc(n + 1, sizeof *number);
    if (file == NULL || number == NULL) {
        err_nomem(err);
        goto out;
    }
    for (size_t i = 0; i < n; i++)
        file[i] = (struct file){.name = names[i],
                                .base = name_base(names[i]),
                                .kind = frame_kind_of_name(names[i]),
                                .index = i,
                                .frame = NO_FRAME};
    qsort(file, n, sizeof *file, by_family);
    for (size_t from = 0, end; from < n; from = end) {
        for (end = from + 1; end < n && name_compare_folded(file[from].name, file[from].base.size,
                                                            file[end].name, file[end].base.size) == 0;)
            end++;
        settle_family(file + from, end - from, &drafted);
    }
    if (!number_frames(file, n, drafted, number, err))
        goto out;
    for (size_t i = 0; i < n; i++) {
        bool free_file = file[i].frame == NO_FRAME;
        group[file[i].index] = free_file ? -1 : number[file[i].frame];
        /* A sidecar, sound or thumbnail without its picture is no part of a frame. */
        kinds[file[i].index] = free_file ? FRAME_OTHER : file[i].kind;
    }
    *n_frames = drafted;
    ok = true;
out:
    free(file);
    free(number);
    return ok;
}
