/*
 * The soak: a card of many small frames, one in a hundred damaged, goes through copy, measure and rank while
 * SIGKILL comes again and again; started anew until done. The result is that of an undisturbed night, and the
 * peak of memory does not grow with the number of frames.
 *
 *     torture_soak [FRAMES]       default 500; with CHAFFINCH_LONG=1 20000
 */
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "chaffinch/str.h"
#include "picture.h"
#include "program.h"
#include "tree.h"

enum { BASES = 40, BURST = 25, FOLDER = 500, WALL_S = 600 };

struct soak {
    char *work, *card, *calm, *rough;
    long frames, kills;
    uint32_t random;
    uint8_t *base[BASES];
    size_t size[BASES];
};

static uint32_t next_random(struct soak *s) /* xorshift32: Marsaglia 2003 */
{
    uint32_t x = s->random;
    x ^= x << 13;
    x ^= x >> 17;
    x ^= x << 5;
    return s->random = x;
}

/* ---- the card ------------------------------------------------------------------------------------------ */

/* The digits of a time stand in the Exif head as text; each frame gets its own. */
static void set_time(uint8_t *bytes, size_t size, long number)
{
    long ms = number / BURST * 10000 + number % BURST * 20;
    char date[20], fraction[4];
    (void)snprintf(date, sizeof date, "2026:05:%02ld %02ld:%02ld:%02ld", 1 + ms / 86400000 % 28,
                   ms / 3600000 % 24, ms / 60000 % 60, ms / 1000 % 60);
    (void)snprintf(fraction, sizeof fraction, "%03ld", ms % 1000);
    uint8_t *at = memmem(bytes, size, "2026:05:01 07:", 14), *part = memmem(bytes, size, "777", 3);
    if (at == NULL || part == NULL)
        tree_die("no time in", "a picture");
    memcpy(at, date, 19);
    memcpy(part, fraction, 3);
}

static void make_frame(struct soak *s, long number)
{
    const int base = (int)(number % BASES);
    size_t size = s->size[base];
    uint8_t *bytes = malloc(size + 16);
    char *folder = str_make(NULL, "%s/DCIM/%ldDEMOS", s->card, 100 + number / FOLDER);
    char *path = str_make(NULL, "%s/_DSC%04ld.JPG", folder, 1 + number % 9999);
    if (bytes == NULL || folder == NULL || path == NULL)
        tree_die("no memory for", "a frame");
    if (number % FOLDER == 0 && mkdir(folder, 0755) != 0)
        tree_die("cannot make", folder);
    memcpy(bytes, s->base[base], size);
    set_time(bytes, size, number);
    /* Behind the end of the picture: no two frames are the same. */
    size += (size_t)snprintf((char *)bytes + size, 16, "%08ld", number);
    if (number % 100 == 37) /* cut short, or noise in its middle */
        size = number % 200 == 37 ? size / 2 : size;
    if (number % 200 == 137)
        for (size_t i = size / 2; i < size / 2 + 300 && i < size; i++)
            bytes[i] = (uint8_t)next_random(s);
    tree_write(path, bytes, size);
    free(bytes);
    free(folder);
    free(path);
}

static void make_card(struct soak *s)
{
    char *dcim = tree_path(s->card, "DCIM");
    if (mkdir(s->card, 0755) != 0 || mkdir(dcim, 0755) != 0)
        tree_die("cannot make", dcim);
    for (int i = 0; i < BASES; i++)
        s->base[i] = scene_jpeg(96, 72, (uint32_t)i, 777, &s->size[i]);
    for (long n = 0; n < s->frames; n++)
        make_frame(s, n);
    for (int i = 0; i < BASES; i++)
        free(s->base[i]);
    free(dcim);
}

/* ---- the nights ---------------------------------------------------------------------------------------- */

static long kill_after_ms; /* of the next run; 0 = never */

static void start_timer(void)
{
    timer_t timer;
    struct sigevent event = {.sigev_notify = SIGEV_SIGNAL, .sigev_signo = SIGKILL};
    const struct itimerspec when = {.it_value = {kill_after_ms / 1000, kill_after_ms % 1000 * 1000000}};
    (void)alarm(WALL_S);
    if (kill_after_ms > 0 &&
        (timer_create(CLOCK_MONOTONIC, &event, &timer) != 0 || timer_settime(timer, 0, &when, NULL) != 0))
        abort();
}

enum { STEPS = 3 };

static struct program_run step(const struct soak *s, const char *session, int i)
{
    const struct program_run steps[STEPS] = {
        {.engine = true, .args = {"copy", s->card, session, "--one-is-enough"}, .prepare = start_timer},
        {.engine = true, .args = {"measure", session, "--jobs", "2"}, .prepare = start_timer},
        {.engine = true, .args = {"rank", session}, .prepare = start_timer},
    };
    return steps[i];
}

static bool calm_night(const struct soak *s, long peak_kb[STEPS])
{
    bool ok = true;
    kill_after_ms = 0;
    for (int i = 0; ok && i < STEPS; i++) {
        struct program_outcome o;
        const struct program_run run = step(s, s->calm, i);
        program_run(&run, &o);
        peak_kb[i] = o.peak_kb;
        ok = o.status == (i == 1); /* damaged frames are named once */
        if (!ok)
            fprintf(stderr, "torture: %s ended with %d: %.2000s\n", run.args[0], o.status, o.err);
        program_release(&o);
    }
    return ok;
}

static bool rough_night(struct soak *s)
{
    long shortest = s->frames > 5000 ? 700 : 15, spread = s->frames > 5000 ? 3000 : 200;
    for (int i = 0; i < STEPS; i++)
        for (long tries = 0;; tries++) {
            struct program_outcome o;
            const struct program_run run = step(s, s->rough, i);
            kill_after_ms = shortest + (long)(next_random(s) % (uint32_t)spread) + tries * 10;
            program_run(&run, &o);
            int status = o.status;
            if (status != -SIGKILL && status != 0 && status != 1)
                fprintf(stderr, "torture: %s ended with %d: %.2000s\n", run.args[0], status, o.err);
            program_release(&o);
            if (status == 0 || status == 1)
                break;
            if (status != -SIGKILL || tries > 2000)
                return false;
            s->kills++;
        }
    return true;
}

static char *list_of(const char *session)
{
    return program_text(
        &(struct program_run){.engine = true, .args = {"list", session, "--frames", "--format", "csv"}});
}

static bool same_result(const struct soak *s)
{
    struct tree a, b;
    char *calm = list_of(s->calm), *rough = list_of(s->rough);
    bool ok = calm != NULL && rough != NULL && strcmp(calm, rough) == 0;
    if (!ok)
        fprintf(stderr, "torture: the list differs from that of an undisturbed night\n");
    tree_read(&a, s->calm, false);
    tree_read(&b, s->rough, false);
    ok = tree_same(&a, &b, false, "the session") && ok;
    tree_release(&a);
    tree_release(&b);
    free(calm);
    free(rough);
    return ok;
}

static void soak_make(struct soak *s, long frames)
{
    *s = (struct soak){.work = tree_scratch("soak"), .frames = frames, .random = 2463534242u};
    s->card = tree_path(s->work, "card");
    s->calm = tree_path(s->work, "calm");
    s->rough = tree_path(s->work, "rough");
    make_card(s);
}

static void soak_free(struct soak *s)
{
    tree_remove(s->work);
    free(s->work);
    free(s->card);
    free(s->calm);
    free(s->rough);
}

int main(int argc, char **argv)
{
    static struct soak few, many;
    long frames = argc > 1 ? atol(argv[1]) : getenv("CHAFFINCH_LONG") != NULL ? 20000 : 500;
    long small[STEPS] = {0}, peak[STEPS] = {0};
    /* What a tenth of the frames needs, to compare with. */
    soak_make(&few, frames / 10);
    bool ok = calm_night(&few, small);
    soak_free(&few);
    soak_make(&many, frames);
    ok = ok && calm_night(&many, peak) && rough_night(&many) && same_result(&many);
    printf("soak: %ld frames, %ld of them damaged, killed %ld times: %s\n", frames, frames / 100, many.kills,
           ok ? "the result of an undisturbed night" : "FAILED");
    printf("soak: peak memory of copy, measure, rank: %ld, %ld, %ld MB; with a tenth of the frames %ld, %ld, "
           "%ld MB\n",
           peak[0] / 1024, peak[1] / 1024, peak[2] / 1024, small[0] / 1024, small[1] / 1024, small[2] / 1024);
    /* SQLite's cache of 32 MB fills with the session; beside it a frame may cost some hundred bytes. */
    for (int i = 0; i < STEPS; i++)
        if (peak[i] > small[i] + 48 * 1024) {
            fprintf(stderr, "torture: memory grows with the number of frames\n");
            ok = false;
        }
    soak_free(&many);
    return !ok;
}
