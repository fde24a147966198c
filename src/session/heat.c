/* The engine's side of heat.h: boxes and levels from the catalogue and the cells, drawn in a worker. */
#include "heat.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/frame.h"
#include "chaffinch/rank.h"
#include "chaffinch/session.h"
#include "jobs.h"
#include "packs.h"
#include "pump.h"

struct work {
    struct session *s;
    int64_t frame;
    struct job_heat_request head;
    char *path; /* of the picture that is drawn */
    int64_t pack, offset, size, burst;
    uint32_t width_px, height_px; /* of the stored picture */
    uint32_t pass;
    double floor;
    uint8_t *request; /* head, then levels */
    size_t request_size;
    uint8_t *made;
    size_t made_size;
};

static bool take_file(void *context, const struct catalogue_file *file, struct err *err)
{
    struct work *w = context;
    bool jpeg = strcmp(file->kind, "jpeg") == 0;
    if (file->missing || (!jpeg && (strcmp(file->kind, "raw") != 0 || w->path != NULL)))
        return true;
    char *path = strdup(file->path);
    if (path == NULL)
        return err_nomem(err);
    free(w->path);
    w->path = path;
    w->head.kind = jpeg ? FRAME_JPEG : FRAME_RAW;
    return true;
}

static bool take_frame(void *context, const struct catalogue_row *row, struct err *err)
{
    struct work *w = context;
    (void)err;
    w->head.orientation = row->frame.orientation >= 1 ? (uint32_t)row->frame.orientation : 1;
    w->width_px = row->frame.width_px;
    w->height_px = row->frame.height_px;
    w->pack = row->frame.pack;
    w->offset = row->frame.pack_offset;
    w->size = row->frame.pack_size;
    w->burst = row->frame.burst;
    w->pass = row->choice.pass;
    return true;
}

/* The subject that stands for the frame comes first. */
static bool take_item(void *context, const struct catalogue_item *item, struct err *err)
{
    struct work *w = context;
    (void)err;
    if (item->frame != w->frame || item->pass == 0 || w->head.n_boxes == HEAT_BOXES)
        return true;
    uint32_t at = w->head.n_boxes++;
    if (item->pass == w->pass) {
        memcpy(w->head.box[at], w->head.box[0], sizeof w->head.box[0]);
        at = 0;
        w->floor = item->part[RANK_FLOOR_1];
    }
    w->head.box[at][0] = (float)item->x_px / (float)w->width_px;
    w->head.box[at][1] = (float)item->y_px / (float)w->height_px;
    w->head.box[at][2] = (float)item->w_px / (float)w->width_px;
    w->head.box[at][3] = (float)item->h_px / (float)w->height_px;
    return true;
}

/* The cells of a frame: all of them, or those of the part that was decoded. */
static bool view_cells(const uint8_t *bytes, size_t size, struct grid_part *part, struct err *err)
{
    struct grid grid;
    if (grid_is_part(bytes, size))
        return grid_part_view(part, bytes, size, err);
    if (!grid_view(&grid, bytes, size, err))
        return false;
    *part = (struct grid_part){.width_px = grid.width_px,
                               .height_px = grid.height_px,
                               .cell_px = grid.cell_px,
                               .cols = grid.cols,
                               .rows = grid.rows,
                               .window = {0, 0, grid.cols, grid.rows}};
    memcpy(part->plane, grid.plane, sizeof part->plane);
    return true;
}

/* Where no subject tells the floor of noise: what the calmest cells show. */
static double calm_floor(const struct grid_part *part)
{
    size_t cells = (size_t)part->window.cols * part->window.rows, seen = 0, count[256] = {0};
    for (size_t i = 0; i < cells; i++)
        count[part->plane[GRID_G1][i]]++;
    for (int value = 0; value < 256 && cells > 0; value++) {
        seen += count[value];
        if (seen * 100 >= cells * 15)
            return 1.2 * (double)grid_values()[value];
    }
    return 1;
}

/* What was not decoded stays at level 0. */
static void fill_levels(const struct grid_part *part, double floor, uint8_t *levels)
{
    const double octaves = 6; /* 64 times */
    const struct grid_window *w = &part->window;
    memset(levels, 0, (size_t)part->cols * part->rows);
    for (uint32_t r = 0; w->cols > 0 && r < w->rows; r++)
        for (uint32_t c = 0; c < w->cols; c++) {
            double energy = (double)grid_values()[part->plane[GRID_G1][(size_t)r * w->cols + c]];
            double level = energy > floor ? log2(energy / floor) / octaves : 0;
            levels[(size_t)(w->row + r) * part->cols + w->col + c] = (uint8_t)lround(255 * fmin(level, 1));
        }
}

static bool make_request(struct work *w, struct err *err)
{
    uint8_t *bytes = NULL;
    struct grid_part grid;
    struct err trouble = ERR_INIT;
    if (!pack_read(w->s, w->pack, w->offset, w->size, &bytes, &trouble) ||
        !view_cells(bytes, (size_t)w->size, &grid, &trouble)) {
        char word[400];
        free(bytes);
        return err_set(err, ERR_USAGE,
                       "the stored cells cannot be read (%.200s): type 'chaffinch measure %s' first",
                       trouble.message, err_word(word, sizeof word, w->s->root.path));
    }
    size_t cells = (size_t)grid.cols * grid.rows;
    w->request_size = sizeof w->head + cells;
    w->request = malloc(w->request_size);
    if (w->request == NULL) {
        free(bytes);
        return err_nomem(err);
    }
    w->head.cols = grid.cols;
    w->head.rows = grid.rows;
    w->head.col_share = (float)grid.cell_px / (float)grid.width_px;
    w->head.row_share = (float)grid.cell_px / (float)grid.height_px;
    double floor = isfinite(w->floor) && w->floor > 0 ? w->floor : calm_floor(&grid);
    fill_levels(&grid, fmax(floor, 1e-3), w->request + sizeof w->head);
    memcpy(w->request, &w->head, sizeof w->head);
    free(bytes);
    return true;
}

static bool submit(void *context, struct worker_pool *workers, size_t i, struct err *err)
{
    struct work *w = context;
    const struct files *fs = w->s->root.fs;
    int fd = w->path[0] == '/' ? files_open_regular(fs, w->s->root.fd, w->path, NULL, w->path, err)
                               : files_open_path(fs, w->s->root.fd, w->path, NULL, err);
    if (fd < 0)
        return false;
    struct worker_job job = {
        .tag = i, .kind = JOB_HEAT, .request = w->request, .size = w->request_size, .fds = {fd}, .n_fds = 1};
    bool ok = worker_submit(workers, &job, err);
    files_drop(fs, fd);
    return ok;
}

static bool take(void *context, const struct worker_result *result, struct err *err)
{
    struct work *w = context;
    if (!result->ok)
        return err_set(err, ERR_FORMAT, "the picture cannot be drawn: %.200s", result->cause);
    w->made = malloc(result->size + 1);
    if (w->made == NULL)
        return err_nomem(err);
    memcpy(w->made, result->bytes, result->size);
    w->made_size = result->size;
    return true;
}

bool session_heat(struct session *s, struct worker_pool *workers, int64_t frame, bool png, uint8_t **bytes,
                  size_t *size, struct err *err)
{
    struct work w = {.s = s, .frame = frame, .floor = (double)NAN, .head = {.png = png}};
    const struct catalogue_filter one = {.frame = frame, .with_missing = true};
    const struct pump pump = {s, workers, &w, submit, take};
    bool ok = catalogue_each_row(s->catalogue, &one, take_frame, &w, err) &&
              catalogue_each_file(s->catalogue, frame, take_file, &w, err);
    if (ok && (w.path == NULL || w.pack == 0 || w.width_px == 0 || w.height_px == 0))
        ok = err_set(err, ERR_USAGE, "the frame has no picture that was measured");
    ok = ok && catalogue_each_item(s->catalogue, w.burst, take_item, &w, err) && make_request(&w, err) &&
         pump_run(&pump, 1, err);
    if (ok) {
        *bytes = w.made;
        *size = w.made_size;
        w.made = NULL;
    }
    free(w.path);
    free(w.request);
    free(w.made);
    return ok;
}
