/*
 * select.h - order statistics without sorting.
 */
#ifndef CHAFFINCH_SELECT_H
#define CHAFFINCH_SELECT_H

#include <stddef.h>

/* The k-th smallest of n values, k from 0; n at least 1. Reorders them so that none before place k is larger
   and none behind it smaller (Hoare: Algorithm 65, FIND, Communications of the ACM 4, 1961). */
float select_nth(float *v, size_t n, size_t k);

#endif
