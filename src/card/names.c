#include "names.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/str.h"

static const char *leaf_of(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash != NULL ? slash + 1 : path;
}

/* Bytes of the leaf before its first dot; a dot at the very front belongs to the name. */
static size_t base_size(const char *leaf)
{
    return leaf[0] == '\0' ? 0 : 1 + strcspn(leaf + 1, ".");
}

char *names_family(const char *path, struct err *err)
{
    const char *leaf = leaf_of(path);
    size_t folder = (size_t)(leaf - path);
    char *key = strndup(path, folder + base_size(leaf));
    if (key == NULL) {
        err_nomem(err);
        return NULL;
    }
    for (char *k = key + folder; *k != '\0'; k++)
        if (*k >= 'A' && *k <= 'Z')
            *k = (char)(*k - 'A' + 'a');
    return key;
}

char *names_with_suffix(const char *path, uint32_t suffix, struct err *err)
{
    struct str s = STR_INIT;
    char number[16] = "";
    const char *leaf = leaf_of(path);
    size_t base = base_size(leaf);
    size_t rest = strlen(leaf) - base;
    if (suffix != NAMES_NO_SUFFIX)
        (void)snprintf(number, sizeof number, "-%u", (unsigned)suffix);
    size_t more = strlen(number);
    size_t kept = base;
    if (more > 0 && base + more + rest > NAMES_LEAF_MAX) {
        size_t over = base + more + rest - NAMES_LEAF_MAX;
        kept = over < base ? base - over : 1;
        while (kept > 1 && ((unsigned char)leaf[kept] & 0xc0) == 0x80)
            kept--;
    }
    str_append_bytes(&s, path, (size_t)(leaf - path) + kept);
    str_append(&s, number);
    str_append(&s, leaf + base);
    return str_take(&s, err);
}

bool names_need_nul(const char *path)
{
    return strpbrk(path, "\n\r\\") != NULL;
}
