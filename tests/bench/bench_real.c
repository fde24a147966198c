/*
 * bench_real.c - subjects in real photographs, beside the truth that came with them.
 *
 *     bench_real FOLDER [SEQUENCE]
 *
 * FOLDER holds moving-camera/ (DAVIS 2016, Perazzi et al., CVPR 2016: pictures, an exact mask for each, and
 * labels of sharp and blurred frames) and focus-series/ (ten photographs of one board at ten distances of
 * focus). Without it the bench says so and ends 0. Masks are read through ImageMagick's `convert`.
 * A SEQUENCE prints every frame. Ends 1 when a demand is broken.
 */
#include <glob.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include <jpeglib.h>

#include "chaffinch/measure.h"
#include "chaffinch/rank.h"
#include "chaffinch/subject.h"

enum { MAX_FRAMES = 200 };

struct box {
    double x0, y0, x1, y1;
};

struct sequence {
    size_t n;
    char name[32];
    uint8_t *packed[MAX_FRAMES];
    struct grid grid[MAX_FRAMES];
    const struct grid *view[MAX_FRAMES];
    int64_t time_ns[MAX_FRAMES];
    struct box truth[MAX_FRAMES]; /* x1 = 0: nothing there */
    struct subject_burst *found;
    struct rank_scores scores;
};

static uint8_t *measure_file(const char *path, size_t *size)
{
    FILE *file = fopen(path, "rb");
    struct jpeg_decompress_struct jpeg;
    struct jpeg_error_mgr errors;
    uint8_t *packed = NULL;
    if (file == NULL)
        return NULL;
    jpeg.err = jpeg_std_error(&errors);
    jpeg_create_decompress(&jpeg);
    jpeg_stdio_src(&jpeg, file);
    jpeg_read_header(&jpeg, TRUE);
    jpeg.out_color_space = JCS_GRAYSCALE;
    jpeg_start_decompress(&jpeg);
    struct measure *measure = measure_new(jpeg.output_width, jpeg.output_height, NULL);
    uint8_t *row = malloc(jpeg.output_width);
    while (jpeg.output_scanline < jpeg.output_height) {
        jpeg_read_scanlines(&jpeg, &row, 1);
        measure_row(measure, row);
    }
    struct cells *cells = measure_finish(measure, NULL);
    cells_pack(cells, &packed, size, NULL);
    cells_free(cells);
    free(row);
    jpeg_destroy_decompress(&jpeg);
    fclose(file);
    return packed;
}

static bool load_pictures(struct sequence *s, const char *pattern)
{
    glob_t found;
    if (glob(pattern, 0, NULL, &found) != 0)
        return false;
    s->n = found.gl_pathc < MAX_FRAMES ? found.gl_pathc : MAX_FRAMES;
    for (size_t t = 0; t < s->n; t++) {
        size_t size = 0;
        s->packed[t] = measure_file(found.gl_pathv[t], &size);
        if (s->packed[t] == NULL || !grid_view(&s->grid[t], s->packed[t], size, NULL))
            return false;
        s->view[t] = &s->grid[t];
        s->time_ns[t] = (int64_t)t * 41666667; /* these carry no times: 24 a second */
    }
    globfree(&found);
    return true;
}

static void mask_box(const uint8_t *mask, uint32_t width, uint32_t height, struct box *box)
{
    *box = (struct box){width, height, 0, 0};
    for (uint32_t y = 0; y < height; y++)
        for (uint32_t x = 0; x < width; x++)
            if (mask[(size_t)y * width + x] > 127) {
                box->x0 = fmin(box->x0, x);
                box->y0 = fmin(box->y0, y);
                box->x1 = fmax(box->x1, x + 1);
                box->y1 = fmax(box->y1, y + 1);
            }
}

static bool load_masks(struct sequence *s, const char *folder)
{
    char command[600];
    size_t bytes = (size_t)s->grid[0].width_px * s->grid[0].height_px;
    uint8_t *mask = malloc(bytes);
    snprintf(command, sizeof command, "convert '%s/moving-camera/masks/%s/*.png' -depth 8 gray:-", folder,
             s->name);
    FILE *pipe = popen(command, "r");
    size_t t = 0;
    for (; t < s->n && mask != NULL && pipe != NULL && fread(mask, 1, bytes, pipe) == bytes; t++)
        mask_box(mask, s->grid[0].width_px, s->grid[0].height_px, &s->truth[t]);
    if (pipe != NULL)
        pclose(pipe);
    free(mask);
    return t == s->n;
}

static double overlap(const struct box *a, const struct box *b)
{
    double x = fmax(fmin(a->x1, b->x1) - fmax(a->x0, b->x0), 0);
    double y = fmax(fmin(a->y1, b->y1) - fmax(a->y0, b->y0), 0);
    double both = x * y;
    return both / ((a->x1 - a->x0) * (a->y1 - a->y0) + (b->x1 - b->x0) * (b->y1 - b->y0) - both);
}

/* The frame's main subject: the item of the largest area. */
static const struct rank_item *main_item(const struct sequence *s, size_t t)
{
    const struct rank_item *best = NULL;
    for (size_t i = 0; i < s->scores.n; i++) {
        const struct rank_item *item = &s->scores.item[i];
        if (item->frame == t && item->pass > 0 && (best == NULL || item->area_cells > best->area_cells))
            best = item;
    }
    return best;
}

static struct box item_box(const struct rank_item *m)
{
    return (struct box){m->x_px, m->y_px, (double)m->x_px + m->w_px, (double)m->y_px + m->h_px};
}

static bool find(struct sequence *s)
{
    static const char *const mode[] = {"moving", "in place", "followed", "unknown"};
    struct err err = ERR_INIT;
    struct subject_input input = {.grid = s->view, .time_ns = s->time_ns, .n = s->n};
    clock_t start = clock();
    s->found = subject_find(&input, &err);
    double seconds = (double)(clock() - start) / CLOCKS_PER_SEC;
    if (s->found == NULL || !rank_score(&input, s->found, &s->scores, &err)) {
        fprintf(stderr, "%s: %s\n", s->name, err.message);
        return false;
    }
    printf("%s: %zu frames of %ux%u cells, %s, %u passes, %.1f ms a frame\n", s->name, s->n, s->found->cols,
           s->found->rows, mode[s->found->mode], s->found->n_passes, 1e3 * seconds / (double)s->n);
    return true;
}

static double mean_overlap(const struct sequence *s, bool verbose)
{
    double sum = 0;
    for (size_t t = 0; t < s->n; t++) {
        const struct rank_item *m = main_item(s, t);
        struct box box = m != NULL ? item_box(m) : (struct box){0};
        double iou = m != NULL ? overlap(&box, &s->truth[t]) : 0;
        sum += iou;
        if (verbose)
            printf(
                "  %3zu IoU %.2f  is %4.0f,%4.0f..%4.0f,%4.0f  found %4.0f,%4.0f..%4.0f,%4.0f  score %.2f\n",
                t, iou, s->truth[t].x0, s->truth[t].y0, s->truth[t].x1, s->truth[t].y1, box.x0, box.y0,
                box.x1, box.y1, m != NULL ? m->score : NAN);
    }
    return sum / (double)s->n;
}

/* Area under the curve of telling label 1 from label 0: the share of pairs in the right order. `which`: 0 the
   score, 1 mean squared Laplacian of the region. */
static double area_under(const struct sequence *s, const char *path, int which)
{
    FILE *csv = fopen(path, "r");
    char line[256];
    double value[MAX_FRAMES], right = 0;
    int label[MAX_FRAMES], frame;
    size_t n = 0, pairs = 0;
    while (csv != NULL && n < MAX_FRAMES && fgets(line, sizeof line, csv) != NULL) {
        if (sscanf(line, "%d,%d", &frame, &label[n]) != 2 || frame < 0 || (size_t)frame >= s->n)
            continue;
        const struct rank_item *m = main_item(s, (size_t)frame);
        value[n++] = m == NULL ? -INFINITY : which == 0 ? m->score : m->laplacian_variance;
    }
    if (csv != NULL)
        fclose(csv);
    for (size_t i = 0; i < n; i++)
        for (size_t k = 0; k < n; k++)
            if (label[i] == 1 && label[k] == 0) {
                pairs++;
                right += value[i] > value[k] ? 1.0 : value[i] < value[k] ? 0.0 : 0.5;
            }
    return pairs > 0 ? right / (double)pairs : NAN;
}

static void release(struct sequence *s)
{
    for (size_t t = 0; t < s->n; t++)
        free(s->packed[t]);
    rank_scores_release(&s->scores);
    subject_free(s->found);
    free(s);
}

static int moving_camera(const char *folder, const char *name, bool verbose)
{
    struct sequence *s = calloc(1, sizeof *s);
    char path[500];
    int broken = 1;
    snprintf(s->name, sizeof s->name, "%s", name);
    snprintf(path, sizeof path, "%s/moving-camera/%s/*.jpg", folder, name);
    if (load_pictures(s, path) && load_masks(s, folder) && find(s)) {
        double iou = mean_overlap(s, verbose);
        printf("  mean IoU of boxes %.3f\n", iou);
        broken = iou < 0.6;
    }
    snprintf(path, sizeof path, "%s/moving-camera/%s-labels.csv", folder, name);
    if (s->found != NULL && access(path, R_OK) == 0) {
        double by_score = area_under(s, path, 0);
        printf("  AUC of labels by score %.3f, by mean squared Laplacian of the region %.3f\n", by_score,
               area_under(s, path, 1));
        broken += by_score < 0.95;
    }
    release(s);
    return broken;
}

int main(int argc, char **argv)
{
    const char *folder = argc > 1 ? argv[1] : "../shared/data", *only = argc > 2 ? argv[2] : "";
    static const char *const name[] = {"dog", "blackswan"};
    int broken = 0;
    if (access(folder, R_OK) != 0) {
        printf("bench_real: skipped: no shared data\n");
        return 0;
    }
    for (size_t i = 0; i < sizeof name / sizeof *name; i++)
        if (*only == 0 || strcmp(only, name[i]) == 0)
            broken += moving_camera(folder, name[i], *only != 0);
    return broken > 0;
}
