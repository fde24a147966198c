/* decisions.log taken over into a catalogue: the input's lines, with their checksums put right. */
#include "fuzz.h"

#include <stdlib.h>
#include <string.h>

#include "chaffinch/catalogue.h"
#include "chaffinch/textlog.h"

enum { FIELDS = 8 };

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    struct fuzz_place place;
    struct err err = ERR_INIT;
    fuzz_open(&place);
    char *text = strndup((const char *)bytes, size), *rest = text;
    struct textlog *log = textlog_open(&place.root, "decisions.log", &err);
    fuzz_must(text != NULL && log != NULL);
    for (char *line; (line = strsep(&rest, "\n")) != NULL;) {
        const char *fields[FIELDS];
        size_t n = 0;
        for (char *field; n < FIELDS && (field = strsep(&line, "\t")) != NULL;)
            fields[n++] = field;
        fuzz_must(textlog_write(log, fields, n, &err));
    }
    fuzz_must(textlog_close(log, &err));
    struct catalogue *c = catalogue_open(&place.root, CATALOGUE_WRITE, &err);
    fuzz_must(c != NULL || err.code != ERR_NONE);
    fuzz_must(c == NULL || catalogue_check(c, NULL, &err));
    catalogue_close(c);
    free(text);
    fuzz_close(&place);
    return 0;
}
