/* Crops for the sheet and the page: decoded and encoded in workers. */
#include "chaffinch/session.h"

#include <stdlib.h>
#include <string.h>

#include "chaffinch/frame.h"
#include "jobs.h"
#include "pump.h"

struct crops {
    struct session *s;
    const struct session_crop *crop;
    session_crop_done *done;
    void *context;
};

struct source {
    char *path;
    uint32_t kind;
    uint32_t orientation;
};

static bool find_source(void *context, const struct catalogue_file *file, struct err *err)
{
    struct source *source = context;
    bool jpeg = strcmp(file->kind, "jpeg") == 0;
    if (file->missing || (!jpeg && (strcmp(file->kind, "raw") != 0 || source->path != NULL)))
        return true;
    char *path = strdup(file->path);
    if (path == NULL)
        return err_nomem(err);
    free(source->path);
    source->path = path;
    source->kind = jpeg ? FRAME_JPEG : FRAME_RAW;
    return true;
}

static bool find_orientation(void *context, const struct catalogue_row *row, struct err *err)
{
    struct source *source = context;
    (void)err;
    source->orientation = (uint32_t)row->frame.orientation;
    return true;
}

static bool submit_source(struct crops *crops, struct worker_pool *workers, size_t i,
                          const struct source *source, struct err *err)
{
    const struct files *fs = crops->s->root.fs;
    const struct session_crop *crop = &crops->crop[i];
    struct job_crop_request request = {.kind = source->kind,
                                       .max_edge_px = crop->max_edge_px,
                                       .orientation = source->orientation,
                                       .quality = crop->quality};
    memcpy(request.box, crop->box, sizeof request.box);
    int fd = source->path[0] == '/'
                 ? files_open_regular(fs, crops->s->root.fd, source->path, NULL, source->path, err)
                 : files_open_path(fs, crops->s->root.fd, source->path, NULL, err);
    if (fd < 0)
        return false;
    struct worker_job job = {.tag = i,
                             .kind = JOB_CROP,
                             .request = (const uint8_t *)&request,
                             .size = sizeof request,
                             .fds = {fd},
                             .n_fds = 1};
    bool ok = worker_submit(workers, &job, err);
    files_drop(fs, fd);
    return ok;
}

static bool submit_crop(void *context, struct worker_pool *workers, size_t i, struct err *err)
{
    struct crops *crops = context;
    struct source source = {.orientation = 1};
    struct err trouble = ERR_INIT;
    const struct catalogue_filter one = {.frame = crops->crop[i].frame, .with_missing = true};
    bool ok = catalogue_each_file(crops->s->catalogue, crops->crop[i].frame, find_source, &source, err) &&
              catalogue_each_row(crops->s->catalogue, &one, find_orientation, &source, err);
    if (ok && source.path == NULL)
        err_set(&trouble, ERR_FORMAT, "no picture that can be decoded");
    if (ok && (source.path == NULL || !submit_source(crops, workers, i, &source, &trouble)))
        ok = crops->done(crops->context, i, NULL, 0, 0, 0, trouble.message, err);
    free(source.path);
    return ok;
}

static bool take_crop(void *context, const struct worker_result *result, struct err *err)
{
    struct crops *crops = context;
    struct job_cropped head;
    if (!result->ok || result->size <= sizeof head)
        return crops->done(crops->context, (size_t)result->tag, NULL, 0, 0, 0, result->cause, err);
    memcpy(&head, result->bytes, sizeof head);
    return crops->done(crops->context, (size_t)result->tag, result->bytes + sizeof head,
                       result->size - sizeof head, head.width_px, head.height_px, "", err);
}

bool session_crops(struct session *s, struct worker_pool *workers, const struct session_crop *crops, size_t n,
                   session_crop_done *done, void *context, struct err *err)
{
    struct crops all = {s, crops, done, context};
    const struct pump pump = {s, workers, &all, submit_crop, take_crop};
    return pump_run(&pump, n, err);
}
