/* cardgen: draws a demo card, and writes the truth about every frame beside it.
 *
 *   script    what happens: set-ups, bursts, flights       picture   one frame: all of the below, and its
 * truth pond, timber   the scene       bird, plumage, mesh   the swallow       lens, blur   optics sensor
 * noise card      names, numbers, truth.csv        fileout, tiffout   JPEG, Exif, DNG        outfile   files
 * on disk
 */
#include "card.h"
#include "selftest.h"
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#define CHUNK 8 /* frames that a process takes at once */

static void usage(FILE *f)
{
    int n;
    const struct burst_script *b = script_bursts(&n);
    fputs(
        "usage: cardgen OUT [--seed N] [--jobs N] [--size WxH] [--quality N] [--chroma 420|422]\n"
        "               [--only NAME,...]\n"
        "       cardgen --self-test\n\n"
        "Writes OUT/card (a camera card: swallows at a mill pond), OUT/truth.csv and OUT/truth-format.txt.\n"
        "OUT/card must not exist. The same seed and size give the same bytes, whatever --jobs is.\n"
        "  --seed N      default 1\n"
        "  --jobs N      processes, default: as many as there are processors\n"
        "  --size WxH    stored size of the pictures, W > H, default 2400x1800. Everything scales, blur too: "
        "a\n"
        "                small card has less of it in px\n"
        "  --quality N   of the JPEGs, 1 to 100, default 90, which is light\n"
        "  --chroma WHAT 420 (default) or 422, as cameras store colour\n"
        "  --only NAMES  only these bursts, and no stray files; numbers stay those of the full card. "
        "Names:\n               ",
        f);
    for (int i = 0; i < n; i++)
        fprintf(f, " %s", b[i].name);
    fprintf(f, "\n\n%s", card_truth_format);
}

static bool number(const char *text, long lo, long hi, long *out)
{
    char *end;
    errno = 0;
    *out = strtol(text, &end, 10);
    return errno == 0 && end != text && *end == 0 && *out >= lo && *out <= hi;
}

static bool read_size(const char *text, struct card_options *o)
{
    char rest;
    return sscanf(text, "%dx%d%c", &o->w, &o->h, &rest) == 2 && o->w > o->h && o->h >= 120 && o->w <= 8000;
}

static bool read_options(int argc, char **argv, struct card_options *o)
{
    long v = 0;
    for (int i = 1; i < argc; i++) {
        const char *a = argv[i], *next = i + 1 < argc ? argv[i + 1] : "";
        bool ok;
        if (a[0] != '-') {
            ok = !o->out;
            o->out = a;
            next = NULL;
        } else if (strcmp(a, "--seed") == 0) {
            ok = number(next, 0, 1000000000, &v);
            o->seed = (uint64_t)v;
        } else if (strcmp(a, "--jobs") == 0) {
            ok = number(next, 1, 64, &v);
            o->jobs = (int)v;
        } else if (strcmp(a, "--size") == 0) {
            ok = read_size(next, o);
        } else if (strcmp(a, "--quality") == 0) {
            ok = number(next, 1, 100, &v);
            o->weight.quality = (int)v;
        } else if (strcmp(a, "--chroma") == 0) {
            ok = strcmp(next, "422") == 0 || strcmp(next, "420") == 0;
            o->weight.all_rows = strcmp(next, "422") == 0;
        } else if (strcmp(a, "--only") == 0) {
            ok = *next != 0;
            o->only = next;
        } else {
            ok = false;
        }
        if (!ok) {
            fprintf(stderr, "cardgen: cannot use '%s': see --help\n", a);
            return false;
        }
        i += next ? 1 : 0;
    }
    return o->out != NULL;
}

/* Takes chunks of items until none is left. */
static bool work(struct card_plan *plan, const struct card_options *o, int *next)
{
    struct painter *painter = painter_new(o->seed, o->w, o->h);
    bool ok = true;
    for (;;) {
        int first = __atomic_fetch_add(next, CHUNK, __ATOMIC_SEQ_CST);
        if (!ok || first >= plan->count)
            break;
        ok = card_write_items(plan, o, painter, first,
                              first + CHUNK < plan->count ? first + CHUNK : plan->count);
    }
    painter_free(painter);
    return ok;
}

static bool work_in_processes(struct card_plan *plan, const struct card_options *o)
{
    int *next = mmap(NULL, sizeof *next, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    if (next == MAP_FAILED) {
        perror("cardgen: mmap");
        return false;
    }
    bool ok = true;
    for (int j = 1; j < o->jobs; j++) {
        pid_t pid = fork();
        if (pid < 0)
            perror("cardgen: fork"); /* the others do its share */
        if (pid == 0)
            _exit(work(plan, o, next) ? 0 : 1);
    }
    ok = work(plan, o, next);
    int status;
    while (wait(&status) > 0)
        ok = ok && WIFEXITED(status) && WEXITSTATUS(status) == 0;
    munmap(next, sizeof *next);
    return ok;
}

int main(int argc, char **argv)
{
    struct card_options o = {
        .seed = 1, .w = 2400, .h = 1800, .jobs = (int)sysconf(_SC_NPROCESSORS_ONLN), .weight = {90, false}};
    struct card_plan plan;
    char path[4096];
    if (argc == 2 && strcmp(argv[1], "--help") == 0) {
        usage(stdout);
        return 0;
    }
    if (argc == 2 && strcmp(argv[1], "--self-test") == 0)
        return selftest_blur() ? 0 : 1;
    if (!read_options(argc, argv, &o)) {
        usage(stderr);
        return 2;
    }
    if (!card_plan_make(&plan, &o))
        return 2;
    snprintf(path, sizeof path, "%s/card", o.out);
    if ((mkdir(o.out, 0777) != 0 && errno != EEXIST) || mkdir(path, 0777) != 0) {
        fprintf(stderr, "cardgen: cannot make '%s': %s\n", path, strerror(errno));
        return 4;
    }
    bool ok = work_in_processes(&plan, &o) && card_write_rest(&plan, &o);
    card_plan_free(&plan);
    return ok ? 0 : 4;
}
