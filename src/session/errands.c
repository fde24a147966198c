/* The parent's side of what is handed on: opens the files, sends them to workers, takes the pieces back. */
#include "chaffinch/session.h"

#include <string.h>

#include "jobs.h"
#include "pump.h"

struct errands {
    struct session *s;
    const struct session_errand *errand;
    session_errand_done *done;
    void *context;
};

static int open_file(const struct session *s, const char *path, struct err *err)
{
    const struct files *fs = s->root.fs;
    return path[0] == '/' ? files_open_regular(fs, s->root.fd, path, NULL, path, err)
                          : files_open_path(fs, s->root.fd, path, NULL, err);
}

static bool open_files(const struct session *s, const struct session_errand *e, struct worker_job *job,
                       struct err *err)
{
    const char *const path[] = {e->picture, e->sidecar};
    for (int i = 0; i < 2; i++) {
        if (path[i] == NULL)
            continue;
        int fd = open_file(s, path[i], err);
        if (fd < 0)
            return false;
        job->fds[job->n_fds++] = fd;
    }
    return true;
}

static bool submit_errand(void *context, struct worker_pool *workers, size_t i, struct err *err)
{
    static const uint32_t kinds[] = {
        [SESSION_MARK] = JOB_MARK, [SESSION_DRESS] = JOB_DRESS, [SESSION_CUT] = JOB_CUT};
    struct errands *all = context;
    const struct session_errand *e = &all->errand[i];
    struct job_errand_request head;
    struct worker_job job = {.tag = i, .kind = kinds[e->kind]};
    struct str request = STR_INIT;
    struct err trouble = ERR_INIT;
    memset(&head, 0, sizeof head);
    head.rating = e->rating;
    head.n_keywords = (uint32_t)e->n_keywords;
    head.has_picture = e->picture != NULL;
    head.has_sidecar = e->sidecar != NULL;
    head.without_place = e->without_place;
    memcpy(head.box, e->box, sizeof head.box);
    str_append_bytes(&request, &head, sizeof head);
    for (size_t k = 0; k < e->n_keywords; k++)
        str_append_bytes(&request, e->keywords[k], strlen(e->keywords[k]) + 1);
    job.request = (const uint8_t *)request.bytes;
    job.size = request.size;
    bool ok = str_ok(&request, err), opened = ok && open_files(all->s, e, &job, &trouble);
    if (opened)
        ok = worker_submit(workers, &job, err);
    else if (ok) {
        const struct session_made none = {.cause = trouble.message};
        ok = all->done(all->context, i, &none, err);
    }
    for (size_t k = 0; k < job.n_fds; k++)
        files_drop(all->s->root.fs, job.fds[k]);
    str_release(&request);
    return ok;
}

static bool take_errand(void *context, const struct worker_result *result, struct err *err)
{
    struct errands *all = context;
    struct job_errand head;
    struct session_made made = {.cause = result->cause};
    if (result->ok && result->size >= sizeof head) {
        memcpy(&head, result->bytes, sizeof head);
        made = (struct session_made){.bytes = result->bytes + sizeof head,
                                     .size = result->size - sizeof head,
                                     .cause = "",
                                     .changed = head.changed,
                                     .rated = head.rated,
                                     .taken_back = head.taken_back,
                                     .old_rating = head.old_rating,
                                     .read = head.read};
    }
    return all->done(all->context, (size_t)result->tag, &made, err);
}

bool session_errands(struct session *s, struct worker_pool *workers, const struct session_errand *errands,
                     size_t n, session_errand_done *done, void *context, struct err *err)
{
    struct errands all = {s, errands, done, context};
    const struct pump pump = {s, workers, &all, submit_errand, take_errand};
    return pump_run(&pump, n, err);
}
