/*
 * Hostile pictures: every fixture cut at every 64 bytes, seeded mutations, bombs, and the damaged files of
 * ../shared/data. Each goes through the workers of the engine. None may break the pool, go unanswered, take
 * longer than its limit or more memory than its bound, or change what a sound picture gives.
 *
 *     torture_hostile [MUTATIONS]    default 5000; with CHAFFINCH_LONG=1 100000
 */
#include <dirent.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/resource.h>
#include <time.h>
#include <unistd.h>

#include "chaffinch/session.h"
#include "chaffinch/str.h"
#include "../../src/session/jobs.h"
#include "mutate.h"
#include "tree.h"

enum { WALL_S = 5, SOUND_EVERY = 50, FILE_LIMIT = 64 << 20 };
#define MEMORY_BYTES ((uint64_t)768 << 20)

struct bench {
    struct worker_pool *pool;
    long jobs, readable, refused, crashed, slow, sound;
    double longest_s;
    bool failed;
    struct worker_result expected[2]; /* of the sound picture */
    struct fixture good;
};

static double now_s(void)
{
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + (double)t.tv_nsec / 1e9;
}

static int as_file(const uint8_t *bytes, size_t size)
{
    int fd = memfd_create("picture", MFD_CLOEXEC);
    if (fd < 0 || write(fd, bytes, size) != (ssize_t)size)
        tree_die("cannot make", "a picture in memory");
    return fd;
}

/* One job from beginning to end. False when the pool broke. */
static bool ask(struct bench *b, uint32_t kind, const struct fixture *f, struct worker_result *result)
{
    struct err err = ERR_INIT;
    const struct job_request request = {.n = 1, .kind = {f->raw ? FRAME_RAW : FRAME_JPEG}};
    const struct job_crop_request crop = {.kind = request.kind[0],
                                          .box = {8, 8, 4000, 30},
                                          .max_edge_px = 640,
                                          .orientation = 6,
                                          .quality = 80};
    bool crops = kind == JOB_CROP;
    int fd = as_file(f->bytes, f->size);
    const struct worker_job job = {.kind = kind,
                                   .request = crops ? (const uint8_t *)&crop : (const uint8_t *)&request,
                                   .size = crops ? sizeof crop : sizeof request,
                                   .fds = {fd},
                                   .n_fds = 1};
    double begin = now_s();
    bool ok = worker_submit(b->pool, &job, &err) && worker_wait(b->pool, NULL, result, &err);
    double took = now_s() - begin;
    (void)close(fd);
    b->jobs++;
    if (took > b->longest_s)
        b->longest_s = took;
    if (!ok)
        fprintf(stderr, "torture: the pool broke on '%s': %s\n", f->name, err.message);
    /* A worker that is over its limit has to be killed and started anew, on a busy machine. */
    if (ok && took > WALL_S + 5) {
        fprintf(stderr, "torture: '%s' took %.1f s\n", f->name, took);
        ok = false;
    }
    return ok;
}

static void count(struct bench *b, const struct fixture *f, const struct worker_result *r)
{
    if (r->ok)
        b->readable++;
    else if (strstr(r->cause, "crashed") != NULL)
        b->crashed++;
    else if (strstr(r->cause, "longer than") != NULL)
        b->slow++;
    else
        b->refused++;
    if (!r->ok && r->cause[0] == '\0') {
        fprintf(stderr, "torture: '%s' was refused without a cause\n", f->name);
        b->failed = true;
    }
    if (getenv("CHAFFINCH_VERBOSE") != NULL)
        printf("  %s: %s\n", f->name, r->ok ? "ok" : r->cause);
}

/* The sound picture gives the same bytes as before. */
static void check_sound(struct bench *b, const char *after)
{
    for (uint32_t i = 0; i < 2; i++) {
        struct worker_result r = {0};
        if (!ask(b, i == 0 ? JOB_PEEK : JOB_MEASURE, &b->good, &r)) {
            b->failed = true;
            return;
        }
        const struct worker_result *e = &b->expected[i];
        if (!r.ok || r.size != e->size || memcmp(r.bytes, e->bytes, r.size) != 0) {
            fprintf(stderr, "torture: after '%s' a sound picture gives another result: %s\n", after, r.cause);
            b->failed = true;
        }
        worker_result_release(&r);
    }
    b->sound++;
}

static void try_file(struct bench *b, const struct fixture *f)
{
    static const uint32_t kinds[] = {JOB_PEEK, JOB_MEASURE, JOB_CROP};
    for (int i = 0; i < 3 && !b->failed; i++) {
        struct worker_result r = {0};
        if (!ask(b, kinds[i], f, &r)) {
            b->failed = true;
            return;
        }
        count(b, f, &r);
        worker_result_release(&r);
    }
    if (b->jobs / 3 % SOUND_EVERY == 0)
        check_sound(b, f->name);
}

static void report(struct bench *b, const char *what, long files)
{
    printf("hostile: %-28s %6ld files, so far %ld read, %ld refused, %ld workers crashed, %ld over a limit; "
           "%s\n",
           what, files, b->readable, b->refused, b->crashed, b->slow, b->failed ? "FAILED" : "all answered");
    (void)fflush(stdout);
}

/* ---- the files ----------------------------------------------------------------------------------------- */

static void truncations(struct bench *b, const struct fixtures *f)
{
    long files = 0;
    for (size_t i = 0; i < f->n && !b->failed; i++)
        for (size_t size = 0; size < f->at[i].size && !b->failed; size += 64, files++) {
            struct fixture cut = f->at[i];
            cut.size = size;
            try_file(b, &cut);
        }
    report(b, "cut at every 64 bytes", files);
}

static void mutations(struct bench *b, const struct fixtures *f, long n)
{
    for (long seed = 0; seed < n && !b->failed; seed++) {
        struct fixture m = f->at[(size_t)seed % f->n];
        (void)snprintf(m.name, sizeof m.name, "%.40s, seed %ld", f->at[(size_t)seed % f->n].name, seed);
        m.bytes = mutate(&f->at[(size_t)seed % f->n], (uint32_t)seed, &m.size);
        try_file(b, &m);
        free(m.bytes);
    }
    report(b, "mutations", n);
}

static void bombs(struct bench *b)
{
    struct fixtures f;
    fixtures_make_bombs(&f);
    for (size_t i = 0; i < f.n && !b->failed; i++) {
        try_file(b, &f.at[i]);
        check_sound(b, f.at[i].name);
    }
    report(b, "bombs, loops and lies", (long)f.n);
    fixtures_release(&f);
}

static void shared_file_at(struct bench *b, const char *path, long *files)
{
    struct stat st;
    int fd = open(path, O_RDONLY | O_CLOEXEC);
    if (fd < 0 || fstat(fd, &st) != 0 || !S_ISREG(st.st_mode) || st.st_size > FILE_LIMIT) {
        (void)close(fd);
        return;
    }
    struct fixture f = {.size = (size_t)st.st_size, .bytes = malloc((size_t)st.st_size + 1)};
    if (f.bytes == NULL || read(fd, f.bytes, f.size) != st.st_size)
        tree_die("cannot read", path);
    (void)close(fd);
    (void)snprintf(f.name, sizeof f.name, "%.79s", strrchr(path, '/') + 1);
    f.raw = strstr(f.name, ".jpg") == NULL && strstr(f.name, ".JPG") == NULL;
    try_file(b, &f);
    check_sound(b, f.name);
    ++*files;
    free(f.bytes);
}

static void shared_folder(struct bench *b, const char *path, long *files)
{
    DIR *d = opendir(path);
    for (struct dirent *e; d != NULL && (e = readdir(d)) != NULL && !b->failed;) {
        if (e->d_name[0] == '.')
            continue;
        char *all = tree_path(path, e->d_name);
        if (e->d_type == DT_DIR)
            shared_folder(b, all, files);
        else
            shared_file_at(b, all, files);
        free(all);
    }
    if (d != NULL)
        (void)closedir(d);
}

static void shared(struct bench *b)
{
    static const char *const folders[] = {"../shared/data/raw-damaged", "../shared/data/exif",
                                          "../../shared/data/raw-damaged", "../../shared/data/exif"};
    long files = 0;
    /* From the repository, or from a worktree beside it. */
    size_t from = access(folders[0], R_OK) == 0 ? 0 : 2;
    for (size_t i = from; i < from + 2; i++)
        shared_folder(b, folders[i], &files);
    if (files > 0)
        report(b, "files of ../shared/data", files);
    else
        puts("hostile: skipped: no shared data");
}

static void learn_what_is_right(struct bench *b)
{
    for (uint32_t i = 0; i < 2; i++)
        if (!ask(b, i == 0 ? JOB_PEEK : JOB_MEASURE, &b->good, &b->expected[i]) || !b->expected[i].ok)
            tree_die("cannot measure a sound picture:", b->expected[i].cause);
}

int main(int argc, char **argv)
{
    static struct bench b;
    static struct fixtures f;
    struct err err = ERR_INIT;
    struct rusage used;
    const struct worker_config config = {
        .handler = session_worker, .workers = 1, .memory_bytes = MEMORY_BYTES, .wall_s = WALL_S};
    long n = argc > 1 ? atol(argv[1]) : getenv("CHAFFINCH_LONG") != NULL ? 100000 : 5000;
    b.pool = worker_pool_start(&config, &err);
    if (b.pool == NULL)
        tree_die("no workers:", err.message);
    printf("hostile: workers with %s\n", worker_limits_text(b.pool));
    fixtures_make(&f);
    b.good = f.at[0];
    learn_what_is_right(&b);
    bombs(&b);
    shared(&b);
    truncations(&b, &f);
    mutations(&b, &f, n);
    worker_pool_stop(b.pool);
    (void)getrusage(RUSAGE_CHILDREN, &used);
    bool small = used.ru_maxrss <= (long)(MEMORY_BYTES >> 10);
    printf("hostile: %ld jobs, %ld checks of a sound picture, the longest job took %.1f s, the largest "
           "worker %ld MB, %s\n",
           b.jobs, b.sound, b.longest_s, used.ru_maxrss / 1024, b.failed || !small ? "FAILED" : "all held");
    for (int i = 0; i < 2; i++)
        worker_result_release(&b.expected[i]);
    fixtures_release(&f);
    return b.failed || !small;
}
