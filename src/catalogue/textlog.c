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
    struct str buffer;
};

/* What closes a line that a crash tore. */
static const char cut_mark[] = "\\cut";
enum { CUT_SIZE = sizeof cut_mark - 1 };

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

static void append_record(struct str *out, const char *const *fields, size_t n)
{
    struct str line = STR_INIT;
    for (size_t i = 0; i < n; i++) {
        if (i > 0)
            str_append(&line, "\t");
        append_escaped(&line, fields[i]);
    }
    str_append(&line, ""); /* one empty field leaves no bytes otherwise */
    if (line.failed)
        out->failed = true;
    else {
        str_append_bytes(out, line.bytes, line.size);
        str_printf(out, "\t%016" PRIx64 "\n", (uint64_t)XXH3_64bits(line.bytes, line.size));
    }
    str_release(&line);
}

static bool end_torn_line(struct textlog *log, struct err *err)
{
    struct stat st;
    char last = '\n';
    const struct files *fs = log->root->fs;
    if (fs->fstat(fs->context, log->fd, &st) != 0)
        return err_sys(err, "look at", log->name);
    if (st.st_size > 0 && fs->pread(fs->context, log->fd, &last, 1, st.st_size - 1) != 1)
        return err_sys(err, "read", log->name);
    if (last != '\n')
        str_printf(&log->buffer, "%s\n", cut_mark);
    return str_ok(&log->buffer, err);
}

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
    if (log->fd < 0 || !end_torn_line(log, err))
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
    append_record(&log->buffer, fields, n);
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

/* Splits a line that is followed by a NUL into fields; false if its checksum or its escapes are wrong. */
static bool split_record(char *line, size_t size, char *fields[MAX_FIELDS], size_t *n)
{
    size_t body;
    if (!sum_fits(line, size, &body))
        return false;
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

static bool visit_lines(char *bytes, size_t size, const char *name, textlog_visit *visit, void *context,
                        bool *torn, struct err *err)
{
    char *fields[MAX_FIELDS];
    size_t n;
    unsigned long number = 0;
    for (char *p = bytes; p < bytes + size;) {
        char *newline = memchr(p, '\n', (size_t)(bytes + size - p));
        size_t length = newline != NULL ? (size_t)(newline - p) : (size_t)(bytes + size - p);
        number++;
        if (is_torn(p, length, newline != NULL))
            *torn = true;
        else {
            p[length] = '\0'; /* the buffer has a NUL of its own after the end */
            if (newline == NULL || !split_record(p, length, fields, &n))
                return err_set(err, ERR_DAMAGED,
                               "line %lu of '%s/%s' is damaged: put a saved copy of the file back, or take "
                               "the line out, and type the same command again",
                               number, ROOT_STATE, name);
            if (!visit(context, fields, n, err))
                return false;
        }
        p += length + 1;
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
