#include "print.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "chaffinch/root.h"
#include "chaffinch/str.h"

enum { NAME_ROOM = 1200 };

struct amount {
    uint64_t frames, files, bytes;
};

static void append_amount(struct str *out, const struct amount *amount)
{
    char frames[32], files[32], bytes[32];
    str_printf(out, "%s frame%s (%s file%s, %s)", log_count(amount->frames, frames),
               amount->frames == 1 ? "" : "s", log_count(amount->files, files), amount->files == 1 ? "" : "s",
               log_bytes(amount->bytes, bytes));
}

static void put(struct str *out)
{
    if (out->bytes != NULL)
        (void)fwrite(out->bytes, 1, out->size, stdout);
    str_clear(out);
}

/* ---- for a person -------------------------------------------------------------------------------------- */

struct table {
    bool started;
    int64_t burst;
    struct amount out, back, deleted;
    uint64_t left;
    struct str lines; /* of this burst: its head with the sums comes first */
    struct str head;
};

static void append_part(struct str *head, const char *what, const struct amount *amount, const char **comma)
{
    if (amount->frames == 0)
        return;
    str_printf(head, "%s%s ", *comma, what);
    append_amount(head, amount);
    *comma = ", ";
}

static bool end_burst(struct table *t, struct err *err)
{
    const char *comma = " ";
    char count[32];
    if (!t->started)
        return true;
    if (t->burst > 0)
        str_printf(&t->head, "\nburst %" PRId64 ":", t->burst);
    else
        str_append(&t->head, "\nof no burst:");
    append_part(&t->head, "out", &t->out, &comma);
    append_part(&t->head, "back", &t->back, &comma);
    append_part(&t->head, "delete", &t->deleted, &comma);
    if (t->left > 0)
        str_printf(&t->head, "%sleft %s", comma, log_count(t->left, count));
    str_append_char(&t->head, '\n');
    bool ok = str_ok(&t->head, err) && str_ok(&t->lines, err);
    put(&t->head);
    put(&t->lines);
    t->started = false;
    t->out = t->back = t->deleted = (struct amount){0};
    t->left = 0;
    return ok;
}

static void add(struct amount *amount, const struct apply_line *line)
{
    amount->frames++;
    amount->files += line->n_files;
    amount->bytes += line->size_bytes;
}

static void append_frame(struct str *out, const char *way, const struct apply_line *line)
{
    char safe[NAME_ROOM], bytes[32];
    str_printf(out, "  %-6s  %s", way, err_escape(safe, sizeof safe, line->frame));
    if (line->n_files > 1)
        str_printf(out, " and %zu more", line->n_files - 1);
    str_printf(out, ", %s\n", log_bytes(line->size_bytes, bytes));
}

static bool table_line(void *context, const struct apply_line *line, struct err *err)
{
    struct table *t = context;
    char safe[NAME_ROOM];
    if (t->started && t->burst != line->burst && !end_burst(t, err))
        return false;
    t->started = true;
    t->burst = line->burst;
    switch (line->way) {
    case APPLY_OUT:
        add(&t->out, line);
        append_frame(&t->lines, "out", line);
        break;
    case APPLY_BACK:
        add(&t->back, line);
        append_frame(&t->lines, "back", line);
        break;
    case APPLY_DELETED:
        add(&t->deleted, line);
        append_frame(&t->lines, "delete", line);
        break;
    case APPLY_SWAPPED: /* has no plan on screen */
        break;
    case APPLY_LEFT:
        t->left++;
        str_printf(&t->lines, "  left    %s: %s\n", err_escape(safe, sizeof safe, line->frame), line->cause);
        break;
    }
    return true;
}

static const char *target_name(const struct apply_options *options, char safe[NAME_ROOM])
{
    return options->to == NULL ? ROOT_REJECTS "/" : err_escape(safe, NAME_ROOM, options->to);
}

static void append_left(struct str *out, const struct apply_totals *t, const char *before)
{
    char count[32];
    if (t->left_frames > 0)
        str_printf(out, "%s%s left where %s", before, log_count(t->left_frames, count),
                   t->left_frames == 1 ? "it is" : "they are");
}

static void append_move_head(struct str *out, const struct apply_totals *t,
                             const struct apply_options *options)
{
    char safe[NAME_ROOM];
    const struct amount away = {t->out_frames, t->out_files, t->out_bytes};
    const struct amount back = {t->back_frames, t->back_files, t->back_bytes};
    const char *comma = "";
    if (away.frames > 0) {
        append_amount(out, &away);
        str_printf(out, " would go to %s", target_name(options, safe));
        comma = ", ";
    }
    if (back.frames > 0) {
        str_append(out, comma);
        append_amount(out, &back);
        str_append(out, " would come back");
        comma = ", ";
    }
    append_left(out, t, comma);
    if (out->size == 0)
        str_append(out, "nothing to move: every frame lies where its outcome wants it");
}

static void append_delete_head(struct str *out, const struct apply_totals *t)
{
    const struct amount gone = {t->delete_frames, t->delete_files, t->delete_bytes};
    const char *comma = "";
    if (gone.frames > 0) {
        append_amount(out, &gone);
        str_append(out, " would be deleted for ever");
        comma = ", ";
    }
    append_left(out, t, comma);
    if (out->size == 0)
        str_append(out, "nothing to delete");
}

static void append_interrupted(struct str *out, const struct apply_totals *t)
{
    if (t->interrupted == 0)
        return;
    if (strcmp(t->interrupted_kind, "delete") == 0)
        str_printf(out, "run %04" PRIu32 " (delete) was interrupted; this is what is left to delete\n",
                   t->interrupted);
    else
        str_printf(out,
                   "run %04" PRIu32 " (%s) was interrupted: --move goes on with it, --undo finishes it and "
                   "takes it back; nothing else is planned before\n",
                   t->interrupted, t->interrupted_kind);
}

/* What to type next; a deletion says it before its last line, which scripts read. */
static void append_next(struct str *out, const struct apply_totals *t, const struct apply_options *options,
                        const char *session)
{
    char safe[NAME_ROOM], to[NAME_ROOM];
    (void)err_word(safe, sizeof safe, session);
    if (options->action == APPLY_DELETE) {
        if (t->delete_files > 0)
            str_printf(out,
                       "\nnothing was changed; to delete them: chaffinch-apply %s --delete-rejects --confirm "
                       "%" PRIu64 "\n",
                       safe, t->delete_files);
        str_printf(out, "delete: %" PRIu64 " files\n", t->delete_files);
    } else if (t->out_frames + t->back_frames > 0)
        str_printf(out, "\nnothing was changed; to do it: chaffinch-apply %s --move%s%s\n", safe,
                   options->to != NULL ? " --to " : "",
                   options->to != NULL ? err_word(to, sizeof to, options->to) : "");
}

bool print_plan_table(struct apply *a, const struct apply_options *options, const char *session,
                      struct err *err)
{
    const struct apply_totals *totals = apply_plan_totals(a);
    struct table table = {.lines = STR_INIT, .head = STR_INIT};
    struct str text = STR_INIT;
    bool stopped = totals->interrupted > 0 && strcmp(totals->interrupted_kind, "delete") != 0;
    if (!stopped) {
        options->action == APPLY_DELETE ? append_delete_head(&text, totals)
                                        : append_move_head(&text, totals, options);
        str_append_char(&text, '\n');
    }
    append_interrupted(&text, totals);
    bool ok = str_ok(&text, err);
    put(&text);
    ok = ok && apply_each(a, table_line, &table, err) && end_burst(&table, err);
    append_next(&text, totals, options, session);
    ok = ok && str_ok(&text, err);
    if (ok)
        put(&text);
    str_release(&text);
    str_release(&table.lines);
    str_release(&table.head);
    return ok;
}

/* ---- for scripts --------------------------------------------------------------------------------------- */

static void append_json_text(struct str *out, const char *text)
{
    str_append_char(out, '"');
    for (const unsigned char *p = (const unsigned char *)text; *p != 0; p++) {
        if (*p == '"' || *p == '\\')
            str_printf(out, "\\%c", *p);
        else if (*p < 0x20)
            str_printf(out, "\\u%04x", *p);
        else
            str_append_char(out, (char)*p);
    }
    str_append_char(out, '"');
}

/* Names that are not UTF-8 cannot stand in JSON: KEY_base64 holds their bytes. */
static void append_json_name(struct str *out, const char *key, const char *name)
{
    size_t size = strlen(name);
    if (str_is_utf8(name, size)) {
        str_printf(out, ",\"%s\":", key);
        append_json_text(out, name);
        return;
    }
    str_printf(out, ",\"%s_base64\":\"", key);
    str_append_base64(out, name, size);
    str_append_char(out, '"');
}

static void append_json_head(struct str *out, const char *what, const struct apply_line *line)
{
    str_printf(out, "{\"format\":1,\"do\":\"%s\"", what);
    if (line->burst > 0)
        str_printf(out, ",\"burst\":%" PRId64, line->burst);
    append_json_name(out, "frame", line->frame);
}

static bool json_line(void *context, const struct apply_line *line, struct err *err)
{
    static const char *const words[] = {"out", "back", "delete", "swap", "left"};
    struct str *out = context;
    if (line->way == APPLY_LEFT) {
        append_json_head(out, "left", line);
        append_json_name(out, "cause", line->cause);
        str_printf(out, ",\"failed\":%s}\n", line->failed ? "true" : "false");
    }
    for (size_t i = 0; i < line->n_files; i++) {
        append_json_head(out, words[line->way], line);
        append_json_name(out, "path", line->files[i].path);
        if (line->files[i].to != NULL)
            append_json_name(out, "to", line->files[i].to);
        str_printf(out, ",\"size_bytes\":%" PRIu64 "}\n", line->files[i].size_bytes);
    }
    bool ok = str_ok(out, err);
    put(out);
    return ok;
}

bool print_plan_jsonl(struct apply *a, const struct apply_options *options, struct err *err)
{
    const struct apply_totals *t = apply_plan_totals(a);
    struct str out = STR_INIT;
    bool ok = apply_each(a, json_line, &out, err);
    str_append(&out, "{\"format\":1,\"do\":\"total\"");
    if (options->action == APPLY_DELETE)
        str_printf(&out,
                   ",\"delete_frames\":%" PRIu64 ",\"delete_files\":%" PRIu64 ",\"delete_bytes\":%" PRIu64,
                   t->delete_frames, t->delete_files, t->delete_bytes);
    else
        str_printf(&out,
                   ",\"out_frames\":%" PRIu64 ",\"out_files\":%" PRIu64 ",\"out_bytes\":%" PRIu64
                   ",\"back_frames\":%" PRIu64 ",\"back_files\":%" PRIu64 ",\"back_bytes\":%" PRIu64,
                   t->out_frames, t->out_files, t->out_bytes, t->back_frames, t->back_files, t->back_bytes);
    str_printf(&out, ",\"left_frames\":%" PRIu64 ",\"failed_frames\":%" PRIu64, t->left_frames,
               t->failed_frames);
    if (t->interrupted > 0)
        str_printf(&out, ",\"interrupted_run\":%" PRIu32 ",\"interrupted_kind\":\"%s\"", t->interrupted,
                   t->interrupted_kind);
    str_append(&out, "}\n");
    ok = ok && str_ok(&out, err);
    if (ok)
        put(&out);
    str_release(&out);
    return ok;
}

static bool name_line(void *context, const struct apply_line *line, struct err *err)
{
    (void)context;
    (void)err;
    for (size_t i = 0; i < line->n_files; i++)
        (void)fwrite(line->files[i].path, 1, strlen(line->files[i].path) + 1, stdout);
    return true;
}

bool print_plan_names(struct apply *a, struct err *err)
{
    return apply_each(a, name_line, NULL, err);
}

/* ---- results ------------------------------------------------------------------------------------------- */

static void print_run(const struct apply_result *r, const char *what, const struct amount *amount)
{
    struct str out = STR_INIT;
    if (amount->files == 0)
        return;
    if (r->resumed > 0 && r->run > 0 && r->undone == 0)
        str_printf(&out, "runs %04" PRIu32 " and %04" PRIu32 ": ", r->resumed, r->run);
    else
        str_printf(&out, "run %04" PRIu32 ": ", r->run > 0 ? r->run : r->resumed);
    append_amount(&out, amount);
    str_printf(&out, " %s\n", what);
    put(&out);
    str_release(&out);
}

static void print_resumed(const struct apply_result *r)
{
    if (r->resumed > 0)
        printf("run %04" PRIu32 " (%s) had been interrupted and is finished\n", r->resumed, r->resumed_kind);
}

static void print_left(const struct apply_result *r)
{
    char count[32];
    if (r->left_frames > 0)
        printf("%s frame%s left where %s (named above)\n", log_count(r->left_frames, count),
               r->left_frames == 1 ? "" : "s", r->left_frames == 1 ? "it is" : "they are");
}

void print_moved(const struct apply_result *r, const struct apply_options *options, const char *session)
{
    char safe[NAME_ROOM], what[NAME_ROOM + 16];
    const struct amount out = {r->out_frames, r->out_files, r->out_bytes};
    const struct amount back = {r->back_frames, r->back_files, r->back_bytes};
    uint32_t run = r->run > 0 ? r->run : r->resumed;
    print_resumed(r);
    (void)snprintf(what, sizeof what, "moved to %s", target_name(options, safe));
    print_run(r, what, &out);
    print_run(r, "brought back", &back);
    print_left(r);
    if (run == 0 && r->left_frames == 0)
        printf("nothing to move: every frame lies where its outcome wants it%s\n",
               options->to != NULL ? " (what was moved before stays there: --undo first to move it elsewhere)"
                                   : "");
    else if (out.files + back.files > 0)
        printf("to take it back: chaffinch-apply %s --undo\n", err_word(safe, sizeof safe, session));
}

void print_swapped(const struct apply_result *r, const char *session)
{
    char safe[NAME_ROOM], count[32];
    uint32_t run = r->run > 0 ? r->run : r->resumed;
    print_resumed(r);
    if (r->swapped > 0)
        printf("run %04" PRIu32 ": %s sidecar%s swapped in; the old one%s kept in " ROOT_STATE
               "/replaced/%04" PRIu32 "/\nto take it back: chaffinch-apply %s --undo\n",
               run, log_count(r->swapped, count), r->swapped == 1 ? "" : "s",
               r->swapped == 1 ? " is" : "s are", run, err_word(safe, sizeof safe, session));
    else if (r->left_frames == 0)
        puts("nothing to swap in: 'chaffinch hand-on' prepares merged sidecars");
    print_left(r);
}

void print_undone(const struct apply_result *r)
{
    const struct amount moved = {r->out_frames + r->back_frames, r->out_files + r->back_files,
                                 r->out_bytes + r->back_bytes};
    print_resumed(r);
    if (r->undone == 0) {
        puts("nothing to undo");
        return;
    }
    print_run(r, "put back", &moved);
    print_left(r);
    if (r->left_frames == 0)
        printf("run %04" PRIu32 " is undone\n", r->undone);
    if (r->without_catalogue)
        puts("there is no catalogue: only the files were put back; 'chaffinch measure' makes a new one");
}

void print_deleted(const struct apply_result *r)
{
    const struct amount deleted = {r->deleted_frames, r->deleted_files, r->deleted_bytes};
    uint32_t run = r->run > 0 ? r->run : r->resumed;
    print_resumed(r);
    print_run(r, "deleted", &deleted);
    print_left(r);
    if (run == 0)
        puts("nothing to delete");
}
