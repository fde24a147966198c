/* instant.h - moments of UTC as RFC 3339 text with nine fraction digits, as the text logs write them (pure).
 */
#ifndef CHAFFINCH_CATALOGUE_INSTANT_H
#define CHAFFINCH_CATALOGUE_INSTANT_H

#include <stdbool.h>
#include <stdint.h>

enum { INSTANT_SIZE = 40 };

/* "2031-05-04T06:07:08.000000009Z". Returns `out`. */
char *instant_text(int64_t ns, char out[INSTANT_SIZE]);
/* False where the text is not exactly of that form. */
bool instant_parse(const char *text, int64_t *ns);

#endif
