/*
 * str.h - a growing byte string with a ceiling.
 *
 * Calling sequence: struct str s = STR_INIT; str_append(&s, "x"); ... s.bytes ...; str_release(&s);
 *
 * Errors: appending never fails at once; running out of memory or past the ceiling sets `failed`, further
 * appends do nothing, and str_ok() tells at the end. `bytes` is always NUL-terminated and never NULL after
 * the first append. Ownership: the string owns `bytes`; str_take() hands them over (malloc, caller frees).
 */
#ifndef CHAFFINCH_STR_H
#define CHAFFINCH_STR_H

#include <stdarg.h>
#include <stdbool.h>
#include <stddef.h>

#include "chaffinch/err.h"

struct str {
    char *bytes;
    size_t size; /* without the NUL */
    size_t room;
    size_t limit; /* 0 = STR_LIMIT_DEFAULT */
    bool failed;
};

#define STR_INIT                                                                                             \
    {                                                                                                        \
        .bytes = NULL                                                                                        \
    }
#define STR_LIMIT_DEFAULT ((size_t)1 << 30)

void str_append(struct str *s, const char *text);
void str_append_bytes(struct str *s, const void *bytes, size_t size);
void str_append_char(struct str *s, char c);
void str_printf(struct str *s, const char *format, ...) __attribute__((format(printf, 2, 3)));
/* Text between tags or in a double-quoted attribute; bytes that are not UTF-8 become U+FFFD, control
 * characters too. */
void str_append_html(struct str *s, const char *text);
void str_append_base64(struct str *s, const void *bytes, size_t size); /* RFC 4648, with padding */
/* Empties it, keeps the room. */
void str_clear(struct str *s);
/* The bytes (malloc, NUL-terminated, caller frees); NULL with ERR_NOMEM if an append failed. The string is
 * empty afterwards. */
char *str_take(struct str *s, struct err *err);
/* False with ERR_NOMEM if an append failed. */
bool str_ok(const struct str *s, struct err *err);
void str_release(struct str *s);
/* Length of the UTF-8 sequence at `bytes` (RFC 3629) with `left` bytes to go, 0 if it is none. */
size_t str_utf8_step(const void *bytes, size_t left);
/* True if the bytes are well-formed UTF-8 (RFC 3629). */
bool str_is_utf8(const char *bytes, size_t size);

/* printf into fresh memory (caller frees); NULL with ERR_NOMEM. */
char *str_make(struct err *err, const char *format, ...) __attribute__((format(printf, 2, 3)));

#endif
