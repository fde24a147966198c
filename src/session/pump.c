#include "pump.h"

#include <fcntl.h>
#include <string.h>

#include "jobs.h"

static bool stopped(const struct session *s, struct err *err)
{
    if (s->stop == NULL || *s->stop == 0)
        return false;
    err_set(err, ERR_INTERRUPTED,
            "interrupted: what was done so far is kept, the same command goes on from there");
    return true;
}

static bool take_one(const struct pump *pump, struct err *err)
{
    struct worker_result result;
    if (!worker_wait(pump->workers, pump->s->stop, &result, err))
        return false;
    bool ok = pump->result(pump->context, &result, err);
    worker_result_release(&result);
    return ok;
}

static void drain(const struct pump *pump)
{
    struct worker_result result;
    while (worker_pending(pump->workers) > 0 && worker_wait(pump->workers, NULL, &result, NULL))
        worker_result_release(&result);
}

static bool submit_one(const struct pump *pump, size_t i, struct err *err)
{
    bool ok = true;
    while (ok && worker_pending(pump->workers) >= worker_room(pump->workers))
        ok = take_one(pump, err);
    return ok && pump->submit(pump->context, pump->workers, i, err);
}

bool pump_run(const struct pump *pump, size_t n, struct err *err)
{
    bool ok = true;
    for (size_t i = 0; ok && i < n; i++)
        ok = !stopped(pump->s, err) && submit_one(pump, i, err);
    while (ok && worker_pending(pump->workers) > 0)
        ok = take_one(pump, err);
    if (!ok)
        drain(pump);
    return ok;
}

bool pump_run_from(const struct pump *pump, const struct pump_source *source, struct err *err)
{
    bool ok = true, more = true;
    for (size_t i; ok && more;) {
        ok = !stopped(pump->s, err);
        /* Room first: what is taken may change what is next. */
        while (ok && worker_pending(pump->workers) >= worker_room(pump->workers))
            ok = take_one(pump, err);
        if (ok && source->next(pump->context, &i))
            ok = pump->submit(pump->context, pump->workers, i, err);
        else if (ok && worker_pending(pump->workers) > 0)
            ok = take_one(pump, err);
        else if (ok)
            ok = source->settle(pump->context, &more, err);
    }
    if (!ok)
        drain(pump);
    return ok;
}

/* Only what concerns the whole run stops it; a file that cannot be opened stays out of this run and is tried
 * again by the next. */
static bool file_trouble(struct session *s, const struct err *trouble, uint64_t *failed, struct err *err)
{
    if (trouble->code == ERR_NOMEM || trouble->code == ERR_INTERRUPTED) {
        if (err != NULL)
            *err = *trouble;
        return false;
    }
    ++*failed;
    log_err(s->log, trouble);
    return true;
}

int pump_open(struct session *s, const char *path, struct err *err)
{
    return path[0] == '/' ? files_open_regular(s->root.fs, AT_FDCWD, path, NULL, path, err)
                          : files_open_path(s->root.fs, s->root.fd, path, NULL, err);
}

static bool submit_pictures(struct session *s, struct worker_pool *workers, uint32_t job, size_t tag,
                            const struct job_part *part, const struct pump_picture *pictures, size_t n,
                            uint64_t *failed, struct err *err)
{
    struct job_request request = {.part = *part};
    struct worker_job work = {
        .tag = tag, .kind = job, .request = (const uint8_t *)&request, .size = sizeof request};
    struct err trouble = ERR_INIT;
    bool ok = true;
    for (size_t i = 0; ok && i < n && i < JOB_PICTURES; i++) {
        int fd = pump_open(s, pictures[i].path, &trouble);
        ok = fd >= 0;
        if (ok) {
            work.fds[work.n_fds++] = fd;
            request.kind[request.n++] = pictures[i].kind;
        }
    }
    ok = ok && worker_submit(workers, &work, &trouble);
    for (size_t i = 0; i < work.n_fds; i++)
        files_drop(s->root.fs, work.fds[i]);
    return ok || file_trouble(s, &trouble, failed, err);
}

bool pump_pictures(struct session *s, struct worker_pool *workers, uint32_t job, size_t tag,
                   const struct pump_picture *pictures, size_t n, uint64_t *failed, struct err *err)
{
    const struct job_part whole = {.wanted = false};
    return submit_pictures(s, workers, job, tag, &whole, pictures, n, failed, err);
}

bool pump_measure(struct session *s, struct worker_pool *workers, size_t tag, const struct job_part *part,
                  const struct pump_picture *pictures, size_t n, uint64_t *failed, struct err *err)
{
    return submit_pictures(s, workers, JOB_MEASURE, tag, part, pictures, n, failed, err);
}
