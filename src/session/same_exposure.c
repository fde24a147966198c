/* Raw on one card, JPEG on the other: one exposure only if body and time agree. The number is the name's,
 * which the caller compared. */
#include <string.h>

#include "chaffinch/card.h"
#include "chaffinch/frame.h"
#include "chaffinch/session.h"
#include "jobs.h"

/* Both files of an exposure carry the same DateTimeOriginal; one of them may lack the sub-seconds. */
#define AGREE_NS INT64_C(1000000000)

static bool peek(struct worker_pool *workers, int fd, const char *path, struct job_peeked *peeked)
{
    struct err err = ERR_INIT;
    struct worker_result result = {0};
    const char *slash = strrchr(path, '/');
    const struct job_request request = {
        .n = 1, .kind = {(uint32_t)frame_kind_of_name(slash != NULL ? slash + 1 : path)}};
    const struct worker_job job = {.kind = JOB_PEEK,
                                   .request = (const uint8_t *)&request,
                                   .size = sizeof request,
                                   .fds = {fd},
                                   .n_fds = 1};
    if (!worker_submit(workers, &job, &err) || !worker_wait(workers, NULL, &result, &err))
        return false;
    bool ok = result.ok && result.size == sizeof *peeked;
    if (ok)
        memcpy(peeked, result.bytes, sizeof *peeked);
    worker_result_release(&result);
    return ok && peeked->readable[0] && peeked->meta.has_time;
}

bool session_peek(struct worker_pool *workers, int fd, const char *path, struct frame_meta *meta,
                  struct err *err)
{
    struct job_peeked peeked;
    char safe[400];
    memset(&peeked, 0, sizeof peeked);
    (void)peek(workers, fd, path, &peeked);
    if (!peeked.readable[0])
        return err_set(err, ERR_FORMAT, "'%s' is no picture that can be read%s%s",
                       err_escape(safe, sizeof safe, path), peeked.cause[0][0] != '\0' ? ": " : "",
                       peeked.cause[0]);
    *meta = peeked.meta;
    return true;
}

static bool same_body(const struct frame_meta *a, const struct frame_meta *b)
{
    if (a->serial[0] != '\0' && b->serial[0] != '\0' && strcmp(a->serial, b->serial) != 0)
        return false;
    return strcmp(a->maker, b->maker) == 0 && strcmp(a->model, b->model) == 0;
}

enum card_same session_same_exposure(void *context, int fd_a, const char *path_a, int fd_b,
                                     const char *path_b)
{
    struct worker_pool *workers = context;
    struct job_peeked a, b;
    if (worker_pending(workers) > 0 || !peek(workers, fd_a, path_a, &a) || !peek(workers, fd_b, path_b, &b))
        return CARD_SAME_UNKNOWN;
    int64_t apart = a.meta.time_ns - b.meta.time_ns;
    return same_body(&a.meta, &b.meta) && apart < AGREE_NS && apart > -AGREE_NS ? CARD_SAME_YES
                                                                                : CARD_SAME_NO;
}
