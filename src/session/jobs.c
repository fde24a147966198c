/* The worker's side: foreign bytes in, plain structs and packed grids out. Nothing here outlives a job. */
#include "heat.h"
#include "jobs.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <unistd.h>

#include "chaffinch/measure.h"
#include "chaffinch/session.h"

bool jobs_map(int fd, struct mapped *map, struct err *err)
{
    struct stat st;
    *map = (struct mapped){0};
    if (fstat(fd, &st) != 0)
        return err_sys(err, "look at", "the picture");
    if (st.st_size == 0)
        return err_set(err, ERR_FORMAT, "the file is empty");
    void *at = mmap(NULL, (size_t)st.st_size, PROT_READ, MAP_PRIVATE, fd, 0);
    if (at == MAP_FAILED)
        return err_sys(err, "map", "the picture");
    map->bytes = at;
    map->size = (size_t)st.st_size;
    return true;
}

void jobs_unmap(struct mapped *map)
{
    if (map->bytes != NULL)
        (void)munmap((void *)(uintptr_t)map->bytes, map->size);
}

void jobs_failed(struct worker_reply *reply, const struct err *err)
{
    reply->ok = false;
    (void)snprintf(reply->cause, sizeof reply->cause, "%.*s", (int)sizeof reply->cause - 1, err->message);
}

void jobs_reply(struct worker_reply *reply, const void *head, size_t head_size, const void *tail,
                size_t tail_size)
{
    struct err err = ERR_INIT;
    reply->bytes = malloc(head_size + tail_size);
    if (reply->bytes == NULL) {
        err_nomem(&err);
        jobs_failed(reply, &err);
        return;
    }
    memcpy(reply->bytes, head, head_size);
    if (tail_size > 0)
        memcpy(reply->bytes + head_size, tail, tail_size);
    reply->size = head_size + tail_size;
    reply->ok = true;
}

static size_t least(size_t a, size_t b)
{
    return a < b ? a : b;
}

/* Of a file that cannot be mapped: it keeps its identity, whatever else is not known of it. */
static struct hash_digest fingerprint_read(int fd)
{
    uint8_t head[HASH_FINGERPRINT_BYTES];
    struct stat st;
    size_t got = 0;
    if (fstat(fd, &st) != 0)
        st.st_size = 0;
    for (ssize_t n; got < sizeof head && (n = pread(fd, head + got, sizeof head - got, (off_t)got)) > 0;)
        got += (size_t)n;
    return hash_fingerprint((uint64_t)st.st_size, head, got);
}

static void peek_one(enum frame_file_kind kind, int fd, uint32_t i, struct job_peeked *peeked,
                     bool *have_meta)
{
    struct mapped map;
    struct err err = ERR_INIT;
    struct frame_meta meta = {0};
    if (!jobs_map(fd, &map, &err)) {
        peeked->fingerprint[i] = fingerprint_read(fd);
    } else {
        peeked->fingerprint[i] =
            hash_fingerprint(map.size, map.bytes, least(map.size, HASH_FINGERPRINT_BYTES));
        peeked->readable[i] = frame_peek(kind, map.bytes, map.size, &meta, &err);
    }
    (void)snprintf(peeked->cause[i], sizeof peeked->cause[i], "%.*s", (int)sizeof peeked->cause[i] - 1,
                   err.message);
    if (peeked->readable[i] && (!*have_meta || (meta.has_time && !peeked->meta.has_time))) {
        peeked->meta = meta;
        *have_meta = true;
    }
    jobs_unmap(&map);
}

static void run_peek(const struct job_request *request, const int *fds, struct worker_reply *reply)
{
    struct job_peeked peeked;
    bool have_meta = false;
    memset(&peeked, 0, sizeof peeked);
    peeked.meta.orientation = 1;
    for (uint32_t i = 0; i < request->n; i++)
        peek_one((enum frame_file_kind)request->kind[i], fds[i], i, &peeked, &have_meta);
    jobs_reply(reply, &peeked, sizeof peeked, NULL, 0);
}

static bool sink_begin(void *context, const struct decode_source *source, struct err *err)
{
    struct measure **m = context;
    *m = measure_new_packing(MEASURE_PATH_BEST, source->width_px, source->height_px,
                             measure_cell_px(source->width_px), err);
    return *m != NULL;
}

static void sink_row(void *context, const uint8_t *luma)
{
    struct measure **m = context;
    measure_row(*m, luma);
}

static uint8_t *sink_place(void *context, uint32_t ahead)
{
    struct measure **m = context;
    return measure_place(*m, ahead);
}

static void sink_placed(void *context, uint32_t rows)
{
    struct measure **m = context;
    measure_placed(*m, rows);
}

_Static_assert((int)MEASURE_PLACES >= (int)DECODE_PLACES,
               "a measure has a place for each row that is made ahead");

static bool measure_bytes(enum frame_file_kind kind, const struct mapped *map, struct decode_source *source,
                          uint8_t **packed, size_t *size, struct err *err)
{
    struct measure *m = NULL;
    struct decode_sink sink = {
        .context = &m, .begin = sink_begin, .row = sink_row, .place = sink_place, .placed = sink_placed};
    enum decode_kind as = kind == FRAME_RAW ? DECODE_RAW : DECODE_JPEG;
    if (!decode_luma(as, map->bytes, map->size, &sink, source, err)) {
        measure_free(m);
        return false;
    }
    return measure_finish_packed(m, packed, size, err);
}

struct part_sink {
    struct measure *measure;
    uint32_t px[4], cell_px;
};

static bool part_begin(void *context, const struct decode_source *source, struct err *err)
{
    struct part_sink *p = context;
    (void)source;
    p->measure = measure_new_packing(MEASURE_PATH_BEST, p->px[2], p->px[3], p->cell_px, err);
    return p->measure != NULL;
}

static void part_row(void *context, const uint8_t *luma)
{
    struct part_sink *p = context;
    measure_row(p->measure, luma);
}

static bool measure_part(const struct job_part *wanted, const struct mapped *map, struct job_measured *head,
                         uint8_t **packed, size_t *size, struct err *err)
{
    struct part_sink into = {.cell_px = measure_cell_px(wanted->width_px)};
    struct decode_sink sink = {.context = &into, .begin = part_begin, .row = part_row};
    struct grid_window around = {0};
    struct grid_part part = {.width_px = wanted->width_px,
                             .height_px = wanted->height_px,
                             .cell_px = into.cell_px,
                             .cols = (wanted->width_px + into.cell_px - 1) / into.cell_px,
                             .rows = (wanted->height_px + into.cell_px - 1) / into.cell_px,
                             .window = wanted->window,
                             .subject = wanted->subject,
                             .gain = wanted->gain};
    bool any = wanted->window.cols > 0;
    if (any)
        around = measure_window_px(wanted->width_px, wanted->height_px, &wanted->window, into.px);
    if (!decode_luma_box(map->bytes, map->size, into.px, &sink, &head->source, err)) {
        measure_free(into.measure);
        return false;
    }
    head->decoded = (float)(part.window.cols * part.window.rows) / (float)((uint64_t)part.cols * part.rows);
    return measure_finish_part(into.measure, &around, &part, packed, size, err);
}

/* The size that the part was planned for; another one means that the plan was made for another picture. */
static bool part_fits(const struct job_part *part, const struct mapped *map)
{
    uint32_t width = 0, height = 0;
    struct err ignored = ERR_INIT;
    return part->wanted && decode_jpeg_size(map->bytes, map->size, &width, &height, &ignored) &&
           width == part->width_px && height == part->height_px;
}

static bool measure_one(enum frame_file_kind kind, const struct job_part *part, int fd,
                        struct job_measured *head, uint8_t **packed, size_t *size, struct err *err)
{
    struct mapped map;
    if (!jobs_map(fd, &map, err))
        return false;
    head->decoded = 1;
    bool ok = kind == FRAME_JPEG && part_fits(part, &map)
                  ? measure_part(part, &map, head, packed, size, err)
                  : measure_bytes(kind, &map, &head->source, packed, size, err);
    jobs_unmap(&map);
    return ok;
}

static const char *kind_word(uint32_t kind)
{
    return kind == FRAME_RAW ? "raw" : "JPEG";
}

static void run_measure(const struct job_request *request, const int *fds, struct worker_reply *reply)
{
    struct job_measured head;
    struct err first = ERR_INIT;
    memset(&head, 0, sizeof head);
    for (uint32_t i = 0; i < request->n; i++) {
        struct err err = ERR_INIT;
        uint8_t *packed = NULL;
        size_t size = 0;
        const struct job_part whole = {.wanted = false};
        if (measure_one((enum frame_file_kind)request->kind[i], i == 0 ? &request->part : &whole, fds[i],
                        &head, &packed, &size, &err)) {
            head.picture = i;
            jobs_reply(reply, &head, sizeof head, packed, size);
            free(packed);
            return;
        }
        if (i == 0) {
            first = err;
            (void)snprintf(head.warning, sizeof head.warning, "the %s cannot be read: %.*s",
                           kind_word(request->kind[i]), 160, err.message);
        }
    }
    if (request->n == 0)
        err_set(&first, ERR_FORMAT, "no picture that can be decoded");
    jobs_failed(reply, &first);
}

static void run_crop(const struct job_crop_request *request, int fd, struct worker_reply *reply)
{
    struct err err = ERR_INIT;
    struct mapped map;
    struct decode_picture picture = {0};
    uint8_t *jpeg = NULL;
    size_t size = 0;
    enum decode_kind as = request->kind == FRAME_RAW ? DECODE_RAW : DECODE_JPEG;
    if (!jobs_map(fd, &map, &err)) {
        jobs_failed(reply, &err);
        return;
    }
    if (decode_crop(as, map.bytes, map.size, request->box, request->max_edge_px, request->orientation,
                    &picture, &err) &&
        decode_encode_jpeg(&picture, request->quality, &jpeg, &size, &err)) {
        struct job_cropped head = {picture.width_px, picture.height_px};
        jobs_reply(reply, &head, sizeof head, jpeg, size);
    } else
        jobs_failed(reply, &err);
    free(jpeg);
    decode_picture_release(&picture);
    jobs_unmap(&map);
}

void session_worker(uint32_t kind, const uint8_t *request, size_t size, const int *fds, size_t n_fds,
                    struct worker_reply *reply)
{
    struct job_request pictures;
    struct job_crop_request crop;
    struct job_picture_request picture;
    struct err err = ERR_INIT;
    if (kind == JOB_MARK || kind == JOB_DRESS || kind == JOB_CUT) {
        jobs_errand(kind, request, size, fds, n_fds, reply);
        return;
    }
    if (kind == JOB_HEAT && n_fds == 1) {
        heat_job(request, size, fds[0], reply);
        return;
    }
    if (kind == JOB_CROP && size == sizeof crop && n_fds == 1) {
        memcpy(&crop, request, sizeof crop);
        run_crop(&crop, fds[0], reply);
        return;
    }
    if (kind == JOB_PICTURE && size == sizeof picture) {
        memcpy(&picture, request, sizeof picture);
        if (picture.n > 0 && picture.n == n_fds && n_fds <= JOB_PICTURES) {
            jobs_picture(&picture, fds, reply);
            return;
        }
    }
    if (kind == JOB_THUMB && n_fds == 1) {
        jobs_thumb(fds[0], reply);
        return;
    }
    if ((kind == JOB_PEEK || kind == JOB_MEASURE) && size == sizeof pictures) {
        memcpy(&pictures, request, sizeof pictures);
        if (pictures.n == n_fds && n_fds <= JOB_PICTURES) {
            if (kind == JOB_PEEK)
                run_peek(&pictures, fds, reply);
            else
                run_measure(&pictures, fds, reply);
            return;
        }
    }
    err_set(&err, ERR_FORMAT, "the worker does not know this job");
    jobs_failed(reply, &err);
}
