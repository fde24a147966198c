/* The text logs. The input is a log as it may be found on a disk; and its lines, with their checksums put
   right, are decisions and a run: what passes the checksum must be read with the same care. */
#include "fuzz.h"

#include <stdlib.h>
#include <string.h>

#include "../../src/apply/history.h"
#include "chaffinch/textlog.h"

enum { FIELDS = 16 };

static bool count(void *context, char *const *fields, size_t n, struct err *err)
{
    size_t *records = context;
    (void)fields;
    (void)err;
    fuzz_must(n > 0 && n <= FIELDS);
    ++*records;
    return true;
}

/* Whatever stands in a log that can be read: a record that is added stands behind it. */
static void add_one(const struct root *root)
{
    static const char *const fields[] = {"one", "more"};
    size_t before = 0, after = 0;
    struct err err = ERR_INIT;
    if (!textlog_read(root, "x.log", count, &before, NULL, &err))
        return;
    fuzz_must(textlog_append(root, "x.log", fields, 2, &err));
    fuzz_must(textlog_read(root, "x.log", count, &after, NULL, &err));
    fuzz_must(after == before + 1);
}

static void write_lines(const struct root *root, const char *name, const uint8_t *bytes, size_t size)
{
    struct err err = ERR_INIT;
    char *text = strndup((const char *)bytes, size), *rest = text;
    struct textlog *log = textlog_open(root, name, &err);
    fuzz_must(text != NULL && log != NULL);
    for (char *line; (line = strsep(&rest, "\n")) != NULL;) {
        const char *fields[FIELDS];
        size_t n = 0;
        for (char *field; n < FIELDS && (field = strsep(&line, "\t")) != NULL;)
            fields[n++] = field;
        fuzz_must(textlog_write(log, fields, n, &err));
    }
    fuzz_must(textlog_close(log, &err));
    free(text);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    struct fuzz_place place;
    struct history history = {0};
    struct err err = ERR_INIT;
    fuzz_open(&place);
    fuzz_write(&place, "x.log", bytes, size);
    add_one(&place.root);
    write_lines(&place.root, "runs/0001.log", bytes, size);
    if (history_read(&place.root, &history, &err)) {
        (void)history_to_undo(&history);
        (void)history_interrupted(&history);
    } else
        fuzz_must(err.code != ERR_NONE);
    history_release(&history);
    fuzz_close(&place);
    return 0;
}
