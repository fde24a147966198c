/* json.h - JSON text (RFC 8259) appended to a str. Numbers do not ask the locale; bytes that are not UTF-8
 * become U+FFFD. */
#ifndef CHAFFINCH_REVIEW_JSON_H
#define CHAFFINCH_REVIEW_JSON_H

#include "chaffinch/str.h"

void json_text(struct str *s, const char *text);
/* Rounded to `decimals` (at most 6); null where the value is not known. */
void json_number(struct str *s, double value, int decimals);
/* `,"key":` and then: */
void json_key(struct str *s, const char *key);
void json_add_text(struct str *s, const char *key, const char *text);
void json_add_number(struct str *s, const char *key, double value, int decimals);
void json_add_int(struct str *s, const char *key, long long value);
void json_add_bool(struct str *s, const char *key, bool value);

#endif
