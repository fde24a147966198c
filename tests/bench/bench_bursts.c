/*
 * bench_bursts.c - how well the engine ranks bursts with a known truth, condition by condition.
 *
 *     bench_bursts [--set tune|report] [--condition NAME]... [--seed N] [--jobs N] [--csv] [--list]
 *                  [--render] [--detail] [--parts | --fast] [--pictures DIR]
 *
 * Bursts are rendered once and kept as packed grids in $CHAFFINCH_BENCH_CACHE (default .build/bench-rank), by
 * version of the renderer, condition and seed: a run that only tries other code for finding, scoring or
 * choosing renders nothing.
 */
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/utsname.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "engine.h"
#include "plate.h"
#include "scene.h"
#include "table.h"

/* Raise it with every change that alters every rendered burst. */
enum { RENDER_VERSION = 2 };
enum { SEEDS = 5, MAX_JOBS = 8, MAX_CONDITIONS = 64 };

static const struct {
    const char *name;
    unsigned first;
} seed_set[] = {{"tune", 1}, {"report", 101}};

struct run {
    unsigned first, seeds;
    const char *set;
    bool wanted[MAX_CONDITIONS], csv, render_only, detail;
    enum engine_decodes decodes;
    int jobs;
    const char *cache, *pictures;
};

struct task {
    int condition;
    unsigned seed;
};

static int usage(void)
{
    fprintf(stderr,
            "usage: bench_bursts [--set tune|report] [--condition NAME]... [--seed N] [--jobs N] [--csv]\n"
            "                    [--list] [--render] [--detail] [--parts | --fast] [--pictures DIR]\n");
    return 2;
}

static int list(void)
{
    for (int c = 0; c < condition_count(); c++)
        printf("%-11s %s\n", condition_name(c), condition_text(c));
    return 0;
}

static bool choose_set(struct run *run, const char *name)
{
    for (size_t i = 0; i < sizeof seed_set / sizeof seed_set[0]; i++)
        if (strcmp(seed_set[i].name, name) == 0) {
            run->set = name;
            run->first = seed_set[i].first;
            run->seeds = SEEDS;
            return true;
        }
    return false;
}

static bool take_value(struct run *run, const char *option, const char *value)
{
    if (strcmp(option, "--set") == 0)
        return choose_set(run, value);
    if (strcmp(option, "--condition") == 0) {
        int c = condition_by_name(value);
        if (c >= 0)
            run->wanted[c] = true;
        return c >= 0;
    }
    if (strcmp(option, "--seed") == 0) {
        run->first = (unsigned)strtoul(value, NULL, 10);
        run->seeds = 1;
        run->set = "one seed";
        return true;
    }
    if (strcmp(option, "--pictures") == 0) {
        run->pictures = value;
        return true;
    }
    run->jobs = atoi(value);
    return strcmp(option, "--jobs") == 0 && run->jobs >= 1 && run->jobs <= MAX_JOBS;
}

/* -1 = go on, else the exit status. */
static int read_options(int argc, char **argv, struct run *run)
{
    bool any = false;
    for (int i = 1; i < argc; i++) {
        if (strcmp(argv[i], "--list") == 0)
            return list();
        else if (strcmp(argv[i], "--csv") == 0)
            run->csv = true;
        else if (strcmp(argv[i], "--render") == 0)
            run->render_only = true;
        else if (strcmp(argv[i], "--detail") == 0)
            run->detail = true;
        else if (strcmp(argv[i], "--parts") == 0)
            run->decodes = ENGINE_PARTS;
        else if (strcmp(argv[i], "--fast") == 0)
            run->decodes = ENGINE_FAST;
        else if (i + 1 >= argc || !take_value(run, argv[i], argv[i + 1]))
            return usage();
        else
            i++;
    }
    for (int c = 0; c < condition_count(); c++)
        any = any || run->wanted[c];
    for (int c = 0; c < condition_count(); c++)
        run->wanted[c] = run->wanted[c] || !any;
    return -1;
}

static void kept_path(const struct run *run, const struct studio *studio, struct task task, int part,
                      char *path, size_t room)
{
    snprintf(path, room, "%s/r%d.%d-p%d-%s-%u.%d.burst", run->cache, RENDER_VERSION,
             condition_change(task.condition), studio->photos, condition_name(task.condition), task.seed,
             part);
}

static void get_burst(const struct run *run, struct studio *studio, struct task task, int part,
                      struct bench_burst *burst)
{
    char path[4096], pictures[4096];
    kept_path(run, studio, task, part, path, sizeof path);
    if (run->pictures == NULL && cache_load(path, burst))
        return;
    struct scene_script script = condition_script(task.condition, task.seed, part);
    snprintf(pictures, sizeof pictures, "%s/%s-%u.%d-", run->pictures != NULL ? run->pictures : "",
             condition_name(task.condition), task.seed, part);
    scene_render(studio, &script, run->pictures != NULL ? pictures : NULL, burst);
    if (!cache_store(path, burst))
        fprintf(stderr, "bench: cannot keep '%s': %s\n", path, strerror(errno));
    fprintf(stderr, "rendered %s %u: %u frames, %.0f ms each\n", condition_name(task.condition), task.seed,
            burst->n, burst->render_s * 1000 / burst->n);
}

static void do_task(const struct run *run, struct studio *studio, struct task task, struct marks *marks)
{
    struct setup before = {0};
    for (int part = 0; part < condition_bursts(task.condition); part++) {
        struct bench_burst burst = {0};
        get_burst(run, studio, task, part, &burst);
        if (run->detail)
            printf("%s %u: ", condition_name(task.condition), task.seed);
        if (!run->render_only)
            engine_judge(&burst, (double)condition_script(task.condition, task.seed, part).lens.exposure_s,
                         run->detail, run->decodes, part < 2, &before, marks);
        burst_release(&burst);
    }
    free(before.background);
}

static void work(const struct run *run, const struct task *task, size_t n, size_t first, size_t step,
                 struct marks *marks)
{
    struct studio studio;
    studio_open(&studio);
    for (size_t i = first; i < n; i += step)
        do_task(run, &studio, task[i], &marks[i]);
    studio_close(&studio);
}

/* Shares the tasks out; false when a process fails. */
static bool work_all(const struct run *run, const struct task *task, size_t n, struct marks *marks)
{
    bool good = true;
    if (run->jobs == 1) {
        work(run, task, n, 0, 1, marks);
        return true;
    }
    for (int j = 0; j < run->jobs; j++) {
        pid_t child = fork();
        if (child == 0) {
            work(run, task, n, (size_t)j, (size_t)run->jobs, marks);
            fflush(stdout);
            _exit(0);
        }
        good = good && child > 0;
    }
    for (int status; wait(&status) > 0;)
        good = good && WIFEXITED(status) && WEXITSTATUS(status) == 0;
    return good;
}

static void print_head(const struct run *run)
{
    struct utsname u;
    char date[32], model[128] = "unknown processor", line[256];
    time_t now = time(NULL);
    FILE *cpu = fopen("/proc/cpuinfo", "r");
    strftime(date, sizeof date, "%Y-%m-%d", localtime(&now));
    uname(&u);
    while (cpu != NULL && fgets(line, sizeof line, cpu) != NULL)
        if (sscanf(line, "model name : %127[^\n]", model) == 1)
            break;
    if (cpu != NULL)
        fclose(cpu);
    printf("%s, %s %s, %s; set %s, seeds %u to %u; renderer %d\n\n", date, u.sysname, u.machine, model,
           run->set, run->first, run->first + run->seeds - 1, RENDER_VERSION);
}

static void print_results(const struct run *run, const struct task *task, size_t n, const struct marks *marks)
{
    struct table_row row[MAX_CONDITIONS];
    size_t rows = 0;
    for (size_t i = 0; i < n; i += run->seeds)
        row[rows++] = (struct table_row){condition_name(task[i].condition), condition_text(task[i].condition),
                                         &marks[i], run->seeds};
    if (run->csv) {
        table_csv(stdout, row, rows, marks, n);
        return;
    }
    print_head(run);
    table_print(stdout, row, rows, marks, n);
}

static bool make_folder(const char *path)
{
    char part[4096];
    snprintf(part, sizeof part, "%s", path);
    for (char *at = part + 1; *at; at++)
        if (*at == '/') {
            *at = 0;
            mkdir(part, 0755);
            *at = '/';
        }
    return mkdir(part, 0755) == 0 || errno == EEXIST;
}

int main(int argc, char **argv)
{
    struct run run = {.jobs = 2, .cache = getenv("CHAFFINCH_BENCH_CACHE")};
    choose_set(&run, "tune");
    int status = read_options(argc, argv, &run);
    if (status >= 0)
        return status;
    if (run.cache == NULL || run.cache[0] == 0)
        run.cache = ".build/bench-rank";
    if (!make_folder(run.cache)) {
        fprintf(stderr, "bench: cannot make '%s': %s\n", run.cache, strerror(errno));
        return 1;
    }
    size_t n = 0, room = (size_t)condition_count() * run.seeds;
    struct task *task = calloc(room + 1, sizeof *task);
    struct marks *marks =
        mmap(NULL, (room + 1) * sizeof *marks, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    if (task == NULL || marks == MAP_FAILED)
        return 1;
    for (int c = 0; c < condition_count(); c++)
        for (unsigned s = 0; run.wanted[c] && s < run.seeds; s++)
            task[n++] = (struct task){c, run.first + s};
    bool good = work_all(&run, task, n, marks);
    if (good && !run.render_only)
        print_results(&run, task, n, marks);
    free(task);
    munmap(marks, (room + 1) * sizeof *marks);
    return good ? 0 : 1;
}
