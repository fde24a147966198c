/*
 * The verifier: syncs the temps of a file and reads them back from the medium while the next file is copied.
 * One thread, one queue; a job belongs to it between submit and wait.
 */
#include <errno.h>
#include <pthread.h>
#include <stdlib.h>
#include <time.h>

#include "job.h"

/* Each waiting job holds two descriptors and, until it is synced, its pages. */
enum { QUEUE_ROOM = 4, POLL_MS = 100 };

struct verifier {
    struct target *target;
    size_t n_targets;
    struct readback readback;
    bool threaded;
    pthread_t thread;
    pthread_mutex_t lock;
    pthread_cond_t changed;
    struct job *queue[QUEUE_ROOM]; /* ring; queue[first] is being verified */
    size_t first, n;
    bool quit;
    atomic_bool cancel;
};

static enum job_verdict verify_temp(struct verifier *v, struct job *job, size_t i)
{
    const struct files *fs = v->target[i].root->fs;
    struct job_temp *temp = &job->temp[i];
    struct hash_digest found;
    uint64_t size;
    job->bad_target = i;
    if (!files_sync(fs, temp->fd, job->file->path, &job->verify_err) ||
        !readback_digest(&v->readback, fs, temp->fd, job->file->path, &v->cancel, &found, &size,
                         &job->verify_err))
        return JOB_BROKEN;
    return size == job->read_bytes && hash_equal(&found, &job->digest) ? JOB_SAME : JOB_DIFFERS;
}

static void verify_job(struct verifier *v, struct job *job)
{
    job->verdict = JOB_SAME;
    for (size_t i = 0; i < v->n_targets && job->verdict == JOB_SAME; i++)
        if (job->temp[i].used)
            job->verdict = verify_temp(v, job, i);
}

static void *run_verifier(void *context)
{
    struct verifier *v = context;
    (void)pthread_mutex_lock(&v->lock);
    for (;;) {
        while (v->n == 0 && !v->quit)
            (void)pthread_cond_wait(&v->changed, &v->lock);
        if (v->n == 0)
            break;
        struct job *job = v->queue[v->first];
        (void)pthread_mutex_unlock(&v->lock);
        verify_job(v, job);
        (void)pthread_mutex_lock(&v->lock);
        job->done = true;
        v->first = (v->first + 1) % QUEUE_ROOM;
        v->n--;
        (void)pthread_cond_broadcast(&v->changed);
    }
    (void)pthread_mutex_unlock(&v->lock);
    return NULL;
}

static bool init_condition(pthread_cond_t *condition)
{
    pthread_condattr_t attributes;
    if (pthread_condattr_init(&attributes) != 0)
        return false;
    bool ok = pthread_condattr_setclock(&attributes, CLOCK_MONOTONIC) == 0 &&
              pthread_cond_init(condition, &attributes) == 0;
    (void)pthread_condattr_destroy(&attributes);
    return ok;
}

struct verifier *verifier_start(struct target *targets, size_t n_targets, bool threaded, struct err *err)
{
    struct verifier *v = calloc(1, sizeof *v);
    if (v == NULL || !readback_init(&v->readback, err)) {
        free(v);
        err_nomem(err);
        return NULL;
    }
    v->target = targets;
    v->n_targets = n_targets;
    atomic_init(&v->cancel, false);
    /* A system that gives no thread verifies in line: slower, as safe. */
    if (threaded && pthread_mutex_init(&v->lock, NULL) == 0) {
        if (init_condition(&v->changed)) {
            v->threaded = pthread_create(&v->thread, NULL, run_verifier, v) == 0;
            if (!v->threaded)
                (void)pthread_cond_destroy(&v->changed);
        }
        if (!v->threaded)
            (void)pthread_mutex_destroy(&v->lock);
    }
    return v;
}

void verifier_stop(struct verifier *v)
{
    if (v == NULL)
        return;
    if (v->threaded) {
        (void)pthread_mutex_lock(&v->lock);
        v->quit = true;
        (void)pthread_cond_broadcast(&v->changed);
        (void)pthread_mutex_unlock(&v->lock);
        (void)pthread_join(v->thread, NULL);
        (void)pthread_cond_destroy(&v->changed);
        (void)pthread_mutex_destroy(&v->lock);
    }
    readback_release(&v->readback);
    free(v);
}

void verifier_submit(struct verifier *v, struct job *job)
{
    job->done = false;
    job->verify_err = (struct err)ERR_INIT;
    if (!v->threaded) {
        verify_job(v, job);
        job->done = true;
        return;
    }
    (void)pthread_mutex_lock(&v->lock);
    while (v->n == QUEUE_ROOM)
        (void)pthread_cond_wait(&v->changed, &v->lock);
    v->queue[(v->first + v->n++) % QUEUE_ROOM] = job;
    (void)pthread_cond_broadcast(&v->changed);
    (void)pthread_mutex_unlock(&v->lock);
}

void verifier_wait(struct verifier *v, struct job *job, const volatile int *stop)
{
    if (!v->threaded)
        return;
    (void)pthread_mutex_lock(&v->lock);
    while (!job->done) {
        struct timespec until = {0};
        (void)clock_gettime(CLOCK_MONOTONIC, &until);
        until.tv_nsec += POLL_MS * 1000000L;
        until.tv_sec += until.tv_nsec / 1000000000L;
        until.tv_nsec %= 1000000000L;
        (void)pthread_cond_timedwait(&v->changed, &v->lock, &until);
        if (stop_asked(stop))
            atomic_store(&v->cancel, true);
    }
    (void)pthread_mutex_unlock(&v->lock);
}
