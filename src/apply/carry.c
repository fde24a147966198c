#include "carry.h"

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdio.h>

#include "journal.h"
#include "look.h"
#include "step.h"

enum { TEMP_NAME_SIZE = 64, TRIES = 2 };

/* Only this run can have made a file of this name: it carries the run's number and the file's. */
static void temp_name(const struct act *act, const struct run_file *file, char out[TEMP_NAME_SIZE])
{
    (void)snprintf(out, TEMP_NAME_SIZE, ".chaffinch-%04" PRIu32 "-%zu.part", act->run->number,
                   (size_t)(file - act->run->files));
}

bool carry_drop_temp(struct act *act, const struct run_file *file, struct err *err)
{
    char temp[TEMP_NAME_SIZE];
    struct err trouble = ERR_INIT;
    temp_name(act, file, temp);
    if (file->to_fd < 0 || step_remove(act, file->to_fd, temp, &trouble) || trouble.code == ERR_NOT_FOUND)
        return true;
    if (err != NULL)
        *err = trouble;
    return false;
}

/* A file that cannot be read is left; it is no reason to stop. */
static bool read_some(struct act *act, int fd, size_t *got, const char *shown, struct err *err)
{
    struct err trouble = ERR_INIT;
    if (files_read_full(act->fs, fd, act->buffer, ACT_BUFFER_BYTES, got, shown, &trouble))
        return true;
    trouble.sys = 0;
    if (err != NULL)
        *err = trouble;
    return false;
}

/* Reads from `from` to its end, hashes, and writes to `to` unless that is -1. */
static bool pump(struct act *act, int from, int to, const char *shown, struct hash_digest *digest,
                 struct err *err)
{
    size_t got;
    hash_reset(act->hash);
    do {
        if (!act_go_on(act, err) || !read_some(act, from, &got, shown, err) ||
            (to >= 0 && !files_write_full(act->fs, to, act->buffer, got, shown, err)))
            return false;
        hash_update(act->hash, act->buffer, got);
    } while (got == ACT_BUFFER_BYTES);
    hash_digest(act->hash, digest);
    return true;
}

static bool differs(const char *name, const char *what, struct err *err)
{
    char safe[300];
    return err_set(err, ERR_FILE, "%s '%s' does not hold the bytes that were planned", what,
                   err_escape(safe, sizeof safe, name));
}

bool carry_verify(struct act *act, const struct run_file *file, int dir, const char *name, struct err *err)
{
    struct hash_digest digest;
    struct stat st;
    int fd = files_open_regular(act->fs, dir, name, &st, name, err);
    if (fd < 0)
        return false;
    /* Bytes in the cache prove nothing about the disk. The advice is a hint; tmpfs has nothing to drop. */
    (void)act->fs->fadvise(act->fs->context, fd, 0, 0, POSIX_FADV_DONTNEED);
    bool ok = pump(act, fd, -1, name, &digest, err);
    files_drop(act->fs, fd);
    if (!ok)
        return false;
    return ((uint64_t)st.st_size == file->size && hash_equal(&digest, &file->digest)) ||
           differs(name, "the file", err);
}

/* The copy gets the source's bits and time. A file system that keeps no permissions is no reason to fail. */
static bool dress(struct act *act, const struct run_file *file, int fd, const struct stat *source,
                  struct err *err)
{
    const struct files *fs = act->fs;
    struct timespec times[2] = {source->st_atim,
                                {.tv_sec = (time_t)(file->restore_ns / 1000000000),
                                 .tv_nsec = (long)(file->restore_ns % 1000000000)}};
    if (times[1].tv_nsec < 0) {
        times[1].tv_nsec += 1000000000;
        times[1].tv_sec--;
    }
    (void)fs->fchmod(fs->context, fd, source->st_mode & 07777);
    return fs->futimens(fs->context, fd, times) == 0 || err_sys(err, "set the time of", file->to_name);
}

static bool fill_temp(struct act *act, struct run_file *file, int from, int to, const struct stat *source,
                      struct err *err)
{
    struct hash_digest digest;
    if (!pump(act, from, to, file->to_name, &digest, err))
        return false;
    if (!hash_equal(&digest, &file->digest))
        return differs(file->from_name, "the file", err);
    return dress(act, file, to, source, err) && files_sync(act->fs, to, file->to_name, err);
}

static bool make_temp(struct act *act, struct run_file *file, const char *temp, struct err *err)
{
    const struct files *fs = act->fs;
    struct stat source, copy;
    bool ok = false;
    int to = -1;
    int from = files_open_regular(fs, file->from_fd, file->from_name, &source, file->from_name, err);
    if (from < 0 || !carry_drop_temp(act, file, err))
        goto out;
    to = files_open(fs, file->to_fd, temp, O_RDWR | O_CREAT | O_EXCL, 0666, file->to_name, err);
    if (to < 0 || !fill_temp(act, file, from, to, &source, err))
        goto out;
    if (fs->fstat(fs->context, to, &copy) != 0) {
        err_sys(err, "look at", file->to_name);
        goto out;
    }
    file->copied_ns = files_time_ns(&copy.st_mtim);
    ok = carry_verify(act, file, file->to_fd, temp, err);
out:
    files_drop(fs, from);
    files_drop(fs, to);
    return ok;
}

/* A copy that could not be synced or does not read back is thrown away and made anew: after a failed fsync
   the kernel may have marked the pages clean, so a second fsync would prove nothing. */
static bool make_sound_temp(struct act *act, struct run_file *file, const char *temp, struct err *err)
{
    struct err trouble = ERR_INIT;
    for (int i = 0; i < TRIES; i++) {
        trouble = (struct err)ERR_INIT;
        if (make_temp(act, file, temp, &trouble))
            return true;
        (void)carry_drop_temp(act, file, NULL);
        if (trouble.code == ERR_INTERRUPTED || act_hopeless(act, &trouble))
            break;
    }
    if (err != NULL)
        *err = trouble;
    return false;
}

bool carry_copy(struct act *act, struct run_file *file, struct err *err)
{
    char temp[TEMP_NAME_SIZE];
    temp_name(act, file, temp);
    if (!look_source(act, file, err) || !make_sound_temp(act, file, temp, err))
        return false;
    bool ok = journal_copied(act->journal, act->run, file, err);
    if (!ok)
        act->broken = true;
    file->copied = ok;
    if (ok && step_publish(act, file, temp, err)) {
        file->stand = LOOK_COPIED;
        return files_sync(act->fs, file->to_fd, file->to_name, err);
    }
    (void)carry_drop_temp(act, file, NULL);
    return false;
}
