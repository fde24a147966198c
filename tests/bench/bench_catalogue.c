/*
 * bench_catalogue: a session of 100,000 frames. How long does it take to list one burst and to choose it
 * anew, to decide, to list everything, to number the bursts again, and to make a lost catalogue anew? Wall
 * clock, printed, never a test. The rows are made through the catalogue's own calls; no picture is needed.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "../unit/ranked_session.h"

enum { FRAMES = 100000, PER_BURST = 60 };

static double now_s(void)
{
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + (double)t.tv_nsec * 1e-9;
}

static void must(bool ok, const struct err *err)
{
    if (ok)
        return;
    (void)fprintf(stderr, "bench_catalogue: %s\n", err->message);
    exit(1);
}

static int64_t put_frame(struct catalogue *c, int i, struct err *err)
{
    char identity[64], path[64];
    int64_t id = 0;
    (void)snprintf(identity, sizeof identity, "A1 %032d", i);
    (void)snprintf(path, sizeof path, "DCIM/%03dEXMPL/DEMO%04d.JPG", 100 + i / 9999, i % 9999 + 1);
    const struct catalogue_frame frame = {
        .identity = identity, .body = "A1", .orientation = 1, .has_time = true, .time_ns = i};
    const struct catalogue_file file = {.path = path, .kind = "jpeg", .size = 1, .has_fingerprint = true};
    must(catalogue_put_frame(c, &frame, &id, err) && catalogue_put_files(c, id, &file, 1, err) &&
             catalogue_set_measured(c, id, "full", 2400, 1800, 1, 0, 1, err) &&
             catalogue_set_place(c, id, i / PER_BURST + 1, (uint32_t)(i % PER_BURST), (int64_t)i * 8333333,
                                 err),
         err);
    return id;
}

static void put_burst_items(struct catalogue *c, int64_t burst, const int64_t *ids, size_t n, struct err *err)
{
    struct catalogue_item items[PER_BURST];
    for (size_t k = 0; k < n; k++)
        items[k] = (struct catalogue_item){.frame = ids[k],
                                           .pass = 1,
                                           .time_ns = (int64_t)k * 8333333,
                                           .w_px = 300,
                                           .h_px = 200,
                                           .score = (double)(k * 7 % PER_BURST),
                                           .blur_px = 1 + (double)(k * 7 % PER_BURST) / 20,
                                           .blur_low_px = .9,
                                           .blur_high_px = 1.1,
                                           .p_sharp = .9,
                                           .area_cells = 200};
    must(catalogue_put_items(c, burst, items, n, err), err);
}

enum { BURSTS = (FRAMES + PER_BURST - 1) / PER_BURST };
static int64_t ids[FRAMES];
static struct catalogue_burst bursts[BURSTS];

static void fill(struct catalogue *c, struct err *err)
{
    must(catalogue_begin(c, err), err);
    for (int i = 0; i < FRAMES; i++)
        ids[i] = put_frame(c, i, err);
    for (int b = 0; b < BURSTS; b++)
        bursts[b] = (struct catalogue_burst){
            .number = b + 1, .body = "A1", .has_time = true, .start_ns = b, .n_frames = PER_BURST};
    must(catalogue_put_bursts(c, bursts, BURSTS, err), err);
    for (int b = 0; b < BURSTS; b++) {
        size_t n = b * PER_BURST + PER_BURST <= FRAMES ? PER_BURST : (size_t)(FRAMES - b * PER_BURST);
        put_burst_items(c, b + 1, ids + b * PER_BURST, n, err);
    }
    must(catalogue_commit(c, err), err);
}

static bool count_row(void *context, const struct catalogue_row *row, struct err *err)
{
    (void)row;
    (void)err;
    ++*(int *)context;
    return true;
}

static double since(double *t)
{
    double now = now_s(), took = now - *t;
    *t = now;
    return took;
}

static void say(const char *what, double seconds)
{
    (void)printf("catalogue of %d frames: %-52s %8.4f s\n", FRAMES, what, seconds);
}

/* What a person waits for. */
static void look_and_decide(struct session *s, struct err *err)
{
    struct catalogue *c = s->catalogue;
    const struct catalogue_filter burst = {.burst = 800}, all = {.burst = 0};
    const struct session_rank_options how = SESSION_RANK_OPTIONS_INIT;
    struct catalogue_counts counts;
    int rows = 0;
    double t = now_s();
    must(catalogue_each_row(c, &burst, count_row, &rows, err) && rows == PER_BURST, err);
    say("one burst listed", since(&t));
    must(session_choose_burst(s, 800, &how, err), err);
    say("one burst chosen anew", since(&t));
    must(catalogue_decide(c, &ids[50000], 1, CATALOGUE_KEEP, "bench", err), err);
    say("one frame decided", since(&t));
    must(catalogue_accept(c, 800, true, "bench", err), err);
    say("one burst accepted", since(&t));
    must(catalogue_decide(c, ids, FRAMES, CATALOGUE_REJECT, "bench", err), err);
    say("every frame decided", since(&t));
    must(catalogue_each_row(c, &all, count_row, &rows, err), err);
    say("every frame listed", since(&t));
    must(catalogue_count(c, &counts, err) && counts.rejected == FRAMES, err);
    say("outcomes counted", since(&t));
    must(catalogue_begin(c, err) && catalogue_put_bursts(c, bursts, BURSTS, err) && catalogue_commit(c, err),
         err);
    say("bursts numbered again", since(&t));
}

/* A morning of 5,000 frames whose summaries are there: everything chosen anew. */
static void choose_anew(struct err *err)
{
    enum { MORNING = 84, BURST = 60 };
    char folder[] = "/tmp/chaffinch-bench-XXXXXX", command[96];
    struct session_rank_options how = SESSION_RANK_OPTIONS_INIT;
    struct session_ranked totals;
    if (mkdtemp(folder) == NULL)
        exit(1);
    struct session *s = session_open(files_system(), folder, SESSION_CREATE, NULL, NULL, err);
    must(s != NULL && ranked_fill(s, MORNING, BURST, err), err);
    const char *const what[] = {"chosen for the first time", "with a total", "as last time"};
    for (int i = 0; i < 3; i++) {
        double t = now_s();
        how.keep_total = i == 1 ? 100 : UINT32_MAX;
        must(session_rank(s, &how, &totals, err), err);
        (void)printf("choosing %d frames from summaries: %-47s %8.4f s\n", MORNING * BURST, what[i],
                     since(&t));
    }
    session_close(s);
    (void)snprintf(command, sizeof command, "rm -rf '%s'", folder);
    if (system(command) != 0)
        exit(1);
}

int main(void)
{
    char folder[] = "/tmp/chaffinch-bench-XXXXXX", command[96];
    struct err err = ERR_INIT;
    int rows = 0;
    choose_anew(&err);
    if (mkdtemp(folder) == NULL)
        return 1;
    struct session *s = session_open(files_system(), folder, SESSION_CREATE, NULL, NULL, &err);
    must(s != NULL, &err);
    double t = now_s();
    fill(s->catalogue, &err);
    say("filled", since(&t));
    look_and_decide(s, &err);
    session_close(s);
    t = now_s();
    const struct catalogue_filter burst = {.burst = 800};
    s = session_open(files_system(), folder, SESSION_READ, NULL, NULL, &err);
    must(s != NULL && catalogue_each_row(s->catalogue, &burst, count_row, &rows, &err), &err);
    session_close(s);
    say("opened and one burst listed", since(&t));
    (void)snprintf(command, sizeof command, "rm '%s/.chaffinch/catalogue.db'", folder);
    if (system(command) != 0)
        return 1;
    t = now_s();
    s = session_open(files_system(), folder, SESSION_CREATE, NULL, NULL, &err);
    must(s != NULL, &err);
    say("lost: decisions taken from their log", since(&t));
    fill(s->catalogue, &err);
    say("lost: filled again, decisions attached", since(&t));
    session_close(s);
    (void)snprintf(command, sizeof command, "rm -rf '%s'", folder);
    return system(command) == 0 ? 0 : 1;
}
