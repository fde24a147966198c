#include "manifest.h"

#include <fcntl.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/publish.h"
#include "names.h"

enum { MANIFEST_PATH_AT = HASH_SIZE * 2 + 2 };

/* The bytes of one of the files; *bytes = NULL where there is none. */
static bool load(const struct root *root, const char *name, char **bytes, size_t *size, struct err *err)
{
    struct err trouble = ERR_INIT;
    *bytes = NULL;
    *size = 0;
    if (root->state < 0 ||
        files_read_all(root->fs, root->state, name, STR_LIMIT_DEFAULT, bytes, size, &trouble))
        return true;
    if (trouble.code == ERR_NOT_FOUND)
        return true;
    if (err != NULL)
        *err = trouble;
    return false;
}

static bool parse_line(const char *line, struct hash_digest *digest)
{
    return strlen(line) > MANIFEST_PATH_AT && line[MANIFEST_PATH_AT - 2] == ' ' &&
           line[MANIFEST_PATH_AT - 1] == ' ' && hash_parse(line, digest);
}

/* Bytes up to and with the last end mark: what follows was torn by a crash. */
static size_t whole_size(const char *bytes, size_t size, char end)
{
    while (size > 0 && bytes[size - 1] != end)
        size--;
    return size;
}

static bool read_one(const struct root *root, const char *name, char end, manifest_visit *visit,
                     void *context, bool *present, struct err *err)
{
    char *bytes;
    size_t size;
    bool ok = true;
    if (!load(root, name, &bytes, &size, err))
        return false;
    if (bytes == NULL)
        return true;
    *present = true;
    size = whole_size(bytes, size, end);
    unsigned long number = 0;
    for (size_t at = 0; ok && at < size;) {
        struct hash_digest digest;
        char *stop = memchr(bytes + at, end, size - at);
        *stop = '\0';
        number++;
        if (parse_line(bytes + at, &digest))
            ok = visit(context, bytes + at + MANIFEST_PATH_AT, &digest, err);
        else
            ok = err_set(err, ERR_DAMAGED,
                         "'%s/%s' is damaged in record %lu: put a saved copy of it back, or copy the card "
                         "into a new folder",
                         root->path, name, number);
        at = (size_t)(stop - bytes) + 1;
    }
    free(bytes);
    return ok;
}

bool manifest_read(const struct root *root, manifest_visit *visit, void *context, bool *present,
                   struct err *err)
{
    *present = false;
    return read_one(root, MANIFEST_TEXT, '\n', visit, context, present, err) &&
           read_one(root, MANIFEST_NUL, '\0', visit, context, present, err);
}

static bool mend_one(const struct root *root, const char *name, char end, struct err *err)
{
    char *bytes;
    size_t size;
    if (!load(root, name, &bytes, &size, err))
        return false;
    if (bytes == NULL)
        return true;
    size_t whole = whole_size(bytes, size, end);
    bool ok = whole == size || publish_replace(root, name, bytes, whole, err);
    free(bytes);
    return ok;
}

bool manifest_mend(const struct root *root, struct err *err)
{
    return mend_one(root, MANIFEST_TEXT, '\n', err) && mend_one(root, MANIFEST_NUL, '\0', err);
}

void manifest_line(struct manifest_lines *lines, const char *path, const struct hash_digest *digest)
{
    char hash[HASH_TEXT_SIZE];
    bool nul = names_need_nul(path);
    struct str *s = nul ? &lines->nul : &lines->text;
    str_append(s, hash_text(digest, hash));
    str_append(s, "  ");
    str_append(s, path);
    str_append_char(s, nul ? '\0' : '\n');
}

/* The whole file is written anew and takes the place of the old one in one step. Lines that were added at its
   end could be torn by a full disk or a power cut, in the middle too, and no line says whether it is whole.
 */
static bool append(const struct root *root, const char *name, char end, struct str *s, struct err *err)
{
    char *before;
    size_t size;
    struct str all = STR_INIT;
    if (!str_ok(s, err))
        return false;
    if (s->size == 0)
        return true;
    if (!load(root, name, &before, &size, err))
        return false;
    if (before != NULL)
        str_append_bytes(&all, before, whole_size(before, size, end));
    str_append_bytes(&all, s->bytes, s->size);
    bool ok = str_ok(&all, err) && publish_replace(root, name, all.bytes, all.size, err);
    if (ok)
        str_clear(s);
    free(before);
    str_release(&all);
    return ok;
}

bool manifest_write(const struct root *root, struct manifest_lines *lines, struct err *err)
{
    return append(root, MANIFEST_TEXT, '\n', &lines->text, err) &&
           append(root, MANIFEST_NUL, '\0', &lines->nul, err);
}

void manifest_lines_release(struct manifest_lines *lines)
{
    str_release(&lines->text);
    str_release(&lines->nul);
}
