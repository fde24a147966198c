#include "chaffinch/textlog.h"

#define XXH_STATIC_LINKING_ONLY
#include <xxhash.h>

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/str.h"

enum { MAX_FIELDS = 16, SUM_DIGITS = 16 };
#define LOG_LIMIT_BYTES ((size_t)1 << 30)

struct textlog {
    const struct root *root;
    int dir, fd;
    char *name;
    bool folder_synced; /* an earlier run may have made the file and died before the folder knew it */
    bool broken;        /* a write or sync failed */
    bool follows;       /* the buffer holds a record: the next one goes to the disk with it */
    struct str buffer;
};

/* What closes a line that a crash tore. */
static const char cut_mark[] = "\\cut";
enum { CUT_SIZE = sizeof cut_mark - 1 };

/* Ends each record but the first of one append, before the checksum. No field can be like that. */
static const char follow_mark[] = "\t\\+";
enum { FOLLOW_SIZE = sizeof follow_mark - 1 };

static void append_escaped(struct str *out, const char *field)
{
    for (const unsigned char *p = (const unsigned char *)field; *p != 0; p++) {
        if (*p == '\t')
            str_append(out, "\\t");
        else if (*p == '\n')
            str_append(out, "\\n");
        else if (*p == '\r')
            str_append(out, "\\r");
        else if (*p == '\\')
            str_append(out, "\\\\");
        else if (*p < 0x20 || *p == 0x7f)
            str_printf(out, "\\x%02x", *p);
        else
            str_append_char(out, (char)*p);
    }
}

static void append_record(struct str *out, const char *const *fields, size_t n, bool follows)
{
    struct str line = STR_INIT;
    for (size_t i = 0; i < n; i++) {
        if (i > 0)
            str_append(&line, "\t");
        append_escaped(&line, fields[i]);
    }
    str_append(&line, follows ? follow_mark : ""); /* one empty field leaves no bytes otherwise */
    if (line.failed)
        out->failed = true;
    else {
        str_append_bytes(out, line.bytes, line.size);
        str_printf(out, "\t%016" PRIx64 "\n", (uint64_t)XXH3_64bits(line.bytes, line.size));
    }
    str_release(&line);
}

static bool close_tail(struct textlog *log, struct err *err);

void textlog_discard(struct textlog *log)
{
    if (log == NULL)
        return;
    files_drop(log->root->fs, log->fd);
    files_drop(log->root->fs, log->dir);
    free(log->name);
    str_release(&log->buffer);
    free(log);
}

struct textlog *textlog_open(const struct root *root, const char *name, struct err *err)
{
    const char *leaf;
    struct textlog *log = calloc(1, sizeof *log);
    if (log == NULL || (log->name = strdup(name)) == NULL) {
        free(log);
        err_nomem(err);
        return NULL;
    }
    log->root = root;
    log->fd = -1;
    log->dir = files_parent(root->fs, root->state, name, true, &leaf, err);
    if (log->dir < 0)
        goto fail;
    log->fd = files_open(root->fs, log->dir, leaf, O_RDWR | O_APPEND | O_CREAT, 0666, name, err);
    if (log->fd < 0 || !close_tail(log, err))
        goto fail;
    return log;
fail:
    textlog_discard(log);
    return NULL;
}

bool textlog_write(struct textlog *log, const char *const *fields, size_t n, struct err *err)
{
    if (n == 0 || n > MAX_FIELDS)
        return err_set(err, ERR_IO, "a record of '%s' has 1 to %d fields, not %zu", log->name, MAX_FIELDS, n);
    append_record(&log->buffer, fields, n, log->follows);
    log->follows = true;
    return str_ok(&log->buffer, err);
}

static bool write_and_sync(struct textlog *log, struct err *err)
{
    const struct files *fs = log->root->fs;
    if (log->buffer.size > 0 &&
        !files_write_full(fs, log->fd, log->buffer.bytes, log->buffer.size, log->name, err))
        return false;
    if (!files_sync(fs, log->fd, log->name, err) ||
        (!log->folder_synced && !files_sync(fs, log->dir, log->name, err)))
        return false;
    log->folder_synced = true;
    return true;
}

bool textlog_sync(struct textlog *log, struct err *err)
{
    if (log->broken)
        return err_set(err, ERR_IO, "'%s/%s' could not be written: nothing more is added to it in this run",
                       ROOT_STATE, log->name);
    if (!str_ok(&log->buffer, err))
        return false;
    log->broken = !write_and_sync(log, err);
    str_clear(&log->buffer);
    log->follows = false;
    return !log->broken;
}

bool textlog_close(struct textlog *log, struct err *err)
{
    if (log == NULL)
        return true;
    bool ok = textlog_sync(log, err);
    textlog_discard(log);
    return ok;
}

bool textlog_append(const struct root *root, const char *name, const char *const *fields, size_t n,
                    struct err *err)
{
    struct textlog *log = textlog_open(root, name, err);
    if (log == NULL)
        return false;
    if (!textlog_write(log, fields, n, err)) {
        textlog_discard(log);
        return false;
    }
    return textlog_close(log, err);
}

static int hex_value(char c)
{
    return c >= '0' && c <= '9' ? c - '0' : c >= 'a' && c <= 'f' ? c - 'a' + 10 : -1;
}

/* Unescapes in place; false on an escape that textlog_write does not make. */
static bool unescape(char *field)
{
    char *to = field;
    for (char *p = field; *p != '\0'; p++) {
        if (*p != '\\') {
            *to++ = *p;
            continue;
        }
        p++;
        if (*p == 't')
            *to++ = '\t';
        else if (*p == 'n')
            *to++ = '\n';
        else if (*p == 'r')
            *to++ = '\r';
        else if (*p == '\\')
            *to++ = '\\';
        else if (*p == 'x' && hex_value(p[1]) >= 0 && hex_value(p[2]) >= 0) {
            *to++ = (char)(hex_value(p[1]) << 4 | hex_value(p[2]));
            p += 2;
        } else
            return false;
    }
    *to = '\0';
    return true;
}

/* True if the line ends in a tab and the checksum of what stands before. *body = size without those. */
static bool sum_fits(const char *line, size_t size, size_t *body)
{
    char sum[SUM_DIGITS + 1];
    if (size < SUM_DIGITS + 1 || line[size - SUM_DIGITS - 1] != '\t')
        return false;
    *body = size - SUM_DIGITS - 1;
    (void)snprintf(sum, sizeof sum, "%016" PRIx64, (uint64_t)XXH3_64bits(line, *body));
    return memcmp(sum, line + *body + 1, SUM_DIGITS) == 0;
}

/* True if the line, `body` bytes of it without the checksum, went to the disk with the one before. */
static bool follows(const char *line, size_t body)
{
    return body >= FOLLOW_SIZE && memcmp(line + body - FOLLOW_SIZE, follow_mark, FOLLOW_SIZE) == 0;
}

/* Splits a line that is followed by a NUL into fields; false if its checksum or its escapes are wrong. */
static bool split_record(char *line, size_t size, char *fields[MAX_FIELDS], size_t *n)
{
    size_t body;
    if (!sum_fits(line, size, &body))
        return false;
    if (follows(line, body))
        body -= FOLLOW_SIZE;
    line[body] = '\0';
    if (strlen(line) != body)
        return false;
    *n = 0;
    for (char *p = line; p != NULL;) {
        char *tab = strchr(p, '\t');
        if (tab != NULL)
            *tab = '\0';
        if (*n == MAX_FIELDS || !unescape(p))
            return false;
        fields[(*n)++] = p;
        p = tab != NULL ? tab + 1 : NULL;
    }
    return true;
}

/*
 * True if the line can be what a crash left of an append: no newline, or closed as cut by a later append. A
 * torn line is shorter than its record; so a whole record with one byte behind it is no torn one, but a
 * record whose newline was changed (unless that byte begins a cut mark that was itself torn).
 */
static bool is_torn(const char *line, size_t size, bool terminated)
{
    size_t body;
    bool marked = size >= CUT_SIZE && memcmp(line + size - CUT_SIZE, cut_mark, CUT_SIZE) == 0;
    if (terminated && !marked)
        return false;
    if (terminated)
        size -= CUT_SIZE;
    return size == 0 || line[size - 1] == cut_mark[0] || !sum_fits(line, size - 1, &body);
}

/* ---- a tail that was lost ------------------------------------------------------------------------------ */

/*
 * What a power cut leaves of an append that was not synced may be noise, with newlines in it. It is told from
 * a record that was damaged later: no record of another append stands behind it, and no single byte put right
 * makes it one. Whole records of the same append may stand behind it (their sectors came through): each says
 * by its mark that it went to the disk with the one before. The append counts up to its first byte of noise;
 * nobody was told that it was done. The next append writes behind it how many bytes are void: "\void", their
 * number, a checksum.
 */
static const char void_mark[] = "\\void\t";
enum { VOID_SIZE = sizeof void_mark - 1, REPAIR_MAX = 4096 };

struct line {
    char *at;
    size_t size;
    bool terminated;
};

static struct line line_at(char *at, const char *end)
{
    char *newline = memchr(at, '\n', (size_t)(end - at));
    return (struct line){at, newline != NULL ? (size_t)(newline - at) : (size_t)(end - at), newline != NULL};
}

static bool marks_void(const struct line *line)
{
    return line->size >= VOID_SIZE && memcmp(line->at, void_mark, VOID_SIZE) == 0;
}

static bool is_void(const struct line *line, size_t *bytes)
{
    size_t body;
    char *rest;
    if (!line->terminated || !marks_void(line) || !sum_fits(line->at, line->size, &body))
        return false;
    *bytes = strtoull(line->at + VOID_SIZE, &rest, 10);
    return rest == line->at + body;
}

static bool is_whole(const struct line *line)
{
    size_t body;
    return line->terminated && !marks_void(line) && sum_fits(line->at, line->size, &body);
}

/* A whole record that begins an append stands there, or behind bytes that took the newline before it. */
static bool holds_an_append(const struct line *line)
{
    for (size_t i = 0; i < line->size && (i == 0 || line->size <= REPAIR_MAX); i++) {
        const struct line rest = {line->at + i, line->size - i, line->terminated};
        if (is_whole(&rest) && !follows(rest.at, rest.size - SUM_DIGITS - 1))
            return true;
    }
    return false;
}

/* Where reading goes on if a later append said that these bytes are void; NULL if none did. */
static char *behind_void(char *at, char *end)
{
    size_t bytes;
    for (char *p = at; p < end;) {
        struct line line = line_at(p, end);
        if (is_void(&line, &bytes) && (size_t)(line.at - at) <= bytes)
            return line.at + line.size + 1;
        p = line.at + line.size + line.terminated;
    }
    return NULL;
}

static bool one_byte_off(char *bytes, size_t size, size_t first, size_t last)
{
    size_t body;
    bool fits = false;
    for (size_t i = first; i < last && !fits; i++) {
        const char was = bytes[i];
        for (int v = 1; v < 256 && !fits; v++) {
            bytes[i] = (char)(was ^ v);
            fits = sum_fits(bytes, size, &body);
        }
        bytes[i] = was;
    }
    return fits;
}

/* A record whose bytes changed after it was written; or its newline did (then nothing or a record stands
   behind it), or a byte became a newline. */
static bool is_changed_record(char *at, char *end)
{
    struct line line = line_at(at, end);
    size_t body;
    if (line.size > REPAIR_MAX)
        return false;
    if (one_byte_off(at, line.size, 0, line.size))
        return true;
    for (size_t i = 1; i < line.size; i++)
        if (sum_fits(at, i, &body))
            return (i + 1 == line.size && !line.terminated) || sum_fits(at + i + 1, line.size - i - 1, &body);
    if (!line.terminated || at + line.size + 1 >= end)
        return false;
    struct line next = line_at(at + line.size + 1, end);
    return next.size <= REPAIR_MAX && one_byte_off(at, line.size + 1 + next.size, line.size, line.size + 1);
}

static bool is_lost_tail(char *at, char *end)
{
    for (char *p = at; p < end;) {
        struct line line = line_at(p, end);
        if (holds_an_append(&line))
            return false;
        p = line.at + line.size + line.terminated;
    }
    return !is_changed_record(at, end);
}

enum found { FOUND_RECORD, FOUND_TORN, FOUND_TAIL, FOUND_DAMAGE };

/* What stands at `at`; *next = where reading goes on. */
static enum found look_at(char *at, char *end, struct line *line, char **next)
{
    size_t bytes;
    *line = line_at(at, end);
    *next = at + line->size + line->terminated;
    if (is_whole(line))
        return FOUND_RECORD;
    if (is_void(line, &bytes) || is_torn(at, line->size, line->terminated))
        return FOUND_TORN;
    char *behind = behind_void(at, end);
    if (behind != NULL) {
        *next = behind;
        return FOUND_TORN;
    }
    *next = end;
    return is_lost_tail(at, end) ? FOUND_TAIL : FOUND_DAMAGE;
}

/* Puts a mark behind what the last append left incomplete, so that the next record begins a line of its own.
 */
static bool close_tail(struct textlog *log, struct err *err)
{
    const struct root *root = log->root;
    struct line line = {.terminated = true};
    enum found found = FOUND_RECORD;
    char *bytes = NULL, *next;
    size_t size = 0;
    if (!files_read_all(root->fs, root->state, log->name, LOG_LIMIT_BYTES, &bytes, &size, err))
        return false;
    char *end = bytes + size, *at = bytes;
    for (; at < end && found != FOUND_TAIL; at = next) {
        found = look_at(at, end, &line, &next);
        if (found == FOUND_TAIL)
            break;
    }
    if (found == FOUND_TAIL) {
        struct str mark = STR_INIT;
        bool open = size > 0 && end[-1] != '\n';
        str_printf(&mark, "%s%zu", void_mark, (size_t)(end - at) + open);
        if (!str_ok(&mark, NULL))
            log->buffer.failed = true;
        else
            str_printf(&log->buffer, "%s%s\t%016" PRIx64 "\n", open ? "\n" : "", mark.bytes,
                       (uint64_t)XXH3_64bits(mark.bytes, mark.size));
        str_release(&mark);
    } else if (!line.terminated)
        str_printf(&log->buffer, "%s\n", cut_mark);
    free(bytes);
    return str_ok(&log->buffer, err);
}

static bool visit_lines(char *bytes, size_t size, const char *name, textlog_visit *visit, void *context,
                        bool *torn, struct err *err)
{
    char *fields[MAX_FIELDS], *next;
    size_t n;
    unsigned long number = 0;
    for (char *p = bytes; p < bytes + size; p = next) {
        struct line line;
        enum found found = look_at(p, bytes + size, &line, &next);
        number++;
        if (found == FOUND_TORN || found == FOUND_TAIL) {
            *torn = true;
            continue;
        }
        p[line.size] = '\0'; /* the buffer has a NUL of its own after the end */
        if (found == FOUND_DAMAGE || !split_record(p, line.size, fields, &n))
            return err_set(err, ERR_DAMAGED,
                           "line %lu of '%s/%s' is damaged: put a saved copy of the file back, or take "
                           "the line out, and type the same command again",
                           number, ROOT_STATE, name);
        if (!visit(context, fields, n, err))
            return false;
    }
    return true;
}

bool textlog_read(const struct root *root, const char *name, textlog_visit *visit, void *context, bool *torn,
                  struct err *err)
{
    char *bytes = NULL;
    size_t size = 0;
    bool dropped = false;
    struct err trouble = ERR_INIT;
    if (torn != NULL)
        *torn = false;
    if (root->state < 0)
        return true;
    if (!files_read_all(root->fs, root->state, name, LOG_LIMIT_BYTES, &bytes, &size, &trouble)) {
        if (trouble.code == ERR_NOT_FOUND)
            return true;
        if (err != NULL)
            *err = trouble;
        return false;
    }
    bool ok = visit_lines(bytes, size, name, visit, context, &dropped, err);
    if (torn != NULL)
        *torn = dropped;
    free(bytes);
    return ok;
}
