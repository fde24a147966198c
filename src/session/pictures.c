/* Single pictures for the page: submitted and taken by somebody else's loop. */
#include "chaffinch/session.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/frame.h"
#include "jobs.h"

/* Pictures are halved until they fit: a whole one then has 1536 to 3072 px, whatever the camera. */
enum { SMALL_EDGE_PX = 320, WHOLE_EDGE_PX = 3072, PART_EDGE_PX = 1 << 20 };
enum { QUALITY_SMALL = 80, QUALITY_WHOLE = 85, QUALITY_PART = 92 };

struct sources {
    char *path[JOB_PICTURES]; /* of the JPEG, of the raw */
};

static bool find_source(void *context, const struct catalogue_file *file, struct err *err)
{
    struct sources *sources = context;
    size_t i = strcmp(file->kind, "jpeg") == 0 ? 0 : strcmp(file->kind, "raw") == 0 ? 1 : JOB_PICTURES;
    if (file->missing || i == JOB_PICTURES || sources->path[i] != NULL)
        return true;
    sources->path[i] = strdup(file->path);
    return sources->path[i] != NULL || err_nomem(err);
}

/* Inside of the session no link is followed; what apply moved out of it has an absolute path. */
static int open_source(const struct root *root, const char *path, struct err *err)
{
    return path[0] == '/' ? files_open_regular(root->fs, root->fd, path, NULL, path, err)
                          : files_open_path(root->fs, root->fd, path, NULL, err);
}

static void fill_request(struct job_picture_request *request, const struct session_picture *picture)
{
    static const struct {
        uint32_t edge_px;
        int quality;
    } sizes[] = {[SESSION_SMALL] = {SMALL_EDGE_PX, QUALITY_SMALL},
                 [SESSION_WHOLE] = {WHOLE_EDGE_PX, QUALITY_WHOLE},
                 [SESSION_PART] = {PART_EDGE_PX, QUALITY_PART}};
    *request = (struct job_picture_request){.max_edge_px = sizes[picture->size].edge_px,
                                            .thumbnail = picture->size == SESSION_SMALL,
                                            .quality = sizes[picture->size].quality};
    if (picture->size == SESSION_PART)
        memcpy(request->box, picture->box, sizeof request->box);
}

/* Opens what can be opened. The error of the first file is told where none can. */
static void open_sources(const struct root *root, const struct sources *sources,
                         struct job_picture_request *request, struct worker_job *job, struct err *trouble)
{
    for (size_t i = 0; i < JOB_PICTURES; i++) {
        struct err err = ERR_INIT;
        int fd = sources->path[i] != NULL ? open_source(root, sources->path[i], &err) : -1;
        if (fd < 0 && sources->path[i] != NULL && trouble->code == ERR_NONE)
            *trouble = err;
        if (fd < 0)
            continue;
        request->kind[request->n++] = i == 0 ? FRAME_JPEG : FRAME_RAW;
        job->fds[job->n_fds++] = fd;
    }
}

bool session_picture_submit(struct session *s, struct worker_pool *workers, uint64_t tag,
                            const struct session_picture *picture, struct err *err)
{
    struct sources sources = {{NULL}};
    struct job_picture_request request;
    struct err trouble = ERR_INIT;
    struct worker_job job = {
        .tag = tag, .kind = JOB_PICTURE, .request = (const uint8_t *)&request, .size = sizeof request};
    bool ok = catalogue_each_file(s->catalogue, picture->frame, find_source, &sources, err);
    if (ok) {
        fill_request(&request, picture);
        open_sources(&s->root, &sources, &request, &job, &trouble);
        if (job.n_fds > 0)
            ok = worker_submit(workers, &job, err);
        else if (trouble.code != ERR_NONE)
            ok = err_set(err, trouble.code, "%s", trouble.message);
        else
            ok = err_set(err, ERR_FORMAT, "no picture that can be decoded");
    }
    for (size_t i = 0; i < job.n_fds; i++)
        files_drop(s->root.fs, job.fds[i]);
    for (size_t i = 0; i < JOB_PICTURES; i++)
        free(sources.path[i]);
    return ok;
}

bool session_picture_bytes(const struct worker_result *result, const uint8_t **jpeg, size_t *size)
{
    if (!result->ok || result->size <= sizeof(struct job_cropped))
        return false;
    *jpeg = result->bytes + sizeof(struct job_cropped);
    *size = result->size - sizeof(struct job_cropped);
    return true;
}
