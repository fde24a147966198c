/* Reading rows back. */
#include <string.h>

#include "sql.h"

#define ITEM_COLUMNS                                                                                         \
    "i.frame, i.pass, i.time_ns, i.x_px, i.y_px, i.w_px, i.h_px, i.flags, i.score, i.blur_px, "              \
    "i.blur_low_px,"                                                                                         \
    " i.blur_high_px, i.p_sharp, i.laplacian_variance, i.tenengrad, i.area_cells, i.outline,"                \
    " i.energy_1, i.energy_2, i.energy_4, i.energy_8, i.floor_1, i.floor_2, i.floor_4, i.contrast, "         \
    "i.clipped,"                                                                                             \
    " i.luma, i.light, i.energy_weight, i.normal_weight, i.head_blur_px"
enum { N_ITEM_COLUMNS = 17 + CATALOGUE_PARTS };

/* A person's decision, else a mark made in the camera, else the proposal. */
#define PROPOSAL "CASE WHEN f.proposal = '' THEN 'none' ELSE f.proposal END"
#define OUTCOME                                                                                              \
    "CASE WHEN f.decision <> '' THEN f.decision WHEN f.protected OR f.rating >= 1 THEN 'keep'"               \
    " ELSE " PROPOSAL " END"

static void get_item(const struct sql *q, int at, struct catalogue_item *item)
{
    *item = (struct catalogue_item){.frame = sql_get_int(q, at),
                                    .pass = (uint32_t)sql_get_int(q, at + 1),
                                    .time_ns = sql_get_int(q, at + 2),
                                    .x_px = (uint32_t)sql_get_int(q, at + 3),
                                    .y_px = (uint32_t)sql_get_int(q, at + 4),
                                    .w_px = (uint32_t)sql_get_int(q, at + 5),
                                    .h_px = (uint32_t)sql_get_int(q, at + 6),
                                    .flags = (uint32_t)sql_get_int(q, at + 7),
                                    .score = sql_get_real(q, at + 8),
                                    .blur_px = sql_get_real(q, at + 9),
                                    .blur_low_px = sql_get_real(q, at + 10),
                                    .blur_high_px = sql_get_real(q, at + 11),
                                    .p_sharp = sql_get_real(q, at + 12),
                                    .laplacian_variance = sql_get_real(q, at + 13),
                                    .tenengrad = sql_get_real(q, at + 14),
                                    .area_cells = sql_get_real(q, at + 15)};
    const void *outline = sqlite3_column_blob(q->st, at + 16);
    if (outline != NULL && sqlite3_column_bytes(q->st, at + 16) == (int)sizeof item->outline)
        memcpy(item->outline, outline, sizeof item->outline);
    for (int k = 0; k < CATALOGUE_PARTS; k++)
        item->part[k] = sql_get_real(q, at + 17 + k);
}

static bool each_item(struct catalogue *c, int64_t burst, bool with_missing, catalogue_item_visit *visit,
                      void *context, struct err *err)
{
    struct sql q;
    struct catalogue_item item;
    bool ok = true;
    if (!sql_start(c, &q,
                   "SELECT " ITEM_COLUMNS " FROM frame f JOIN item i ON i.frame = f.id"
                   " WHERE f.burst = ?1 AND (?2 OR f.missing = 0) ORDER BY f.position, i.pass",
                   err))
        return false;
    sql_int(&q, burst);
    sql_int(&q, with_missing);
    while (ok && sql_row(&q, err)) {
        get_item(&q, 0, &item);
        ok = visit(context, &item, err);
    }
    return sql_end(&q) && ok;
}

bool catalogue_each_item(struct catalogue *c, int64_t burst, catalogue_item_visit *visit, void *context,
                         struct err *err)
{
    return each_item(c, burst, false, visit, context, err);
}

bool catalogue_each_item_ever(struct catalogue *c, int64_t burst, catalogue_item_visit *visit, void *context,
                              struct err *err)
{
    return each_item(c, burst, true, visit, context, err);
}

#define FRAME_COLUMNS                                                                                        \
    "f.id, f.identity, f.body, f.folder, f.name, f.prefix, f.number, f.folder_number, f.maker, f.model, "    \
    "f.serial,"                                                                                              \
    " f.lens, f.time_ns, f.subsec_digits, f.offset_min, f.exposure_s, f.f_number, f.focal_mm, f.iso, "       \
    "f.focus_m,"                                                                                             \
    " f.orientation, f.width_px, f.height_px, f.rating, f.protected, f.sequence, f.burst_group, f.missing, " \
    "f.state,"                                                                                               \
    " f.cause, f.judged_on, f.judged_width_px, f.judged_height_px, f.pack, f.pack_offset, f.pack_size, "     \
    "f.burst,"                                                                                               \
    " f.position, f.estimated_ns, f.decoded"
enum { N_FRAME_COLUMNS = 40 };

static void get_metadata(const struct sql *q, struct catalogue_frame *f)
{
    f->id = sql_get_int(q, 0);
    f->identity = sql_get_text(q, 1);
    f->body = sql_get_text(q, 2);
    f->folder = sql_get_text(q, 3);
    f->name = sql_get_text(q, 4);
    f->prefix = sql_get_text(q, 5);
    f->number = (int)sql_get_int(q, 6);
    f->folder_number = (int)sql_get_int(q, 7);
    f->maker = sql_get_text(q, 8);
    f->model = sql_get_text(q, 9);
    f->serial = sql_get_text(q, 10);
    f->lens = sql_get_text(q, 11);
    f->has_time = !sql_is_null(q, 12);
    f->time_ns = sql_get_int(q, 12);
    f->subsec_digits = (int)sql_get_int(q, 13);
    f->has_offset = !sql_is_null(q, 14);
    f->offset_min = (int)sql_get_int(q, 14);
    f->exposure_s = sqlite3_column_double(q->st, 15);
    f->f_number = sqlite3_column_double(q->st, 16);
    f->focal_mm = sqlite3_column_double(q->st, 17);
    f->iso = sqlite3_column_double(q->st, 18);
    f->focus_m = sqlite3_column_double(q->st, 19);
}

static void get_state(const struct sql *q, struct catalogue_frame *f)
{
    f->orientation = (int)sql_get_int(q, 20);
    f->width_px = (uint32_t)sql_get_int(q, 21);
    f->height_px = (uint32_t)sql_get_int(q, 22);
    f->rating = (int)sql_get_int(q, 23);
    f->is_protected = sql_get_int(q, 24) != 0;
    f->sequence = (uint32_t)sql_get_int(q, 25);
    f->burst_group = (uint32_t)sql_get_int(q, 26);
    f->missing = sql_get_int(q, 27) != 0;
    f->state = sql_get_text(q, 28);
    f->cause = sql_get_text(q, 29);
    f->judged_on = sql_get_text(q, 30);
    f->judged_width_px = (uint32_t)sql_get_int(q, 31);
    f->judged_height_px = (uint32_t)sql_get_int(q, 32);
    f->pack = sql_get_int(q, 33);
    f->pack_offset = sql_get_int(q, 34);
    f->pack_size = sql_get_int(q, 35);
    f->burst = sql_get_int(q, 36);
    f->position = (uint32_t)sql_get_int(q, 37);
    f->estimated_ns = sql_get_int(q, 38);
    f->decoded = sqlite3_column_double(q->st, 39);
}

static enum catalogue_decision decision_of(const char *word)
{
    return strcmp(word, "keep") == 0     ? CATALOGUE_KEEP
           : strcmp(word, "reject") == 0 ? CATALOGUE_REJECT
                                         : CATALOGUE_UNDECIDED;
}

static void get_row(const struct sql *q, struct catalogue_row *row)
{
    enum { AT = N_FRAME_COLUMNS, ITEM = AT + 11 };
    *row = (struct catalogue_row){0};
    get_metadata(q, &row->frame);
    get_state(q, &row->frame);
    row->choice = (struct catalogue_choice){.frame = row->frame.id,
                                            .pass = (uint32_t)sql_get_int(q, AT),
                                            .rank = (uint32_t)sql_get_int(q, AT + 1),
                                            .proposal = sql_get_text(q, AT + 2),
                                            .reason = sql_get_text(q, AT + 3)};
    row->decision = decision_of(sql_get_text(q, AT + 4));
    if (row->decision == CATALOGUE_UNDECIDED && (row->frame.is_protected || row->frame.rating >= 1)) {
        row->decision = CATALOGUE_KEEP;
        row->decided_in_camera = true;
    }
    row->accepted = sql_get_int(q, AT + 5) != 0;
    row->outcome = sql_get_text(q, AT + 6);
    row->path = sql_is_null(q, AT + 7) ? NULL : sql_get_text(q, AT + 7);
    row->n_items = (uint32_t)sql_get_int(q, AT + 8);
    row->shortlist = sql_get_int(q, AT + 9) != 0;
    row->recalled = sql_get_int(q, AT + 10) != 0;
    row->has_item = !sql_is_null(q, ITEM);
    if (row->has_item)
        get_item(q, ITEM, &row->item);
}

#define ROW_SELECT                                                                                           \
    "SELECT " FRAME_COLUMNS ", f.pass, f.rank, f.proposal, f.reason, f.decision, f.accepted = " PROPOSAL     \
    ", " OUTCOME ","                                                                                         \
    " (SELECT path FROM file p WHERE p.frame = f.id AND p.kind IN ('jpeg','raw','heif','container')"         \
    "  ORDER BY p.missing, CASE p.kind WHEN 'jpeg' THEN 0 WHEN 'raw' THEN 1 ELSE 2 END, p.path LIMIT 1),"    \
    " (SELECT count(*) FROM item n WHERE n.frame = f.id), f.shortlist, f.recalled, " ITEM_COLUMNS            \
    " FROM frame f LEFT JOIN item i ON i.frame = f.id AND i.pass = f.pass"
#define ROW_FILTER                                                                                           \
    " (?1 IS NULL OR " OUTCOME " = ?1) AND (?2 OR f.missing = 0) ORDER BY f.burst, f.position, f.id"

/* The statements differ so that each can use its index. */
static const char *row_statement(const struct catalogue_filter *filter)
{
    if (filter->frame > 0)
        return ROW_SELECT " WHERE f.id = ?3 AND" ROW_FILTER;
    if (filter->burst > 0)
        return ROW_SELECT " WHERE f.burst = ?3 AND" ROW_FILTER;
    return ROW_SELECT " WHERE ?3 = ?3 AND" ROW_FILTER;
}

bool catalogue_each_row(struct catalogue *c, const struct catalogue_filter *filter,
                        catalogue_row_visit *visit, void *context, struct err *err)
{
    struct sql q;
    struct catalogue_row row;
    bool ok = true;
    if (!sql_start(c, &q, row_statement(filter), err))
        return false;
    sql_text(&q, filter->outcome);
    sql_int(&q, filter->with_missing);
    sql_int(&q, filter->frame > 0 ? filter->frame : filter->burst);
    while (ok && sql_row(&q, err)) {
        get_row(&q, &row);
        ok = visit(context, &row, err);
    }
    return sql_end(&q) && ok;
}

static void get_file(const struct sql *q, struct catalogue_file *file)
{
    *file = (struct catalogue_file){.id = sql_get_int(q, 0),
                                    .frame = sql_get_int(q, 1),
                                    .path = sql_get_text(q, 2),
                                    .home = sql_is_null(q, 3) ? NULL : sql_get_text(q, 3),
                                    .kind = sql_get_text(q, 4),
                                    .size = (uint64_t)sql_get_int(q, 5),
                                    .mtime_ns = sql_get_int(q, 6),
                                    .missing = sql_get_int(q, 8) != 0};
    const void *digest = sqlite3_column_blob(q->st, 7);
    file->has_fingerprint = digest != NULL && sqlite3_column_bytes(q->st, 7) == HASH_SIZE;
    if (file->has_fingerprint)
        memcpy(file->fingerprint.bytes, digest, HASH_SIZE);
}

bool catalogue_each_file(struct catalogue *c, int64_t frame, catalogue_file_visit *visit, void *context,
                         struct err *err)
{
    static const char one[] =
        "SELECT id, frame, path, home, kind, size, mtime_ns, fingerprint, missing FROM file"
        " WHERE frame = ?1 ORDER BY path";
    static const char all[] =
        "SELECT id, frame, path, home, kind, size, mtime_ns, fingerprint, missing FROM file"
        " WHERE ?1 = ?1 ORDER BY path";
    struct sql q;
    struct catalogue_file file;
    bool ok = true;
    if (!sql_start(c, &q, frame > 0 ? one : all, err))
        return false;
    sql_int(&q, frame);
    while (ok && sql_row(&q, err)) {
        get_file(&q, &file);
        ok = visit(context, &file, err);
    }
    return sql_end(&q) && ok;
}

bool catalogue_each_burst(struct catalogue *c, catalogue_burst_visit *visit, void *context, struct err *err)
{
    struct sql q;
    bool ok = true;
    if (!sql_start(c, &q,
                   "SELECT number, body, setup, start_ns, n_frames, n_passes, mode, perch, nothing_sharp, "
                   "stamp FROM burst"
                   " ORDER BY number",
                   err))
        return false;
    while (ok && sql_row(&q, err)) {
        const struct catalogue_burst burst = {.number = sql_get_int(&q, 0),
                                              .body = sql_get_text(&q, 1),
                                              .setup = sql_get_int(&q, 2),
                                              .start_ns = sql_get_int(&q, 3),
                                              .has_time = !sql_is_null(&q, 3),
                                              .n_frames = (uint32_t)sql_get_int(&q, 4),
                                              .n_passes = (uint32_t)sql_get_int(&q, 5),
                                              .mode = sql_get_text(&q, 6),
                                              .perch = sql_get_int(&q, 7) != 0,
                                              .nothing_sharp = sql_get_int(&q, 8) != 0,
                                              .stamp = sql_get_text(&q, 9)};
        ok = visit(context, &burst, err);
    }
    return sql_end(&q) && ok;
}

bool catalogue_find_path(struct catalogue *c, const char *path, int64_t *frame, struct err *err)
{
    struct sql q;
    *frame = 0;
    if (!sql_start(
            c, &q,
            "SELECT frame, 0 FROM file WHERE path = ?1 UNION ALL SELECT frame, 1 FROM file WHERE home = ?1"
            " ORDER BY 2 LIMIT 1",
            err))
        return false;
    sql_bytes(&q, path);
    if (sql_row(&q, err))
        *frame = sql_get_int(&q, 0);
    return sql_end(&q);
}

bool catalogue_count(struct catalogue *c, struct catalogue_counts *n, struct err *err)
{
    struct sql q;
    *n = (struct catalogue_counts){0};
    if (!sql_start(c, &q,
                   "SELECT count(*), sum(missing), sum(NOT missing AND " OUTCOME " = 'keep'),"
                   " sum(NOT missing AND " OUTCOME " = 'reject'), sum(NOT missing AND " OUTCOME " = 'none'),"
                   " sum(NOT missing AND state = 'unreadable'), sum(NOT missing AND state = 'format'),"
                   " sum(NOT missing AND decision <> ''),"
                   " (SELECT count(*) FROM burst), (SELECT sum(n_passes) FROM burst),"
                   " (SELECT count(DISTINCT setup) FROM burst WHERE setup > 0) FROM frame f",
                   err))
        return false;
    if (sql_row(&q, err)) {
        n->missing = (uint64_t)sql_get_int(&q, 1);
        n->frames = (uint64_t)sql_get_int(&q, 0) - n->missing;
        n->kept = (uint64_t)sql_get_int(&q, 2);
        n->rejected = (uint64_t)sql_get_int(&q, 3);
        n->none = (uint64_t)sql_get_int(&q, 4);
        n->unreadable = (uint64_t)sql_get_int(&q, 5);
        n->format = (uint64_t)sql_get_int(&q, 6);
        n->decided = (uint64_t)sql_get_int(&q, 7);
        n->bursts = (uint64_t)sql_get_int(&q, 8);
        n->passes = (uint64_t)sql_get_int(&q, 9);
        n->setups = (uint64_t)sql_get_int(&q, 10);
    }
    return sql_end(&q);
}
