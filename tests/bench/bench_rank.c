/*
 * bench_rank.c - how well subjects, scores and choices agree with a known truth.
 *
 *     bench_rank CARD TRUTH.CSV [GRIDS] [BURST]
 *
 * CARD is the folder the paths of TRUTH.CSV start from. GRIDS is a folder where packed grids are kept between
 * runs. Prints one line a pass and one a burst; ends 1 when a demand is broken: the top frame of a pass with
 * a sharp frame is among the truly best three, nothing empty or cut is kept, no complete frame is called
 * no-subject.
 */
#include <fcntl.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include <jpeglib.h>
#include <libexif/exif-data.h>

#include "chaffinch/measure.h"
#include "chaffinch/rank.h"
#include "chaffinch/subject.h"

enum { MAX_FRAMES = 512, BIRDS = 2, FIELDS = 40 };
static const double SHARP_PX = 2.0; /* a pass whose best frame is softer has no sharp frame */

struct bird {
    int pass, complete, cut, hidden, landed;
    double x, y, w, h, blur, visible;
};

struct shot {
    char path[256], burst[64], kind[16];
    struct bird bird[BIRDS];
    int64_t time_ns;
    uint8_t *packed;
    struct grid grid;
    bool there;
};

struct totals {
    int passes, hits, sharp, broken, complete, lost, kept, kept_empty, kept_cut;
    double regret, overlap, rho, seconds;
    double error[MAX_FRAMES * BIRDS * 4];
    size_t errors;
};

static int split(char *line, char **field)
{
    int n = 0;
    for (char *at = line; n < FIELDS; n++) {
        field[n] = at;
        at = strpbrk(at, ",\r\n");
        if (at == NULL || *at != ',')
            break;
        *at++ = 0;
    }
    return n + 1;
}

static void read_bird(char **f, struct bird *b)
{
    *b = (struct bird){.pass = atoi(f[0]),
                       .x = atof(f[1]),
                       .y = atof(f[2]),
                       .w = atof(f[3]),
                       .h = atof(f[4]),
                       .blur = atof(f[5]),
                       .visible = atof(f[8]),
                       .complete = atoi(f[9]),
                       .cut = atoi(f[10]),
                       .hidden = atoi(f[11]),
                       .landed = atoi(f[12])};
}

static int64_t exif_time_ns(const char *path)
{
    ExifData *data = exif_data_new_from_file(path);
    if (data == NULL)
        return 0;
    char text[64] = "", part[16] = "";
    ExifEntry *when = exif_data_get_entry(data, EXIF_TAG_DATE_TIME_ORIGINAL);
    ExifEntry *fine = exif_data_get_entry(data, EXIF_TAG_SUB_SEC_TIME_ORIGINAL);
    int y, mo, d, h, mi, s;
    int64_t ns = 0;
    if (when != NULL && exif_entry_get_value(when, text, sizeof text) != NULL &&
        sscanf(text, "%d:%d:%d %d:%d:%d", &y, &mo, &d, &h, &mi, &s) == 6) {
        ns = ((int64_t)h * 3600 + mi * 60 + s) * 1000000000;
        if (fine != NULL && exif_entry_get_value(fine, part, sizeof part) != NULL) {
            char decimal[24];
            snprintf(decimal, sizeof decimal, "0.%s", part);
            ns += (int64_t)(atof(decimal) * 1e9);
        }
    }
    exif_data_unref(data);
    return ns;
}

/* Decodes and measures; NULL where that fails. */
static uint8_t *measure_file(const char *path, size_t *size)
{
    FILE *file = fopen(path, "rb");
    if (file == NULL)
        return NULL;
    struct jpeg_decompress_struct jpeg;
    struct jpeg_error_mgr errors;
    uint8_t head[2] = {0};
    uint8_t *packed = NULL;
    if (fread(head, 1, 2, file) != 2 || head[0] != 0xff || head[1] != 0xd8) {
        fclose(file);
        return NULL;
    }
    rewind(file);
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
    if (errors.num_warnings == 0 && cells != NULL)
        cells_pack(cells, &packed, size, NULL);
    cells_free(cells);
    free(row);
    jpeg_destroy_decompress(&jpeg);
    fclose(file);
    return packed;
}

static uint8_t *load(const char *path, size_t *size)
{
    int fd = open(path, O_RDONLY);
    struct stat st;
    uint8_t *bytes = NULL;
    if (fd >= 0 && fstat(fd, &st) == 0) {
        bytes = malloc((size_t)st.st_size + 1);
        *size = (size_t)st.st_size;
        if (read(fd, bytes, *size) != (ssize_t)*size) {
            free(bytes);
            bytes = NULL;
        }
    }
    if (fd >= 0)
        close(fd);
    return bytes;
}

static void store(const char *path, const uint8_t *bytes, size_t size)
{
    int fd = open(path, O_WRONLY | O_CREAT | O_EXCL, 0644);
    if (fd < 0)
        return;
    if (write(fd, bytes, size) != (ssize_t)size)
        fprintf(stderr, "cannot write '%s'\n", path);
    close(fd);
}

static void get_grid(struct shot *shot, const char *card, const char *grids)
{
    char path[600], kept[600];
    size_t size = 0;
    snprintf(path, sizeof path, "%s/%s", card, shot->path);
    snprintf(kept, sizeof kept, "%s/%s.grid", grids != NULL ? grids : "", shot->path);
    for (char *at = kept + (grids != NULL ? strlen(grids) + 1 : 1); *at; at++)
        *at = *at == '/' ? '_' : *at;
    shot->time_ns = exif_time_ns(path);
    shot->packed = grids != NULL ? load(kept, &size) : NULL;
    if (shot->packed == NULL) {
        shot->packed = measure_file(path, &size);
        if (shot->packed != NULL && grids != NULL)
            store(kept, shot->packed, size);
    }
    shot->there = shot->packed != NULL && grid_view(&shot->grid, shot->packed, size, NULL);
}

/* Written times may be coarse or tie: spread evenly from the first to the last. */
static void even_times(struct shot *shot, size_t n)
{
    int64_t from = shot[0].time_ns, to = shot[n - 1].time_ns;
    for (size_t i = 0; i < n && n > 1; i++)
        shot[i].time_ns = from + (to - from) * (int64_t)i / (int64_t)(n - 1);
}

static double overlap(const struct bird *b, const struct rank_item *item)
{
    double x0 = fmax(b->x, item->x_px), y0 = fmax(b->y, item->y_px);
    double x1 = fmin(b->x + b->w, (double)item->x_px + item->w_px);
    double y1 = fmin(b->y + b->h, (double)item->y_px + item->h_px);
    double both = fmax(x1 - x0, 0) * fmax(y1 - y0, 0);
    return both / (b->w * b->h + (double)item->w_px * item->h_px - both);
}

static const struct bird *bird_of(const struct shot *shot, int pass)
{
    for (int k = 0; k < BIRDS; k++)
        if (shot->bird[k].pass == pass)
            return &shot->bird[k];
    return NULL;
}

/* The item that overlaps most with the bird of a true pass in a frame; NULL below a tenth. */
static const struct rank_item *item_for(const struct rank_scores *scores, const struct bird *bird,
                                        size_t frame, uint32_t pass)
{
    const struct rank_item *best = NULL;
    double most = 0.1;
    for (size_t i = 0; i < scores->n; i++) {
        const struct rank_item *item = &scores->item[i];
        if (item->frame == frame && (pass == 0 || item->pass == pass) && overlap(bird, item) > most) {
            most = overlap(bird, item);
            best = item;
        }
    }
    return best;
}

static int up(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static double spearman(const double *a, const double *b, size_t n)
{
    double ma = 0, sab = 0, saa = 0, sbb = 0;
    double *ra = calloc(n + 1, sizeof *ra), *rb = calloc(n + 1, sizeof *rb);
    for (size_t i = 0; i < n; i++)
        for (size_t j = 0; j < n; j++) {
            ra[i] += (a[j] < a[i]) + 0.5 * (a[j] == a[i]);
            rb[i] += (b[j] < b[i]) + 0.5 * (b[j] == b[i]);
        }
    ma = 0.5 * (double)n;
    for (size_t i = 0; i < n; i++) {
        sab += (ra[i] - ma) * (rb[i] - ma);
        saa += (ra[i] - ma) * (ra[i] - ma);
        sbb += (rb[i] - ma) * (rb[i] - ma);
    }
    free(ra);
    free(rb);
    return saa > 0 && sbb > 0 ? sab / sqrt(saa * sbb) : NAN;
}

struct burst {
    struct shot *shot;
    size_t n;
    struct subject_burst *found;
    struct rank_scores scores;
    struct rank_frame *frame;
};

/* The engine's pass that most frames of a true pass fall into. */
static uint32_t match_pass(const struct burst *b, int pass)
{
    size_t votes[SUBJECT_MAX_PASSES + 1] = {0};
    uint32_t best = 0;
    for (size_t t = 0; t < b->n; t++) {
        const struct bird *bird = bird_of(&b->shot[t], pass);
        const struct rank_item *item = bird != NULL ? item_for(&b->scores, bird, t, 0) : NULL;
        if (item != NULL && item->pass <= SUBJECT_MAX_PASSES)
            votes[item->pass]++;
    }
    for (uint32_t k = 1; k <= SUBJECT_MAX_PASSES; k++)
        if (votes[k] > votes[best])
            best = k;
    return best;
}

/* What may win: a complete bird; at rest one that is not cut (a rail always hides its feet). */
static bool whole(const struct bird *bird, bool rest)
{
    return rest ? !bird->cut : bird->complete;
}

/* Best blur and the third best of complete frames that fly (or of all in a burst of rest only). */
static size_t best_blurs(const struct burst *b, int pass, bool rest, double *blur)
{
    size_t n = 0;
    for (size_t t = 0; t < b->n; t++) {
        const struct bird *bird = bird_of(&b->shot[t], pass);
        if (bird != NULL && whole(bird, rest) && b->shot[t].there && bird->landed == rest)
            blur[n++] = bird->blur;
    }
    qsort(blur, n, sizeof *blur, up);
    return n;
}

static void judge_pass(const struct burst *b, int pass, struct totals *all)
{
    double blur[MAX_FRAMES], truth[MAX_FRAMES], score[MAX_FRAMES], error[MAX_FRAMES], iou = 0;
    size_t n = best_blurs(b, pass, false, blur), seen = 0, scored = 0, errors = 0;
    bool rest = n == 0;
    if (rest)
        n = best_blurs(b, pass, true, blur);
    uint32_t mine = match_pass(b, pass);
    const struct rank_item *top = NULL;
    size_t top_frame = 0;
    for (size_t t = 0; t < b->n; t++) {
        const struct bird *bird = bird_of(&b->shot[t], pass);
        if (bird == NULL || bird->visible < 0.5 || !b->shot[t].there)
            continue;
        const struct rank_item *item = item_for(&b->scores, bird, t, mine);
        seen++;
        iou += item != NULL ? overlap(bird, item) : 0;
        if (item == NULL || !whole(bird, rest))
            continue;
        truth[scored] = -bird->blur;
        score[scored++] = item->score;
        if (isfinite(item->blur_px))
            error[errors++] = fabs(log(item->blur_px / bird->blur));
    }
    for (size_t i = 0; i < b->scores.n; i++) {
        const struct rank_item *item = &b->scores.item[i];
        bool out = item->flags & (RANK_F_CUT | RANK_F_HIDDEN | RANK_F_UNSURE);
        if (item->pass != mine || out || ((item->flags & RANK_F_AT_REST) && b->found->mode == SUBJECT_MOVING))
            continue;
        if (top == NULL || item->score > top->score) {
            top = item;
            top_frame = item->frame;
        }
    }
    const struct bird *chosen = top != NULL ? bird_of(&b->shot[top_frame], pass) : NULL;
    double limit = n > 0 ? blur[n < 3 ? n - 1 : 2] + 0.05 : 0;
    bool sharp = n > 0 && blur[0] < SHARP_PX;
    bool hit = chosen != NULL && whole(chosen, rest) && chosen->blur <= limit;
    double rho = spearman(score, truth, scored);
    qsort(error, errors, sizeof *error, up);
    printf(
        "  pass %d -> %u  complete %2zu best %.2f px  top %s blur %.2f est %.2f P %.2f  %s regret %+.2f  rho "
        "%+.2f IoU %.2f |ln| %.2f/%.2f\n",
        pass, mine, n, n > 0 ? blur[0] : NAN, top != NULL ? strrchr(b->shot[top_frame].path, '/') + 1 : "-",
        chosen != NULL ? chosen->blur : NAN, top != NULL ? top->blur_px : NAN,
        top != NULL ? top->p_sharp : NAN,
        hit     ? "HIT "
        : sharp ? "MISS"
                : "-   ",
        chosen != NULL && n > 0 ? chosen->blur - blur[0] : NAN, rho, seen > 0 ? iou / (double)seen : NAN,
        errors > 0 ? error[errors / 2] : NAN, errors > 0 ? error[errors * 9 / 10] : NAN);
    all->passes++;
    all->sharp += sharp;
    all->hits += sharp && hit;
    all->broken += sharp && !hit;
    all->regret += sharp && chosen != NULL ? chosen->blur - blur[0] : 0;
    all->rho += isnan(rho) ? 0 : rho;
    all->overlap += seen > 0 ? iou / (double)seen : 0;
    for (size_t i = 0; i < errors && all->errors < sizeof all->error / sizeof *all->error; i++)
        all->error[all->errors++] = error[i];
}

static void judge_frames(const struct burst *b, struct totals *all)
{
    int by_reason[RANK_REASONS] = {0}, keep = 0, reject = 0, none = 0;
    printf("  kept:");
    for (size_t t = 0; t < b->n; t++) {
        const struct rank_frame *f = &b->frame[t];
        const struct shot *s = &b->shot[t];
        int complete = 0, any = 0, whole = 0;
        for (int k = 0; k < BIRDS; k++) {
            any += s->bird[k].pass > 0;
            complete += s->bird[k].pass > 0 && s->bird[k].complete;
            whole += s->bird[k].pass > 0 && !s->bird[k].cut;
        }
        by_reason[f->reason]++;
        keep += f->proposal == RANK_KEEP;
        reject += f->proposal == RANK_REJECT;
        none += f->proposal == RANK_NONE;
        if (f->proposal == RANK_KEEP) {
            const struct bird *bird = s->bird[0].pass > 0 ? &s->bird[0] : &s->bird[1];
            printf(" %s(%.2f)", strrchr(s->path, '/') + 1, any ? bird->blur : NAN);
            all->kept++;
            all->kept_empty += !any;
            all->kept_cut += any && !whole;
            all->broken += !whole;
        }
        all->complete += complete > 0 && s->there;
        if (complete > 0 && f->reason == RANK_NO_SUBJECT) {
            printf(" LOST:%s", strrchr(s->path, '/') + 1);
            all->lost++;
            all->broken++;
        }
    }
    printf("\n  keep %d reject %d none %d:", keep, reject, none);
    for (int r = 1; r < RANK_REASONS; r++)
        if (by_reason[r] > 0)
            printf(" %s %d", rank_reason_token((enum rank_reason)r), by_reason[r]);
    printf("\n");
}

static void print_frames(const struct burst *b)
{
    for (size_t t = 0; t < b->n; t++) {
        const struct shot *s = &b->shot[t];
        printf("    %3zu %s", t, strrchr(s->path, '/') + 1);
        for (int k = 0; k < BIRDS; k++)
            if (s->bird[k].pass > 0)
                printf(" [%d blur %.2f vis %.2f %s%s%s%s %.0f,%.0f %.0fx%.0f]", s->bird[k].pass,
                       s->bird[k].blur, s->bird[k].visible, s->bird[k].complete ? "C" : "",
                       s->bird[k].cut ? "cut" : "", s->bird[k].hidden ? "hid" : "",
                       s->bird[k].landed ? "rest" : "", s->bird[k].x, s->bird[k].y, s->bird[k].w,
                       s->bird[k].h);
        for (size_t i = 0; i < b->scores.n; i++) {
            const struct rank_item *m = &b->scores.item[i];
            if (m->frame == t)
                printf(" {%u s %.2f b %.2f(%.2f-%.2f) P %.2f f %x a %.0f %u,%u %ux%u}", m->pass, m->score,
                       m->blur_px, m->blur_low_px, m->blur_high_px, m->p_sharp, m->flags, m->area_cells,
                       m->x_px, m->y_px, m->w_px, m->h_px);
        }
        printf(" %s %s %u\n", rank_proposal_token(b->frame[t].proposal),
               rank_reason_token(b->frame[t].reason), b->frame[t].rank);
    }
}

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (double)t.tv_sec + (double)t.tv_nsec * 1e-9;
}

static void run_burst(struct shot *shot, size_t n, struct totals *all, bool verbose)
{
    static const char *const mode[] = {"moving", "in place", "followed", "unknown"};
    const struct grid *grid[MAX_FRAMES];
    int64_t time_ns[MAX_FRAMES];
    struct rank_frame frame[MAX_FRAMES] = {{0}};
    struct err err = ERR_INIT;
    even_times(shot, n);
    for (size_t t = 0; t < n; t++) {
        grid[t] = shot[t].there ? &shot[t].grid : NULL;
        time_ns[t] = frame[t].time_ns = shot[t].time_ns;
        frame[t].measured = shot[t].there;
        frame[t].why_not = RANK_UNREADABLE;
    }
    struct subject_input input = {.grid = grid, .time_ns = time_ns, .n = n};
    struct burst b = {.shot = shot, .n = n, .frame = frame};
    double start = now_s();
    b.found = subject_find(&input, &err);
    double middle = now_s();
    if (b.found == NULL || !rank_score(&input, b.found, &b.scores, &err)) {
        fprintf(stderr, "%s: %s\n", shot[0].burst, err.message);
        exit(1);
    }
    struct rank_burst kind = {b.found->mode, b.found->perch};
    struct rank_options options = {0};
    rank_choose(&kind, b.scores.item, b.scores.n, frame, n, &options, &err);
    double end = now_s();
    all->seconds += end - start;
    printf("%s: %zu frames, %s%s, %u passes, noise %.2f, find %.3f s, score %.3f s\n", shot[0].burst, n,
           mode[b.found->mode], b.found->perch ? " (perch)" : "", b.found->n_passes,
           (double)b.found->noise_luma, middle - start, end - middle);
    for (int pass = 1; pass <= 8; pass++) {
        bool any = false;
        for (size_t t = 0; t < n; t++)
            any = any || bird_of(&shot[t], pass) != NULL;
        if (any)
            judge_pass(&b, pass, all);
    }
    judge_frames(&b, all);
    if (verbose)
        print_frames(&b);
    rank_scores_release(&b.scores);
    subject_free(b.found);
}

/* Reads the next row; false at the end. Rows that belong to no burst are passed over. */
static bool next_shot(FILE *csv, struct shot *shot)
{
    char line[1024], *field[FIELDS];
    while (fgets(line, sizeof line, csv) != NULL) {
        if (split(line, field) < 34)
            continue;
        *shot = (struct shot){0};
        snprintf(shot->path, sizeof shot->path, "%s", field[0]);
        snprintf(shot->burst, sizeof shot->burst, "%s", field[1]);
        snprintf(shot->kind, sizeof shot->kind, "%s", field[5]);
        read_bird(field + 8, &shot->bird[0]);
        read_bird(field + 21, &shot->bird[1]);
        if (strcmp(shot->burst, "single") != 0 && strcmp(shot->burst, "stray") != 0 &&
            strchr(shot->path, '/'))
            return true;
    }
    return false;
}

static int summary(struct totals *all)
{
    qsort(all->error, all->errors, sizeof *all->error, up);
    printf("\n%d passes, %d with a sharp frame: hits %d, mean regret %.3f px, mean rho %.3f, mean IoU %.3f\n",
           all->passes, all->sharp, all->hits, all->regret / fmax(all->sharp, 1),
           all->rho / fmax(all->passes, 1), all->overlap / fmax(all->passes, 1));
    printf("kept %d: empty %d, cut %d; of %d complete frames %d are called no-subject\n", all->kept,
           all->kept_empty, all->kept_cut, all->complete, all->lost);
    if (all->errors > 0)
        printf("|ln blur error| median %.3f, 90th percentile %.3f\n", all->error[all->errors / 2],
               all->error[all->errors * 9 / 10]);
    printf("%.2f s of processor time; %d demands broken\n", all->seconds, all->broken);
    return all->broken > 0;
}

int main(int argc, char **argv)
{
    if (argc < 3) {
        fprintf(stderr, "usage: bench_rank CARD TRUTH.CSV [GRIDS] [BURST]\n");
        return 2;
    }
    FILE *csv = fopen(argv[2], "r");
    struct shot *shot = calloc(MAX_FRAMES + 1, sizeof *shot);
    struct totals *all = calloc(1, sizeof *all);
    if (csv == NULL || shot == NULL || all == NULL)
        return 2;
    size_t n = 0;
    bool more = next_shot(csv, &shot[0]);
    while (more) {
        for (n = 1; n < MAX_FRAMES && (more = next_shot(csv, &shot[n])); n++)
            if (strcmp(shot[n].burst, shot[0].burst) != 0)
                break;
        struct shot following = shot[n < MAX_FRAMES ? n : MAX_FRAMES];
        bool wanted = argc < 5 || strcmp(argv[4], shot[0].burst) == 0;
        for (size_t t = 0; wanted && t < n; t++)
            get_grid(&shot[t], argv[1], argc > 3 && argv[3][0] ? argv[3] : NULL);
        if (wanted)
            run_burst(shot, n, all, argc > 4);
        for (size_t t = 0; t < n; t++)
            free(shot[t].packed);
        shot[0] = following;
    }
    fclose(csv);
    int status = summary(all);
    free(shot);
    free(all);
    return status;
}
