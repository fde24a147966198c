/* One file: read once from the card, hashed on the way, written to a temp in each target that lacks it. */
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

#include "chaffinch/publish.h"
#include "job.h"

/* A card that failed this often in a row is broken or gone: no more pauses for it. */
enum { FAILURES_IN_A_ROW = 3 };

bool copier_stopped(const struct copier *c)
{
    return stop_asked(c->stop);
}

bool copy_is_final(const struct err *err)
{
    return err->code == ERR_NO_SPACE || err->code == ERR_NOMEM || err->code == ERR_INTERRUPTED ||
           err->sys == EROFS;
}

void copy_give_up_second(struct copier *c, const struct err *err)
{
    struct target *second = &c->target[1];
    if (second->failed)
        return;
    second->failed = true;
    log_line(c->log, "no second copy from here on: %s", err->message);
}

static void drop_temp(struct copier *c, struct job *job, size_t i)
{
    struct job_temp *temp = &job->temp[i];
    if (!temp->used)
        return;
    files_drop(c->target[i].root->fs, temp->fd);
    temp->fd = -1;
    /* A temp that cannot be removed now is cleared by the next run. */
    (void)publish_drop(c->target[i].root, temp->name, NULL);
    temp->used = false;
}

void copy_drop(struct copier *c, struct job *job)
{
    for (size_t i = 0; i < c->n_targets; i++)
        drop_temp(c, job, i);
}

/* An error of target i: the second is given up, the first ends the attempt. True = go on. */
static bool survive(struct copier *c, struct job *job, size_t i, const struct err *trouble, struct err *err)
{
    if (i > 0) {
        drop_temp(c, job, i);
        copy_give_up_second(c, trouble);
        return true;
    }
    *err = *trouble;
    return false;
}

static bool wanted(const struct copier *c, const struct job *job, size_t i)
{
    return job->need[i] && !c->target[i].failed;
}

static bool open_temps(struct copier *c, struct job *job, struct err *err)
{
    for (size_t i = 0; i < c->n_targets; i++) {
        struct err trouble = ERR_INIT;
        struct job_temp *temp = &job->temp[i];
        if (!wanted(c, job, i))
            continue;
        (void)snprintf(temp->name, sizeof temp->name, TARGET_INCOMING "/%" PRIu64, c->next_temp);
        temp->fd = publish_temp(c->target[i].root, temp->name, &trouble);
        temp->used = temp->fd >= 0;
        if (!temp->used && !survive(c, job, i, &trouble, err))
            return false;
    }
    c->next_temp++;
    return true;
}

static bool write_temps(struct copier *c, struct job *job, size_t size, struct err *err)
{
    for (size_t i = 0; i < c->n_targets; i++) {
        struct err trouble = ERR_INIT;
        struct job_temp *temp = &job->temp[i];
        if (temp->used &&
            !files_write_full(c->target[i].root->fs, temp->fd, c->buffer, size, job->file->path, &trouble) &&
            !survive(c, job, i, &trouble, err))
            return false;
    }
    return true;
}

/* Time and read-only mark. A file system that knows no modes keeps no mark: the copy is good all the same. */
static bool finish_temp(struct copier *c, struct job *job, size_t i, struct err *err)
{
    const struct files *fs = c->target[i].root->fs;
    const int64_t second_ns = 1000000000;
    int64_t s = job->file->mtime_ns / second_ns, ns = job->file->mtime_ns % second_ns;
    struct stat st;
    if (ns < 0) {
        ns += second_ns;
        s--;
    }
    const struct timespec times[2] = {{.tv_nsec = UTIME_OMIT}, {.tv_sec = (time_t)s, .tv_nsec = (long)ns}};
    if (fs->futimens(fs->context, job->temp[i].fd, times) != 0)
        return err_sys(err, "set the time of", job->file->path);
    if (!job->file->read_only)
        return true;
    if (fs->fstat(fs->context, job->temp[i].fd, &st) != 0)
        return err_sys(err, "look at", job->temp[i].name);
    if (fs->fchmod(fs->context, job->temp[i].fd, st.st_mode & 0555) != 0 && errno != EPERM &&
        errno != EOPNOTSUPP && errno != EINVAL)
        return err_sys(err, "protect", job->file->path);
    return true;
}

static bool finish_temps(struct copier *c, struct job *job, struct err *err)
{
    for (size_t i = 0; i < c->n_targets; i++) {
        struct err trouble = ERR_INIT;
        if (job->temp[i].used && !finish_temp(c, job, i, &trouble) && !survive(c, job, i, &trouble, err))
            return false;
    }
    return true;
}

static int open_source(struct copier *c, struct job *job, struct err *err)
{
    struct stat st;
    int fd = files_open_path(c->view, job->card->fd, job->file->path, &st, err);
    if (fd < 0)
        return -1;
    if ((uint64_t)st.st_size != job->file->size || files_time_ns(&st.st_mtim) != job->file->mtime_ns) {
        err_set(err, ERR_FILE, "it changed since the card was looked at: run the same command again");
        files_drop(c->view, fd);
        return -1;
    }
    (void)c->view->fadvise(c->view->context, fd, 0, 0, POSIX_FADV_SEQUENTIAL);
    return fd;
}

/* From the open source to the temps, to its end. */
static enum copied pump(struct copier *c, struct job *job, int fd, struct err *err)
{
    size_t got;
    job->read_bytes = 0;
    hash_reset(c->hash);
    do {
        if (copier_stopped(c))
            return COPIED_STOPPED;
        if (!files_read_full(c->view, fd, c->buffer, READBACK_BYTES, &got, job->file->path, &job->err))
            return COPIED_SOURCE;
        if (job->read_bytes == 0)
            job->fingerprint =
                hash_fingerprint(job->file->size, c->buffer,
                                 got < HASH_FINGERPRINT_BYTES ? got : (size_t)HASH_FINGERPRINT_BYTES);
        hash_update(c->hash, c->buffer, got);
        job->read_bytes += got;
        if (got > 0 && !write_temps(c, job, got, err))
            return COPIED_TARGET;
        log_progress_step(c->log, 0, got);
    } while (got == READBACK_BYTES);
    hash_digest(c->hash, &job->digest);
    if (job->read_bytes != job->file->size) {
        err_set(&job->err, ERR_FILE, "it ends after %" PRIu64 " of %" PRIu64 " bytes", job->read_bytes,
                job->file->size);
        return COPIED_SOURCE;
    }
    return COPIED_OK;
}

static enum copied copy_once(struct copier *c, struct job *job, struct err *err)
{
    job->err = (struct err)ERR_INIT;
    int fd = open_source(c, job, &job->err);
    if (fd < 0)
        return COPIED_SOURCE;
    enum copied result = open_temps(c, job, err) ? pump(c, job, fd, err) : COPIED_TARGET;
    if (result == COPIED_OK && !finish_temps(c, job, err))
        result = COPIED_TARGET;
    if (result == COPIED_SOURCE) /* the next attempt must ask the card, not the cache */
        (void)c->view->fadvise(c->view->context, fd, 0, 0, POSIX_FADV_DONTNEED);
    files_drop(c->view, fd);
    if (result != COPIED_OK)
        copy_drop(c, job);
    return result;
}

static void pause_for(const struct copier *c, const struct card *card)
{
    const struct timespec pause = {.tv_sec = c->retry_pause_ms / 1000,
                                   .tv_nsec = (long)(c->retry_pause_ms % 1000) * 1000000L};
    if (c->retry_pause_ms > 0 && card->failures < FAILURES_IN_A_ROW)
        (void)nanosleep(&pause, NULL);
}

/* Trying again helps a shaky contact, not a file that is gone or has changed. */
static bool try_again(const struct err *err)
{
    return err->code == ERR_IO && err->sys != ENODEV && err->sys != ENXIO;
}

bool copy_concerns_file(const struct err *err)
{
    switch (err->sys) {
    case EINVAL:
    case EILSEQ:
    case ENAMETOOLONG:
    case ENOTDIR:
    case EISDIR:
    case ELOOP:
    case EFBIG:
        return true;
    default:
        return err->code == ERR_FILE || err->code == ERR_REFUSED;
    }
}

enum copied copy_file(struct copier *c, struct job *job, struct err *err)
{
    enum copied result = COPIED_OK;
    struct err trouble = ERR_INIT;
    for (int i = 0; i < JOB_ATTEMPTS; i++) {
        result = copy_once(c, job, &trouble);
        if (result == COPIED_OK || result == COPIED_STOPPED)
            break;
        if (result == COPIED_SOURCE ? !try_again(&job->err) : copy_is_final(&trouble))
            break;
        if (i + 1 < JOB_ATTEMPTS)
            pause_for(c, job->card);
    }
    if (result == COPIED_TARGET && copy_concerns_file(&trouble)) {
        job->err = trouble;
        result = COPIED_SOURCE;
    } else if (result == COPIED_TARGET && err != NULL)
        *err = trouble;
    bool temps = false;
    for (size_t i = 0; i < c->n_targets; i++)
        temps = temps || job->temp[i].used;
    job->state = result != COPIED_OK ? JOB_FAILED : temps ? JOB_COPIED : JOB_READ;
    job->card->failures = result == COPIED_SOURCE ? job->card->failures + 1 : 0;
    return result;
}

enum copied copy_fingerprint(struct copier *c, struct job *job, struct hash_digest *fingerprint)
{
    for (int i = 0; i < JOB_ATTEMPTS; i++) {
        size_t got;
        if (copier_stopped(c))
            return COPIED_STOPPED;
        job->err = (struct err)ERR_INIT;
        int fd = open_source(c, job, &job->err);
        bool ok = fd >= 0 && files_read_full(c->view, fd, c->buffer, HASH_FINGERPRINT_BYTES, &got,
                                             job->file->path, &job->err);
        files_drop(c->view, fd);
        if (ok) {
            *fingerprint = hash_fingerprint(job->file->size, c->buffer, got);
            job->card->failures = 0;
            return COPIED_OK;
        }
        if (!try_again(&job->err))
            break;
        pause_for(c, job->card);
    }
    job->state = JOB_FAILED;
    job->card->failures++;
    return COPIED_SOURCE;
}
