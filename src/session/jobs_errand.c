/* The worker's side of what is handed on: marks merged into XMP, copies dressed, pictures cut. */
#include "jobs.h"

#include <stdlib.h>
#include <string.h>

#include "chaffinch/session.h"

struct errand {
    struct job_errand_request head;
    const char *keyword[JOB_KEYWORDS];
    struct mapped picture, sidecar;
};

static bool unpack(const uint8_t *request, size_t size, size_t n_fds, struct errand *e)
{
    if (size < sizeof e->head)
        return false;
    memcpy(&e->head, request, sizeof e->head);
    const char *at = (const char *)request + sizeof e->head, *end = (const char *)request + size;
    if (e->head.n_keywords > JOB_KEYWORDS || n_fds != (size_t)e->head.has_picture + e->head.has_sidecar)
        return false;
    for (uint32_t i = 0; i < e->head.n_keywords; i++) {
        const char *nul = at < end ? memchr(at, '\0', (size_t)(end - at)) : NULL;
        if (nul == NULL)
            return false;
        e->keyword[i] = at;
        at = nul + 1;
    }
    return true;
}

static bool mark(struct errand *e, const struct frame_marks *marks, struct job_errand *head, struct str *out,
                 struct err *err)
{
    struct frame_marked marked;
    const char *packet = e->head.has_sidecar ? (const char *)e->sidecar.bytes : NULL;
    if (!frame_mark(packet, e->sidecar.size, marks, out, &marked, err))
        return false;
    head->changed = marked.changed;
    head->rated = marked.rated;
    head->taken_back = marked.taken_back;
    head->old_rating = marked.old_rating;
    head->read = hash_of(e->sidecar.bytes, e->sidecar.size);
    return true;
}

static bool dress(struct errand *e, const struct frame_marks *marks, struct str *out, struct err *err)
{
    const struct frame_dress how = {
        .marks = marks,
        .packet = e->head.has_sidecar ? (const char *)e->sidecar.bytes : NULL,
        .packet_size = e->sidecar.size,
        .without_place = e->head.without_place,
    };
    return frame_dress(e->picture.bytes, e->picture.size, NULL, 0, &how, out, err);
}

/* The cut picture, then a thumbnail of it, then the metadata of the original around both. */
static bool cut(struct errand *e, struct str *out, struct err *err)
{
    enum { THUMB_EDGE_PX = 160, THUMB_QUALITY = 80 };
    static const uint32_t whole[4] = {0};
    struct decode_picture small = {0};
    uint8_t *body = NULL, *thumb = NULL;
    size_t size = 0, thumb_size = 0;
    bool ok = decode_cut_jpeg(e->picture.bytes, e->picture.size, e->head.box, &body, &size, err) &&
              decode_crop(DECODE_JPEG, body, size, whole, THUMB_EDGE_PX, 1, &small, err) &&
              decode_encode_jpeg(&small, THUMB_QUALITY, &thumb, &thumb_size, err);
    if (ok) {
        const struct frame_dress how = {.without_place = e->head.without_place,
                                        .width_px = e->head.box[2],
                                        .height_px = e->head.box[3],
                                        .thumb = thumb,
                                        .thumb_size = thumb_size};
        ok = frame_dress(e->picture.bytes, e->picture.size, body, size, &how, out, err);
    }
    free(body);
    free(thumb);
    decode_picture_release(&small);
    return ok;
}

void jobs_errand(uint32_t kind, const uint8_t *request, size_t size, const int *fds, size_t n_fds,
                 struct worker_reply *reply)
{
    struct errand e = {0};
    struct job_errand head;
    struct str out = STR_INIT;
    struct err err = ERR_INIT;
    memset(&head, 0, sizeof head);
    bool ok =
        unpack(request, size, n_fds, &e) || err_set(&err, ERR_FORMAT, "the worker does not know this job");
    ok = ok && (!e.head.has_picture || jobs_map(fds[0], &e.picture, &err)) &&
         (!e.head.has_sidecar || jobs_map(fds[n_fds - 1], &e.sidecar, &err));
    const struct frame_marks marks = {.rating = e.head.rating,
                                      .keywords = e.keyword,
                                      .n_keywords = e.head.n_keywords,
                                      .without_place = e.head.without_place};
    if (ok && kind == JOB_MARK)
        ok = mark(&e, &marks, &head, &out, &err);
    else if (ok && !e.head.has_picture)
        ok = err_set(&err, ERR_FORMAT, "there is no picture");
    else if (ok)
        ok = kind == JOB_DRESS ? dress(&e, &marks, &out, &err) : cut(&e, &out, &err);
    if (ok)
        jobs_reply(reply, &head, sizeof head, out.bytes, out.size);
    else
        jobs_failed(reply, &err);
    str_release(&out);
    jobs_unmap(&e.picture);
    jobs_unmap(&e.sidecar);
}
