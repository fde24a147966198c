/*
 * bench_measure.c - what measuring costs on top of a decode, beside djpeg on the same files in the same run.
 *
 *     bench_measure [FILE.jpg | FOLDER]...
 *
 * Without arguments it makes a 2400 x 1800 and a 5184 x 3888 JPEG. Prints CPU ms (the least of several
 * rounds, in which all ways take turns) and ratios to `djpeg -grayscale`. Ends 1 when the path that this
 * processor takes costs more than 1.25 times djpeg over all files.
 */
#include <dirent.h>
#include <fcntl.h>
#include <spawn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/mman.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "chaffinch/decode.h"
#include "chaffinch/measure.h"
#include "../ref/maker.h"

enum { ROUNDS = 7, FILES_MAX = 4096, ROUNDS_MANY = 2 };
static const double LIMIT = 1.25;

enum way { DJPEG, DECODE, BEST, SSE2, PLAIN, WAYS };
static const char *const way_names[WAYS] = {"djpeg", "decode", "+measure", "(sse2)", "(plain)"};

struct run {
    enum way way;
    struct measure *measure;
    uint32_t width_px, height_px;
};

static double cpu_ms(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (double)t.tv_sec * 1e3 + (double)t.tv_nsec * 1e-6;
}

static bool begin(void *context, const struct decode_source *source, struct err *err)
{
    static const enum measure_path paths[WAYS] = {[SSE2] = MEASURE_PATH_SSE2, [PLAIN] = MEASURE_PATH_PLAIN};
    struct run *run = context;
    run->width_px = source->width_px;
    run->height_px = source->height_px;
    if (run->way == DECODE)
        return true;
    run->measure = measure_new_packing(paths[run->way], source->width_px, source->height_px,
                                       measure_cell_px(source->width_px), err);
    return run->measure != NULL;
}

static void row(void *context, const uint8_t *luma)
{
    struct run *run = context;
    if (run->measure != NULL)
        measure_row(run->measure, luma);
}

static uint8_t *place(void *context, uint32_t ahead)
{
    return measure_place(((struct run *)context)->measure, ahead);
}

static void placed(void *context, uint32_t rows)
{
    measure_placed(((struct run *)context)->measure, rows);
}

/* Map, decode, measure, pack: CPU ms, or -1 with a message. */
static double run_here(struct run *run, const char *path)
{
    struct err err = ERR_INIT;
    struct decode_source source;
    const struct decode_sink sink = {.context = run,
                                     .begin = begin,
                                     .row = row,
                                     .place = run->way == DECODE ? NULL : place,
                                     .placed = placed};
    double start = cpu_ms();
    int fd = open(path, O_RDONLY | O_CLOEXEC);
    struct stat st;
    if (fd < 0 || fstat(fd, &st) != 0) {
        perror(path);
        return -1;
    }
    uint8_t *map = mmap(NULL, (size_t)st.st_size, PROT_READ, MAP_PRIVATE, fd, 0);
    bool ok = map != MAP_FAILED && decode_luma(DECODE_JPEG, map, (size_t)st.st_size, &sink, &source, &err);
    uint8_t *packed = NULL;
    size_t size = 0;
    if (ok && run->measure != NULL)
        ok = measure_finish_packed(run->measure, &packed, &size, &err);
    free(packed);
    munmap(map, (size_t)st.st_size);
    close(fd);
    if (!ok && err.code != ERR_USAGE) /* a path that this processor lacks is left out */
        fprintf(stderr, "%s: %s\n", path, err.message);
    return ok ? cpu_ms() - start : -1;
}

static double run_djpeg(const char *path)
{
    struct rusage used;
    int status;
    pid_t pid;
    char *const words[] = {"djpeg", "-grayscale", "-outfile", "/dev/null", (char *)(uintptr_t)path, NULL};
    /* not fork: the next run here would pay for copying pages */
    if (posix_spawnp(&pid, words[0], NULL, NULL, words, environ) != 0 || wait4(pid, &status, 0, &used) < 0 ||
        !WIFEXITED(status) || WEXITSTATUS(status) != 0)
        return -1;
    return (double)(used.ru_utime.tv_sec + used.ru_stime.tv_sec) * 1e3 +
           (double)(used.ru_utime.tv_usec + used.ru_stime.tv_usec) * 1e-3;
}

/* Adds the file's least times to `total`, a way that failed counting as not run at all. */
static void bench_file(const char *path, int rounds, double total[WAYS])
{
    double least[WAYS];
    struct run run = {.way = DJPEG};
    for (int k = 0; k < rounds; k++)
        for (enum way w = DJPEG; w < WAYS; w++) {
            run = (struct run){.way = w};
            double ms = w == DJPEG ? run_djpeg(path) : run_here(&run, path);
            if (k == 0 || ms < least[w])
                least[w] = ms;
        }
    printf("%-28.28s %5u x %-5u", path, run.width_px, run.height_px);
    for (enum way w = DJPEG; w < WAYS; w++) {
        printf(" %8.1f", least[w]);
        total[w] = least[w] < 0 || total[w] < 0 ? -1 : total[w] + least[w];
    }
    printf("\n");
}

static int is_jpeg(const char *name)
{
    const char *dot = strrchr(name, '.');
    return dot != NULL && (strcasecmp(dot, ".jpg") == 0 || strcasecmp(dot, ".jpeg") == 0);
}

static size_t collect(const char *path, char **files, size_t n)
{
    DIR *dir = opendir(path);
    if (dir == NULL) {
        if (n < FILES_MAX)
            files[n++] = strdup(path);
        return n;
    }
    for (struct dirent *e = readdir(dir); e != NULL && n < FILES_MAX; e = readdir(dir)) {
        char inside[4096];
        snprintf(inside, sizeof inside, "%s/%s", path, e->d_name);
        if (e->d_name[0] != '.' && (is_jpeg(e->d_name) || e->d_type == DT_DIR))
            n = collect(inside, files, n);
    }
    closedir(dir);
    return n;
}

/* A picture in memory that has a path: nothing is left behind. */
static char *made_file(uint32_t width_px, uint32_t height_px, int quality)
{
    const struct make_jpeg how = {.width_px = width_px, .height_px = height_px, .quality = quality};
    struct bytes jpeg = make_jpeg(&how);
    char path[64];
    int fd = memfd_create("bench", 0); /* stays open, for djpeg too */
    if (fd < 0 || write(fd, jpeg.at, jpeg.size) != (ssize_t)jpeg.size) {
        perror("memfd_create");
        exit(4);
    }
    free(jpeg.at);
    printf("made %u x %u px, %.1f MB\n", width_px, height_px, (double)jpeg.size / 1e6);
    snprintf(path, sizeof path, "/proc/%d/fd/%d", (int)getpid(), fd);
    return strdup(path);
}

int main(int argc, char **argv)
{
    static char *files[FILES_MAX];
    size_t n = 0;
    double total[WAYS] = {0};
    for (int i = 1; i < argc; i++)
        n = collect(argv[i], files, n);
    if (argc == 1) {
        files[n++] = made_file(2400, 1800, 90);
        files[n++] = made_file(5184, 3888, 90);
    }
    printf("%-28s %13s", "CPU ms", "");
    for (enum way w = DJPEG; w < WAYS; w++)
        printf(" %8s", way_names[w]);
    printf("\n");
    for (size_t i = 0; i < n; i++)
        bench_file(files[i], n > 20 ? ROUNDS_MANY : ROUNDS, total);
    printf("%-28s %13s", "ratio to djpeg -grayscale", "");
    for (enum way w = DJPEG; w < WAYS; w++)
        printf(" %8.3f", total[w] < 0 || total[DJPEG] <= 0 ? -1 : total[w] / total[DJPEG]);
    printf("\n");
    for (size_t i = 0; i < n; i++)
        free(files[i]);
    if (n == 0 || total[DJPEG] <= 0 || total[BEST] <= 0) {
        fprintf(stderr, "nothing to compare: are djpeg (libjpeg-turbo-progs) and JPEG files there?\n");
        return 2;
    }
    return total[BEST] / total[DJPEG] <= LIMIT ? 0 : 1;
}
