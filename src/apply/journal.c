#include "journal.h"

#include <inttypes.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/publish.h"

enum { JOURNAL_FORMAT = 1, MAX_FIELDS = 16, NUMBER_SIZE = 24, NAME_SIZE = 40 };

static void log_name(char out[NAME_SIZE], uint32_t number, const char *ending)
{
    (void)snprintf(out, NAME_SIZE, JOURNAL_FOLDER "/%04" PRIu32 ".%s", number, ending);
}

/* ---- writing ------------------------------------------------------------------------------------------- */

/* A record under construction; numbers are written into `digits`, so that a mark needs no memory of ours. */
struct record {
    const char *field[MAX_FIELDS];
    char digits[MAX_FIELDS][NUMBER_SIZE];
    size_t n;
};

static void add_text(struct record *r, const char *text)
{
    r->field[r->n++] = text;
}

static void add_number(struct record *r, int64_t value)
{
    (void)snprintf(r->digits[r->n], NUMBER_SIZE, "%" PRId64, value);
    r->field[r->n] = r->digits[r->n];
    r->n++;
}

static void add_unsigned(struct record *r, uint64_t value)
{
    (void)snprintf(r->digits[r->n], NUMBER_SIZE, "%" PRIu64, value);
    r->field[r->n] = r->digits[r->n];
    r->n++;
}

static void add_index(struct record *r, uint32_t index)
{
    if (index == RUN_NONE)
        add_text(r, "-");
    else
        add_unsigned(r, index);
}

static bool write_record(struct textlog *log, const struct record *r, struct err *err)
{
    return textlog_write(log, r->field, r->n, err);
}

static bool write_head(struct textlog *log, const struct run *run, struct err *err)
{
    struct record r = {.n = 0};
    add_text(&r, "run");
    add_unsigned(&r, JOURNAL_FORMAT);
    add_unsigned(&r, run->number);
    add_text(&r, run_kind_name(run->kind));
    add_unsigned(&r, run->undoes);
    add_number(&r, run->time_s);
    add_unsigned(&r, run->count);
    bool ok = write_record(log, &r, err);
    for (size_t i = 0; ok && i < run->n_places; i++) {
        r.n = 0;
        add_text(&r, "place");
        add_unsigned(&r, i);
        add_text(&r, run->places[i].path);
        ok = write_record(log, &r, err);
    }
    return ok;
}

static bool write_folder(struct textlog *log, size_t index, const struct run_folder *f, struct err *err)
{
    struct record r = {.n = 0};
    add_text(&r, "folder");
    add_unsigned(&r, index);
    add_unsigned(&r, f->place);
    add_text(&r, f->path);
    add_text(&r, f->made ? "made" : "there");
    add_number(&r, f->before_ns);
    if (f->restores)
        add_number(&r, f->restore_ns);
    else
        add_text(&r, "-");
    return write_record(log, &r, err);
}

static bool write_file(struct textlog *log, size_t index, const struct run_file *f, struct err *err)
{
    struct record r = {.n = 0};
    char digest[HASH_TEXT_SIZE];
    add_text(&r, "file");
    add_unsigned(&r, index);
    add_text(&r, f->picture ? "picture" : "companion");
    add_unsigned(&r, f->from_folder);
    add_text(&r, f->from_name);
    add_index(&r, f->to_folder);
    add_text(&r, f->to_name);
    add_unsigned(&r, f->size);
    add_number(&r, f->mtime_ns);
    add_number(&r, f->restore_ns);
    add_index(&r, f->device_place);
    add_unsigned(&r, f->device);
    add_unsigned(&r, f->inode);
    add_text(&r, hash_text(&f->digest, digest));
    return write_record(log, &r, err);
}

static bool write_frame(struct textlog *log, const struct run *run, size_t index, struct err *err)
{
    const struct run_frame *frame = &run->frames[index];
    struct record r = {.n = 0};
    add_text(&r, "frame");
    add_unsigned(&r, index);
    add_text(&r, frame->label);
    bool ok = write_record(log, &r, err);
    for (size_t i = 0; ok && i < frame->n; i++)
        ok = write_file(log, frame->first + i, &run->files[frame->first + i], err);
    return ok;
}

static bool write_all(struct textlog *log, const struct run *run, struct err *err)
{
    bool ok = write_head(log, run, err);
    for (size_t i = 0; ok && i < run->n_folders; i++)
        ok = write_folder(log, i, &run->folders[i], err);
    for (size_t i = 0; ok && i < run->n_frames; i++)
        ok = write_frame(log, run, i, err);
    struct record r = {.n = 0};
    add_text(&r, "planned");
    add_unsigned(&r, run->n_frames);
    add_unsigned(&r, run->n_files);
    return ok && write_record(log, &r, err);
}

bool journal_drop_unfinished(const struct root *root, uint32_t number, struct err *err)
{
    char name[NAME_SIZE];
    log_name(name, number, "new");
    return publish_drop(root, name, err);
}

bool journal_write_plan(const struct root *root, const struct run *run, struct err *err)
{
    const struct files *fs = root->fs;
    char temp[NAME_SIZE], name[NAME_SIZE], shown[NAME_SIZE + sizeof ROOT_STATE];
    log_name(temp, run->number, "new");
    log_name(name, run->number, "log");
    (void)snprintf(shown, sizeof shown, ROOT_STATE "/%s", name);
    if (!publish_drop(root, temp, err))
        return false;
    struct textlog *log = textlog_open(root, temp, err);
    if (log == NULL)
        return false;
    bool ok = write_all(log, run, err) && textlog_sync(log, err);
    textlog_discard(log);
    int folder = ok ? files_open_folder(fs, root->state, JOURNAL_FOLDER, false, err) : -1;
    ok = folder >= 0 && publish_new(root, temp, folder, name + sizeof JOURNAL_FOLDER, shown, err) &&
         files_sync(fs, folder, name, err);
    files_drop(fs, folder);
    if (!ok)
        (void)publish_drop(root, temp, NULL);
    return ok;
}

struct textlog *journal_open(const struct root *root, uint32_t number, struct err *err)
{
    char name[NAME_SIZE];
    log_name(name, number, "log");
    return textlog_open(root, name, err);
}

static size_t index_of_file(const struct run *run, const struct run_file *file)
{
    return (size_t)(file - run->files);
}

static bool write_now(struct textlog *log, const struct record *r, struct err *err)
{
    return write_record(log, r, err) && textlog_sync(log, err);
}

bool journal_reserved(struct textlog *log, const struct run *run, const struct run_file *file,
                      struct err *err)
{
    struct record r = {.n = 0};
    add_text(&r, "reserved");
    add_unsigned(&r, index_of_file(run, file));
    return write_now(log, &r, err);
}

bool journal_copied(struct textlog *log, const struct run *run, const struct run_file *file, struct err *err)
{
    struct record r = {.n = 0};
    add_text(&r, "copied");
    add_unsigned(&r, index_of_file(run, file));
    add_number(&r, file->copied_ns);
    return write_now(log, &r, err);
}

bool journal_removing(struct textlog *log, const struct run *run, const struct run_frame *frame,
                      struct err *err)
{
    struct record r = {.n = 0};
    add_text(&r, "removing");
    add_unsigned(&r, (uint64_t)(frame - run->frames));
    return write_now(log, &r, err);
}

static bool write_left(struct textlog *log, const struct run *run, const struct run_frame *frame,
                       struct err *err)
{
    struct record r = {.n = 0};
    char few[64];
    char *letters = frame->n < sizeof few ? few : malloc(frame->n + 1);
    if (letters == NULL)
        return err_nomem(err);
    for (size_t i = 0; i < frame->n; i++)
        letters[i] = (char)run->files[frame->first + i].where;
    letters[frame->n] = '\0';
    add_text(&r, "left");
    add_unsigned(&r, (uint64_t)(frame - run->frames));
    add_text(&r, letters);
    add_text(&r, frame->cause != NULL ? frame->cause : "");
    bool ok = write_record(log, &r, err);
    if (letters != few)
        free(letters);
    return ok;
}

bool journal_batch(struct textlog *log, const struct run *run, uint32_t batch, struct err *err)
{
    bool ok = true;
    for (size_t i = 0; ok && i < run->n_frames; i++)
        if (run->frames[i].batch == batch && run->frames[i].state == FRAME_LEFT)
            ok = write_left(log, run, &run->frames[i], err);
    struct record r = {.n = 0};
    add_text(&r, "done");
    add_unsigned(&r, batch);
    return ok && write_now(log, &r, err);
}

bool journal_resumed(struct textlog *log, struct err *err)
{
    const char *const field[] = {"resumed"};
    return textlog_write(log, field, 1, err);
}

bool journal_end(struct textlog *log, const struct run *run, struct err *err)
{
    bool ok = true;
    struct record r;
    for (size_t i = 0; ok && i < run->n_folders; i++) {
        if (!run->folders[i].has_after)
            continue;
        r.n = 0;
        add_text(&r, "after");
        add_unsigned(&r, i);
        add_number(&r, run->folders[i].after_ns);
        ok = write_record(log, &r, err);
    }
    r.n = 0;
    add_text(&r, "end");
    add_unsigned(&r, run->left);
    return ok && write_now(log, &r, err);
}

/* ---- reading ------------------------------------------------------------------------------------------- */

struct reader {
    struct run *run;
    uint32_t number;
    bool planned;
};

/* One parser a record: the fields behind its name. False without err: the record makes no sense. */
typedef bool parse_record(struct reader *reader, char *const *f, struct err *err);

static bool number_of(const char *text, int64_t *value)
{
    char *end;
    *value = strtoll(text, &end, 10);
    return *text != '\0' && *end == '\0';
}

static bool unsigned_of(const char *text, uint64_t *value)
{
    char *end;
    *value = strtoull(text, &end, 10);
    return *text != '\0' && *text != '-' && *end == '\0';
}

/* An index below n. */
static bool index_of(const char *text, size_t n, uint32_t *index)
{
    uint64_t value;
    if (!unsigned_of(text, &value) || value >= n)
        return false;
    *index = (uint32_t)value;
    return true;
}

static bool parse_run(struct reader *reader, char *const *f, struct err *err)
{
    struct run *run = reader->run;
    uint64_t format, number, undoes;
    (void)err;
    if (!unsigned_of(f[0], &format) || format != JOURNAL_FORMAT || !unsigned_of(f[1], &number) ||
        number != reader->number || !run_kind_parse(f[2], &run->kind) || !unsigned_of(f[3], &undoes) ||
        !number_of(f[4], &run->time_s) || !unsigned_of(f[5], &run->count))
        return false;
    run->number = (uint32_t)number;
    run->undoes = (uint32_t)undoes;
    return true;
}

static bool parse_place(struct reader *reader, char *const *f, struct err *err)
{
    uint64_t index;
    return unsigned_of(f[0], &index) && index == reader->run->n_places &&
           run_add_place(reader->run, f[1], err) == index;
}

static bool parse_folder(struct reader *reader, char *const *f, struct err *err)
{
    struct run *run = reader->run;
    uint64_t index;
    uint32_t place;
    int64_t before, restore = 0;
    bool restores = strcmp(f[5], "-") != 0;
    if (!unsigned_of(f[0], &index) || index != run->n_folders || !index_of(f[1], run->n_places, &place) ||
        !number_of(f[4], &before) || (restores && !number_of(f[5], &restore)) ||
        run_add_folder(run, place, f[2], err) != index)
        return false;
    struct run_folder *folder = &run->folders[index];
    folder->made = strcmp(f[3], "made") == 0;
    folder->before_ns = before;
    folder->restores = restores;
    folder->restore_ns = restore;
    return true;
}

static bool parse_frame(struct reader *reader, char *const *f, struct err *err)
{
    uint64_t index;
    return unsigned_of(f[0], &index) && index == reader->run->n_frames &&
           run_add_frame(reader->run, f[1], err) != NULL;
}

static bool parse_file(struct reader *reader, char *const *f, struct err *err)
{
    struct run *run = reader->run;
    struct run_file file = {.picture = strcmp(f[1], "picture") == 0,
                            .from_name = f[3],
                            .to_name = f[5],
                            .to_folder = RUN_NONE,
                            .device_place = RUN_NONE};
    uint64_t index;
    bool ok = run->n_frames > 0 && unsigned_of(f[0], &index) && index == run->n_files &&
              index_of(f[2], run->n_folders, &file.from_folder) &&
              (strcmp(f[4], "-") == 0 || index_of(f[4], run->n_folders, &file.to_folder)) &&
              unsigned_of(f[6], &file.size) && number_of(f[7], &file.mtime_ns) &&
              number_of(f[8], &file.restore_ns) &&
              (strcmp(f[9], "-") == 0 || index_of(f[9], run->n_places, &file.device_place)) &&
              unsigned_of(f[10], &file.device) && unsigned_of(f[11], &file.inode) &&
              hash_parse(f[12], &file.digest);
    return ok && run_add_file(run, &file, err);
}

static bool parse_planned(struct reader *reader, char *const *f, struct err *err)
{
    uint64_t frames, n_files;
    (void)err;
    reader->planned = unsigned_of(f[0], &frames) && frames == reader->run->n_frames &&
                      unsigned_of(f[1], &n_files) && n_files == reader->run->n_files;
    run_set_batches(reader->run);
    return reader->planned;
}

static bool parse_reserved(struct reader *reader, char *const *f, struct err *err)
{
    uint32_t file;
    (void)err;
    if (!index_of(f[0], reader->run->n_files, &file))
        return false;
    reader->run->files[file].reserved = true;
    return true;
}

static bool parse_copied(struct reader *reader, char *const *f, struct err *err)
{
    uint32_t file;
    (void)err;
    if (!index_of(f[0], reader->run->n_files, &file) || !number_of(f[1], &reader->run->files[file].copied_ns))
        return false;
    reader->run->files[file].copied = true;
    return true;
}

static bool parse_removing(struct reader *reader, char *const *f, struct err *err)
{
    uint32_t frame;
    (void)err;
    if (!index_of(f[0], reader->run->n_frames, &frame))
        return false;
    reader->run->frames[frame].removing = true;
    return true;
}

static bool parse_left(struct reader *reader, char *const *f, struct err *err)
{
    struct run *run = reader->run;
    uint32_t index;
    if (!index_of(f[0], run->n_frames, &index) || strlen(f[1]) != run->frames[index].n)
        return false;
    struct run_frame *frame = &run->frames[index];
    for (size_t i = 0; i < frame->n; i++) {
        if (strchr("STG", f[1][i]) == NULL)
            return false;
        run->files[frame->first + i].where = (enum run_where)f[1][i];
    }
    frame->state = FRAME_LEFT;
    frame->cause = run_keep(run, f[2], err);
    return frame->cause != NULL;
}

static bool parse_done(struct reader *reader, char *const *f, struct err *err)
{
    struct run *run = reader->run;
    uint32_t batch;
    (void)err;
    if (!index_of(f[0], run->batches, &batch) || batch != run->batches_done)
        return false;
    for (size_t i = (size_t)batch * RUN_BATCH_FRAMES; i < run->n_frames && run->frames[i].batch == batch;
         i++) {
        struct run_frame *frame = &run->frames[i];
        if (frame->state != FRAME_PENDING)
            continue;
        frame->state = FRAME_DONE;
        for (size_t k = 0; k < frame->n; k++)
            run->files[frame->first + k].where = run->kind == RUN_DELETE ? WHERE_GONE : WHERE_TARGET;
    }
    run->batches_done++;
    return true;
}

static bool parse_resumed(struct reader *reader, char *const *f, struct err *err)
{
    struct run *run = reader->run;
    (void)f;
    (void)err;
    for (size_t i = (size_t)run->batches_done * RUN_BATCH_FRAMES; i < run->n_frames; i++) {
        run->frames[i].state = FRAME_PENDING;
        for (size_t k = 0; k < run->frames[i].n; k++)
            run->files[run->frames[i].first + k].where = WHERE_SOURCE;
    }
    return true;
}

static bool parse_after(struct reader *reader, char *const *f, struct err *err)
{
    uint32_t index;
    (void)err;
    if (!index_of(f[0], reader->run->n_folders, &index))
        return false;
    struct run_folder *folder = &reader->run->folders[index];
    folder->has_after = true;
    return number_of(f[1], &folder->after_ns);
}

static bool parse_end(struct reader *reader, char *const *f, struct err *err)
{
    (void)err;
    reader->run->ended = true;
    return unsigned_of(f[0], &reader->run->left);
}

static const struct {
    const char *name;
    size_t n; /* fields behind the name */
    bool plan;
    parse_record *parse;
} records[] = {
    {"run", 6, true, parse_run},
    {"place", 2, true, parse_place},
    {"folder", 6, true, parse_folder},
    {"frame", 2, true, parse_frame},
    {"file", 13, true, parse_file},
    {"planned", 2, true, parse_planned},
    {"reserved", 1, false, parse_reserved},
    {"copied", 2, false, parse_copied},
    {"removing", 1, false, parse_removing},
    {"left", 3, false, parse_left},
    {"done", 1, false, parse_done},
    {"after", 2, false, parse_after},
    {"end", 1, false, parse_end},
    {"resumed", 0, false, parse_resumed},
};

static bool visit_record(void *context, char *const *fields, size_t n, struct err *err)
{
    struct reader *reader = context;
    char safe[100];
    struct err trouble = ERR_INIT;
    for (size_t i = 0; n > 0 && i < sizeof records / sizeof records[0]; i++) {
        if (strcmp(fields[0], records[i].name) != 0)
            continue;
        if (n - 1 == records[i].n && records[i].plan != reader->planned &&
            records[i].parse(reader, fields + 1, &trouble))
            return true;
        break;
    }
    if (trouble.code != ERR_NONE) {
        if (err != NULL)
            *err = trouble;
        return false;
    }
    return err_set(err, ERR_DAMAGED, "the record '%s' makes no sense here",
                   err_escape(safe, sizeof safe, n > 0 ? fields[0] : ""));
}

bool journal_read(const struct root *root, uint32_t number, struct run *run, struct err *err)
{
    char name[NAME_SIZE];
    struct reader reader = {.run = run, .number = number};
    struct err trouble = ERR_INIT;
    log_name(name, number, "log");
    bool ok = textlog_read(root, name, visit_record, &reader, NULL, &trouble);
    if (ok && (!reader.planned || run->number != number))
        ok = err_set(&trouble, ERR_DAMAGED, "the plan is not whole");
    if (ok)
        return true;
    if (trouble.code == ERR_DAMAGED)
        err_wrap(&trouble, "damaged log '" ROOT_STATE "/%s' (keep a copy, no file was touched)", name);
    if (err != NULL)
        *err = trouble;
    return false;
}
