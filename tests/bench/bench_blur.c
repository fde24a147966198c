/*
 * bench_blur.c - is the blur in px right? Photographs of Debian's lomiri-wallpapers-16.04 and -20.04, blurred
 * by kernels that are known.
 *
 *     bench_blur [--fit | --dump] [FILE...]
 *
 * Each photograph is reduced until its own blur is small, blurred by a Gaussian, a disc or a line, made
 * noisy, sharpened, kept as JPEG, measured like any frame, and read in blocks of 14 x 14 cells. Without an
 * argument: tables of the error, for the photographs that the estimator was fitted on and for others (every
 * FILE is one of those). --fit prints the numbers of src/rank/blur_table.h, from the first kind, round
 * kernels and no noise; --dump prints every sample.
 *
 * The true blur is the deviation of the whole point spread function as a Gaussian equivalent, per axis, both
 * axes averaged: sqrt(kernel^2 + own^2 + 1/12). The kernel: its sigma for a Gaussian, r/2 for a disc of
 * radius r, L/sqrt(24) for a line of length L (L/sqrt(12) along it, nothing across). 1/12 is the aperture of
 * a pixel; `own` is what is left of a blur of one full-size pixel. Blocks that are softer than that from the
 * start (out of focus) are no witnesses and are left out: gradient energies at scales 1 and 2 below 1 : 2.
 */
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <jpeglib.h>

#include "chaffinch/measure.h"
#include "../../src/rank/score.h"

enum { BLOCK = 14, SIDE = 800 };
static const char folder[] = "/usr/share/backgrounds";

struct photo {
    const char *name;
    bool held_out;
};
static const struct photo photos[] = {
    {"Dragonfly_by_Bolly", false},
    {"Picture_0B_by_freespace", false},
    {"Wine_by_Jakkub_Mede", false},
    {"aitzgorri_by_Aitzol_Berasategi", false},
    {"free_by_Peter_Nerlich", false},
    {"life_by_Aitzol_Berasategi", false},
    {"seeding_by_Clements_Engelhardt", false},
    {"sunset_by_Aitzol_Berasategi", false},
    {"Kleiber_by_Lukas_Baubkus", true},
    {"friends_by_Aitzol_Berasategi", true},
    {"picosdeeuropa_by_Aitzol_Berasategi", true},
    {"Bridge_by_Sander_Klootwijk", true},
    {"greentock_by_Peter_Nerlich", true},
};
enum { PHOTOS = sizeof photos / sizeof *photos };

enum kernel { GAUSS, DISC, LINE, KERNELS };
static const char *const kernel_name[KERNELS] = {"Gaussian", "disc", "line"};
static const double kernel_sigma[] = {0, 0.5, 0.75, 1.05, 1.5, 2.1, 3, 4.2, 6, 8.5};
enum { SIGMAS = sizeof kernel_sigma / sizeof *kernel_sigma };
static const double noise_sd[] = {0, 3, 8};
enum { NOISES = sizeof noise_sd / sizeof *noise_sd };
static const double sharpen_amount[] = {0, 0.6, 1.2};
enum { SHARPENINGS = sizeof sharpen_amount / sizeof *sharpen_amount };
static const int qualities[] = {97, 90, 80};

struct sample {
    bool held_out;
    int photo, kernel, noise, sharpening, quality, step;
    double truth_px;
    struct sums sums;
};

struct samples {
    struct sample *item;
    size_t n, room;
};

/* ---- pictures ------------------------------------------------------------------------------------------ */

struct plane {
    int w, h;
    float *v;
};

static void *must(void *p)
{
    if (p == NULL) {
        fprintf(stderr, "bench_blur: out of memory\n");
        exit(4);
    }
    return p;
}

static struct plane plane_new(int w, int h)
{
    return (struct plane){w, h, must(calloc((size_t)w * (size_t)h, sizeof(float)))};
}

static struct plane read_photo(const char *path)
{
    struct plane p = {0};
    struct jpeg_decompress_struct jpeg;
    struct jpeg_error_mgr errors;
    FILE *file = fopen(path, "rb");
    if (file == NULL)
        return p;
    jpeg.err = jpeg_std_error(&errors);
    jpeg_create_decompress(&jpeg);
    jpeg_stdio_src(&jpeg, file);
    jpeg_read_header(&jpeg, TRUE);
    jpeg.out_color_space = JCS_GRAYSCALE;
    jpeg_start_decompress(&jpeg);
    p = plane_new((int)jpeg.output_width, (int)jpeg.output_height);
    uint8_t *row = must(malloc(jpeg.output_width));
    while (jpeg.output_scanline < jpeg.output_height) {
        float *out = p.v + (size_t)jpeg.output_scanline * (size_t)p.w;
        jpeg_read_scanlines(&jpeg, &row, 1);
        for (int x = 0; x < p.w; x++)
            out[x] = row[x];
    }
    free(row);
    jpeg_destroy_decompress(&jpeg);
    fclose(file);
    return p;
}

static struct plane reduce(const struct plane *in, int by)
{
    struct plane out = plane_new(in->w / by, in->h / by);
    for (int y = 0; y < out.h; y++)
        for (int x = 0; x < out.w; x++) {
            float sum = 0;
            for (int j = 0; j < by; j++)
                for (int i = 0; i < by; i++)
                    sum += in->v[(size_t)(y * by + j) * (size_t)in->w + (size_t)(x * by + i)];
            out.v[(size_t)y * (size_t)out.w + (size_t)x] = sum / (float)(by * by);
        }
    return out;
}

static float at(const struct plane *p, int x, int y)
{
    x = x < 0 ? 0 : x >= p->w ? p->w - 1 : x;
    y = y < 0 ? 0 : y >= p->h ? p->h - 1 : y;
    return p->v[(size_t)y * (size_t)p->w + (size_t)x];
}

/* Rows or columns, as `step` says: 1 along rows, the width along columns; the ends are repeated. */
static void blur_run(const float *in, float *out, int n, size_t step, const float *k, int r, float *pad)
{
    for (int x = -r; x < n + r; x++)
        pad[x + r] = in[(size_t)(x < 0 ? 0 : x >= n ? n - 1 : x) * step];
    for (int x = 0; x < n; x++) {
        const float *c = pad + x + r;
        float v = k[0] * c[0];
        for (int i = 1; i <= r; i++)
            v += k[i] * (c[-i] + c[i]);
        out[(size_t)x * step] = v;
    }
}

static struct plane blur_gauss(const struct plane *in, double sigma)
{
    struct plane out = plane_new(in->w, in->h);
    int r = (int)ceil(3.5 * sigma);
    float *k = must(malloc((size_t)(r + 1) * sizeof *k)), sum = 0;
    float *pad = must(malloc((size_t)(2 * r + in->w + in->h) * sizeof *pad));
    for (int i = 0; i <= r; i++) {
        k[i] = (float)exp(-0.5 * i * i / (sigma * sigma));
        sum += i > 0 ? 2 * k[i] : k[i];
    }
    for (int i = 0; i <= r; i++)
        k[i] /= sum;
    for (int y = 0; y < in->h; y++)
        blur_run(in->v + (size_t)y * (size_t)in->w, out.v + (size_t)y * (size_t)in->w, in->w, 1, k, r, pad);
    for (int x = 0; x < in->w; x++)
        blur_run(out.v + x, out.v + x, in->h, (size_t)in->w, k, r, pad);
    free(pad);
    free(k);
    return out;
}

/* Weighted sum of shifted copies; taps are (dx, dy, weight). */
static struct plane blur_taps(const struct plane *in, const double (*tap)[3], int n)
{
    struct plane out = plane_new(in->w, in->h);
    double sum = 0;
    for (int t = 0; t < n; t++)
        sum += tap[t][2];
    for (int t = 0; t < n; t++) {
        int dx = (int)floor(tap[t][0]), dy = (int)floor(tap[t][1]);
        float weight = (float)(tap[t][2] / sum);
        for (int y = 0; y < in->h; y++) {
            int from = y + dy < 0 ? 0 : y + dy >= in->h ? in->h - 1 : y + dy;
            const float *row = in->v + (size_t)from * (size_t)in->w;
            float *to = out.v + (size_t)y * (size_t)in->w;
            for (int x = 0; x < in->w; x++)
                to[x] += weight * row[x + dx < 0 ? 0 : x + dx >= in->w ? in->w - 1 : x + dx];
        }
    }
    return out;
}

/* Adds the mean over x +- half, from running sums, with a weight. */
static void disc_row(const float *run, int w, float half, float weight, float *out)
{
    for (int x = 0; x < w; x++) {
        float a = fmaxf((float)x + 0.5f - half, 0), b = fminf((float)x + 0.5f + half, (float)w - 0.01f);
        int ia = (int)a, ib = (int)b;
        float low = run[ia] + (a - (float)ia) * (run[ia + 1] - run[ia]);
        float high = run[ib] + (b - (float)ib) * (run[ib + 1] - run[ib]);
        out[x] += (high - low) / (b - a) * weight;
    }
}

/* A disc from the rows it is made of: running sums make the cost grow with the radius alone. */
static struct plane blur_disc(const struct plane *in, double radius)
{
    struct plane out = plane_new(in->w, in->h);
    int r = (int)floor(radius);
    double area = 0;
    size_t w = (size_t)in->w;
    float *run = must(calloc((w + 1) * (size_t)in->h, sizeof *run));
    for (int y = 0; y < in->h; y++)
        for (size_t x = 0; x < w; x++)
            run[(size_t)y * (w + 1) + x + 1] = run[(size_t)y * (w + 1) + x] + in->v[(size_t)y * w + x];
    for (int j = -r; j <= r; j++)
        area += 2 * sqrt(radius * radius - j * j);
    for (int j = -r; j <= r; j++) {
        double half = sqrt(radius * radius - j * j);
        for (int y = 0; y < in->h; y++) {
            int from = y + j < 0 ? 0 : y + j >= in->h ? in->h - 1 : y + j;
            disc_row(run + (size_t)from * (w + 1), in->w, (float)half, (float)(2 * half / area),
                     out.v + (size_t)y * w);
        }
    }
    free(run);
    return out;
}

/* A line at 30 degrees, sampled four times a pixel and shared out between the pixels around each sample. */
static struct plane blur_line(const struct plane *in, double length)
{
    enum { MOST = 2000 };
    double(*tap)[3] = must(calloc(MOST, sizeof *tap));
    int steps = 1 + (int)ceil(length * 1.5), n = 0;
    for (int s = 0; s < steps; s++) {
        double t = ((s + 0.5) / steps - 0.5) * length, x = t * cos(0.5236), y = t * sin(0.5236);
        double fx = x - floor(x), fy = y - floor(y);
        for (int k = 0; k < 4 && n < MOST; k++, n++) {
            tap[n][0] = floor(x) + k % 2;
            tap[n][1] = floor(y) + k / 2;
            tap[n][2] = (k % 2 ? fx : 1 - fx) * (k / 2 ? fy : 1 - fy);
        }
    }
    struct plane out = blur_taps(in, (const double(*)[3])tap, n);
    free(tap);
    return out;
}

/* All kernels work on the twofold picture, so that small ones are well sampled; then its pixels are joined.
 */
static struct plane blurred(const struct plane *twofold, enum kernel kernel, double sigma)
{
    struct plane soft;
    if (!(sigma > 0))
        return reduce(twofold, 2);
    if (kernel == GAUSS)
        soft = blur_gauss(twofold, 2 * sigma);
    else if (kernel == DISC)
        soft = blur_disc(twofold, sqrt(16 * sigma * sigma - 1.0 / 3));
    else
        soft = blur_line(twofold, 2 * sqrt(24.0) * sigma);
    struct plane out = reduce(&soft, 2);
    free(soft.v);
    return out;
}

/* ---- camera -------------------------------------------------------------------------------------------- */

static float gauss(uint64_t *state)
{
    double sum = 0;
    for (int i = 0; i < 6; i++) {
        *state = *state * 6364136223846793005u + 1442695040888963407u;
        sum += (double)(*state >> 40) / 16777216.0;
    }
    return (float)((sum - 3) * 1.41421356);
}

/* Demosaicing leaves neighbours a little alike: they weigh 1/5. */
static void add_noise(struct plane *p, double sd, uint64_t seed)
{
    struct plane white = plane_new(p->w, p->h);
    size_t n = (size_t)p->w * (size_t)p->h;
    for (size_t i = 0; i < n; i++)
        white.v[i] = gauss(&seed);
    for (int y = 0; y < p->h; y++)
        for (int x = 0; x < p->w; x++) {
            float near =
                at(&white, x - 1, y) + at(&white, x + 1, y) + at(&white, x, y - 1) + at(&white, x, y + 1);
            p->v[(size_t)y * (size_t)p->w + (size_t)x] +=
                (float)sd * 0.9285f * (at(&white, x, y) + 0.2f * near); /* 1/sqrt(1 + 4 * .2^2) */
        }
    free(white.v);
}

/* Unsharp masking with a Gaussian of .8 px, halo and all. */
static void sharpen(struct plane *p, double amount)
{
    struct plane soft = blur_gauss(p, 0.8);
    for (size_t i = 0; i < (size_t)p->w * (size_t)p->h; i++)
        p->v[i] += (float)amount * (p->v[i] - soft.v[i]);
    free(soft.v);
}

/* Through a JPEG into cells. */
static uint8_t *kept_as_jpeg(const struct plane *p, int quality)
{
    struct jpeg_compress_struct out;
    struct jpeg_decompress_struct in;
    struct jpeg_error_mgr errors;
    unsigned char *bytes = NULL;
    unsigned long size = 0;
    size_t w = (size_t)p->w;
    uint8_t *grey = must(malloc(w * (size_t)p->h));
    for (size_t i = 0; i < w * (size_t)p->h; i++)
        grey[i] = (uint8_t)(fminf(fmaxf(p->v[i], 0), 255) + 0.5f);
    out.err = in.err = jpeg_std_error(&errors);
    jpeg_create_compress(&out);
    jpeg_mem_dest(&out, &bytes, &size);
    out.image_width = (JDIMENSION)p->w;
    out.image_height = (JDIMENSION)p->h;
    out.input_components = 1;
    out.in_color_space = JCS_GRAYSCALE;
    jpeg_set_defaults(&out);
    jpeg_set_quality(&out, quality, TRUE);
    jpeg_start_compress(&out, TRUE);
    while (out.next_scanline < out.image_height) {
        JSAMPROW row = grey + out.next_scanline * w;
        jpeg_write_scanlines(&out, &row, 1);
    }
    jpeg_finish_compress(&out);
    jpeg_destroy_compress(&out);
    jpeg_create_decompress(&in);
    jpeg_mem_src(&in, bytes, size);
    jpeg_read_header(&in, TRUE);
    jpeg_start_decompress(&in);
    while (in.output_scanline < in.output_height) {
        JSAMPROW row = grey + in.output_scanline * w;
        jpeg_read_scanlines(&in, &row, 1);
    }
    jpeg_finish_decompress(&in);
    jpeg_destroy_decompress(&in);
    free(bytes);
    return grey;
}

static uint8_t *measured(const struct plane *p, int quality, struct grid *grid)
{
    uint8_t *grey = kept_as_jpeg(p, quality), *packed = NULL;
    size_t size = 0;
    struct measure *m = must(measure_new((uint32_t)p->w, (uint32_t)p->h, NULL));
    for (int y = 0; y < p->h; y++)
        measure_row(m, grey + (size_t)y * (size_t)p->w);
    struct cells *cells = must(measure_finish(m, NULL));
    if (!cells_pack(cells, &packed, &size, NULL) || !grid_view(grid, packed, size, NULL))
        must(NULL);
    cells_free(cells);
    free(grey);
    return packed;
}

/* ---- samples ------------------------------------------------------------------------------------------- */

enum { MAX_BLOCKS = 200 };

/* Blocks with detail: a subject has some. */
struct blocks {
    int n;
    uint32_t col[MAX_BLOCKS], row[MAX_BLOCKS];
};

static void find_blocks(const struct plane *sharp, struct blocks *blocks)
{
    struct grid grid;
    uint8_t *packed = measured(sharp, 97, &grid);
    blocks->n = 0;
    for (uint32_t r = 0; r + BLOCK < grid.rows; r += BLOCK)
        for (uint32_t c = 0; c + BLOCK < grid.cols; c += BLOCK) {
            double busy = 0, fine = 0, coarse = 0;
            for (uint32_t y = r; y < r + BLOCK; y++)
                for (uint32_t x = c; x < c + BLOCK; x++) {
                    size_t i = (size_t)y * grid.cols + x;
                    fine += (double)grid_value(&grid, GRID_G1, i);
                    coarse += (double)grid_value(&grid, GRID_G2, i);
                    busy += grid_value(&grid, GRID_G1, i) > 16.0f;
                }
            if (busy < 0.25 * BLOCK * BLOCK || fine < 0.5 * coarse || blocks->n == MAX_BLOCKS)
                continue;
            blocks->col[blocks->n] = c;
            blocks->row[blocks->n++] = r;
        }
    free(packed);
}

static void take(struct samples *samples, const struct sample *like, const struct grid *grid,
                 const struct blocks *blocks)
{
    uint8_t mask[BLOCK * BLOCK];
    const struct grid *one[1] = {grid};
    int64_t when[1] = {0};
    struct subject_input input = {.grid = one, .time_ns = when, .n = 1};
    struct noise noise;
    memset(mask, 1, sizeof mask);
    if (!noise_find(&input, &noise, NULL))
        must(NULL);
    for (int b = 0; b < blocks->n; b++) {
        if (samples->n == samples->room) {
            samples->room = samples->room * 2 + 1000;
            samples->item = must(realloc(samples->item, samples->room * sizeof *samples->item));
        }
        struct sample *s = &samples->item[samples->n++];
        *s = *like;
        sums_over(grid, &noise, mask, blocks->col[b], blocks->row[b], BLOCK, BLOCK, &s->sums);
    }
}

static void shoot(const struct plane *soft, struct sample *like, const struct blocks *blocks,
                  struct samples *samples)
{
    for (int n = 0; n < NOISES; n++)
        for (int a = 0; a < SHARPENINGS; a++) {
            struct plane p = plane_new(soft->w, soft->h);
            struct grid grid;
            memcpy(p.v, soft->v, (size_t)p.w * (size_t)p.h * sizeof *p.v);
            like->noise = n;
            like->sharpening = a;
            like->quality = qualities[(n + a + like->step) % 3];
            if (noise_sd[n] > 0)
                add_noise(&p, noise_sd[n], (uint64_t)(like->photo * 1000 + like->step * 10 + a));
            if (sharpen_amount[a] > 0)
                sharpen(&p, sharpen_amount[a]);
            uint8_t *packed = measured(&p, like->quality, &grid);
            take(samples, like, &grid, blocks);
            free(packed);
            free(p.v);
        }
}

static void shoot_photo(const char *path, int number, bool held_out, struct samples *samples)
{
    struct plane full = read_photo(path);
    struct blocks blocks;
    if (full.v == NULL) {
        fprintf(stderr, "%s: not there\n", path);
        return;
    }
    int by = (full.w > full.h ? full.w : full.h) / SIDE, half = (by + 1) / 2 > 1 ? (by + 1) / 2 : 1;
    struct plane twofold = reduce(&full, half), sharp = reduce(&twofold, 2);
    double own = 1.0 / (2 * half);
    find_blocks(&sharp, &blocks);
    fprintf(stderr, "%s: reduced %d times, %d blocks\n", path, 2 * half, blocks.n);
    free(full.v);
    free(sharp.v);
    for (int k = 0; blocks.n > 0 && k < KERNELS; k++)
        for (int s = 0; s < SIGMAS; s++) {
            double sigma = kernel_sigma[s];
            struct sample like = {.held_out = held_out, .photo = number, .kernel = k, .step = s};
            like.truth_px = sqrt(sigma * sigma + own * own + 1.0 / 12);
            struct plane soft = blurred(&twofold, (enum kernel)k, sigma);
            shoot(&soft, &like, &blocks, samples);
            free(soft.v);
        }
    free(twofold.v);
}

static void dump(const struct samples *samples)
{
    for (size_t i = 0; i < samples->n; i++) {
        const struct sample *s = &samples->item[i];
        printf("%d %d %s %.3f %g %g %d", s->photo, s->held_out, kernel_name[s->kernel], s->truth_px,
               noise_sd[s->noise], sharpen_amount[s->sharpening], s->quality);
        for (int e = 0; e < ENERGIES; e++)
            printf(" %g %g", s->sums.mean[e], s->sums.floor[e]);
        printf(" %g %g %g\n", s->sums.g8, s->sums.luma, s->sums.variance);
    }
}

/* ---- table of errors ----------------------------------------------------------------------------------- */

struct errors {
    double *relative;
    size_t n, known, within;
};

/* `told`: as in the engine, the length of a line is known from speed and exposure time; here a fifth too long
   and a fifth too short by turns. */
static void judge(struct errors *e, const struct sample *s, bool told)
{
    struct blur blur;
    blur_estimate(&s->sums, &blur);
    if (told)
        blur_add_line(&blur, sqrt(24.0) * kernel_sigma[s->step] * (e->n % 2 == 0 ? 1.2 : 1 / 1.2));
    e->n++;
    if (!blur.known)
        return;
    e->within += fabs(blur.log_sigma - log(s->truth_px)) <= blur.error;
    e->relative[e->known++] = fabs(exp(blur.log_sigma) / s->truth_px - 1);
}

static void print_errors(struct errors *e)
{
    if (e->known == 0) {
        printf(" |       -        ");
        return;
    }
    printf(" | %4.1f %5.1f %3.0f %3.0f", 100 * quantile_of(e->relative, e->known, 0.5),
           100 * quantile_of(e->relative, e->known, 0.9), 100.0 * (double)e->within / (double)e->known,
           100.0 * (double)e->known / (double)e->n);
    *e = (struct errors){.relative = e->relative};
}

/* From half a pixel on: what is sharper than the grid of pixels can show has no number. */
static void print_table(const struct samples *samples, bool held_out)
{
    struct errors e = {.relative = must(malloc((samples->n + 1) * sizeof(double)))};
    printf("%s photographs: relative error %% (median, 90th percentile), %% within the error bar, %% known\n",
           held_out ? "other" : "fitted");
    printf("%-9s %5s", "kernel", "noise");
    for (int a = 0; a < SHARPENINGS; a++)
        printf(" | sharpened %.1f  ", sharpen_amount[a]);
    printf(" | all\n");
    for (int row = 0; row <= KERNELS; row++)
        for (int n = 0; n < NOISES; n++) {
            bool told = row == KERNELS;
            int k = told ? LINE : row;
            printf("%-9s %5g", told ? "line told" : kernel_name[k], noise_sd[n]);
            for (int a = 0; a <= SHARPENINGS; a++) {
                for (size_t i = 0; i < samples->n; i++) {
                    const struct sample *s = &samples->item[i];
                    if (s->held_out == held_out && s->kernel == k && s->noise == n && s->truth_px > 0.5 &&
                        (a == SHARPENINGS || s->sharpening == a))
                        judge(&e, s, told);
                }
                print_errors(&e);
            }
            printf("\n");
        }
    free(e.relative);
}

/* ---- fit ----------------------------------------------------------------------------------------------- */

enum { RATIOS = 4, KNOTS = 12 };

static void ratios_of(const struct sums *s, double z[RATIOS])
{
    for (int k = 0; k < RATIOS; k++) {
        double fine = fmax(s->signal[k], 1e-2);
        double coarse = k + 1 < RATIOS ? s->signal[k + 1] : s->g8;
        z[k] = log(fine / fmax(coarse, 1e-2));
    }
}

/* Samples near one blur: their ratios, and a weight that makes photographs count by the root of their size.
 */
struct near {
    double (*z)[RATIOS], *log_off, *weight;
    size_t n;
};

static void gather(const struct samples *samples, double log_knot, struct near *near)
{
    double per_photo[PHOTOS] = {0};
    near->n = 0;
    for (int pass = 0; pass < 2; pass++)
        for (size_t i = 0; i < samples->n; i++) {
            const struct sample *s = &samples->item[i];
            double off = log(s->truth_px) - log_knot, weight = exp(-0.5 * off * off / (0.16 * 0.16));
            if (s->held_out || s->noise > 0 || s->kernel == LINE || weight < 1e-3)
                continue;
            if (pass == 0) {
                per_photo[s->photo] += weight;
                continue;
            }
            ratios_of(&s->sums, near->z[near->n]);
            near->log_off[near->n] = off;
            near->weight[near->n++] = weight / sqrt(per_photo[s->photo]);
        }
}

/* Takes the slope over ln sigma out, so that neighbours of the knot speak for it. */
static void level(struct near *near, int k)
{
    double w = 0, x = 0, z = 0, xx = 0, xz = 0;
    for (size_t i = 0; i < near->n; i++) {
        double u = near->weight[i], off = near->log_off[i];
        w += u;
        x += u * off;
        z += u * near->z[i][k];
        xx += u * off * off;
        xz += u * off * near->z[i][k];
    }
    double slope = (w * xz - x * z) / fmax(w * xx - x * x, 1e-9);
    for (size_t i = 0; i < near->n; i++)
        near->z[i][k] -= slope * near->log_off[i];
}

/* Mean with deviations clipped at two sd, then the deviations clipped at 2.5 sd. */
static double settle(struct near *near, int k)
{
    double w = 0, mean = 0, sd = 0;
    for (size_t i = 0; i < near->n; i++) {
        w += near->weight[i];
        mean += near->weight[i] * near->z[i][k];
    }
    mean /= w;
    for (int round = 0; round < 10; round++) {
        double square = 0, shift = 0;
        for (size_t i = 0; i < near->n; i++)
            square += near->weight[i] * (near->z[i][k] - mean) * (near->z[i][k] - mean);
        sd = sqrt(square / w);
        for (size_t i = 0; i < near->n; i++)
            shift += near->weight[i] * fmin(fmax(near->z[i][k] - mean, -2 * sd), 2 * sd);
        mean += shift / w;
    }
    for (size_t i = 0; i < near->n; i++)
        near->z[i][k] = fmin(fmax(near->z[i][k] - mean, -2.5 * sd), 2.5 * sd);
    return mean;
}

static void print_knot(struct near *near)
{
    double w = 0;
    printf("    {");
    for (int k = 0; k < RATIOS; k++) {
        level(near, k);
        printf("%.3f, ", settle(near, k));
    }
    for (size_t i = 0; i < near->n; i++)
        w += near->weight[i];
    for (int a = 0; a < RATIOS; a++)
        for (int b = a; b < RATIOS; b++) {
            double sum = 0;
            for (size_t i = 0; i < near->n; i++)
                sum += near->weight[i] * near->z[i][a] * near->z[i][b];
            printf("%s%.4f", a + b > 0 ? ", " : "", sum / w);
        }
    printf("},\n");
}

static void print_fit(const struct samples *samples)
{
    struct near near = {.z = must(malloc((samples->n + 1) * sizeof *near.z)),
                        .log_off = must(malloc((samples->n + 1) * sizeof(double))),
                        .weight = must(malloc((samples->n + 1) * sizeof(double)))};
    double lo = log(0.38), step = (log(9) - lo) / (KNOTS - 1);
    printf("static const double blur_knot_px[BLUR_KNOTS] = {");
    for (int k = 0; k < KNOTS; k++)
        printf("%s%.3f", k > 0 ? ", " : "", exp(lo + k * step));
    printf("};\nstatic const double blur_table[BLUR_KNOTS][14] = {\n");
    for (int k = 0; k < KNOTS; k++) {
        gather(samples, lo + k * step, &near);
        print_knot(&near);
    }
    printf("};\n");
    free(near.z);
    free(near.log_off);
    free(near.weight);
}

int main(int argc, char **argv)
{
    struct samples samples = {0};
    const char *mode = argc > 1 && argv[1][0] == '-' ? argv[1] : "";
    for (int p = 0; p < PHOTOS; p++) {
        char path[300];
        snprintf(path, sizeof path, "%s/%s.jpg", folder, photos[p].name);
        shoot_photo(path, p, photos[p].held_out, &samples);
    }
    for (int a = *mode ? 2 : 1; a < argc; a++)
        shoot_photo(argv[a], PHOTOS + a, true, &samples);
    if (strcmp(mode, "--fit") == 0)
        print_fit(&samples);
    else if (strcmp(mode, "--dump") == 0)
        dump(&samples);
    else
        for (int held_out = 0; held_out < 2; held_out++)
            print_table(&samples, held_out);
    free(samples.item);
    return samples.n > 0 ? 0 : 77;
}
