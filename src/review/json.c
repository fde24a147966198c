#include "json.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static void append_escaped(struct str *s, unsigned char c)
{
    static const char plain[] = "\"\\",
                      *const named[] = {
                          ['\b'] = "\\b", ['\t'] = "\\t", ['\n'] = "\\n", ['\f'] = "\\f", ['\r'] = "\\r"};
    if (strchr(plain, c) != NULL)
        str_printf(s, "\\%c", c);
    else if (c < sizeof named / sizeof named[0] && named[c] != NULL)
        str_append(s, named[c]);
    else
        str_printf(s, "\\u%04x", c);
}

void json_text(struct str *s, const char *text)
{
    size_t left = strlen(text);
    str_append_char(s, '"');
    while (left > 0) {
        unsigned char c = (unsigned char)*text;
        size_t step = str_utf8_step(text, left);
        if (step == 0) {
            str_append(s, "\xef\xbf\xbd");
            step = 1;
        } else if (c < 0x20 || c == '"' || c == '\\' || c == 0x7f)
            append_escaped(s, c);
        else
            str_append_bytes(s, text, step);
        text += step;
        left -= step;
    }
    str_append_char(s, '"');
}

void json_number(struct str *s, double value, int decimals)
{
    static const long long powers[] = {1, 10, 100, 1000, 10000, 100000, 1000000};
    long long power = powers[decimals];
    if (!isfinite(value) || fabs(value) * (double)power > 9e17) {
        str_append(s, "null");
        return;
    }
    long long scaled = llround(value * (double)power), rest = llabs(scaled) % power;
    str_printf(s, "%s%lld", scaled < 0 ? "-" : "", llabs(scaled) / power);
    if (rest == 0)
        return;
    str_append_char(s, '.');
    for (int d = decimals - 1; d >= 0 && rest % powers[d + 1] != 0; d--)
        str_append_char(s, (char)('0' + rest / powers[d] % 10));
}

void json_key(struct str *s, const char *key)
{
    str_printf(s, ",\"%s\":", key);
}

void json_add_text(struct str *s, const char *key, const char *text)
{
    json_key(s, key);
    json_text(s, text);
}

void json_add_number(struct str *s, const char *key, double value, int decimals)
{
    json_key(s, key);
    json_number(s, value, decimals);
}

void json_add_int(struct str *s, const char *key, long long value)
{
    json_key(s, key);
    str_printf(s, "%lld", value);
}

void json_add_bool(struct str *s, const char *key, bool value)
{
    json_key(s, key);
    str_append(s, value ? "true" : "false");
}
