/* The worker's side of looking at thumbnails: one read of the head of a JPEG, its thumbnail as luma. */
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "jobs.h"

static bool read_head(int fd, uint8_t *bytes, size_t *got, struct err *err)
{
    *got = 0;
    while (*got < JOB_HEAD_BYTES) {
        ssize_t n = pread(fd, bytes + *got, JOB_HEAD_BYTES - *got, (off_t)*got);
        if (n < 0 && errno == EINTR)
            continue;
        if (n < 0)
            return err_sys(err, "read", "the picture");
        if (n == 0)
            break;
        *got += (size_t)n;
    }
    return true;
}

struct thumb_sink {
    struct job_thumb head;
    uint8_t *luma;
    uint32_t rows;
};

static bool thumb_begin(void *context, const struct decode_source *source, struct err *err)
{
    struct thumb_sink *t = context;
    t->head.cols = source->width_px;
    t->head.rows = source->height_px;
    if (source->width_px > 640 || source->height_px > 640)
        return err_set(err, ERR_FORMAT, "the thumbnail is %u x %u px", source->width_px, source->height_px);
    t->luma = malloc((size_t)source->width_px * source->height_px);
    return t->luma != NULL || err_nomem(err);
}

static void thumb_row(void *context, const uint8_t *luma)
{
    struct thumb_sink *t = context;
    memcpy(t->luma + (size_t)t->rows++ * t->head.cols, luma, t->head.cols);
}

void jobs_thumb(int fd, struct worker_reply *reply)
{
    struct err err = ERR_INIT;
    struct thumb_sink into = {.luma = NULL};
    struct decode_sink sink = {.context = &into, .begin = thumb_begin, .row = thumb_row};
    struct frame_meta meta = {0};
    struct decode_source source;
    size_t got = 0;
    uint8_t *bytes = malloc(JOB_HEAD_BYTES);
    bool ok = (bytes != NULL || err_nomem(&err)) && read_head(fd, bytes, &got, &err) &&
              frame_peek(FRAME_JPEG, bytes, got, &meta, &err) &&
              decode_jpeg_size(bytes, got, &into.head.width_px, &into.head.height_px, &err);
    if (ok && (meta.thumb_size == 0 || meta.thumb_offset > got || meta.thumb_size > got - meta.thumb_offset))
        ok = err_set(&err, ERR_FORMAT, "no thumbnail");
    ok = ok && decode_luma(DECODE_JPEG, bytes + meta.thumb_offset, meta.thumb_size, &sink, &source, &err);
    if (ok)
        jobs_reply(reply, &into.head, sizeof into.head, into.luma, (size_t)into.head.cols * into.head.rows);
    else
        jobs_failed(reply, &err);
    free(into.luma);
    free(bytes);
}
