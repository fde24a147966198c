/*
 * bench_grey: CPU ms a frame of a plain grey decode from memory, of everything `measure --all` does in a
 * worker (decode, cells, packing) and of the same without AVX2; all three take turns on each file.
 * libjpeg-turbo writes rows to nowhere for the first: what any program pays that wants the luma of the
 * picture.
 *
 *     bench_grey ROUNDS FILE...     one line: files, grey, best path, SSE2 path, in ms a frame (least of
 * rounds) bench_grey grey FILE...       a line a file: its grey decode
 */
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include <jpeglib.h>

#include "chaffinch/decode.h"
#include "chaffinch/measure.h"

enum way { GREY, BEST, SSE2, WAYS };

static double cpu_ms(void)
{
    struct timespec t;
    (void)clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (double)t.tv_sec * 1e3 + (double)t.tv_nsec * 1e-6;
}

static void decode_grey(const uint8_t *bytes, size_t size)
{
    struct jpeg_error_mgr errors;
    struct jpeg_decompress_struct d = {.err = jpeg_std_error(&errors)};
    jpeg_create_decompress(&d);
    jpeg_mem_src(&d, bytes, (unsigned long)size);
    (void)jpeg_read_header(&d, TRUE);
    d.out_color_space = JCS_GRAYSCALE;
    (void)jpeg_start_decompress(&d);
    JSAMPLE *row = malloc(d.output_width);
    if (row == NULL)
        exit(4);
    while (d.output_scanline < d.output_height)
        (void)jpeg_read_scanlines(&d, &row, 1);
    (void)jpeg_finish_decompress(&d);
    jpeg_destroy_decompress(&d);
    free(row);
}

struct run {
    enum measure_path path;
    struct measure *measure;
};

static bool begin(void *context, const struct decode_source *source, struct err *err)
{
    struct run *run = context;
    run->measure = measure_new_packing(run->path, source->width_px, source->height_px,
                                       measure_cell_px(source->width_px), err);
    return run->measure != NULL;
}

static void row(void *context, const uint8_t *luma)
{
    measure_row(((struct run *)context)->measure, luma);
}

static uint8_t *place(void *context, uint32_t ahead)
{
    return measure_place(((struct run *)context)->measure, ahead);
}

static void placed(void *context, uint32_t rows)
{
    measure_placed(((struct run *)context)->measure, rows);
}

static bool decode_and_measure(enum way way, const uint8_t *bytes, size_t size, struct err *err)
{
    struct run run = {.path = way == SSE2 ? MEASURE_PATH_SSE2 : MEASURE_PATH_BEST};
    const struct decode_sink sink = {
        .context = &run, .begin = begin, .row = row, .place = place, .placed = placed};
    struct decode_source source;
    uint8_t *packed = NULL;
    size_t packed_size;
    if (!decode_luma(DECODE_JPEG, bytes, size, &sink, &source, err))
        return false;
    bool ok = measure_finish_packed(run.measure, &packed, &packed_size, err);
    free(packed);
    return ok;
}

/* CPU ms of mapping the file and going that way; ends the program where that fails. */
static double time_way(enum way way, const char *path)
{
    struct err err = ERR_INIT;
    struct stat st;
    double start = cpu_ms();
    int fd = open(path, O_RDONLY | O_CLOEXEC);
    uint8_t *bytes = fd >= 0 && fstat(fd, &st) == 0
                         ? mmap(NULL, (size_t)st.st_size, PROT_READ, MAP_PRIVATE, fd, 0)
                         : MAP_FAILED;
    if (bytes == MAP_FAILED) {
        perror(path);
        exit(4);
    }
    if (way == GREY)
        decode_grey(bytes, (size_t)st.st_size);
    else if (!decode_and_measure(way, bytes, (size_t)st.st_size, &err)) {
        (void)fprintf(stderr, "%s: %s\n", path, err.message);
        exit(4);
    }
    (void)munmap(bytes, (size_t)st.st_size);
    (void)close(fd);
    return cpu_ms() - start;
}

static void time_all_ways(int rounds, char **files, int n)
{
    double total[WAYS] = {0};
    for (int i = 0; i < n; i++)
        for (enum way way = GREY; way < WAYS; way++) {
            double least = 1e9;
            for (int k = 0; k < rounds; k++) {
                double ms = time_way(way, files[i]);
                least = ms < least ? ms : least;
            }
            total[way] += least;
        }
    (void)printf("%d %.3f %.3f %.3f\n", n, total[GREY] / n, total[BEST] / n, total[SSE2] / n);
}

int main(int argc, char **argv)
{
    if (argc < 3) {
        (void)fputs("usage: bench_grey ROUNDS|grey FILE...\n", stderr);
        return 2;
    }
    if (strcmp(argv[1], "grey") == 0)
        for (int i = 2; i < argc; i++)
            (void)printf("%.3f\n", time_way(GREY, argv[i]));
    else
        time_all_ways(atoi(argv[1]), argv + 2, argc - 2);
    return 0;
}
