/* What a name says: the kind of file, and the parts of a picture's name (DCF = JEITA CP-3461 / CIPA DC-009).
 */
#include "chaffinch/frame.h"

#include <stdlib.h>
#include <string.h>

#include "name.h"

struct extension {
    const char *text; /* lower case */
    enum frame_file_kind kind;
};

/* Sorted by text, for bsearch. Whether LibRaw knows a raw is for the content to tell, not for the name.
   Extensions of raws are from memory; DCF names .JPG and .THM. */
static const struct extension table[] = {
    {"3fr", FRAME_RAW},   {"aac", FRAME_SOUND}, {"aif", FRAME_SOUND}, {"aiff", FRAME_SOUND},
    {"ari", FRAME_RAW},   {"arq", FRAME_RAW},   {"arw", FRAME_RAW},   {"avif", FRAME_HEIF},
    {"bay", FRAME_RAW},   {"cap", FRAME_RAW},   {"cr2", FRAME_RAW},   {"cr3", FRAME_RAW},
    {"crw", FRAME_RAW},   {"dcr", FRAME_RAW},   {"dcs", FRAME_RAW},   {"dng", FRAME_RAW},
    {"erf", FRAME_RAW},   {"fff", FRAME_RAW},   {"gpr", FRAME_RAW},   {"heic", FRAME_HEIF},
    {"heif", FRAME_HEIF}, {"hif", FRAME_HEIF},  {"iiq", FRAME_RAW},   {"jpe", FRAME_JPEG},
    {"jpeg", FRAME_JPEG}, {"jpg", FRAME_JPEG},  {"k25", FRAME_RAW},   {"kdc", FRAME_RAW},
    {"m4a", FRAME_SOUND}, {"mdc", FRAME_RAW},   {"mef", FRAME_RAW},   {"mos", FRAME_RAW},
    {"mp3", FRAME_SOUND}, {"mrw", FRAME_RAW},   {"nef", FRAME_RAW},   {"nrw", FRAME_RAW},
    {"orf", FRAME_RAW},   {"ori", FRAME_RAW},   {"pef", FRAME_RAW},   {"ptx", FRAME_RAW},
    {"raf", FRAME_RAW},   {"raw", FRAME_RAW},   {"rw2", FRAME_RAW},   {"rwl", FRAME_RAW},
    {"rwz", FRAME_RAW},   {"sr2", FRAME_RAW},   {"srf", FRAME_RAW},   {"srw", FRAME_RAW},
    {"thm", FRAME_THUMB}, {"wav", FRAME_SOUND}, {"x3f", FRAME_RAW},   {"xmp", FRAME_SIDECAR},
};

enum {
    DCF_NAME = 8,   /* AAAANNNN */
    DCF_PREFIX = 4, /* four of [0-9A-Z_] */
    NUMBER_DIGITS_MAX = 9
};

static unsigned char lower(char c)
{
    return (unsigned char)(c >= 'A' && c <= 'Z' ? c + ('a' - 'A') : c);
}

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

static bool is_dcf_char(char c)
{
    return is_digit(c) || c == '_' || (lower(c) >= 'a' && lower(c) <= 'z');
}

int name_compare_folded(const char *a, size_t na, const char *b, size_t nb)
{
    for (size_t i = 0; i < na && i < nb; i++)
        if (lower(a[i]) != lower(b[i]))
            return lower(a[i]) < lower(b[i]) ? -1 : 1;
    return na == nb ? 0 : na < nb ? -1 : 1;
}

static int compare_extension(const void *key, const void *entry)
{
    const char *text = key, *other = ((const struct extension *)entry)->text;
    return name_compare_folded(text, strlen(text), other, strlen(other));
}

static enum frame_file_kind kind_of_extension(const char *extension)
{
    const struct extension *found =
        bsearch(extension, table, sizeof table / sizeof *table, sizeof *table, compare_extension);
    return found != NULL ? found->kind : FRAME_OTHER;
}

static const char *last_part(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash != NULL ? slash + 1 : path;
}

/* Length up to the last dot; a leading dot begins no extension. */
static size_t stem_size(const char *name, size_t size)
{
    for (size_t i = size; i > 1; i--)
        if (name[i - 1] == '.')
            return i - 1;
    return size;
}

/* One maker gives rolls of raw frames the extension of its single raws and the prefix "CSI_" (from memory).
 */
static bool is_burst_roll(const char *name)
{
    static const char prefix[] = "CSI_";
    return name_compare_folded(name, strnlen(name, 4), prefix, 4) == 0;
}

enum frame_file_kind frame_kind_of_name(const char *name)
{
    name = last_part(name);
    size_t size = strlen(name), stem = stem_size(name, size);
    if (name[0] == '.' || stem == size)
        return FRAME_OTHER; /* hidden files, "._" files among them, and names without an extension */
    enum frame_file_kind kind = kind_of_extension(name + stem + 1);
    return kind == FRAME_RAW && is_burst_roll(name) ? FRAME_CONTAINER : kind;
}

bool frame_kind_is_picture(enum frame_file_kind kind)
{
    return kind == FRAME_JPEG || kind == FRAME_RAW || kind == FRAME_HEIF || kind == FRAME_CONTAINER;
}

struct name_base name_base(const char *name)
{
    size_t size = strlen(name);
    struct name_base base = {.size = stem_size(name, size)};
    if (base.size == size || frame_kind_is_picture(frame_kind_of_name(name)))
        return base;
    size_t inner = stem_size(name, base.size), extension = base.size - inner;
    char text[8];
    if (extension < 2 || extension > sizeof text)
        return base;
    memcpy(text, name + inner + 1, extension - 1);
    text[extension - 1] = '\0';
    if (frame_kind_is_picture(kind_of_extension(text)))
        base = (struct name_base){.size = inner, .picture_size = base.size};
    return base;
}

static int number_of(const char *digits, size_t n)
{
    int number = 0;
    for (size_t i = 0; i < n; i++)
        number = number * 10 + (digits[i] - '0');
    return number;
}

/* Two of the same name get a numbered suffix when they are copied ("DEMO0001-2"): the DCF part still tells
   the number. */
static size_t without_suffix(const char *base, size_t size)
{
    size_t i = DCF_NAME + 1;
    if (size <= i || base[DCF_NAME] != '-')
        return size;
    while (i < size && is_digit(base[i]))
        i++;
    return i == size ? DCF_NAME : size;
}

static bool is_dcf(const char *base, size_t size)
{
    if (size != DCF_NAME)
        return false;
    for (size_t i = 0; i < size; i++)
        if (i < DCF_PREFIX ? !is_dcf_char(base[i]) : !is_digit(base[i]))
            return false;
    return number_of(base + DCF_PREFIX, size - DCF_PREFIX) > 0;
}

/* NNNAAAAA with NNN 100-999, of the folder that holds the file; -1 else. */
static int folder_of(const char *path)
{
    const char *end = strrchr(path, '/'), *start = end;
    if (end == NULL)
        return -1;
    while (start > path && start[-1] != '/')
        start--;
    if (end - start != DCF_NAME || start[0] == '0')
        return -1;
    for (size_t i = 0; i < DCF_NAME; i++)
        if (i < 3 ? !is_digit(start[i]) : !is_dcf_char(start[i]))
            return -1;
    return number_of(start, 3);
}

/* Upper case, cut before it would not fit: prefixes are compared, never shown as names of files. */
static void copy_prefix(char *out, size_t room, const char *base, size_t size)
{
    size_t n = size < room - 1 ? size : room - 1;
    for (size_t i = 0; i < n; i++)
        out[i] = base[i] >= 'a' && base[i] <= 'z' ? (char)(base[i] - ('a' - 'A')) : base[i];
    out[n] = '\0';
}

void frame_name_parse(const char *path, struct frame_name *name)
{
    const char *base = last_part(path);
    size_t whole = stem_size(base, strlen(base)), size = without_suffix(base, whole);
    bool dcf = is_dcf(base, size);
    *name = (struct frame_name){.number = -1, .dcf = dcf && size == whole, .folder = folder_of(path)};
    if (!dcf)
        size = whole;
    size_t digits = 0, most = dcf ? DCF_NAME - DCF_PREFIX : NUMBER_DIGITS_MAX;
    while (digits < size && digits < most && is_digit(base[size - digits - 1]))
        digits++;
    if (digits > 0) {
        name->number = number_of(base + size - digits, digits);
        name->digits = (int)digits;
    }
    copy_prefix(name->prefix, sizeof name->prefix, base, size - digits);
}
