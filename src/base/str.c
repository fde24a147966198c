#include "chaffinch/str.h"

#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static bool make_room(struct str *s, size_t more)
{
    size_t limit = s->limit > 0 ? s->limit : STR_LIMIT_DEFAULT;
    if (s->failed || more > limit || s->size > limit - more) {
        s->failed = true;
        return false;
    }
    size_t need = s->size + more + 1;
    if (need <= s->room)
        return true;
    size_t room = s->room > 0 ? s->room : 64;
    while (room < need)
        room *= 2;
    char *grown = realloc(s->bytes, room);
    if (grown == NULL) {
        s->failed = true;
        return false;
    }
    s->bytes = grown;
    s->room = room;
    return true;
}

void str_append_bytes(struct str *s, const void *bytes, size_t size)
{
    if (!make_room(s, size))
        return;
    if (size > 0)
        memcpy(s->bytes + s->size, bytes, size);
    s->size += size;
    s->bytes[s->size] = '\0';
}

void str_append(struct str *s, const char *text)
{
    str_append_bytes(s, text, strlen(text));
}

void str_append_char(struct str *s, char c)
{
    str_append_bytes(s, &c, 1);
}

static void append_formatted(struct str *s, const char *format, va_list args)
{
    va_list again;
    va_copy(again, args);
    int n = vsnprintf(NULL, 0, format, args);
    if (n < 0)
        s->failed = true;
    else if (make_room(s, (size_t)n)) {
        (void)vsnprintf(s->bytes + s->size, (size_t)n + 1, format, again);
        s->size += (size_t)n;
    }
    va_end(again);
}

void str_printf(struct str *s, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    append_formatted(s, format, args);
    va_end(args);
}

size_t str_utf8_step(const void *bytes, size_t left)
{
    const unsigned char *s = bytes;
    if (left == 0)
        return 0;
    if (s[0] < 0x80)
        return 1;
    if (s[0] < 0xc2 || s[0] > 0xf4)
        return 0;
    size_t n = s[0] >= 0xf0 ? 4 : s[0] >= 0xe0 ? 3 : 2;
    if (n > left)
        return 0;
    for (size_t i = 1; i < n; i++)
        if ((s[i] & 0xc0) != 0x80)
            return 0;
    bool overlong = (s[0] == 0xe0 && s[1] < 0xa0) || (s[0] == 0xf0 && s[1] < 0x90);
    bool beyond = (s[0] == 0xed && s[1] > 0x9f) || (s[0] == 0xf4 && s[1] > 0x8f);
    return overlong || beyond ? 0 : n;
}

bool str_is_utf8(const char *bytes, size_t size)
{
    const unsigned char *s = (const unsigned char *)bytes;
    for (size_t i = 0, n; i < size; i += n) {
        n = str_utf8_step(s + i, size - i);
        if (n == 0)
            return false;
    }
    return true;
}

void str_append_html(struct str *s, const char *text)
{
    const unsigned char *t = (const unsigned char *)text;
    size_t left = strlen(text);
    while (left > 0) {
        size_t n = str_utf8_step(t, left);
        if (n == 0 || (*t < 0x20 && *t != '\n' && *t != '\t') || *t == 0x7f) {
            str_append(s, "\xef\xbf\xbd");
            n = 1;
        } else if (*t == '&')
            str_append(s, "&amp;");
        else if (*t == '<')
            str_append(s, "&lt;");
        else if (*t == '>')
            str_append(s, "&gt;");
        else if (*t == '"')
            str_append(s, "&quot;");
        else if (*t == '\'')
            str_append(s, "&#39;");
        else
            str_append_bytes(s, t, n);
        t += n;
        left -= n;
    }
}

void str_append_base64(struct str *s, const void *bytes, size_t size)
{
    static const char digits[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    const unsigned char *b = bytes;
    size_t at = s->size;
    size_t out = (size + 2) / 3 * 4;
    if (!make_room(s, out))
        return;
    for (size_t i = 0; i < size; i += 3) {
        size_t n = size - i < 3 ? size - i : 3;
        uint32_t v =
            (uint32_t)b[i] << 16 | (uint32_t)(n > 1 ? b[i + 1] : 0) << 8 | (uint32_t)(n > 2 ? b[i + 2] : 0);
        s->bytes[at++] = digits[v >> 18];
        s->bytes[at++] = digits[v >> 12 & 63];
        s->bytes[at++] = n > 1 ? digits[v >> 6 & 63] : '=';
        s->bytes[at++] = n > 2 ? digits[v & 63] : '=';
    }
    s->size = at;
    s->bytes[at] = '\0';
}

void str_clear(struct str *s)
{
    s->size = 0;
    s->failed = false;
    if (s->bytes != NULL)
        s->bytes[0] = '\0';
}

bool str_ok(const struct str *s, struct err *err)
{
    return s->failed ? err_nomem(err) : true;
}

char *str_take(struct str *s, struct err *err)
{
    str_append_bytes(s, "", 0);
    char *bytes = s->failed ? NULL : s->bytes;
    if (bytes == NULL) {
        err_nomem(err);
        str_release(s);
        return NULL;
    }
    *s = (struct str)STR_INIT;
    return bytes;
}

void str_release(struct str *s)
{
    free(s->bytes);
    *s = (struct str)STR_INIT;
}

char *str_make(struct err *err, const char *format, ...)
{
    struct str s = STR_INIT;
    va_list args;
    va_start(args, format);
    append_formatted(&s, format, args);
    va_end(args);
    return str_take(&s, err);
}
