/* number.h - a plain decimal number, as people write it. */
#ifndef CHAFFINCH_FIELD_NUMBER_H
#define CHAFFINCH_FIELD_NUMBER_H

#include <stdbool.h>

/* Reads digits with at most one point and moves *p over them. No sign, exponent, hexadecimal, "nan" or "inf":
 * strtod takes all of these, and none is an answer to "how far?". */
bool number_read(const char **p, double *value);

#endif
