/* The worker's side of a picture for the page: thumbnail, whole, or a part at 1:1; stored pixels, no
 * metadata. */
#include <stdlib.h>

#include "chaffinch/worker.h"
#include "jobs.h"

enum { HEAD_BYTES = 256 << 10, THUMBNAIL_MIN_PX = 120 };

/* A thumbnail of the whole picture: of the same shape, and not a stamp. Some cameras put a picture of 3:2
   into one of 4:3 with black bars. */
static bool thumbnail_is_good(uint32_t width_px, uint32_t height_px, const struct decode_picture *thumb)
{
    double shape = (double)width_px / (double)(height_px > 0 ? height_px : 1);
    double own = (double)thumb->width_px / (double)thumb->height_px;
    return thumb->width_px >= THUMBNAIL_MIN_PX && own > shape * .97 && own < shape * 1.03;
}

static bool decode_thumbnail(enum frame_file_kind kind, const struct mapped *map, uint32_t max_edge_px,
                             struct decode_picture *picture)
{
    static const uint32_t whole[4] = {0};
    struct frame_meta meta = {0};
    struct err ignored = ERR_INIT;
    if (kind != FRAME_JPEG ||
        !frame_peek(kind, map->bytes, map->size < HEAD_BYTES ? map->size : HEAD_BYTES, &meta, &ignored) ||
        meta.thumb_size == 0 || meta.thumb_offset > map->size ||
        meta.thumb_size > map->size - meta.thumb_offset ||
        !decode_crop(DECODE_JPEG, map->bytes + meta.thumb_offset, meta.thumb_size, whole, max_edge_px, 1,
                     picture, &ignored))
        return false;
    if (thumbnail_is_good(meta.width_px, meta.height_px, picture))
        return true;
    decode_picture_release(picture);
    return false;
}

static bool show_one(const struct job_picture_request *request, uint32_t i, int fd,
                     struct decode_picture *picture, struct err *err)
{
    struct mapped map;
    enum frame_file_kind kind = (enum frame_file_kind)request->kind[i];
    if (!jobs_map(fd, &map, err))
        return false;
    bool ok = (request->thumbnail != 0 && decode_thumbnail(kind, &map, request->max_edge_px, picture)) ||
              decode_crop(kind == FRAME_RAW ? DECODE_RAW : DECODE_JPEG, map.bytes, map.size, request->box,
                          request->max_edge_px, 1, picture, err);
    jobs_unmap(&map);
    return ok;
}

void jobs_picture(const struct job_picture_request *request, const int *fds, struct worker_reply *reply)
{
    struct err first = ERR_INIT;
    struct decode_picture picture = {0};
    uint8_t *jpeg = NULL;
    size_t size = 0;
    bool ok = false;
    for (uint32_t i = 0; i < request->n && !ok; i++) {
        struct err err = ERR_INIT;
        ok = show_one(request, i, fds[i], &picture, &err);
        if (!ok && i == 0)
            first = err;
    }
    if (ok && decode_encode_jpeg(&picture, request->quality, &jpeg, &size, &first)) {
        struct job_cropped head = {picture.width_px, picture.height_px};
        jobs_reply(reply, &head, sizeof head, jpeg, size);
    } else
        jobs_failed(reply, &first);
    free(jpeg);
    decode_picture_release(&picture);
}
