/*
 * fill.c - frames that were decoded around their subject only, completed to whole grids.
 *
 * What was not decoded shows a still scene: its luma is the median of the whole frames that have no subject
 * there, at the exposure of this frame; its texture is that of the nearest of them. The noise of luma between
 * frames is put back, because finding subjects measures it: without it the scene would look free of noise and
 * every threshold would fall.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/measure.h"
#include "chaffinch/select.h"
#include "fill.h"
#include "pack.h"

enum {
    STRIDE = 5, /* every fifth cell is enough for noise */
    FEW = 30,   /* differences below which a brightness says nothing */
};

bool fill_inside(const struct grid_window *w, uint32_t col, uint32_t row)
{
    return col >= w->col && col - w->col < w->cols && row >= w->row && row - w->row < w->rows;
}

static void choose_keys(const struct fill_input *in, struct fill_scene *scene)
{
    size_t there = 0, seen = 0;
    for (size_t t = 0; t < in->n; t++)
        there += in->whole[t] != NULL;
    size_t take = there < FILL_KEYS ? there : FILL_KEYS;
    for (size_t t = 0; t < in->n && scene->keys < take; t++) {
        if (in->whole[t] == NULL)
            continue;
        if (seen++ == (2 * scene->keys + 1) * there / (2 * take))
            scene->key[scene->keys++] =
                (struct fill_key){t, in->whole[t], in->subject_of_whole[t], in->gain_of_whole[t]};
    }
}

static float median_of(float *v, size_t n)
{
    for (size_t i = 1; i < n; i++)
        for (size_t k = i; k > 0 && v[k] < v[k - 1]; k--) {
            float swap = v[k];
            v[k] = v[k - 1];
            v[k - 1] = swap;
        }
    return n % 2 == 1 ? v[n / 2] : .5f * (v[n / 2 - 1] + v[n / 2]);
}

size_t fill_samples(const struct fill_scene *s, size_t i, uint8_t sample[FILL_KEYS])
{
    size_t n = 0;
    for (size_t k = 0; k < s->keys; k++) {
        sample[n] = (uint8_t)k;
        n += s->clear[i] >> k & 1;
    }
    return n;
}

static void find_clear(struct fill_scene *s, uint32_t cols, uint32_t rows)
{
    memset(s->clear, (1 << s->keys) - 1, (size_t)cols * rows);
    for (size_t k = 0; k < s->keys; k++) {
        const struct grid_window *w = &s->key[k].subject;
        for (uint32_t row = w->row; row < w->row + w->rows && row < rows; row++)
            for (uint32_t col = w->col; col < w->col + w->cols && col < cols; col++)
                s->clear[(size_t)row * cols + col] &= (uint8_t) ~(1u << k);
    }
    for (size_t i = 0; i < (size_t)cols * rows; i++)
        if (s->clear[i] == 0)
            s->clear[i] = (uint8_t)((1 << s->keys) - 1);
}

static void find_luma(struct fill_scene *s, size_t cells)
{
    for (size_t i = 0; i < cells; i++) {
        uint8_t sample[FILL_KEYS];
        float value[FILL_KEYS];
        size_t n = fill_samples(s, i, sample);
        for (size_t k = 0; k < n; k++)
            value[k] = (float)s->key[sample[k]].grid->luma[i] / s->key[sample[k]].gain;
        s->luma[i] = median_of(value, n);
    }
}

size_t fill_bin(float luma_steps)
{
    float bin = luma_steps / (16.0f * FILL_LUMA_STEPS);
    return bin < 0 ? 0 : bin >= FILL_BINS ? FILL_BINS - 1 : (size_t)bin;
}

/* The differences of two keys where neither shows a subject, of every STRIDE-th cell, each with its
   brightness. */
struct difference {
    float size;
    uint8_t bin;
};

static size_t list_differences(const struct fill_scene *s, uint32_t cols, uint32_t rows,
                               struct difference *out, size_t count[FILL_BINS])
{
    size_t n = 0;
    for (size_t k = 0; k + 1 < s->keys; k++) {
        const struct fill_key *a = &s->key[k], *b = &s->key[k + 1];
        for (size_t i = 0; i < (size_t)cols * rows; i += STRIDE) {
            uint32_t col = (uint32_t)(i % cols), row = (uint32_t)(i / cols);
            if (fill_inside(&a->subject, col, row) || fill_inside(&b->subject, col, row))
                continue;
            float d = fabsf((float)a->grid->luma[i] / a->gain - (float)b->grid->luma[i] / b->gain);
            out[n] = (struct difference){d, (uint8_t)fill_bin(s->luma[i])};
            count[out[n++].bin]++;
        }
    }
    return n;
}

/* The noise of each brightness, -1 where too little shows it: 1.4826 x the median of its differences is the
   standard deviation of a difference (Rousseeuw and Croux 1993), root two times that of a frame. */
static void noise_of_bins(struct fill_scene *s, const struct difference *all, size_t n,
                          const size_t count[FILL_BINS], float *room)
{
    size_t at[FILL_BINS], start[FILL_BINS];
    for (size_t b = 0, sum = 0; b < FILL_BINS; sum += count[b++])
        at[b] = start[b] = sum;
    for (size_t i = 0; i < n; i++)
        room[at[all[i].bin]++] = all[i].size;
    for (size_t b = 0; b < FILL_BINS; b++)
        s->noise[b] = count[b] < FEW
                          ? -1.0f
                          : 1.4826f * .70710678f * select_nth(room + start[b], count[b], count[b] / 2);
}

static bool find_noise(struct fill_scene *s, uint32_t cols, uint32_t rows, struct err *err)
{
    size_t most = ((size_t)cols * rows / STRIDE + 1) * FILL_KEYS, count[FILL_BINS] = {0};
    float *room = malloc(most * sizeof *room);
    struct difference *all = malloc(most * sizeof *all);
    if (room == NULL || all == NULL) {
        free(room);
        free(all);
        return err_nomem(err);
    }
    noise_of_bins(s, all, list_differences(s, cols, rows, all, count), count, room);
    free(room);
    free(all);
    float known = -1.0f;
    for (size_t b = 0; b < FILL_BINS; b++) {
        if (s->noise[b] < 0)
            s->noise[b] = known;
        known = s->noise[b];
    }
    for (size_t b = FILL_BINS; b-- > 0;) { /* the darkest ones take that of the next brighter */
        if (s->noise[b] < 0)
            s->noise[b] = known < 0 ? 0 : known;
        known = s->noise[b];
    }
    for (size_t i = 0; i < (size_t)cols * rows; i++)
        s->deviation[i] = s->noise[fill_bin(s->luma[i])];
    return true;
}

/* About a normal variate of variance 1: the sum of four uniform ones, from the bits of a mixed number
   (splitmix64: Steele, Lea and Flood 2014). */
static float deviate(uint64_t frame, uint64_t cell)
{
    uint64_t z = (frame << 32 | cell) + 0x9e3779b97f4a7c15u;
    z = (z ^ z >> 30) * 0xbf58476d1ce4e5b9u;
    z = (z ^ z >> 27) * 0x94d049bb133111ebu;
    z ^= z >> 31;
    uint64_t sum = (z & 0xffff) + (z >> 16 & 0xffff) + (z >> 32 & 0xffff) + (z >> 48);
    return ((float)sum / 65536.0f - 2.0f) * 1.7320508f;
}

/* The keys by their distance in time from a frame, the nearest first. */
static void order_keys(const struct fill_scene *s, size_t frame, uint8_t order[FILL_KEYS])
{
    size_t far[FILL_KEYS];
    for (size_t k = 0; k < s->keys; k++) {
        size_t at = s->key[k].frame, here = at > frame ? at - frame : frame - at, i = k;
        for (; i > 0 && far[i - 1] > here; i--) {
            far[i] = far[i - 1];
            order[i] = order[i - 1];
        }
        far[i] = here;
        order[i] = (uint8_t)k;
    }
}

static size_t nearest_clear(const struct fill_scene *s, const uint8_t order[FILL_KEYS], size_t i)
{
    size_t k = 0;
    while (!(s->clear[i] >> order[k] & 1))
        k++;
    return order[k];
}

struct filling {
    const struct fill_scene *scene;
    const struct grid_part *part;
    size_t frame;
    uint8_t order[FILL_KEYS];
    uint16_t *luma; /* out, as the planes */
    uint8_t *plane[GRID_PLANES];
};

/* Cells i .. end, which lie in one row, from the scene. */
static void fill_from_scene(const struct filling *f, size_t i, size_t end)
{
    const struct fill_scene *s = f->scene;
    for (size_t next; i < end; i = next) {
        size_t key = nearest_clear(s, f->order, i);
        for (next = i; next < end && (next == i || nearest_clear(s, f->order, next) == key); next++) {
            float noise = s->deviation[next] * deviate(f->frame, next);
            float y = (s->luma[next] + noise) * f->part->gain, most = 255.0f * FILL_LUMA_STEPS;
            f->luma[next] = (uint16_t)(y < 0 ? 0 : y > most ? most : y + .5f);
        }
        for (size_t p = 0; f->plane[0] != NULL && p < GRID_PLANES; p++)
            memcpy(f->plane[p] + i, s->key[key].grid->plane[p] + i, next - i);
    }
}

static void fill_row(const struct filling *f, uint32_t row)
{
    const struct grid_part *part = f->part;
    const struct grid_window *w = &part->window;
    size_t first = (size_t)row * part->cols, end = first + part->cols;
    if (w->cols == 0 || row < w->row || row - w->row >= w->rows) {
        fill_from_scene(f, first, end);
        return;
    }
    size_t from = (size_t)(row - w->row) * w->cols, to = first + w->col;
    fill_from_scene(f, first, to);
    memcpy(f->luma + to, part->luma + from, w->cols * sizeof *f->luma);
    for (size_t p = 0; f->plane[0] != NULL && p < GRID_PLANES; p++)
        memcpy(f->plane[p] + to, part->plane[p] + from, w->cols);
    fill_from_scene(f, to + w->cols, end);
}

static bool fill_frame(const struct fill_scene *s, const struct grid_part *part, size_t frame,
                       uint8_t **bytes, struct grid *grid, struct err *err)
{
    *grid = (struct grid){part->width_px, part->height_px, part->cell_px, part->cols, part->rows,
                          NULL,           {NULL},          NULL};
    size_t n = (size_t)part->cols * part->rows, head = pack_whole(grid, NULL) - n * PACK_CELL_BYTES;
    struct filling f = {.scene = s, .part = part, .frame = frame};
    uint8_t *out = malloc(pack_whole(grid, NULL));
    if (out == NULL)
        return err_nomem(err);
    (void)pack_whole(grid, out);
    pack_planes(out + head, n, &grid->luma, grid->plane);
    f.luma = (uint16_t *)(void *)(out + head);
    for (size_t p = 0; p < GRID_PLANES; p++)
        f.plane[p] = out + head + n * sizeof(uint16_t) + p * n;
    order_keys(s, frame, f.order);
    for (uint32_t row = 0; row < part->rows; row++)
        fill_row(&f, row);
    *bytes = out;
    return true;
}

bool fill_scene_open(struct fill_scene *scene, const struct fill_input *input, struct err *err)
{
    *scene = (struct fill_scene){.keys = 0};
    choose_keys(input, scene);
    if (scene->keys == 0)
        return err_set(err, ERR_NOT_FOUND, "no frame of the burst was decoded as a whole");
    uint32_t cols = scene->key[0].grid->cols, rows = scene->key[0].grid->rows;
    scene->luma = malloc((size_t)cols * rows * sizeof *scene->luma);
    scene->clear = malloc((size_t)cols * rows);
    scene->deviation = malloc((size_t)cols * rows * sizeof *scene->deviation);
    if (scene->luma == NULL || scene->clear == NULL || scene->deviation == NULL)
        return err_nomem(err);
    find_clear(scene, cols, rows);
    find_luma(scene, (size_t)cols * rows);
    return find_noise(scene, cols, rows, err);
}

void fill_scene_release(struct fill_scene *scene)
{
    free(scene->luma);
    free(scene->clear);
    free(scene->deviation);
    *scene = (struct fill_scene){.keys = 0};
}

bool grids_fill(const struct fill_input *input, uint8_t **bytes, struct grid *grid, struct err *err)
{
    struct fill_scene scene;
    size_t parts = 0;
    for (size_t t = 0; t < input->n; t++)
        parts += input->part[t] != NULL;
    if (parts == 0)
        return true;
    bool ok = fill_scene_open(&scene, input, err);
    for (size_t t = 0; ok && t < input->n; t++)
        if (input->part[t] != NULL)
            ok = fill_frame(&scene, input->part[t], t, &bytes[t], &grid[t], err);
    fill_scene_release(&scene);
    return ok;
}

/* ---- without copies ---------------------------------------------------------------- */

struct grid_rest {
    struct filling filling; /* its planes are NULL, its luma is owned */
};

struct grids_filled {
    struct fill_scene scene;
    struct grid_rest *rest; /* [n]; of parts only */
    size_t n;
};

static bool thin_frame(struct grid_rest *rest, struct grid *grid, struct err *err)
{
    struct filling *f = &rest->filling;
    const struct grid_part *part = f->part;
    f->luma = malloc((size_t)part->cols * part->rows * sizeof *f->luma);
    if (f->luma == NULL)
        return err_nomem(err);
    order_keys(f->scene, f->frame, f->order);
    for (uint32_t row = 0; row < part->rows; row++)
        fill_row(f, row);
    *grid = (struct grid){part->width_px, part->height_px, part->cell_px, part->cols,
                          part->rows,     f->luma,         {NULL},        rest};
    return true;
}

uint8_t grid_rest_byte(const struct grid *g, enum grid_plane plane, size_t i)
{
    const struct filling *f = &g->rest->filling;
    const struct grid_window *w = &f->part->window;
    uint32_t col = (uint32_t)(i % g->cols), row = (uint32_t)(i / g->cols);
    if (fill_inside(w, col, row))
        return f->part->plane[plane][(size_t)(row - w->row) * w->cols + (col - w->col)];
    return f->scene->key[nearest_clear(f->scene, f->order, i)].grid->plane[plane][i];
}

/* What is not in the part, of n cells from i on. */
static void scene_bytes(const struct filling *f, enum grid_plane plane, size_t i, size_t n, uint8_t *bytes)
{
    for (size_t k = 0; k < n; k++)
        bytes[k] = f->scene->key[nearest_clear(f->scene, f->order, i + k)].grid->plane[plane][i + k];
}

/* The same within one row. */
static void row_bytes(const struct filling *f, enum grid_plane plane, size_t i, size_t n, uint8_t *bytes)
{
    const struct grid_part *part = f->part;
    const struct grid_window *w = &part->window;
    uint32_t row = (uint32_t)(i / part->cols), col = (uint32_t)(i % part->cols), end = col + (uint32_t)n;
    uint32_t from = w->col > col ? w->col : col, to = w->col + w->cols < end ? w->col + w->cols : end;
    if (w->cols == 0 || row < w->row || row - w->row >= w->rows || from >= to) {
        scene_bytes(f, plane, i, n, bytes);
        return;
    }
    scene_bytes(f, plane, i, from - col, bytes);
    memcpy(bytes + (from - col), part->plane[plane] + (size_t)(row - w->row) * w->cols + (from - w->col),
           to - from);
    scene_bytes(f, plane, i + (to - col), end - to, bytes + (to - col));
}

void grid_bytes(const struct grid *g, enum grid_plane plane, size_t i, size_t n, uint8_t *bytes)
{
    if (g->rest == NULL) {
        memcpy(bytes, g->plane[plane] + i, n);
        return;
    }
    for (size_t done = 0, some; done < n; done += some) {
        some = g->cols - (i + done) % g->cols;
        some = some < n - done ? some : n - done;
        row_bytes(&g->rest->filling, plane, i + done, some, bytes + done);
    }
}

struct grids_filled *grids_fill_thin(const struct fill_input *input, struct grid *grid, struct err *err)
{
    struct grids_filled *filled = calloc(1, sizeof *filled);
    if (filled == NULL) {
        err_nomem(err);
        return NULL;
    }
    size_t parts = 0;
    for (size_t t = 0; t < input->n; t++)
        parts += input->part[t] != NULL;
    if (parts == 0)
        return filled;
    filled->n = input->n;
    filled->rest = calloc(input->n, sizeof *filled->rest);
    bool ok = filled->rest != NULL ? fill_scene_open(&filled->scene, input, err) : err_nomem(err);
    for (size_t t = 0; ok && t < input->n; t++)
        if (input->part[t] != NULL) {
            filled->rest[t].filling =
                (struct filling){.scene = &filled->scene, .part = input->part[t], .frame = t};
            ok = thin_frame(&filled->rest[t], &grid[t], err);
        }
    if (ok)
        return filled;
    grids_filled_free(filled);
    return NULL;
}

void grids_filled_free(struct grids_filled *filled)
{
    if (filled == NULL)
        return;
    for (size_t t = 0; filled->rest != NULL && t < filled->n; t++)
        free(filled->rest[t].filling.luma);
    free(filled->rest);
    fill_scene_release(&filled->scene);
    free(filled);
}
