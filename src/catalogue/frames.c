/* Writing frames, files, and where files lie. */
#include <string.h>

#include "replay.h"
#include "sql.h"

static const char *text_or_empty(const char *text)
{
    return text != NULL ? text : "";
}

static void bind_optional(struct sql *q, bool has, int64_t value)
{
    if (has)
        sql_int(q, value);
    else
        sql_null(q);
}

static void bind_frame(struct sql *q, const struct catalogue_frame *f)
{
    sql_text(q, f->identity);
    sql_text(q, text_or_empty(f->body));
    sql_bytes(q, text_or_empty(f->folder));
    sql_bytes(q, text_or_empty(f->name));
    sql_bytes(q, text_or_empty(f->prefix));
    sql_int(q, f->number);
    sql_int(q, f->folder_number);
    sql_text(q, text_or_empty(f->maker));
    sql_text(q, text_or_empty(f->model));
    sql_text(q, text_or_empty(f->serial));
    sql_text(q, text_or_empty(f->lens));
    bind_optional(q, f->has_time, f->time_ns);
    sql_int(q, f->subsec_digits);
    bind_optional(q, f->has_offset, f->offset_min);
    sql_real(q, f->exposure_s);
    sql_real(q, f->f_number);
    sql_real(q, f->focal_mm);
    sql_real(q, f->iso);
    sql_real(q, f->focus_m);
    sql_int(q, f->orientation);
    sql_int(q, f->width_px);
    sql_int(q, f->height_px);
    sql_int(q, f->rating);
    sql_int(q, f->is_protected);
    sql_int(q, f->sequence);
    sql_int(q, f->burst_group);
}

bool catalogue_put_frame(struct catalogue *c, const struct catalogue_frame *frame, int64_t *id,
                         struct err *err)
{
    struct sql q;
    if (!sql_start(
            c, &q,
            "INSERT INTO frame (identity, body, folder, name, prefix, number, folder_number, maker, model, "
            "serial,"
            " lens, time_ns, subsec_digits, offset_min, exposure_s, f_number, focal_mm, iso, focus_m, "
            "orientation,"
            " width_px, height_px, rating, protected, sequence, burst_group)"
            " VALUES "
            "(?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,?12,?13,?14,?15,?16,?17,?18,?19,?20,?21,?22,?23,?24,?25,"
            "?26) ON CONFLICT (identity) DO UPDATE SET body = excluded.body, folder = excluded.folder,"
            " name = excluded.name, prefix = excluded.prefix, number = excluded.number,"
            " folder_number = excluded.folder_number, maker = excluded.maker, model = excluded.model,"
            " serial = excluded.serial, lens = excluded.lens, time_ns = excluded.time_ns,"
            " subsec_digits = excluded.subsec_digits, offset_min = excluded.offset_min,"
            " exposure_s = excluded.exposure_s, f_number = excluded.f_number, focal_mm = excluded.focal_mm,"
            " iso = excluded.iso, focus_m = excluded.focus_m, orientation = excluded.orientation,"
            " width_px = excluded.width_px, height_px = excluded.height_px, rating = excluded.rating,"
            " protected = excluded.protected, sequence = excluded.sequence, burst_group = "
            "excluded.burst_group,"
            " missing = 0 RETURNING id",
            err))
        return false;
    bind_frame(&q, frame);
    bool have = sql_row(&q, err);
    if (have)
        *id = sql_get_int(&q, 0);
    while (have && sql_row(&q, err))
        continue;
    return sql_end(&q) && have && replay_attach(c, frame->identity, *id, err);
}

static bool put_file(struct catalogue *c, int64_t frame, const struct catalogue_file *f, struct err *err)
{
    struct sql q;
    if (!sql_start(
            c, &q,
            "INSERT INTO file (frame, path, home, kind, size, mtime_ns, fingerprint, missing)"
            " VALUES (?1,?2,?3,?4,?5,?6,?7,?8) ON CONFLICT (path) DO UPDATE SET frame = excluded.frame,"
            " home = excluded.home, kind = excluded.kind, size = excluded.size, mtime_ns = excluded.mtime_ns,"
            " fingerprint = excluded.fingerprint, missing = excluded.missing",
            err))
        return false;
    sql_int(&q, frame);
    sql_bytes(&q, f->path);
    sql_bytes(&q, f->home);
    sql_text(&q, f->kind);
    sql_int(&q, (int64_t)f->size);
    sql_int(&q, f->mtime_ns);
    sql_blob(&q, f->has_fingerprint ? f->fingerprint.bytes : NULL, HASH_SIZE);
    sql_int(&q, f->missing);
    return sql_done(&q, err);
}

static bool is_among(const struct catalogue_file *files, size_t n, const char *path)
{
    for (size_t i = 0; i < n; i++)
        if (strcmp(files[i].path, path) == 0)
            return true;
    return false;
}

/* One file of the frame that is not among those given and was not moved. *id = 0: there is none. */
static bool find_gone(struct catalogue *c, int64_t frame, const struct catalogue_file *files, size_t n,
                      int64_t *id, struct err *err)
{
    struct sql q;
    *id = 0;
    if (!sql_start(c, &q, "SELECT id, path FROM file WHERE frame = ?1 AND home IS NULL", err))
        return false;
    sql_int(&q, frame);
    while (*id == 0 && sql_row(&q, err))
        if (!is_among(files, n, sql_get_text(&q, 1)))
            *id = sql_get_int(&q, 0);
    return sql_end(&q);
}

bool catalogue_put_files(struct catalogue *c, int64_t frame, const struct catalogue_file *files, size_t n,
                         struct err *err)
{
    struct sql q;
    int64_t gone = 0;
    for (size_t i = 0; i < n; i++)
        if (!put_file(c, frame, &files[i], err))
            return false;
    do {
        if (!find_gone(c, frame, files, n, &gone, err))
            return false;
        if (gone == 0)
            break;
        if (!sql_start(c, &q, "DELETE FROM file WHERE id = ?1", err))
            return false;
        sql_int(&q, gone);
    } while (sql_done(&q, err));
    return gone == 0;
}

bool catalogue_set_missing(struct catalogue *c, int64_t frame, bool missing, struct err *err)
{
    struct sql q;
    if (!sql_start(c, &q, "UPDATE frame SET missing = ?1 WHERE id = ?2", err))
        return false;
    sql_int(&q, missing);
    sql_int(&q, frame);
    return sql_done(&q, err);
}

bool catalogue_set_state(struct catalogue *c, int64_t frame, const char *state, const char *cause,
                         struct err *err)
{
    struct sql q;
    if (!sql_start(c, &q, "UPDATE frame SET state = ?1, cause = ?2 WHERE id = ?3", err))
        return false;
    sql_text(&q, state);
    sql_text(&q, text_or_empty(cause));
    sql_int(&q, frame);
    return sql_done(&q, err);
}

bool catalogue_set_measured(struct catalogue *c, int64_t frame, const char *judged_on, uint32_t width_px,
                            uint32_t height_px, int64_t pack, int64_t pack_offset, int64_t pack_size,
                            struct err *err)
{
    struct sql q;
    if (!sql_start(c, &q,
                   "UPDATE frame SET state = 'measured', judged_on = ?1, judged_width_px = ?2, "
                   "judged_height_px = ?3,"
                   " pack = ?4, pack_offset = ?5, pack_size = ?6 WHERE id = ?7",
                   err))
        return false;
    sql_text(&q, judged_on);
    sql_int(&q, width_px);
    sql_int(&q, height_px);
    sql_int(&q, pack);
    sql_int(&q, pack_offset);
    sql_int(&q, pack_size);
    sql_int(&q, frame);
    return sql_done(&q, err);
}

bool catalogue_set_decoded(struct catalogue *c, int64_t frame, double share, struct err *err)
{
    struct sql q;
    if (!sql_start(c, &q, "UPDATE frame SET decoded = ?1 WHERE id = ?2", err))
        return false;
    sql_real(&q, share);
    sql_int(&q, frame);
    return sql_done(&q, err);
}

bool catalogue_set_size(struct catalogue *c, int64_t frame, uint32_t width_px, uint32_t height_px,
                        struct err *err)
{
    struct sql q;
    if (!sql_start(c, &q, "UPDATE frame SET width_px = ?1, height_px = ?2 WHERE id = ?3", err))
        return false;
    sql_int(&q, width_px);
    sql_int(&q, height_px);
    sql_int(&q, frame);
    return sql_done(&q, err);
}

bool catalogue_set_place(struct catalogue *c, int64_t frame, int64_t burst, uint32_t position,
                         int64_t estimated_ns, struct err *err)
{
    struct sql q;
    if (!sql_start(c, &q, "UPDATE frame SET burst = ?1, position = ?2, estimated_ns = ?3 WHERE id = ?4", err))
        return false;
    sql_int(&q, burst);
    sql_int(&q, position);
    sql_int(&q, estimated_ns);
    sql_int(&q, frame);
    return sql_done(&q, err);
}

bool catalogue_set_file_path(struct catalogue *c, int64_t file, const char *path, const char *home,
                             struct err *err)
{
    struct sql q;
    /* The file lies there now, so a row that another file of that name left behind is out of date. */
    if (!sql_start(c, &q, "DELETE FROM file WHERE path = ?1 AND id <> ?2", err))
        return false;
    sql_bytes(&q, path);
    sql_int(&q, file);
    if (!sql_done(&q, err))
        return false;
    if (!sql_start(c, &q, "UPDATE file SET path = ?1, home = ?2, missing = 0 WHERE id = ?3", err))
        return false;
    sql_bytes(&q, path);
    sql_bytes(&q, home);
    sql_int(&q, file);
    return sql_done(&q, err);
}

bool catalogue_forget_file(struct catalogue *c, int64_t file, struct err *err)
{
    struct sql q;
    if (!sql_start(c, &q, "UPDATE file SET missing = 1 WHERE id = ?1", err))
        return false;
    sql_int(&q, file);
    if (!sql_done(&q, err) ||
        !sql_start(c, &q,
                   "UPDATE frame SET missing = 1 WHERE id = (SELECT frame FROM file WHERE id = ?1)"
                   " AND NOT EXISTS (SELECT 1 FROM file f WHERE f.frame = frame.id AND f.missing = 0)",
                   err))
        return false;
    sql_int(&q, file);
    return sql_done(&q, err);
}
