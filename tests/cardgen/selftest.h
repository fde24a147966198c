#ifndef CARDGEN_SELFTEST_H
#define CARDGEN_SELFTEST_H
#include <stdbool.h>

/* Blurs single points and compares the second moment of what comes out with the blur that truth.csv claims.
 * Prints one line; false when they differ by more than 0.5 %. */
bool selftest_blur(void);

#endif
