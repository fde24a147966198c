/* What a run is going to write, and whether there is room for it. */
#include <stdlib.h>
#include <string.h>

#include "run.h"

/* Beside the files: a line in the manifest and one in copies.log, a row in the catalogue and its index, and
   the pages that SQLite keeps twice while it commits. */
enum { OVERHEAD_FILE_BYTES = 1536, OVERHEAD_RUN_BYTES = 2 << 20 };

/* What measuring adds for a frame: 9 bytes a cell, of 400 x 300 cells at most (a grid 400 wide is that of the
   widest picture of each size of cell; 3:4), of which a small file has fewer: a cell is at least 64 px, and a
   camera's JPEG .25 byte or more a pixel; and its row in the catalogue. */
enum { CELLS_MOST_BYTES = 400 * 300 * 9, CELLS_ROW_BYTES = 2048, CELL_FILE_BYTES = 16 };

static int by_family_path(const void *key, const void *element)
{
    const struct card_file *a = key, *b = element;
    int order = strcmp(a->family, b->family);
    return order != 0 ? order : strcmp(a->path, b->path);
}

/* An earlier card of this run holds a file that looks the same: it will be stored once. */
static bool mirrored_in_set(const struct card_set *set, size_t card, const struct card_file *file)
{
    for (size_t i = 0; i < card; i++) {
        const struct card *c = &set->card[i];
        const struct card_file *twin =
            c->n > 0 ? bsearch(file, c->file, c->n, sizeof *c->file, by_family_path) : NULL;
        if (twin != NULL && twin->size == file->size && record_time_near(twin->mtime_ns, file->mtime_ns))
            return true;
    }
    return false;
}

static uint64_t on_disk(const struct target *t, uint64_t size)
{
    struct statvfs st;
    uint64_t block = 4096;
    if (t->root->fs->fstatvfs(t->root->fs->context, t->root->fd, &st) == 0 && st.f_frsize > 0)
        block = st.f_frsize;
    return (size + block - 1) / block * block;
}

/* Whether target i lacks the file, as far as names and sizes tell. */
static bool lacks(struct run *run, size_t i, const struct card_file *file, const struct target_record *record,
                  bool *lacking, struct err *err)
{
    struct target *t = &run->target[i];
    enum target_state state;
    size_t at;
    *lacking = true;
    if (record == NULL)
        return true;
    if (i == 0)
        at = record->file;
    else {
        char *path = names_with_suffix(file->path, record->suffix, err);
        if (path == NULL)
            return false;
        at = target_find(t, path);
        free(path);
    }
    if (at == TARGET_NONE || (t->file[at].flags & TARGET_LISTED) == 0)
        return true;
    if (!target_state(t, at, &state, err))
        return false;
    *lacking = state == TARGET_STATE_LOST || (i > 0 && state == TARGET_STATE_CHANGED);
    return true;
}

static uint64_t cells_of(const struct card_file *file)
{
    uint64_t cells = file->size / CELL_FILE_BYTES * 9;
    return (cells < CELLS_MOST_BYTES ? cells : CELLS_MOST_BYTES) + CELLS_ROW_BYTES;
}

static bool plan_file(struct run *run, size_t card, const struct card_file *file, struct plan *plan,
                      struct err *err)
{
    const struct target_record *record;
    bool reads = record_foresee(&run->target[0], &run->set->card[card], file, &record) != FORESIGHT_KNOWN;
    bool mirrored = record == NULL && mirrored_in_set(run->set, card, file);
    for (size_t i = 0; i < run->n_targets; i++) {
        bool lacking;
        if (!lacks(run, i, file, record, &lacking, err))
            return false;
        if (!lacking || mirrored)
            continue;
        reads = true;
        plan->need_bytes[i] +=
            on_disk(&run->target[i], file->size) + 2 * strlen(file->path) + OVERHEAD_FILE_BYTES;
    }
    if (reads) {
        plan->files++;
        plan->bytes += file->size;
    }
    return true;
}

/* One picture of a frame is measured; the files of a frame stand side by side. */
static bool plan_card(struct run *run, size_t card, struct plan *plan, struct err *err)
{
    const char *measured = NULL;
    for (size_t k = 0; k < run->set->card[card].n; k++) {
        const struct card_file *file = &run->set->card[card].file[k];
        uint64_t before = plan->need_bytes[0];
        if (!plan_file(run, card, file, plan, err))
            return false;
        bool another = measured == NULL || strcmp(measured, file->family) != 0;
        if (plan->need_bytes[0] > before && another && card_kind_of_name(file->path) == CARD_PICTURE) {
            plan->cells_bytes += cells_of(file);
            measured = file->family;
        }
    }
    return true;
}

bool space_plan(struct run *run, struct plan *plan, struct err *err)
{
    *plan = (struct plan){0};
    for (size_t i = 0; i < run->n_targets; i++)
        plan->need_bytes[i] = OVERHEAD_RUN_BYTES;
    for (size_t i = 0; i < run->set->n; i++)
        if (!plan_card(run, i, plan, err))
            return false;
    return true;
}

static bool free_room(const struct target *t, uint64_t *room, struct err *err)
{
    struct statvfs st;
    if (t->root->fs->fstatvfs(t->root->fs->context, t->root->fd, &st) != 0)
        return err_sys(err, "ask for the free space of", t->root->path);
    *room = (uint64_t)st.f_bavail * st.f_frsize;
    return true;
}

/* Copying is worth while without measuring; a night that is to do both had better not begin. */
static bool check_cells(const struct run *run, const struct plan *plan, uint64_t copies, struct err *err)
{
    char safe[400], cells[32], there[32];
    uint64_t room;
    if (!free_room(&run->target[0], &room, err))
        return false;
    if (copies + plan->cells_bytes <= room)
        return true;
    (void)err_escape(safe, sizeof safe, run->target[0].root->path);
    (void)log_bytes(plan->cells_bytes, cells);
    (void)log_bytes(room > copies ? room - copies : 0, there);
    if (run->options->measures)
        return err_set(err, ERR_NO_SPACE,
                       "not enough space on '%s': measuring needs about %s, the copies leave %s (free some "
                       "space and run the same command again, or only copy: 'chaffinch copy')",
                       safe, cells, there);
    log_line(run->options->log,
             "'%s' has room for the copies, but measuring needs about %s and they leave %s", safe, cells,
             there);
    return true;
}

static bool check_target(const struct target *t, uint64_t need, struct err *err)
{
    char safe[400], needed[32], there[32], missing[32];
    uint64_t room;
    if (!free_room(t, &room, err))
        return false;
    if (need <= room)
        return true;
    return err_set(
        err, ERR_NO_SPACE,
        "not enough space on '%s': %s needed, %s free, %s missing (free some space and run the same "
        "command again)",
        err_escape(safe, sizeof safe, t->root->path), log_bytes(need, needed), log_bytes(room, there),
        log_bytes(need - room, missing));
}

bool space_check(const struct run *run, const struct plan *plan, struct err *err)
{
    struct stat a, b;
    const struct files *fs = run->target[0].root->fs;
    uint64_t first = plan->need_bytes[0];
    if (run->n_targets > 1 && fs->fstat(fs->context, run->target[0].root->fd, &a) == 0 &&
        fs->fstat(fs->context, run->target[1].root->fd, &b) == 0 && a.st_dev == b.st_dev)
        first += plan->need_bytes[1];
    if (!check_target(&run->target[0], first, err))
        return false;
    if (run->n_targets > 1 && !check_target(&run->target[1], plan->need_bytes[1], err))
        return false;
    return check_cells(run, plan, first, err);
}
