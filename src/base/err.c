#include "chaffinch/err.h"

#include <errno.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include "chaffinch/str.h"

bool err_set(struct err *err, enum err_code code, const char *format, ...)
{
    if (err == NULL)
        return false;
    err->code = code;
    err->sys = 0;
    va_list args;
    va_start(args, format);
    (void)vsnprintf(err->message, sizeof err->message, format, args);
    va_end(args);
    return false;
}

static enum err_code code_of_errno(int number)
{
    switch (number) {
    case ENOSPC:
    case EDQUOT:
        return ERR_NO_SPACE;
    case ENOENT:
        return ERR_NOT_FOUND;
    case EEXIST:
        return ERR_EXISTS;
    case ENOMEM:
        return ERR_NOMEM;
    default:
        return ERR_IO;
    }
}

/* What a person can do about it; empty where nothing general can be said. */
static const char *advice_of_errno(int number)
{
    switch (number) {
    case ENOSPC:
    case EDQUOT:
        return " (free some space and run the same command again)";
    case EROFS:
        return " (choose a place that can be written)";
    case EACCES:
    case EPERM:
        return " (check the permissions)";
    default:
        return "";
    }
}

bool err_sys(struct err *err, const char *call, const char *name)
{
    int number = errno;
    char shown[400];
    char reason[96];
    if (err == NULL)
        return false;
    const char *text = strerror_r(number, reason, sizeof reason);
    /* Paths are relative to the session, so an empty one is the session itself. */
    err_set(err, code_of_errno(number), "cannot %s '%s': %c%s%s", call,
            *name != '\0' ? err_escape(shown, sizeof shown, name) : ".",
            text[0] >= 'A' && text[0] <= 'Z' && !(text[1] >= 'A' && text[1] <= 'Z') ? text[0] - 'A' + 'a'
                                                                                    : text[0],
            text + 1, advice_of_errno(number));
    err->sys = number;
    errno = number;
    return false;
}

bool err_nomem(struct err *err)
{
    return err_set(err, ERR_NOMEM, "out of memory");
}

bool err_wrap(struct err *err, const char *format, ...)
{
    if (err == NULL)
        return false;
    char before[ERR_MESSAGE_SIZE];
    char after[ERR_MESSAGE_SIZE];
    va_list args;
    va_start(args, format);
    (void)vsnprintf(before, sizeof before, format, args);
    va_end(args);
    memcpy(after, err->message, sizeof after);
    size_t used = strlen(before);
    if (used > sizeof err->message / 2)
        used = sizeof err->message / 2;
    memcpy(err->message, before, used);
    if (snprintf(err->message + used, sizeof err->message - used, ": %s", after) < 0)
        err->message[used] = '\0';
    return false;
}

int err_exit_status(const struct err *err)
{
    if (err == NULL || err->code == ERR_NONE)
        return 0;
    switch (err->code) {
    case ERR_FILE:
    case ERR_FORMAT:
        return 1;
    case ERR_USAGE:
        return 2;
    case ERR_REFUSED:
    case ERR_EXISTS:
        return 3;
    case ERR_DAMAGED:
        return 5;
    default:
        return 4;
    }
}

/* Bytes of the character at `s`, 0 for what a terminal must not see: U+0080..U+009F are control characters
   too. */
static size_t printable(const unsigned char *s)
{
    size_t n = str_utf8_step(s, strlen((const char *)s));
    bool control = *s < 0x20 || *s == 0x7f || (n == 2 && *s == 0xc2 && s[1] < 0xa0);
    return control ? 0 : n;
}

char *err_escape(char *out, unsigned long room, const char *name)
{
    size_t used = 0;
    const unsigned char *s = (const unsigned char *)name;
    while (*s != 0) {
        size_t n = *s == '\\' || *s == '\'' ? 0 : printable(s);
        size_t need = n > 0 ? n : 4;
        if (used + need + 4 > room) {
            memcpy(out + used, "...", 4);
            return out;
        }
        if (n > 0)
            memcpy(out + used, s, n);
        else
            (void)snprintf(out + used, 5, "\\x%02x", *s);
        used += need;
        s += n > 0 ? n : 1;
    }
    out[used] = '\0';
    return out;
}

char *err_word(char *out, unsigned long room, const char *path)
{
    char part[9];
    size_t used = 0;
    for (const unsigned char *s = (const unsigned char *)path; *s != 0;) {
        size_t n = printable(s);
        if (n == 0)
            (void)snprintf(part, sizeof part, "$'\\x%02x'", *s);
        else
            (void)snprintf(part, sizeof part, "%s%.*s", strchr(" !\"#$&'()*;<>?[\\]^`{|}~", *s) ? "\\" : "",
                           (int)n, (const char *)s);
        if (used + strlen(part) + 4 > room) {
            memcpy(out + used, "...", 4);
            return out;
        }
        memcpy(out + used, part, strlen(part) + 1);
        used += strlen(part);
        s += n > 0 ? n : 1;
    }
    out[used] = '\0';
    return out;
}
